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

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from datetime import date, datetime, timedelta
from itertools import islice
from typing import Any, TypeVar

from django.conf import settings
from django.db import connection, transaction
from django.utils import timezone

from labtrack.statements import Statement
from labtrack.usecase import before_commit
from production.models import Part, Piece
from qa.choices import EvidenceSource
from qa.models import EvidenceTally, FormedPieceRow, PrintAttempt
from qa.services.evidence_history import rebuild_histories
from qa.services.evidence_reads import pieces_by_id, pieces_of_parts
from qa.services.evidence_records import Values, part_values, piece_values
from qa.services.evidence_version import evidence_changed
from qa.services.tally import TallyChange

Row = TypeVar("Row", PrintAttempt, FormedPieceRow)

CHUNK = 500
_LOCK_PARTS = Statement(
    lambda ids: Part.objects.select_for_update().filter(pk__in=ids).order_by("pk").values_list("pk")
)
_LOCK_PIECES = Statement(
    lambda ids: Piece.objects.select_for_update().filter(pk__in=ids).order_by("pk").values_list("pk")
)


class _Asked:
    """The parts and pieces that the running transaction changed; called once at its end.

    ``aged``: those parts among them whose tank's past changed.
    """

    def __init__(self) -> None:
        self.parts: set[int] = set()
        self.aged: set[int] = set()
        self.pieces: set[int] = set()

    def __call__(self) -> None:
        change = TallyChange()
        parts, pieces = set(self.parts), set(self.pieces)
        for some in _chunks(sorted(parts)):
            pieces |= {piece.pk for piece in pieces_of_parts(some)}
        for some in _chunks(sorted(pieces)):
            parts |= _keep_pieces(some, change, self.aged)
        for some in _chunks(sorted(parts)):
            _keep_parts(some, change, self.aged)
        change.apply()
        if change.rows:
            evidence_changed()


def keep_evidence(*, parts: Iterable[int] = (), pieces: Iterable[int] = (), aged: Iterable[int] = ()) -> None:
    """Ask for the rows of these parts and pieces to be brought up to date before the transaction ends.

    ``aged``: parts whose tank's past changed; the ages in all other rows stand.
    """
    asked = before_commit(("evidence",), _Asked())
    asked.aged |= set(aged)
    asked.parts |= set(parts) | asked.aged
    asked.pieces |= set(pieces)


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
        _rebuild(Part, _keep_parts, lambda ids: ids, "parts", report)
        # The rows of their parts are new by now, so the ages in them stand.
        _rebuild(Piece, _keep_pieces, lambda ids: (), "pieces", report)
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
    keep: Callable[[Sequence[int], TallyChange, Collection[int]], Any],
    aged_of: Callable[[Sequence[int]], Collection[int]],
    name: str,
    report: Callable[[str], None],
) -> None:
    done, last = 0, 0
    while some := list(model.objects.filter(pk__gt=last).order_by("pk").values_list("pk", flat=True)[:CHUNK]):
        # The tally is counted again from the finished rows; these differences are not applied.
        keep(some, TallyChange(), aged_of(some))
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


def _keep_parts(part_ids: Sequence[int], change: TallyChange, aged: Collection[int]) -> None:
    # One writer per part at a time, so that the difference is taken from the row that stands.
    _LOCK_PARTS.rows(part_ids)
    kept = {
        row.part_id: row
        for row in PrintAttempt.objects.filter(part_id__in=part_ids)
        if row.part_id is not None
    }
    _store(PrintAttempt, "part_id", kept, part_values(part_ids, aged), change)


def _keep_pieces(piece_ids: Sequence[int], change: TallyChange, aged: Collection[int]) -> set[int]:
    """Keep the rows of pieces; returns the parts whose own row hangs on what changed."""
    _LOCK_PIECES.rows(piece_ids)
    kept = {
        row.piece_id: row
        for row in FormedPieceRow.objects.filter(piece_id__in=piece_ids)
        if row.piece_id is not None
    }
    told = {piece_id: _told_to_part(row) for piece_id, row in kept.items()}
    values = piece_values(piece_ids, aged)
    _store(FormedPieceRow, "piece_id", kept, values, change)
    concerned = [pk for pk in values if told.get(pk, (False, False, [])) != _told_to_part(kept[pk])]
    return {piece.part_id for piece in pieces_by_id(concerned)}


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
        _update(model, altered, sorted(names))


def _update(
    model: type[PrintAttempt] | type[FormedPieceRow],
    rows: Sequence[PrintAttempt | FormedPieceRow],
    names: Sequence[str],
) -> None:
    """One prepared statement for all rows: building one with every value in it takes longer."""
    fields = [field for field in model._meta.concrete_fields if field.name in names]
    # The names are the model's own; every value is a parameter.
    statement = (
        f"UPDATE {model._meta.db_table} SET {', '.join(f'{field.column} = %s' for field in fields)} "  # noqa: S608
        "WHERE id = %s"
    )
    values = []
    for row in rows:
        stored = [field.get_db_prep_save(getattr(row, field.attname), connection) for field in fields]
        values.append([*stored, row.pk])
    with connection.cursor() as cursor:
        cursor.executemany(statement, values)


def _chunks(ids: Iterable[int], size: int = CHUNK) -> Iterator[list[int]]:
    iterator = iter(ids)
    while some := list(islice(iterator, size)):
        yield some
