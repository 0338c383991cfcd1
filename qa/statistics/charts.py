"""Has it changed? Control charts with a baseline that is frozen on purpose.

Every chart is built in two steps: a ``fit_*`` function makes a :class:`Baseline` from chosen points,
and the chart function judges any points against it. Without a baseline the chart's own points serve,
and it says so. Free of pandas, statsmodels and scipy.stats.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import special

from qa.statistics.results import Method, StatisticsError, Verdict
from qa.statistics.run_rules import (
    STANDARD,
    FalseAlarms,
    Rule,
    Signal,
    signals,
    simulate_false_alarms,
)

FloatArray = npt.NDArray[np.float64]

P_CHART = Method("p chart", "ISO 7870-2; NIST/SEMATECH e-Handbook 6.3.3.2")
LANEY = Method("Laney p' chart", "Laney 2002, Quality Engineering 14:531-537")
U_CHART = Method("u chart", "ISO 7870-2; NIST/SEMATECH e-Handbook 6.3.3.1")
G_CHART = Method("g chart with probability limits", "Benneyan 2001; Provost and Murray 2011")
INDIVIDUALS = Method("Individuals and moving range chart", "ISO 7870-2; NIST/SEMATECH e-Handbook 6.3.2.2")

D2_PAIR = 1.128  # expected range of two normal values, in standard deviations, as the handbooks round it
D4_PAIR = 3.267
FEW_POINTS = 20  # common practice: limits from fewer points are provisional


@dataclass(frozen=True, slots=True)
class Baseline:
    """What "unchanged" means for a chart: frozen numbers, kept until somebody freezes new ones.

    ``sigma`` is the spread of one point (individuals) or 1 (counts, whose spread follows from n);
    ``sigma_z`` is Laney's ratio of the spread seen to the spread expected of counts.
    """

    kind: str
    centre: float
    sigma: float
    sigma_z: float
    points: int
    n: float


@dataclass(frozen=True, slots=True)
class ChartPoint:
    """One point: ``value`` with its limits; ``n`` parts behind it; ``z`` in units of its spread."""

    index: int
    value: float
    n: float
    centre: float
    lower: float
    upper: float
    z: float


@dataclass(frozen=True, slots=True)
class Chart:
    """A judged chart. ``verdict`` is shown (a change), or unknown (none can be told)."""

    points: tuple[ChartPoint, ...]
    signals: tuple[Signal, ...]
    baseline: Baseline
    frozen: bool
    rules: tuple[Rule, ...]
    method: Method
    verdict: Verdict
    sentence: str
    false_alarms: FalseAlarms | None = None


def _counts(counts: npt.ArrayLike, sizes: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    count, size = np.asarray(counts, dtype=np.float64), np.asarray(sizes, dtype=np.float64)
    if count.shape != size.shape or count.ndim != 1:
        raise StatisticsError("lengths", "Each point needs one count and one size.")
    if not (np.isfinite(count).all() and np.isfinite(size).all()) or (count < 0).any() or (size < 0).any():
        raise StatisticsError("counts", "Counts and sizes are numbers, none negative.")
    return count, size


def _proportion_z(count: FloatArray, size: FloatArray, centre: float) -> FloatArray:
    spread = np.sqrt(centre * (1 - centre) / np.maximum(size, 1.0))
    gap = count / np.maximum(size, 1.0) - centre
    return np.where((size > 0) & (spread > 0), gap / np.where(spread > 0, spread, 1.0), 0.0)


def fit_p(counts: npt.ArrayLike, sizes: npt.ArrayLike, *, laney: bool = False) -> Baseline:
    """Baseline of a p chart, or of Laney's p' chart, from lost ``counts`` of ``sizes`` per point.

    Points without parts are left out. Laney's ratio is never taken below 1: less spread than counts
    can have is chance, not a reason for narrower limits.

    Raises :class:`StatisticsError`: ``counts`` where more were lost than printed; ``no_points`` where
    nothing was printed.
    """
    count, size = _counts(counts, sizes)
    if (count > size).any():
        raise StatisticsError("counts", "More parts lost than printed at one point.")
    count, size = count[size > 0], size[size > 0]
    if len(size) == 0:
        raise StatisticsError("no_points", "A baseline needs at least one point with parts.")
    centre = float(count.sum() / size.sum())
    ratio = dispersion_ratio(count, size, centre) if laney else 1.0
    return Baseline("laney" if laney else "p", centre, 1.0, max(1.0, ratio), len(size), float(size.sum()))


def dispersion_ratio(count: FloatArray, size: FloatArray, centre: float) -> float:
    """Laney's sigma-z: mean moving range of the standardised points over 1.128; 1 for fewer than 2."""
    if len(count) < 2 or not 0 < centre < 1:
        return 1.0
    return float(np.abs(np.diff(_proportion_z(count, size, centre))).mean() / D2_PAIR)


