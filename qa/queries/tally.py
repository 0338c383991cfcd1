"""What the trends read: sums of the tally over a range of days, never the parts themselves."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

from django.db.models import Count, F, FloatField, QuerySet, Sum
from django.db.models.functions import Cast

from qa.choices import EvidenceSource, EvidenceUnit, Measure
from qa.models import EvidenceTally, FormedPieceRow, FrozenBaseline, PrintAttempt
from qa.queries.chart_events import ChartEvent, events_in
from qa.queries.published import counts
from qa.queries.range import Range

DEFAULT_DAYS = 90
QUICK_DAYS = (30, 90, 180, 365)
SPREAD_DAYS = (90, 365)
ENOUGH_BUILDS = 200

__all__ = [
    "ALL",
    "DEFAULT_DAYS",
    "QUICK_DAYS",
    "STANDING_AXES",
    "Range",
    "Standing",
    "Tally",
    "TallyView",
    "read_tally",
    "read_weeks",
]

Rows = QuerySet[EvidenceTally]


@dataclass(frozen=True)
class Tally:
    """``bad`` of ``n``."""

    n: int
    bad: int


NOTHING = Tally(0, 0)


@dataclass(frozen=True)
class Standing:
    """One level of one axis that the tally keeps: the charts of all, or of one printer, resin, tank or
    status of a step alone."""

    axis: str = "all"
    level: str = ""

    @property
    def is_all(self) -> bool:
        return self.axis == "all"


ALL = Standing()
STANDING_AXES = ("printer", "material", "tank")


@dataclass(frozen=True)
class Spread:
    """How far builds differ: parts share the causes of their build, so they count for less than n."""

    builds: int
    design_effect: float

    def effective(self, n: float) -> float:
        return n / self.design_effect


@dataclass(frozen=True)
class TallyView:
    """Sums of one range, unit and measure. ``levels`` by axis and level; ``weeks`` by their Monday.

    ``days`` are the weeks' days in order. ``earlier`` are the sums of ``than``, the period it is compared
    with; ``baseline`` is in force. Where ``only`` names a level, ``weeks``, ``days``, ``total`` and
    ``earlier`` are of that level alone.
    """

    unit: EvidenceUnit
    measure: Measure
    range: Range
    levels: dict[str, dict[str, Tally]]
    weeks: dict[date, Tally]
    spread: Spread
    immature: int
    than: Range | None = None
    earlier: Tally = NOTHING
    baseline: FrozenBaseline | None = None
    baseline_weeks: dict[date, Tally] = field(default_factory=dict)
    events: tuple[ChartEvent, ...] = ()
    only: Standing = ALL
    days: tuple[tuple[date, Tally], ...] = ()

    @property
    def compared_with(self) -> Range:
        """The period that the range is compared with."""
        return self.than or self.range.before

    @property
    def total(self) -> Tally:
        return self.axis(self.only.axis).get(self.only.level, NOTHING)

    def axis(self, name: str) -> dict[str, Tally]:
        return self.levels.get(name, {})


def read_tally(
    *, unit: EvidenceUnit, measure: Measure, days: Range, than: Range | None = None, only: Standing = ALL
) -> TallyView:
    """Everything the trends of one range need, in a few queries over counts, never over parts.

    ``than``: the period to compare with; as many days right before where it is left out. ``only``: what
    the weeks and both periods are of; a frozen baseline is of all and is held against nothing else.
    """
    than = than or days.before
    baseline = FrozenBaseline.objects.filter(unit=unit, measure=measure, ended_at__isnull=True).first()
    if not only.is_all:
        baseline = None
    rows = EvidenceTally.objects.filter(
        counts(), unit=unit, day__gte=days.start, day__lte=days.end
    ).order_by()
    by_day = _days(rows, measure, only)
    return TallyView(
        unit=unit,
        measure=measure,
        range=days,
        levels=_levels(rows, measure),
        weeks=_weeks(by_day),
        spread=_spread_of(rows, measure, days),
        immature=_immature(unit, days),
        than=than,
        earlier=_total(unit, measure, than, only),
        baseline=baseline,
        baseline_weeks=read_weeks(unit=unit, measure=measure, days=Range(baseline.start, baseline.end))
        if baseline
        else {},
        events=events_in(days),
        only=only,
        days=by_day,
    )


def read_weeks(*, unit: EvidenceUnit, measure: Measure, days: Range) -> dict[date, Tally]:
    """Sums by week alone."""
    rows = EvidenceTally.objects.filter(
        counts(), unit=unit, day__gte=days.start, day__lte=days.end
    ).order_by()
    return _weeks(_days(rows, measure, ALL))


def _total(unit: EvidenceUnit, measure: Measure, days: Range, only: Standing) -> Tally:
    rows = EvidenceTally.objects.filter(
        counts(), unit=unit, axis=only.axis, level=only.level, day__gte=days.start, day__lte=days.end
    )
    sums = rows.order_by().aggregate(n=Sum("parts"), bad=Sum(measure.value))
    return Tally(sums["n"] or 0, sums["bad"] or 0)


def _levels(rows: Rows, measure: Measure) -> dict[str, dict[str, Tally]]:
    found: dict[str, dict[str, Tally]] = defaultdict(dict)
    sums = (
        rows.exclude(axis="build")
        .values("axis", "level")
        .annotate(n=Sum("parts"), bad=Sum(measure.value))
        .filter(n__gt=0)
        .values_list("axis", "level", "n", "bad")
    )
    for axis, level, n, bad in sums:
        found[axis][level] = Tally(n, bad)
    return dict(found)


def _days(rows: Rows, measure: Measure, only: Standing) -> tuple[tuple[date, Tally], ...]:
    """Sums by day, in order; days without parts are left out."""
    chosen = rows.filter(axis=only.axis, level=only.level, parts__gt=0).values("day")
    sums = chosen.annotate(n=Sum("parts"), bad=Sum(measure.value)).order_by("day")
    return tuple((day, Tally(n, bad)) for day, n, bad in sums.values_list("day", "n", "bad"))


def _weeks(days: tuple[tuple[date, Tally], ...]) -> dict[date, Tally]:
    """Sums by week, from the first Monday on or before the range; weeks without parts are left out."""
    weeks: dict[date, Tally] = {}
    for day, counted in days:
        monday = day - timedelta(days=day.weekday())
        before = weeks.get(monday, NOTHING)
        weeks[monday] = Tally(before.n + counted.n, before.bad + counted.bad)
    return weeks


def _spread_of(rows: Rows, measure: Measure, days: Range) -> Spread:
    """Of a longer range, the spread of its last quarter or year where that has builds enough.

    How alike the parts of a build are hardly changes with the years, and reading every build there ever
    was would make the page slower with each of them.
    """
    for length in SPREAD_DAYS:
        recent = days.end - timedelta(days=length - 1)
        if recent <= days.start:
            break
        found = _spread(rows.filter(day__gte=recent), measure)
        if found.builds >= ENOUGH_BUILDS:
            return found
    return _spread(rows, measure)


def _spread(rows: Rows, measure: Measure) -> Spread:
    """Design effect of builds as clusters, from sums that the database makes.

    One-way ANOVA estimate of the intraclass correlation of a binary outcome, not below 0, and
    1 + (sum m^2 / sum m - 1) times it (Donner 1986; Kish 1965), the same as the engine's
    ``effective_size`` computes from the builds themselves.
    """
    per_build = (
        rows.filter(axis="build")
        .values("level")
        .annotate(
            m=Cast(Sum("parts"), FloatField()),
            x=Cast(Sum(measure.value), FloatField()),
        )
        .filter(m__gt=0)
    )
    sums: dict[str, Any] = per_build.aggregate(
        builds=Count("level"),
        n=Sum("m"),
        bad=Sum("x"),
        squares=Sum(F("m") * F("m")),
        bad_squares=Sum(F("x") * F("x") / F("m")),
    )
    builds, n = sums["builds"] or 0, sums["n"] or 0.0
    if builds < 2 or n <= builds:
        return Spread(builds, 1.0)
    rate = sums["bad"] / n
    between = max(0.0, sums["bad_squares"] - n * rate * rate) / (builds - 1)
    within = max(0.0, sums["bad"] - sums["bad_squares"]) / (n - builds)
    typical = (n - sums["squares"] / n) / (builds - 1)
    total = between + (typical - 1) * within
    correlation = min(1.0, max(0.0, (between - within) / total)) if total > 0 else 0.0
    return Spread(builds, 1 + (sums["squares"] / n - 1) * correlation)


def _immature(unit: EvidenceUnit, days: Range) -> int:
    """Of the range, what has no final outcome yet or had no time to fail."""
    model = PrintAttempt if unit == EvidenceUnit.PART else FormedPieceRow
    rows: QuerySet[Any] = model.objects.filter(
        mature=False, day__gte=days.start, day__lte=days.end, source=EvidenceSource.LAB
    )
    return rows.count()
