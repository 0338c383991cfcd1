"""Keeping the evidence: one row per print attempt, one per piece, and the tally of both.

Every change asks for the rows it concerns; they are read again from the records once, at the end of
the transaction, however many changes it held. So a script that records a whole day inside one
``use_case()`` pays for the evidence once.

A row is *mature* when its outcome is final and ``EVIDENCE_MATURE_DAYS`` have passed since the print
(for a piece, since it was formed). Age alone decides when a final outcome counts, the same for good
and lost ones: bad news travels faster, and counting it sooner would make the last weeks look worse
than they were. A scheduled task lets time make rows mature.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import date, datetime, timedelta
from itertools import islice
from typing import Any, TypeVar

from django.conf import settings
from django.db import transaction
from django.db.models import Max
from django.utils import timezone

from labtrack.usecase import before_commit, use_case
from production.choices import Step
from production.models import Part, Piece, TreatmentRun
from qa.choices import EvidenceSource
from qa.models import EvidenceTally, FormedPieceRow, PrintAttempt
from qa.services.evidence_history import rebuild_histories
from qa.services.evidence_records import Values, part_values, piece_values
from qa.services.evidence_version import evidence_changed
from qa.services.tally import TallyChange

Row = TypeVar("Row", PrintAttempt, FormedPieceRow)

CHUNK = 500


class _Asked:
    """The parts and pieces that the running transaction changed; called once at its end."""

    def __init__(self) -> None:
        self.parts: set[int] = set()
        self.pieces: set[int] = set()

    def __call__(self) -> None:
        change = TallyChange()
        parts, pieces = self.parts | _after_late_runs(self.parts), set(self.pieces)
        for some in _chunks(sorted(parts)):
            pieces |= set(Piece.objects.filter(cycle__part_id__in=some).values_list("pk", flat=True))
            pieces |= set(Piece.objects.filter(part_id__in=some).values_list("pk", flat=True))
        for some in _chunks(sorted(pieces)):
            parts |= _keep_pieces(some, change)
        for some in _chunks(sorted(parts)):
            _keep_parts(some, change)
        change.apply()
        if change.rows:
            evidence_changed()


def _after_late_runs(part_ids: set[int]) -> set[int]:
    """Parts washed or cured after a run that was just entered late: their bath and lamp are older now."""
    runs = TreatmentRun.objects.filter(
        treated__part__in=part_ids, step__in=(Step.WASH, Step.CURE), equipment__isnull=False
    )
    newest = (
        TreatmentRun.objects.filter(equipment__in=runs.values("equipment"))
        .order_by()
        .values("equipment")
        .annotate(last=Max("pk"))
        .values("last")
    )
    touched: set[int] = set()
    for run in runs.filter(pk__in=newest).distinct():
        later = Part.objects.filter(
            treated__run__equipment=run.equipment, treated__run__started_at__gt=run.started_at
        )
        touched |= set(later.values_list("pk", flat=True))
    return touched


def keep_evidence(*, parts: Iterable[int] = (), pieces: Iterable[int] = ()) -> None:
    """Ask for the rows of these parts and pieces to be brought up to date before the transaction ends."""
    asked = before_commit(("evidence",), _Asked())
    asked.parts |= set(parts)
    asked.pieces |= set(pieces)


def refresh_part(part_id: int) -> None:
    """Bring one part's row up to date with the records."""
    with use_case():
        keep_evidence(parts=[part_id])


def refresh_piece(piece_id: int) -> None:
    """Bring one piece's row, and its part's, up to date with the records."""
    with use_case():
        keep_evidence(pieces=[piece_id])


def is_mature(outcome: str, occurred_at: datetime) -> bool:
    """Whether an outcome counts in the trends now."""
    return outcome != "" and occurred_at <= mature_before()


def mature_before() -> datetime:
    """What was printed up to this moment has had its time to fail."""
    return timezone.now() - timedelta(days=settings.EVIDENCE_MATURE_DAYS)


def _day(moment: datetime) -> date:
    # The index is by day; a day of slack spares every question of time zones.
    return moment.date() + timedelta(days=1)


def promote_mature() -> int:
    """Let rows that time has made mature count; returns how many became so. Bounded transactions."""
    promoted = 0
    for model in (PrintAttempt, FormedPieceRow):
        while True:
            count = _promote_some(model)
            promoted += count
            if count < CHUNK:
                break
    return promoted


def _promote_some(model: type[PrintAttempt] | type[FormedPieceRow]) -> int:
    change, moment = TallyChange(), mature_before()
    with transaction.atomic():
        rows: list[Any] = list(
            model.objects.select_for_update()
            .filter(mature=False, day__lte=_day(moment), occurred_at__lte=moment)
            .exclude(outcome="")
            .order_by("id")[:CHUNK]
        )
        for row in rows:
            row.mature = True
            change.add(row)
        model.objects.filter(pk__in=[row.pk for row in rows]).update(mature=True)
        change.apply()
        if rows:
            evidence_changed()
    return len(rows)