def p_chart(
    counts: npt.ArrayLike,
    sizes: npt.ArrayLike,
    *,
    baseline: Baseline | None = None,
    laney: bool = False,
    rules: tuple[Rule, ...] = STANDARD,
    false_alarm_runs: int = 0,
    seed: int = 1,
) -> Chart:
    """p chart with varying n; with ``laney`` (or a Laney baseline) the limits hold over-dispersion.

    ``counts`` lost of ``sizes`` printed per period. ``false_alarm_runs`` > 0 simulates the false-alarm
    rate for these sizes and rules.

    Raises :class:`StatisticsError`: ``lengths`` or ``counts`` where the two do not fit; ``no_points``
    without a point to fit.
    """
    count, size = _counts(counts, sizes)
    base = fit_p(count, size, laney=laney) if baseline is None else baseline
    spread = base.sigma_z * np.sqrt(base.centre * (1 - base.centre) / np.maximum(size, 1.0))
    value = count / np.maximum(size, 1.0)
    z = _proportion_z(count, size, base.centre) / base.sigma_z
    lower = np.maximum(0.0, base.centre - 3 * spread)
    upper = np.minimum(1.0, base.centre + 3 * spread)
    points = _points(value, size, np.full(len(size), base.centre), lower, upper, z)
    chart = _judged(
        points,
        base,
        frozen=baseline is not None,
        rules=rules,
        method=LANEY if base.kind == "laney" else P_CHART,
    )
    if false_alarm_runs and len(size) and 0 < base.centre < 1:
        whole = np.maximum(size, 1.0)

        def draw(rng: np.random.Generator, runs: int) -> FloatArray:
            if base.sigma_z > 1:
                return rng.standard_normal((runs, len(whole)))
            drawn = rng.binomial(np.rint(whole).astype(np.int64), base.centre, (runs, len(whole)))
            return _proportion_z(drawn.astype(np.float64), whole, base.centre)

        alarms = simulate_false_alarms(draw, rules, runs=false_alarm_runs, seed=seed)
        return replace(chart, false_alarms=alarms)
    return chart


def u_chart(
    counts: npt.ArrayLike,
    sizes: npt.ArrayLike,
    *,
    baseline: Baseline | None = None,
    rules: tuple[Rule, ...] = STANDARD,
) -> Chart:
    """Defects per part (several may sit on one part); with every size 1 this is the c chart.

    Raises :class:`StatisticsError`: ``lengths`` or ``counts`` where the two do not fit; ``no_points``
    without a point to fit.
    """
    count, size = _counts(counts, sizes)
    if baseline is None:
        if size.sum() == 0:
            raise StatisticsError("no_points", "A baseline needs at least one point with parts.")
        baseline_used = Baseline("u", float(count.sum() / size.sum()), 1.0, 1.0, len(size), float(size.sum()))
    else:
        baseline_used = baseline
    centre, whole = baseline_used.centre, np.where(size > 0, size, 1.0)
    spread = np.sqrt(centre / whole)
    value = count / whole
    z = np.where((size > 0) & (spread > 0), (value - centre) / np.where(spread > 0, spread, 1.0), 0.0)
    points = _points(
        value, size, np.full(len(size), centre), np.maximum(0.0, centre - 3 * spread), centre + 3 * spread, z
    )
    return _judged(points, baseline_used, frozen=baseline is not None, rules=rules, method=U_CHART)


