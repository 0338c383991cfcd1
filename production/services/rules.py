"""Rules that several use cases of the shop share: moments, guarded changes, what may be used when.

Everything is judged at the moment the work happened, so that a late entry is judged as it was then.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import datetime
from typing import Any, TypeVar

from django.db import models
from django.db.models import Q
from django.utils import timezone

from labtrack.accounts.actor import Actor
from labtrack.audit.services.record import record_change, snapshot
from labtrack.audit.services.submissions import once
from labtrack.errors import Conflict, NotFound, Refused
from production.choices import BuildState, ContactPurpose, Outcome
from production.models import Equipment, Hold, Lot, Material, Part, Piece
from production.queries.materials import instructions_in_force

Row = TypeVar("Row", bound=models.Model)

LONGEST_REASON = 200


def said(moment: datetime, *, time: bool = False) -> str:
    """A moment in a sentence, in the lab's own time zone."""
    return f"{timezone.localtime(moment):{'%-d %b %Y at %H:%M' if time else '%-d %b %Y'}}"


def in_order(start: datetime, end: datetime, *, what: str, field: str = "finished_at") -> None:
    if end < start:
        raise Refused(
            "end-before-start",
            f"The {what} cannot end before it started. Check both times.",
            field=field,
        )


def required_text(value: str, sentence: str, *, field: str, most: int = LONGEST_REASON) -> str:
    """The text without blanks round it; ``Refused`` for none, and for more than ``most`` characters."""
    text = value.strip()
    if not text:
        raise Refused("missing", sentence, field=field)
    require_length(text, field=field, most=most)
    return text


def require_length(text: str, *, field: str, most: int = LONGEST_REASON) -> None:
    """``Refused`` for a longer text: a database that bounds its columns would break on it."""
    if len(text) > most:
        raise Refused("too-long", f"That is longer than {most} characters. Say it shorter.", field=field)


def found(model: type[Row], pk: int, sentence: str, *, related: Sequence[str] = ()) -> Row:
    """The row, or ``NotFound`` with a sentence."""
    row = model._default_manager.select_related(*related).filter(pk=pk).first()
    if row is None:
        raise NotFound(sentence)
    return row


def all_found(rows: Iterable[Row], ids: Sequence[int], sentence: str) -> list[Row]:
    """The rows in the order of ``ids``; ``Refused`` for none or doubled, ``NotFound`` for unknown ones."""
    if not ids:
        raise Refused("nothing-chosen", "Nothing is chosen. Choose at least one.")
    if len(set(ids)) != len(ids):
        raise Refused("chosen-twice", "The same thing is chosen twice. Choose each once.")
    by_id = {row.pk: row for row in rows}
    if any(pk not in by_id for pk in ids):
        raise NotFound(sentence)
    return [by_id[pk] for pk in ids]


def once_many(
    *,
    actor: Actor,
    key: str,
    use_case: str,
    payload: Any,
    model: type[Row],
    make: Callable[[], list[Row]],
    again: Callable[[], list[Row]],
) -> list[Row]:
    """``once`` for a use case that makes several rows; ``again`` finds them when the key was used before."""
    made: list[Row] = []

    def make_first() -> Row:
        made.extend(make())
        return made[0]

    outcome = once(actor=actor, key=key, use_case=use_case, payload=payload, model=model, make=make_first)
    return again() if outcome.repeated else made


def written_then(rows: models.QuerySet[Row], occurred_at: datetime | None, count: int) -> list[Row]:
    """The rows that a repeated submission wrote: of the moment it stated, or else the latest ones."""
    if occurred_at is not None:
        rows = rows.filter(occurred_at=occurred_at)
    return sorted(rows.order_by("-pk")[:count], key=lambda row: row.pk)


def guarded_change(
    *,
    actor: Actor,
    action: str,
    subject: models.Model,
    only_while: dict[str, Any],
    changes: dict[str, Any],
    otherwise: str,
    reason: str = "",
) -> None:
    """Change ``subject`` only while its row still meets ``only_while``, and record it.

    The condition is part of the update, so of two people at once one gets ``Conflict`` with the
    sentence ``otherwise``.
    """
    before = snapshot(subject)
    manager = type(subject)._default_manager
    if not manager.filter(pk=subject.pk, **only_while).update(**changes):
        raise Conflict("already-changed", otherwise)
    for name, value in changes.items():
        setattr(subject, name, value)
    record_change(
        actor=actor, action=action, subject=subject, before=before, after=snapshot(subject), reason=reason
    )