def rebuild_evidence(report: Callable[[str], None] = lambda line: None) -> None:
    """Make every row and the whole tally again from the records, in one transaction, in bounded memory.

    Imported history is made again from its own source rows.
    """
    with transaction.atomic():
        _remove_orphans()
        _rebuild(Part, _keep_parts, "parts", report)
        _rebuild(Piece, _keep_pieces, "pieces", report)
        EvidenceTally.objects.filter(history__isnull=True).delete()
        _count_again(PrintAttempt, report)
        _count_again(FormedPieceRow, report)
        rebuild_histories(report)
        evidence_changed()


def _remove_orphans() -> None:
    """Rows of the lab whose part is no print attempt."""
    PrintAttempt.objects.filter(source=EvidenceSource.LAB, part__build__started_at__isnull=True).delete()


def _rebuild(
    model: type[Part] | type[Piece],
    keep: Callable[[Sequence[int], TallyChange], Any],
    name: str,
    report: Callable[[str], None],
) -> None:
    done, last = 0, 0
    while some := list(model.objects.filter(pk__gt=last).order_by("pk").values_list("pk", flat=True)[:CHUNK]):
        # The tally is counted again from the finished rows; these differences are not applied.
        keep(some, TallyChange())
        done, last = done + len(some), some[-1]
        report(f"{done} {name}")


def _count_again(model: type[PrintAttempt] | type[FormedPieceRow], report: Callable[[str], None]) -> None:
    last = 0
    while True:
        rows: list[Any] = list(
            model.objects.filter(pk__gt=last, mature=True, history__isnull=True).order_by("pk")[:CHUNK]
        )
        if not rows:
            return
        change = TallyChange()
        for row in rows:
            change.add(row)
        change.apply()
        last = rows[-1].pk
        report(f"counted up to row {last}")


def _keep_parts(part_ids: Sequence[int], change: TallyChange) -> None:
    # One writer per part at a time, so that the difference is taken from the row that stands.
    list(Part.objects.select_for_update().filter(pk__in=part_ids).order_by("pk").values_list("pk", flat=True))
    kept = {
        row.part_id: row
        for row in PrintAttempt.objects.filter(part_id__in=part_ids)
        if row.part_id is not None
    }
    _store(PrintAttempt, "part_id", kept, part_values(part_ids), change)


def _keep_pieces(piece_ids: Sequence[int], change: TallyChange) -> set[int]:
    """Keep the rows of pieces; returns the parts whose own row hangs on what changed."""
    list(
        Piece.objects.select_for_update().filter(pk__in=piece_ids).order_by("pk").values_list("pk", flat=True)
    )
    kept = {
        row.piece_id: row
        for row in FormedPieceRow.objects.filter(piece_id__in=piece_ids)
        if row.piece_id is not None
    }
    told = {piece_id: _told_to_part(row) for piece_id, row in kept.items()}
    values = piece_values(piece_ids)
    _store(FormedPieceRow, "piece_id", kept, values, change)
    concerned = [pk for pk in values if told.get(pk, (False, False, [])) != _told_to_part(kept[pk])]
    pieces = Piece.objects.filter(pk__in=concerned).values_list("part_id", "cycle__part_id")
    return {part_id for pair in pieces for part_id in pair if part_id is not None}


def _told_to_part(row: FormedPieceRow) -> tuple[bool, bool, list[str]]:
    return row.remade, row.returned, list(row.defects)


def _store(
    model: type[Row], key: str, kept: dict[int, Row], values: dict[int, Values], change: TallyChange
) -> None:
    """Write rows that differ from ``kept``, and take the difference into ``change``."""
    made: list[Row] = []
    altered: list[Row] = []
    names: set[str] = set()
    for thing_id, fields in values.items():
        fields["mature"] = is_mature(fields["outcome"], fields["occurred_at"])
        row = kept.get(thing_id)
        if row is None:
            row = model(**{key: thing_id}, **fields)
            kept[thing_id] = row
            made.append(row)
            change.add(row)
            continue
        differing = {name: value for name, value in fields.items() if getattr(row, name) != value}
        if not differing:
            continue
        change.take(row)
        for name, value in differing.items():
            setattr(row, name, value)
        change.add(row)
        altered.append(row)
        names |= set(differing)
    change.rows += len(made) + len(altered)
    if made:
        model.objects.bulk_create(made)
    if altered:
        model.objects.bulk_update(altered, sorted(names))


def _chunks(ids: Iterable[int], size: int = CHUNK) -> Iterator[list[int]]:
    iterator = iter(ids)
    while some := list(islice(iterator, size)):
        yield some