def fit_g(good_between: npt.ArrayLike) -> Baseline:
    """Baseline of a g chart: ``good_between`` counts the good parts before each lost one.

    Raises :class:`StatisticsError`: ``no_points`` without a lost part.
    """
    gaps, _ = _counts(good_between, good_between)
    if len(gaps) == 0:
        raise StatisticsError("no_points", "A chart of good parts between lost ones needs a lost part.")
    return Baseline("g", float(1 / (gaps.mean() + 1)), 1.0, 1.0, len(gaps), float(gaps.sum() + len(gaps)))


def g_chart(
    good_between: npt.ArrayLike,
    *,
    baseline: Baseline | None = None,
    rules: tuple[Rule, ...] = STANDARD,
    false_alarm_runs: int = 0,
    seed: int = 1,
) -> Chart:
    """Good parts between lost ones, for rare losses; low points mean losses crowd together.

    The centre is the median and the limits are the 0.135 % points of the geometric distribution, since
    three standard deviations mislead for so skewed a count. z is the normal score of the mid
    probability, so that the same run rules apply.

    Raises :class:`StatisticsError`: ``counts`` for a count below 0; ``no_points`` without a lost part.
    """
    gaps, _ = _counts(good_between, good_between)
    base = fit_g(gaps) if baseline is None else baseline
    p = min(max(base.centre, 1e-12), 1 - 1e-12)
    z = _geometric_z(gaps, p)
    median = max(0.0, math.log(0.5) / math.log1p(-p) - 0.5)
    tail = float(special.ndtr(-3.0))
    upper = math.ceil(math.log(tail) / math.log1p(-p))
    lower = max(0.0, math.floor(math.log(1 - tail) / math.log1p(-p)))
    same = np.ones(len(gaps))
    points = _points(gaps, gaps + 1, median * same, lower * same, upper * same, z)
    chart = _judged(points, base, frozen=baseline is not None, rules=rules, method=G_CHART)
    if false_alarm_runs and len(gaps):

        def draw(rng: np.random.Generator, runs: int) -> FloatArray:
            return _geometric_z(rng.geometric(p, (runs, len(gaps))).astype(np.float64) - 1, p)

        alarms = simulate_false_alarms(draw, rules, runs=false_alarm_runs, seed=seed)
        return replace(chart, false_alarms=alarms)
    return chart


def _geometric_z(gaps: FloatArray, p: float) -> FloatArray:
    """Normal score of the mid cumulative probability of a geometric count of good parts."""
    log_q = math.log1p(-p)
    above = np.exp((gaps + 1) * log_q)  # P(more good parts than this)
    at = np.exp(gaps * log_q) - above
    mid_upper = above + 0.5 * at
    score: FloatArray = -special.ndtri(np.clip(mid_upper, 1e-15, 1 - 1e-15))
    return score


def fit_individuals(values: npt.ArrayLike) -> Baseline:
    """Baseline of an individuals chart: mean, and mean moving range over 1.128 as the spread.

    Raises :class:`StatisticsError`: ``no_points`` below two values.
    """
    points = np.asarray(values, dtype=np.float64)
    points = points[np.isfinite(points)]
    if len(points) < 2:
        raise StatisticsError("no_points", "A baseline of measured values needs at least two of them.")
    sigma = float(np.abs(np.diff(points)).mean() / D2_PAIR)
    return Baseline("individuals", float(points.mean()), sigma, 1.0, len(points), float(len(points)))


@dataclass(frozen=True, slots=True)
class IndividualsChart:
    """The two charts of single measured values: the values, and the ranges between neighbours."""

    values: Chart
    ranges: Chart


