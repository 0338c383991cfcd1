"""What waits for an inspection, and what was seen."""

from __future__ import annotations

from collections.abc import Sequence

from django.db.models import Exists, OuterRef, Prefetch, Q, QuerySet

from labtrack.errors import NotFound, Refused
from production.choices import BuildState, Outcome
from production.links import read_mark
from production.models import FormingCycle, Part, Piece
from qa.models import Defect, Inspection

_PART_WITH = ("build__printer__equipment", "appliance__case__clinic", "appliance__line")
_PIECE_WITH = ("appliance__case__clinic", "appliance__line", "cycle__part", "part")


def inspected_steps() -> tuple[str, ...]:
    """Steps at which inspections are recorded, in the words of the evidence."""
    steps = Inspection.objects.order_by().values_list("step", flat=True).distinct()
    return tuple(sorted(step.replace("-", " ") for step in steps))


def parts_waiting() -> QuerySet[Part]:
    """Printed parts that nobody looked at, or that need another look after rework; the oldest first.

    One that went on (formed over, or a piece by itself) waits no more as a part.
    """
    return (
        Part.objects.filter(
            Q(outcome=Outcome.REWORK) | ~Exists(Inspection.objects.filter(part=OuterRef("pk"))),
            build__state__in=(BuildState.FINISHED, BuildState.FAILED),
            build__finished_at__isnull=False,
        )
        .exclude(outcome=Outcome.SCRAPPED)
        .exclude(direct_piece__isnull=False)
        .exclude(Exists(FormingCycle.objects.filter(part=OuterRef("pk"))))
        .select_related(*_PART_WITH)
        .order_by("build__finished_at", "number")
    )


def pieces_waiting() -> QuerySet[Piece]:
    """Pieces that nobody looked at, or that need another look after rework; the oldest first."""
    return (
        Piece.objects.filter(
            Q(outcome=Outcome.REWORK) | ~Exists(Inspection.objects.filter(piece=OuterRef("pk"))),
            delivered__isnull=True,
        )
        .exclude(outcome=Outcome.SCRAPPED)
        .select_related(*_PIECE_WITH)
        .order_by("occurred_at", "number")
    )


def find_mark(text: str) -> Part | Piece:
    """The part (P-000123) or piece (A-000045) of a scanned or typed mark.

    A directly printed part that became a piece is found as that piece.
    """
    mark = read_mark(text)
    if mark is None or mark[0] not in "PA":
        raise Refused(
            "mark-unreadable", "That is no mark. Scan or type one such as P-000123 or A-000045.", field="mark"
        )
    letter, number = mark
    if letter == "A":
        return piece_by(number=number)
    return part_by(number=number)


def part_by(**lookup: int) -> Part:
    part = Part.objects.filter(**lookup).select_related(*_PART_WITH).first()
    if part is None:
        raise NotFound("There is no part with that mark.")
    return part


def piece_by(**lookup: int) -> Piece:
    piece = Piece.objects.filter(**lookup).select_related(*_PIECE_WITH).first()
    if piece is None:
        raise NotFound("There is no piece with that mark.")
    return piece


def inspections_of(things: Q) -> QuerySet[Inspection]:
    """Inspections with their defects, the latest first."""
    defects = Prefetch("defects", Defect.objects.select_related("kind", "photo"))
    return (
        Inspection.objects.filter(things)
        .select_related("part", "piece", "by", "part__appliance__case", "piece__appliance__case")
        .prefetch_related(defects)
    )


def recent_inspections(limit: int = 15) -> Sequence[Inspection]:
    return list(inspections_of(Q())[:limit])
