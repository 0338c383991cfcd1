"""What the trends read: sums of the tally over a range of days, never the parts themselves."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

from django.db.models import Count, F, FloatField, QuerySet, Sum
from django.db.models.functions import Cast

from qa.choices import EvidenceSource, EvidenceUnit, Measure
from qa.models import EvidenceTally, FrozenBaseline
from qa.queries.chart_events import ChartEvent, events_in
from qa.queries.inspections import inspected_steps
from qa.queries.published import counts
from qa.queries.range import Range
from qa.queries.selection import ALL, EVERYTHING, Selection, Standing, chosen, model_of

DEFAULT_DAYS = 90
QUICK_DAYS = (30, 90, 180, 365)
SPREAD_DAYS = (90, 365)
ENOUGH_BUILDS = 200

__all__ = [
    "ALL",
    "DEFAULT_DAYS",
    "QUICK_DAYS",
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
    ``earlier`` are of that level alone, and the rest is of everything. ``selection`` is what is shown:
    where it is not ``only``, everything here is of it. ``looked_at``: steps at which inspections are
    recorded.
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
    selection: Selection = EVERYTHING
    looked_at: tuple[str, ...] = ()

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
        weeks=weeks_of(by_day),
        spread=_spread_of(rows, measure, days),
        immature=immature_of(unit, days),
        than=than,
        earlier=_total(unit, measure, than, only),
        baseline=baseline,
        baseline_weeks=read_weeks(unit=unit, measure=measure, days=Range(baseline.start, baseline.end))
        if baseline
        else {},
        events=events_in(days),
        only=only,
        days=by_day,
        selection=only.selection,
        looked_at=inspected_steps(),
    )


def read_weeks(*, unit: EvidenceUnit, measure: Measure, days: Range) -> dict[date, Tally]:
    """Sums by week alone."""
    rows = EvidenceTally.objects.filter(
        counts(), unit=unit, day__gte=days.start, day__lte=days.end
    ).order_by()
    return weeks_of(_days(rows, measure, ALL))


def count_since(unit: EvidenceUnit, since: date | None) -> int:
    """How many of everything there are since that day, from the tally; ever, without one."""
    rows = EvidenceTally.objects.filter(counts(), unit=unit, axis=ALL.axis, level=ALL.level)
    if since is not None:
        rows = rows.filter(day__gte=since)
    return int(rows.order_by().aggregate(n=Sum("parts"))["n"] or 0)


def count_all(unit: EvidenceUnit, days: Range) -> int:
    """How many of everything there are in these days, from the tally."""
    return _total(unit, Measure.LOST, days, ALL).n


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


def weeks_of(days: tuple[tuple[date, Tally], ...]) -> dict[date, Tally]:
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
    for recent in recent_starts(days):
        found = _spread(rows.filter(day__gte=recent), measure)
        if found.builds >= ENOUGH_BUILDS:
            return found
    return _spread(rows, measure)


def recent_starts(days: Range) -> list[date]:
    """First days of the last quarter and year, where the range is longer."""
    starts = [days.end - timedelta(days=length - 1) for length in SPREAD_DAYS]
    return [start for start in starts if start > days.start]


def _spread(rows: Rows, measure: Measure) -> Spread:
    """Design effect of builds as clusters, from sums that the database makes."""
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
    return _spread_from(
        sums["builds"] or 0,
        *(float(sums[name] or 0.0) for name in ("n", "bad", "squares", "bad_squares")),
    )


def spread_of_builds(builds: Iterable[tuple[int, int]]) -> Spread:
    """The same from (n, bad) of each build."""
    known = [(n, bad) for n, bad in builds if n]
    return _spread_from(
        len(known),
        float(sum(n for n, _ in known)),
        float(sum(bad for _, bad in known)),
        float(sum(n * n for n, _ in known)),
        sum(bad * bad / n for n, bad in known),
    )


def _spread_from(builds: int, n: float, bad: float, squares: float, bad_squares: float) -> Spread:
    """Design effect of builds from their number and the sums of n, bad, n squared and bad squared by n.

    One-way ANOVA estimate of the intraclass correlation of a binary outcome, not below 0, and
    1 + (sum m^2 / sum m - 1) times it (Donner 1986; Kish 1965), the same as the engine's
    ``effective_size`` computes from the builds themselves.
    """
    if builds < 2 or n <= builds:
        return Spread(builds, 1.0)
    rate = bad / n
    between = max(0.0, bad_squares - n * rate * rate) / (builds - 1)
    within = max(0.0, bad - bad_squares) / (n - builds)
    typical = (n - squares / n) / (builds - 1)
    total = between + (typical - 1) * within
    correlation = min(1.0, max(0.0, (between - within) / total)) if total > 0 else 0.0
    return Spread(builds, 1 + (squares / n - 1) * correlation)


def immature_of(unit: EvidenceUnit, days: Range, selection: Selection = EVERYTHING) -> int:
    """Of the range, what has no final outcome yet or had no time to fail."""
    rows: QuerySet[Any] = model_of(unit).objects.filter(
        mature=False, day__gte=days.start, day__lte=days.end, source=EvidenceSource.LAB
    )
    return chosen(rows, selection).count()
