"""The lines that inspections, measurements and releases add to the shop's trace."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from django.db.models import Prefetch, Q
from django.urls import reverse

from production.hooks import TraceEvent
from production.models import Part, Piece
from qa.choices import CheckState
from qa.models import CaliperMeasurement, Concession, Defect, Inspection, PrintComparison, ReleasedPiece


def part_events(parts: Sequence[Part], direction: str) -> Iterator[TraceEvent]:
    """Inspections of parts, with what they found, and how they compare with their designs."""
    yield from _inspections(Q(part__in=parts), direction)
    yield from _measured(parts, direction)


def piece_events(pieces: Sequence[Piece], direction: str) -> Iterator[TraceEvent]:
    """Inspections, concessions, releases and withdrawals of pieces."""
    yield from _inspections(Q(piece__in=pieces), direction)
    for concession in Concession.objects.filter(piece__in=pieces).select_related("piece", "granted_by"):
        yield TraceEvent(
            occurred_at=concession.granted_at,
            what="Concession",
            thing=concession.piece.mark,
            url="",
            direction=direction,
            detail=f"{concession.gate_item}: {concession.reason}",
            by=str(concession.granted_by),
            group="release",
        )
    released = ReleasedPiece.objects.filter(piece__in=pieces).select_related(
        "piece", "release__case", "release__signed_by", "release__withdrawal__signed_by"
    )
    for row in released:
        yield from _release_events(row, direction)


def _measured(parts: Sequence[Part], direction: str) -> Iterator[TraceEvent]:
    scans = PrintComparison.objects.filter(part__in=parts, state=CheckState.DONE).select_related("part", "by")
    for row in scans:
        size = "" if row.p95_abs_mm is None else f"; 95 % within ±{row.p95_abs_mm:.3f} mm"
        yield TraceEvent(
            occurred_at=row.occurred_at,
            what="Compared with its design",
            thing=row.part.mark,
            url=reverse("qa:comparison", args=[row.pk]),
            direction=direction,
            detail=f"{row.get_verdict_display().lower()}, {row.get_identity_display().lower()}{size}",
            by=str(row.by),
            group="inspection",
        )
    by_hand = CaliperMeasurement.objects.filter(part__in=parts).select_related("part", "by")
    for measured in by_hand.prefetch_related("values"):
        errors = ", ".join(f"{value.name} {value.error_mm:+.3f} mm" for value in measured.values.all())
        yield TraceEvent(
            occurred_at=measured.occurred_at,
            what="Measured by caliper",
            thing=measured.part.mark,
            url=reverse("qa:calipers", args=[measured.part.number]),
            direction=direction,
            detail=f"{measured.get_verdict_display().lower()}: {errors}",
            by=str(measured.by),
            group="inspection",
        )


def _inspections(things: Q, direction: str) -> Iterator[TraceEvent]:
    rows = Inspection.objects.filter(things).select_related("part", "piece", "by")
    defects = Prefetch("defects", Defect.objects.select_related("kind"))
    for row in rows.prefetch_related(defects):
        found = ", ".join(_defect_words(defect) for defect in row.defects.all())
        words = [row.get_verdict_display().lower(), found, row.note]
        yield TraceEvent(
            occurred_at=row.occurred_at,
            what=f"Inspected at {row.get_step_display().lower()}",
            thing=str(row.part or row.piece),
            url=reverse("qa:inspection", args=[row.pk]),
            direction=direction,
            detail="; ".join(word for word in words if word),
            by=str(row.by),
            group="inspection",
        )


def _defect_words(defect: Defect) -> str:
    tooth = f" at tooth {defect.tooth}" if defect.tooth else ""
    return f"{defect.kind.name.lower()}{tooth} (from {defect.get_origin_display().lower()})"


def _release_events(row: ReleasedPiece, direction: str) -> Iterator[TraceEvent]:
    release = row.release
    url = reverse("qa:release", args=[release.case.number])
    yield TraceEvent(
        occurred_at=release.signed_at,
        what="Released",
        thing=row.piece.mark,
        url=url,
        direction=direction,
        detail=release.label,
        by=str(release.signed_by),
        group="release",
    )
    withdrawal = getattr(release, "withdrawal", None)
    if withdrawal is not None:
        yield TraceEvent(
            occurred_at=withdrawal.signed_at,
            what="Release withdrawn",
            thing=row.piece.mark,
            url=url,
            direction=direction,
            detail=withdrawal.reason,
            by=str(withdrawal.signed_by),
            group="release",
        )