def require_in_service(equipment: Equipment, at: datetime, *, field: str = "") -> None:
    if equipment.retired_at is not None and equipment.retired_at <= at:
        raise Refused(
            "equipment-retired",
            f"{equipment.name} ({equipment.code}) was retired on {said(equipment.retired_at)}. "
            "Choose another, or put it back in service first.",
            field=field or None,
        )
    if equipment.in_service_from > at:
        raise Refused(
            "equipment-not-yet-in-service",
            f"{equipment.name} ({equipment.code}) is in service only from "
            f"{said(equipment.in_service_from)}. Check the time.",
            field=field or None,
        )


def held_at(at: datetime) -> Q:
    """Holds that stood at that moment."""
    return Q(placed_at__lte=at) & (Q(lifted_at__isnull=True) | Q(lifted_at__gt=at))


def require_not_held(
    at: datetime,
    *,
    equipment: Sequence[Equipment] = (),
    lots: Sequence[Lot] = (),
    parts: Sequence[Part] = (),
    pieces: Sequence[Piece] = (),
    field: str = "",
) -> None:
    """``Refused`` naming the first thing held at that moment; a held build holds its parts."""
    named = {
        "equipment": [row.pk for row in equipment],
        "lot": [row.pk for row in lots],
        "part": [row.pk for row in parts],
        "build": [row.build_id for row in parts],
        "piece": [row.pk for row in pieces],
    }
    concerned = Q()
    for name, ids in named.items():
        if ids:
            concerned |= Q(**{f"{name}__in": ids})
    if not concerned:
        return
    holds = Hold.objects.filter(held_at(at)).filter(concerned)
    # Asked before nearly every change, and hardly ever so: what is held is read only then.
    related = ("equipment", "lot__material", "build", "part", "piece")
    hold = holds.select_related(*related).first() if holds.exists() else None
    if hold is not None:
        thing = hold.equipment or hold.lot or hold.build or hold.part or hold.piece
        raise Refused(
            "held",
            f"{thing} is on hold: {hold.reason}. Nothing may be done with it until quality lifts the hold.",
            field=field or None,
        )


def require_usable_lot(lot: Lot, at: datetime, *, field: str = "lot", check_hold: bool = True) -> None:
    """``Refused`` for a lot that was expired, quarantined, held or not yet there at that moment."""
    day = timezone.localdate(at)
    if lot.received_on > day:
        raise Refused(
            "lot-not-received",
            f"{lot} was received only on {lot.received_on:%-d %b %Y}. Check the time.",
            field=field,
        )
    if lot.expires_on is not None and lot.expires_on < day:
        raise Refused(
            "lot-expired",
            f"{lot} expired on {lot.expires_on:%-d %b %Y}. Take a lot that is in date.",
            field=field,
        )
    if lot.quarantined_at is not None and lot.quarantined_at <= at:
        raise Refused(
            "lot-quarantined",
            f"{lot} is quarantined: {lot.quarantine_reason}. Take another lot.",
            field=field,
        )
    if check_hold:
        require_not_held(at, lots=[lot], field=field)


def require_purpose(
    material: Material, purpose: str, at: datetime, *, holder: str, field: str = "lot"
) -> None:
    """``Refused`` unless the material's instructions in force are for that very purpose."""
    instruction = instructions_in_force([material.pk], at).get(material.pk)
    if instruction is None:
        raise Refused(
            "material-not-approved",
            f"{material} has no approved instructions for use, so nobody can say what it is for. "
            "Record the maker's instructions and let quality approve them first.",
            field=field,
        )
    if instruction.intended_use != purpose:
        raise Refused(
            "purpose-differs",
            f"{material} is for {ContactPurpose(instruction.intended_use).label.lower()}, {holder} is for "
            f"{ContactPurpose(purpose).label.lower()}. The two never share a tank or a bath.",
            field=field,
        )


def require_not_scrapped(parts: Sequence[Part], at: datetime) -> None:
    for part in parts:
        if part.outcome == Outcome.SCRAPPED and part.outcome_at is not None and part.outcome_at <= at:
            raise Refused(
                "part-scrapped", f"{part.mark} was scrapped on {said(part.outcome_at)}. Leave it out."
            )


def require_printed(parts: Sequence[Part], at: datetime) -> None:
    """``Refused`` for a part whose build had not ended at that moment."""
    for part in parts:
        ended = part.build.finished_at
        if part.build.state not in (BuildState.FINISHED, BuildState.FAILED) or ended is None:
            raise Refused(
                "part-not-printed",
                f"{part.mark} is in {part.build.label}, which has not ended. Record its end first.",
            )
        if ended > at:
            raise Refused(
                "before-print-ended",
                f"{part.mark} came off the printer only on {said(ended, time=True)}. Check the time.",
            )
