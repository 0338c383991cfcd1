"""What the shop's views share: finding by number, choosing by mark, answers on the same page."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from django.http import HttpRequest

from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.services.submissions import part_key
from labtrack.errors import NotFound, Refused
from labtrack.whole_numbers import LARGEST, whole_number
from production.answer_sheet import AnswerSheet
from production.choices import Outcome
from production.links import read_mark
from production.models import Build, Part, Piece
from production.services.answers import record_answers


def by_number(rows: Any, number: int, sentence: str) -> Any:
    """The row of that number, or ``NotFound``."""
    row = rows.filter(number=number).first() if 0 < number <= LARGEST else None
    if row is None:
        raise NotFound(sentence)
    return row


def posted_ids(request: HttpRequest, name: str) -> list[int]:
    """The ids of the boxes ticked under ``name``, each once, in their order."""
    ids = map(whole_number, request.POST.getlist(name))
    return list(dict.fromkeys(pk for pk in ids if pk is not None))


def marked_parts(text: str) -> list[int]:
    """Ids of the parts whose marks were typed or scanned; a build's mark stands for all its parts."""
    part_numbers: list[int] = []
    build_numbers: list[int] = []
    for word in re.split(r"[\s,;]+", text.strip()):
        if not word:
            continue
        mark = read_mark(word)
        if mark is None or mark[0] not in "PB":
            raise Refused("mark-unknown", f"“{word[:30]}” is no mark of a part or a build.", field="marks")
        (part_numbers if mark[0] == "P" else build_numbers).append(mark[1])
    parts = dict(Part.objects.filter(number__in=part_numbers).values_list("number", "pk"))
    for number in part_numbers:
        if number not in parts:
            raise Refused("mark-unknown", f"There is no part P-{number:06d}.", field="marks")
    ids = [parts[number] for number in part_numbers]
    for number in build_numbers:
        build = Build.objects.filter(number=number).first()
        if build is None:
            raise Refused("mark-unknown", f"There is no build B-{number:05d}.", field="marks")
        ids += list(
            build.parts.exclude(outcome=Outcome.SCRAPPED).order_by("number").values_list("pk", flat=True)
        )
    return list(dict.fromkeys(ids))


def marked_pieces(text: str) -> list[int]:
    """Ids of the pieces whose marks were typed or scanned."""
    numbers: list[int] = []
    for word in re.split(r"[\s,;]+", text.strip()):
        if not word:
            continue
        mark = read_mark(word)
        if mark is None or mark[0] != "A":
            raise Refused("mark-unknown", f"“{word[:30]}” is no mark of a piece (A-000123).", field="marks")
        numbers.append(mark[1])
    pieces = dict(Piece.objects.filter(number__in=numbers).values_list("number", "pk"))
    for number in numbers:
        if number not in pieces:
            raise Refused("mark-unknown", f"There is no piece A-{number:06d}.", field="marks")
    return list(dict.fromkeys(pieces[number] for number in numbers))


def answer_sheets(
    request: HttpRequest,
    actor: Actor,
    *,
    key: str,
    sheets: Sequence[AnswerSheet],
    subject: str,
    subject_ids: Sequence[int],
) -> int:
    """Record what was answered on the sheets for each subject; returns how many items were answered."""
    given = [answer for sheet in sheets for answer in sheet.given(request.POST)]
    if given:
        record_answers(
            actor=actor,
            key=part_key(key, "answers"),
            subject=subject,
            subject_ids=subject_ids,
            answers=given,
        )
    return len(given)


def powers(actor: Actor) -> dict[str, bool]:
    """What this person may do on the shop's pages, for templates."""
    return {
        "may_write": actor.may(Capability.SHOP_WRITE),
        "may_equip": actor.may(Capability.EQUIPMENT),
        "may_limit": actor.may(Capability.LIMITS),
        "may_release": actor.may(Capability.RELEASE),
    }
