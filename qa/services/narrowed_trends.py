"""Trends of several things together: counted from the rows by a worker, kept until the data change.

The tally keeps one thing at a time. What two things together cost only the rows tell, so a job reads
those chosen and counts each on the axes of the tally, by the same function that keeps it.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from datetime import date
from typing import Any, NamedTuple

from django.conf import settings
from django.db import IntegrityError, transaction
from django.db.models import Q, QuerySet
from django.utils import timezone

from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.jobs.choices import Queue
from labtrack.jobs.handlers import Handler, JobRefused, Progress, Store, register
from labtrack.jobs.models import Job
from labtrack.jobs.services.enqueue import enqueue
from labtrack.usecase import use_case
from qa.choices import CheckState
from qa.models import NarrowedTrends
from qa.queries import tally
from qa.queries.narrowed import MEASURES, TrendsAsked
from qa.queries.published import counts
from qa.queries.range import Range
from qa.queries.selection import chosen, model_of
from qa.services.evidence_version import evidence_version
from qa.services.tally import levels_of

KIND = "narrow-trends"
ENGINE = "narrowed trends 1"  # raise it when the same rows would be counted in another way
READ_ROWS = 2_000  # held at once; beside them only sums stay in memory
REPORT_ROWS = 10_000
MOST_KEPT = 40  # of all selections and ranges together

Sums = list[int]


@dataclass(frozen=True)
class Narrowed:
    """What is known of what was asked: the latest ``done``, and ``coming`` while it is out of date."""

    done: NarrowedTrends | None
    coming: NarrowedTrends | None

    @property
    def counts(self) -> dict[str, Any] | None:
        return self.done.result if self.done else None

    @property
    def waiting(self) -> bool:
        return self.coming is not None and self.coming.state == CheckState.WAITING


class _Row(NamedTuple):
    """What is counted of a row; a field for each of ``_FIELDS``."""

    day: date
    lost: bool
    defective: bool
    contaminated: bool
    history_id: int | None
    recorded_build: str
    printer: str
    grade: str
    material: str
    colour: str
    translucency: str
    tank: str
    days_since_filter: float | None
    builds_since_filter: int | None
    steps: dict[str, str]
    defects: list[str]

    @property
    def build(self) -> str:
        """Builds of different files are different builds, whatever they are called."""
        if self.history_id is None or not self.recorded_build:
            return self.recorded_build
        return f"{self.history_id}:{self.recorded_build}"


_FIELDS = tuple("build" if name == "recorded_build" else name for name in _Row._fields)


def register_handler() -> None:
    """Called once when the app starts."""
    register(Handler(KIND, Queue.HEAVY, compute_narrowed, refuse_narrowed))


def narrowed(*, actor: Actor, asked: TrendsAsked) -> Narrowed:
    """The latest counts; new ones are asked for where the records have changed."""
    actor.require(Capability.TRENDS_READ)
    key = _key(asked, evidence_version())
    current = NarrowedTrends.objects.select_related("job").filter(key=key).first()
    if current is not None and current.state == CheckState.DONE:
        return Narrowed(current, None)
    with use_case():
        coming = _ask(asked, actor)
    done = _of(asked).filter(state=CheckState.DONE, result__engine=ENGINE).order_by("-id").first()
    return Narrowed(done, coming)


def count_again(*, actor: Actor, asked: TrendsAsked) -> Narrowed:
    """Ask once more for counts that failed."""
    actor.require(Capability.TRENDS_READ)
    failed = NarrowedTrends.objects.filter(key=_key(asked, evidence_version()), state=CheckState.REFUSED)
    failed.delete()
    return narrowed(actor=actor, asked=asked)


def _of(asked: TrendsAsked) -> QuerySet[NarrowedTrends]:
    return NarrowedTrends.objects.filter(**asked.parameters)


def _key(asked: TrendsAsked, version: int) -> str:
    return _digest(
        asked.parameters
        | {"engine": ENGINE, "version": version, "mature_days": settings.EVIDENCE_MATURE_DAYS}
    )


def _digest(facts: dict[str, Any]) -> str:
    return hashlib.sha256(json.dumps(facts, sort_keys=True).encode()).hexdigest()


def _ask(asked: TrendsAsked, actor: Actor) -> NarrowedTrends:
    version = evidence_version()
    key = _key(asked, version)
    try:
        with transaction.atomic():
            row, _ = NarrowedTrends.objects.get_or_create(
                key=key, defaults={**asked.parameters, "version": version}
            )
    except IntegrityError:  # asked for twice in the same moment
        row = NarrowedTrends.objects.get(key=key)
    if row.state == CheckState.WAITING and (row.job is None or row.job.is_final):
        # One job for the same question at a time: it counts the records as they are when it starts.
        row.job = enqueue(kind=KIND, key=_digest(asked.parameters), parameters=asked.parameters, actor=actor)
        row.save(update_fields=["job"])
    return row


def compute_narrowed(job: Job, progress: Progress) -> Store:
    """Count the rows of the selection; the result is stored under the data it was read from."""
    asked, version = TrendsAsked.of(job.parameters), evidence_version()
    progress(0.0, "finding the records")
    try:
        result = _counted(asked, progress)
    except MemoryError:
        raise JobRefused(
            f"Counting needs more memory than a worker may use ({settings.JOB_MEMORY_LIMIT_MB:,} MB). "
            "Choose a shorter range."
        ) from None
    return lambda: _store(job, asked, version, result)


def _counted(asked: TrendsAsked, progress: Progress) -> dict[str, Any]:
    rows = _rows(asked)
    total, sums = rows.count(), _Counts(asked.days, asked.than)
    values = rows.values_list(*_FIELDS).iterator(chunk_size=READ_ROWS)
    for done, row in enumerate(values, start=1):
        sums.add(_Row(*row))
        if done % REPORT_ROWS == 0:
            progress(done / max(total, done), f"counted {done:,} of {total:,}")
    return sums.as_json() | {"engine": ENGINE}


def _rows(asked: TrendsAsked) -> QuerySet[Any]:
    """Mature rows of both periods that were chosen, of the lab and of published files."""
    either = Q(day__gte=asked.days.start, day__lte=asked.days.end)
    either |= Q(day__gte=asked.than.start, day__lte=asked.than.end)
    rows: QuerySet[Any] = model_of(asked.unit).objects.filter(counts(), either, mature=True)
    return chosen(rows, asked.selection).order_by()


class _Counts:
    """Sums by level over the whole range and by day, and by build for how far builds differ."""

    def __init__(self, days: Range, than: Range) -> None:
        self._days, self._than = days, than
        # The whole range last: the spread of a recent part is taken where that has builds enough.
        self._starts = [*tally.recent_starts(days), days.start]
        self._levels: dict[tuple[str, str], Sums] = {}
        self._by_day: dict[date, Sums] = {}
        self._builds: list[dict[str, Sums]] = [{} for _ in self._starts]
        self._earlier: Sums = [0] * (1 + len(MEASURES))

    def add(self, row: _Row) -> None:
        """Count one row wherever it belongs."""
        marks = (1, *(int(getattr(row, measure.value)) for measure in MEASURES))
        if self._than.start <= row.day <= self._than.end:
            _raise(self._earlier, marks)
        if not self._days.start <= row.day <= self._days.end:
            return
        _raise(self._by_day.setdefault(row.day, [0] * len(marks)), marks)
        for axis, level in levels_of(row):
            if axis != "build":
                _raise(self._levels.setdefault((axis, level), [0] * len(marks)), marks)
                continue
            for start, builds in zip(self._starts, self._builds, strict=True):
                if row.day >= start:
                    _raise(builds.setdefault(level, [0] * len(marks)), marks)

    def as_json(self) -> dict[str, Any]:
        """As it is stored."""
        return {
            "levels": [[axis, level, *sums] for (axis, level), sums in sorted(self._levels.items())],
            "days": [[day.isoformat(), *sums] for day, sums in sorted(self._by_day.items())],
            "earlier": self._earlier,
            "spread": {measure.value: self._spread(place) for place, measure in enumerate(MEASURES, start=1)},
        }

    def _spread(self, place: int) -> list[float]:
        enough = (builds for builds in self._builds if len(builds) >= tally.ENOUGH_BUILDS)
        builds = next(enough, self._builds[-1])
        found = tally.spread_of_builds((sums[0], sums[place]) for sums in builds.values())
        return [found.builds, found.design_effect]


def _raise(sums: Sums, marks: tuple[int, ...]) -> None:
    for place, mark in enumerate(marks):
        sums[place] += mark


def _store(job: Job, asked: TrendsAsked, version: int, result: dict[str, Any]) -> dict[str, Any]:
    row, _ = NarrowedTrends.objects.update_or_create(
        key=_key(asked, version),
        defaults={
            **asked.parameters,
            "version": version,
            "job": job,
            "state": CheckState.DONE,
            "result": result,
            "sentence": "",
            "finished_at": timezone.now(),
        },
    )
    # Older counts of records that have changed since are of no use to anybody.
    _of(asked).exclude(pk=row.pk).delete()
    kept = NarrowedTrends.objects.order_by("-id").values_list("pk", flat=True)[:MOST_KEPT]
    NarrowedTrends.objects.exclude(pk__in=list(kept)).delete()
    return {"narrowed": row.pk}


def refuse_narrowed(job: Job, sentence: str) -> None:
    """Say why it could not be counted."""
    NarrowedTrends.objects.filter(job=job, state=CheckState.WAITING).update(
        state=CheckState.REFUSED, sentence=sentence, finished_at=timezone.now()
    )