def individuals_chart(
    values: npt.ArrayLike,
    *,
    baseline: Baseline | None = None,
    rules: tuple[Rule, ...] = STANDARD,
    false_alarm_runs: int = 0,
    seed: int = 1,
) -> IndividualsChart:
    """Individuals and moving range chart of ``values`` in time order (not-a-number is left out).

    Raises :class:`StatisticsError`: ``no_points`` below two values.
    """
    x = np.asarray(values, dtype=np.float64)
    x = x[np.isfinite(x)]
    base = fit_individuals(x) if baseline is None else baseline
    scale = base.sigma if base.sigma > 0 else 1.0
    z = (x - base.centre) / scale if base.sigma > 0 else np.zeros(len(x))
    same = np.ones(len(x))
    lower, upper = (base.centre - 3 * base.sigma) * same, (base.centre + 3 * base.sigma) * same
    chart = _judged(
        _points(x, same, base.centre * same, lower, upper, z),
        base,
        frozen=baseline is not None,
        rules=rules,
        method=INDIVIDUALS,
    )
    if false_alarm_runs and len(x):

        def draw(rng: np.random.Generator, runs: int) -> FloatArray:
            return rng.standard_normal((runs, len(x)))

        alarms = simulate_false_alarms(draw, rules, runs=false_alarm_runs, seed=seed)
        chart = replace(chart, false_alarms=alarms)
    return IndividualsChart(chart, _range_chart(x, base, frozen=baseline is not None))


def _range_chart(x: FloatArray, base: Baseline, *, frozen: bool) -> Chart:
    ranges = np.abs(np.diff(x))
    centre = base.sigma * D2_PAIR
    upper = D4_PAIR * centre
    z = np.where(ranges > upper, 3.5, 0.0) if centre > 0 else np.zeros(len(ranges))
    same = np.ones(len(ranges))
    points = _points(ranges, same, centre * same, 0 * same, upper * same, z)
    return _judged(points, base, frozen=frozen, rules=(Rule.BEYOND,), method=INDIVIDUALS)


def _points(
    value: FloatArray, n: FloatArray, centre: FloatArray, lower: FloatArray, upper: FloatArray, z: FloatArray
) -> tuple[ChartPoint, ...]:
    columns = (value, n, centre, lower, upper, z)
    rows = zip(*(column.tolist() for column in columns), strict=True)
    return tuple(ChartPoint(i, *row) for i, row in enumerate(rows))


def _judged(
    points: tuple[ChartPoint, ...], base: Baseline, *, frozen: bool, rules: tuple[Rule, ...], method: Method
) -> Chart:
    z = np.array([_exact_z(point) for point in points])
    found = signals(z, rules) if len(points) else ()
    verdict = Verdict.SHOWN if found else Verdict.UNKNOWN
    sentence = _sentence(points, found, base, frozen=frozen)
    return Chart(points, found, base, frozen, rules, method, verdict, sentence)


def _exact_z(point: ChartPoint) -> float:
    """z, held at 3 where the value sits on its limit, so that rounding never makes it a signal."""
    on_limit = math.isclose(point.value, point.upper, rel_tol=1e-12, abs_tol=1e-12) or math.isclose(
        point.value, point.lower, rel_tol=1e-12, abs_tol=1e-12
    )
    return max(-3.0, min(3.0, point.z)) if on_limit else point.z


def _sentence(
    points: tuple[ChartPoint, ...], found: tuple[Signal, ...], base: Baseline, *, frozen: bool
) -> str:
    if not points:
        return "No points yet."
    against = "the frozen baseline" if frozen else "these points' own average"
    if found:
        first = found[0]
        count = len({signal.index for signal in found})
        text = f"{count} of {len(points)} points signal against {against}. {first.words}"
    else:
        text = f"No signal in {len(points)} points against {against}."
    if base.kind in ("p", "laney") and not 0 < base.centre < 1:
        kind = "nothing was lost" if base.centre == 0 else "every part was lost"
        text += f" In the baseline {kind}, so there is no spread to judge a change by."
    elif base.kind == "individuals" and base.sigma == 0:
        text += " The baseline's values are all alike, so there is no spread to judge a change by."
    elif base.points < FEW_POINTS:
        missing = FEW_POINTS - base.points
        text += f" The limits are provisional: {missing} more baseline points would settle them."
    return text
