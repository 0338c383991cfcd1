"""Importing a lab's history from a file: the whole of it, or nothing.

Rows are staged in short transactions, so that nobody else who writes waits long, and show nowhere
until one flag publishes them together.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Generator, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass
from datetime import timedelta
from typing import IO

from django.db import IntegrityError, transaction
from django.utils import timezone

from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.services.record import record_created
from qa.history_columns import packed
from qa.models import HistoryImport, HistoryRows, PrintAttempt
from qa.services.evidence_history import LARGEST, LONGEST, HistoryEvidence, clear_history
from qa.services.evidence_version import evidence_changed
from qa.statistics.history import MAX_PROBLEMS, MAX_ROWS, HistoryReader, Problem

CHUNK_ROWS = 15_000  # some tenths of a second: what another writer waits
DEAD_AFTER = timedelta(minutes=30)
# The rows of a chunk as they are kept, and what stores their evidence.
MadeChunk = tuple[HistoryRows, Callable[[], None]]


@dataclass(frozen=True)
class Imported:
    """What became of a file. With problems nothing was imported; ``repeated``: it had been before."""

    rows: int
    problems: tuple[Problem, ...] = ()
    more_problems: int = 0
    unknown_columns: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    repeated: bool = False


def import_history(
    *,
    actor: Actor | None,
    stream: IO[bytes],
    name: str,
    dry_run: bool = False,
    max_rows: int = MAX_ROWS,
    report: Callable[[int], None] = lambda rows: None,
) -> Imported:
    """Import a seekable binary ``stream``; ``dry_run`` reads and judges it but stores nothing.

    Runs in transactions of its own. ``report`` is told the rows read so far. Without an ``actor`` it is
    the installation's own owner who asks, at the command line.
    """
    if actor is not None:
        actor.require(Capability.IMPROVE)
    digest, lines = _look_over(stream)
    known = HistoryImport.objects.filter(digest=digest, published_at__isnull=False).first()
    if known is not None:
        return Imported(known.rows, repeated=True)
    if dry_run or lines > max_rows + 1:
        # More lines than rows may be: so large a file is not staged before it is known to be sound.
        reader = _reader(stream, max_rows)
        for _ in reader:
            report(reader.rows)
        if dry_run or reader.problems:
            return _told(reader)
        stream.seek(0)
    clear_dead_imports()
    history = HistoryImport.objects.create(
        digest=digest,
        name=name[:200],
        alive_at=timezone.now(),
        imported_by=actor.user if actor else None,
    )
    reader = _reader(stream, max_rows)
    try:
        published = _stage(history, reader, report) and _publish(history, reader, actor)
    except BaseException:
        clear_history(history)
        raise
    if published:
        return _told(reader)
    clear_history(history)
    return _told(reader) if reader.problems else Imported(reader.rows, repeated=True)


def clear_dead_imports() -> None:
    """Clear away what imports that died while they staged have left."""
    dead = HistoryImport.objects.filter(published_at__isnull=True, alive_at__lt=timezone.now() - DEAD_AFTER)
    for history in dead:
        clear_history(history)


def _reader(stream: IO[bytes], max_rows: int) -> HistoryReader:
    return HistoryReader(stream, max_rows=max_rows, chunk_rows=CHUNK_ROWS, longest=LONGEST, largest=LARGEST)


def _look_over(stream: IO[bytes]) -> tuple[str, int]:
    """The digest of the file and how many lines it has; ends at its start."""
    digest, lines = hashlib.sha256(), 0
    stream.seek(0)
    while block := stream.read(1 << 20):
        digest.update(block)
        lines += block.count(b"\n")
    stream.seek(0)
    return digest.hexdigest(), lines


def _stage(history: HistoryImport, reader: HistoryReader, report: Callable[[int], None]) -> bool:
    """Store every chunk out of sight; False where the file has a problem."""
    evidence = HistoryEvidence(history)
    with closing(_ahead(_made(history, reader, evidence))) as chunks:
        for rows, store in chunks:
            report(reader.rows)
            with transaction.atomic():
                rows.save(force_insert=True)
                store()
                HistoryImport.objects.filter(pk=history.pk).update(alive_at=timezone.now())
    if not reader.problems:
        _refuse_known_parts(history, reader)
    if reader.problems:
        return False
    for store in evidence.tally():
        with transaction.atomic():
            store()
    return True


def _made(history: HistoryImport, reader: HistoryReader, evidence: HistoryEvidence) -> Iterator[MadeChunk]:
    """What is to be stored of each chunk, until the file shows a problem."""
    for chunk in reader:
        if reader.problems:
            continue  # read on for the other problems
        rows = HistoryRows(
            history=history, first_row=chunk.first_row, count=len(chunk), columns=packed(chunk.columns)
        )
        yield rows, evidence.add(chunk.columns)


def _ahead(chunks: Iterator[MadeChunk]) -> Generator[MadeChunk, None, None]:
    """The chunks, each made while the database stores the one before it."""
    with ThreadPoolExecutor(1) as helper:
        coming = helper.submit(next, chunks, None)
        while (chunk := coming.result()) is not None:
            coming = helper.submit(next, chunks, None)
            yield chunk


def _refuse_known_parts(history: HistoryImport, reader: HistoryReader) -> None:
    """A part that an earlier file holds would count twice."""
    others = HistoryImport.objects.filter(published_at__isnull=False)
    if not others.exists():
        return
    labels = PrintAttempt.objects.filter(history__in=others).values("label")
    again = PrintAttempt.objects.filter(history=history, label__in=labels).values_list("label", flat=True)
    for label in again.order_by("pk")[: MAX_PROBLEMS + 1]:
        reader.refuse(reader.row_of(label), "part", f"'{label}' was already imported with another file")


def _publish(history: HistoryImport, reader: HistoryReader, actor: Actor | None) -> bool:
    """Let everything count at once; False where the same file was published meanwhile."""
    try:
        with transaction.atomic():
            history.published_at = timezone.now()
            history.rows, history.notes = reader.rows, list(reader.notes)
            history.save(update_fields=["published_at", "rows", "notes"])
            record_created(actor=actor, action="history.import", subject=history)
            evidence_changed()
    except IntegrityError:
        history.published_at = None
        return False
    return True


def _told(reader: HistoryReader) -> Imported:
    return Imported(
        reader.rows,
        tuple(reader.problems),
        reader.more_problems,
        reader.unknown_columns,
        tuple(reader.notes),
    )
