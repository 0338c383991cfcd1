"""Ages of machines, tanks and baths at a moment, derived from their events and runs, never typed.

"Since" counts what began at or after the event and before the moment asked about. So the age at the
very start of a build leaves that build out.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from decimal import Decimal
from itertools import accumulate

from django.db.models import Count, DurationField, ExpressionWrapper, F, Max, Min, Q, Sum

from production.choices import (
    FILTER_EVENTS,
    LOT_EVENTS,
    BuildState,
    EventKind,
    Step,
)
from production.models import Build, Equipment, EquipmentEvent, FormingCycle, Lot, Printer, TreatmentRun

# Builds that really ran.
RAN = (BuildState.RUNNING, BuildState.FINISHED, BuildState.FAILED)
FILM_EVENTS = (EventKind.FILM_CHANGED, EventKind.FILM_INSPECTED)
DAY_S = 86_400.0


def days_between(start: datetime | None, end: datetime) -> float | None:
    return None if start is None else (end - start).total_seconds() / DAY_S


@dataclass(frozen=True)
class Use:
    """What a tank went through since an event."""

    since: datetime | None
    days: float | None
    builds: int
    layers: int
    ml: float
    parts: int


@dataclass(frozen=True)
class TankAge:
    """``since_filter`` counts from the last filling or filtering, ``since_filling`` from the last filling,
    ``film`` from the last new film (or from when the tank came into service)."""

    tank_id: int
    at: datetime
    printer: Printer | None
    contents: tuple[Lot, ...]
    since_filter: Use
    since_filling: Use
    film: Use
    owes_filtering: bool
    owes_film_inspection: bool

    @property
    def empty(self) -> bool:
        return not self.contents

    @property
    def contents_in_short(self) -> str:
        """Materials with how many lots of each, for lists."""
        counts: dict[str, int] = {}
        for lot in self.contents:
            counts[lot.material.name] = counts.get(lot.material.name, 0) + 1
        words = [f"{name}, {count} lot{'s' if count > 1 else ''}" for name, count in counts.items()]
        return "; ".join(words) or "empty"

    @property
    def owes(self) -> str:
        """In words what a failed build left to be done; empty when nothing is owed."""
        owed = []
        if self.owes_filtering:
            owed.append("filtering")
        if self.owes_film_inspection:
            owed.append("film inspection")
        return " and ".join(owed)


@dataclass(frozen=True)
class _RanBuild:
    started_at: datetime
    layers: int
    ml: float
    parts: int


@dataclass
class TankRecord:
    """Events and builds of one tank, oldest first; answers for any moment without further queries."""

    tank_id: int
    in_service_from: datetime
    events: list[EquipmentEvent] = field(default_factory=list)
    builds: list[_RanBuild] = field(default_factory=list)
    failed_at: list[datetime] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._event_times = [event.occurred_at for event in self.events]
        self._starts = [build.started_at for build in self.builds]
        self._layers = [0, *accumulate(build.layers for build in self.builds)]
        self._ml = [0.0, *accumulate(build.ml for build in self.builds)]
        self._parts = [0, *accumulate(build.parts for build in self.builds)]

    def age_at(self, at: datetime) -> TankAge:
        past = self.events[: bisect_right(self._event_times, at)]
        filtered = _latest(past, FILTER_EVENTS)
        film = _latest(past, (EventKind.FILM_CHANGED,)) or self.in_service_from
        moved = next((event for event in reversed(past) if event.kind == EventKind.MOVED), None)
        failed = self.failed_at[: bisect_right(self.failed_at, at)]
        last_failure = failed[-1] if failed else None
        return TankAge(
            tank_id=self.tank_id,
            at=at,
            printer=moved.moved_to if moved else None,
            contents=contents_after(past),
            since_filter=self._use_since(filtered, at),
            since_filling=self._use_since(_latest(past, (EventKind.FILLED,)), at),
            film=self._use_since(film, at),
            owes_filtering=_owed(last_failure, filtered),
            owes_film_inspection=_owed(last_failure, _latest(past, FILM_EVENTS)),
        )

    def _use_since(self, since: datetime | None, at: datetime) -> Use:
        if since is None:
            return Use(None, None, 0, 0, 0.0, 0)
        first, last = bisect_left(self._starts, since), bisect_left(self._starts, at)
        last = max(first, last)
        return Use(
            since=since,
            days=days_between(since, at),
            builds=last - first,
            layers=self._layers[last] - self._layers[first],
            ml=round(self._ml[last] - self._ml[first], 2),
            parts=self._parts[last] - self._parts[first],
        )


def _owed(failure: datetime | None, done: datetime | None) -> bool:
    return failure is not None and (done is None or done < failure)


def _latest(events: Sequence[EquipmentEvent], kinds: Iterable[str]) -> datetime | None:
    wanted = tuple(kinds)
    return next((event.occurred_at for event in reversed(events) if event.kind in wanted), None)


def contents_after(events: Sequence[EquipmentEvent]) -> tuple[Lot, ...]:
    """Every lot put in since the tank or bath was last emptied, in the order they went in."""
    lots: dict[int, Lot] = {}
    for event in events:
        if event.kind == EventKind.EMPTIED:
            lots = {}
        elif event.kind in LOT_EVENTS and event.lot is not None:
            lots.setdefault(event.lot.pk, event.lot)
    return tuple(lots.values())


def tank_records(
    tank_ids: Sequence[int], *, until: datetime | None = None, recent: bool = False
) -> dict[int, TankRecord]:
    """The records of several tanks in three queries.

    ``recent`` leaves out builds from before every tank's last filling, filtering and new film: enough for
    ages at ``until``, and quick for a tank with a long past.
    """
    events_by_tank: dict[int, list[EquipmentEvent]] = defaultdict(list)
    events = EquipmentEvent.objects.filter(equipment__in=tank_ids)
    builds = Build.objects.filter(tank__in=tank_ids, state__in=RAN)
    if until is not None:
        events, builds = events.filter(occurred_at__lte=until), builds.filter(started_at__lt=until)
    for event in events.select_related("lot__material", "moved_to__equipment").order_by("occurred_at", "id"):
        events_by_tank[event.equipment_id].append(event)
    in_service = dict(Equipment.objects.filter(pk__in=tank_ids).values_list("pk", "in_service_from"))
    if recent:
        marks = [_oldest_mark(events_by_tank[pk], in_service[pk]) for pk in tank_ids if pk in in_service]
        kept = Q(started_at__gte=min(marks)) if marks else Q()
        builds = builds.filter(kept | Q(state=BuildState.FAILED))
    ran: dict[int, list[_RanBuild]] = defaultdict(list)
    failures: dict[int, list[datetime]] = defaultdict(list)
    rows = builds.annotate(part_count=Count("parts")).order_by("started_at", "id")
    for tank_id, state, started, finished, layers, ml, parts in rows.values_list(
        "tank", "state", "started_at", "finished_at", "layers", "resin_ml", "part_count"
    ):
        assert tank_id is not None and started is not None
        ran[tank_id].append(_RanBuild(started, layers or 0, float(ml or 0), parts))
        if state == BuildState.FAILED and finished is not None:
            failures[tank_id].append(finished)
    return {
        pk: TankRecord(pk, in_service[pk], events_by_tank[pk], ran[pk], sorted(failures[pk]))
        for pk in tank_ids
        if pk in in_service
    }


def _oldest_mark(events: Sequence[EquipmentEvent], in_service_from: datetime) -> datetime:
    film = _latest(events, (EventKind.FILM_CHANGED,)) or in_service_from
    marks = [film, _latest(events, FILTER_EVENTS), _latest(events, (EventKind.FILLED,))]
    return min(mark for mark in marks if mark is not None)


def tank_ages(tank_ids: Sequence[int], at: datetime) -> dict[int, TankAge]:
    """Ages of several tanks at one moment, in three queries."""
    records = tank_records(tank_ids, until=at, recent=True)
    return {pk: record.age_at(at) for pk, record in records.items()}


def tank_age(tank_id: int, at: datetime) -> TankAge:
    return tank_ages([tank_id], at)[tank_id]


@dataclass(frozen=True)
class BathAge:
    bath_id: int
    at: datetime
    contents: tuple[Lot, ...]
    empty: bool
    since: datetime | None
    days: float | None
    parts: int
    runs: int


def bath_ages(bath_ids: Sequence[int], at: datetime) -> dict[int, BathAge]:
    """Days, runs and parts since each bath was filled, in two queries."""
    events_by_bath: dict[int, list[EquipmentEvent]] = {pk: [] for pk in bath_ids}
    events = EquipmentEvent.objects.filter(
        equipment__in=bath_ids, occurred_at__lte=at, kind__in=(*LOT_EVENTS, EventKind.EMPTIED)
    )
    for event in events.select_related("lot__material").order_by("occurred_at", "id"):
        events_by_bath[event.equipment_id].append(event)
    filled = {pk: _latest(rows, (EventKind.FILLED,)) for pk, rows in events_by_bath.items()}
    runs: dict[int, list[tuple[datetime, int]]] = defaultdict(list)
    starts = [moment for moment in filled.values() if moment is not None]
    if starts:
        rows = TreatmentRun.objects.filter(
            equipment__in=bath_ids, started_at__gte=min(starts), started_at__lt=at
        ).annotate(part_count=Count("treated"))
        for bath_id, started, parts in rows.values_list("equipment", "started_at", "part_count"):
            assert bath_id is not None
            runs[bath_id].append((started, parts))
    return {pk: _bath_age(pk, at, events_by_bath[pk], filled[pk], runs[pk]) for pk in bath_ids}


def _bath_age(
    bath_id: int,
    at: datetime,
    events: Sequence[EquipmentEvent],
    filled: datetime | None,
    runs: Sequence[tuple[datetime, int]],
) -> BathAge:
    level = next((event.kind for event in reversed(events)), EventKind.EMPTIED)
    counted = [parts for started, parts in runs if filled is not None and started >= filled]
    return BathAge(
        bath_id=bath_id,
        at=at,
        contents=contents_after(events),
        empty=level == EventKind.EMPTIED,
        since=filled,
        days=days_between(filled, at),
        parts=sum(counted),
        runs=len(counted),
    )


def bath_age(bath_id: int, at: datetime) -> BathAge:
    return bath_ages([bath_id], at)[bath_id]


@dataclass(frozen=True)
class LampAge:
    """Hours that a curing unit ran since its lamp was new, and the last measured output."""

    unit_id: int
    at: datetime
    since: datetime
    hours: float
    measured_at: datetime | None
    measured: Decimal | None
    measured_unit: str


def lamp_age(unit_id: int, at: datetime) -> LampAge:
    """Two queries; a unit without a recorded lamp change counts from when it came into service."""
    unit = Equipment.objects.annotate(
        lamp=Max(
            "events__occurred_at",
            filter=Q(events__kind=EventKind.LAMP_CHANGED, events__occurred_at__lte=at),
        )
    ).get(pk=unit_id)
    since: datetime = unit.lamp or unit.in_service_from
    length = ExpressionWrapper(F("finished_at") - F("started_at"), output_field=DurationField())
    total = TreatmentRun.objects.filter(
        equipment=unit_id, step=Step.CURE, started_at__gte=since, started_at__lt=at
    ).aggregate(total=Sum(length))["total"]
    measured = (
        EquipmentEvent.objects.filter(equipment=unit_id, kind=EventKind.LAMP_MEASURED, occurred_at__lte=at)
        .order_by("-occurred_at", "-id")
        .first()
    )
    return LampAge(
        unit_id=unit_id,
        at=at,
        since=since,
        hours=round((total or timedelta()).total_seconds() / 3600, 3),
        measured_at=measured.occurred_at if measured else None,
        measured=measured.value if measured else None,
        measured_unit=measured.unit if measured else "",
    )


@dataclass(frozen=True)
class CareAge:
    """Days since each kind of care that was recorded for one machine or device."""

    equipment_id: int
    at: datetime
    last: dict[str, datetime]

    def days_since(self, kind: str) -> float | None:
        return days_between(self.last.get(kind), self.at)


def care_ages(equipment_ids: Sequence[int], at: datetime) -> dict[int, CareAge]:
    """When each kind of event last happened to each machine, in one query."""
    last: dict[int, dict[str, datetime]] = {pk: {} for pk in equipment_ids}
    rows = (
        EquipmentEvent.objects.filter(equipment__in=equipment_ids, occurred_at__lte=at)
        .values("equipment", "kind")
        .annotate(latest=Max("occurred_at"))
        .values_list("equipment", "kind", "latest")
        .order_by()
    )
    for equipment_id, kind, latest in rows:
        last[equipment_id][kind] = latest
    return {pk: CareAge(pk, at, kinds) for pk, kinds in last.items()}


def care_age(equipment_id: int, at: datetime) -> CareAge:
    return care_ages([equipment_id], at)[equipment_id]


def seconds_since_last_cycle(machine_id: int, at: datetime) -> int | None:
    """Since the forming machine's last cycle before ``at``, across batches; None for its first."""
    last = FormingCycle.objects.filter(batch__machine=machine_id, occurred_at__lt=at).aggregate(
        latest=Max("occurred_at")
    )["latest"]
    return None if last is None else int((at - last).total_seconds())


def model_age_days(part_id: int, at: datetime) -> float | None:
    """Days since the part's build ended; None while it has not."""
    ended = Build.objects.filter(parts=part_id).aggregate(ended=Min("finished_at"))["ended"]
    return None if ended is None or ended > at else days_between(ended, at)
