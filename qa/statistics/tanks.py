"""When does a tank go bad? Contamination against the age since filtering, and when to filter.

The hazard is fitted on all builds and not only up to the first loss: a lost part does not clean the
tank, so shedding goes on until somebody filters (minimal repair, Barlow and Hunter 1960).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import special

from qa.statistics.binned import BinnedRates, rate_by_age
from qa.statistics.logit import LOGIT, LogitFit, fit_logit
from qa.statistics.proportions import effective_size
from qa.statistics.results import Interval, Method, StatisticsError, Verdict, of_words

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

HAZARD = Method("Chance of loss against age, clustered by build", LOGIT.source)
FILTER = Method(
    "Filter where waiting one build more costs more than filtering",
    "Barlow and Hunter 1960, Operations Research 8:90-100 (minimal repair, periodic renewal)",
)
AGES = {
    "days": "days_since_filter",
    "builds": "builds_since_filter",
    "layers": "layers_since_filter",
    "ml": "ml_since_filter",
}
FEWEST_LOST = 5
UNIT_OF_AGE = {"days": "day", "builds": "build", "layers": "layer", "ml": "ml"}
FEWEST_BUILDS = 10
DRAWS = 400
GRID = 400
POWERS = (1.0, 0.5, 0.0, 2.0)  # of the age on the log-odds; 0 stands for its logarithm


@dataclass(frozen=True, slots=True)
class FilterInterval:
    """Filter after ``every`` builds (or days); ``None`` where not worth it within the ages seen."""

    every: float | None
    interval: Interval
    unit: str
    method: Method
    sentence: str


@dataclass(frozen=True, slots=True)
class IntervalCost:
    """Money per unit of age (per build, per day) where tanks are filtered after ``every`` of them."""

    every: float
    cost: float
    interval: Interval


@dataclass(frozen=True, slots=True)
class TankRisk:
    """Chance that a part of the tank's next build is lost to contamination."""

    tank: str
    age: float
    risk: float
    interval: Interval
    beyond_seen: bool


@dataclass(frozen=True, slots=True)
class Curve:
    """One shape of the chance against age: log-odds linear in ``age ** power`` (``log1p`` at power 0)."""

    power: float
    scale: float
    fit: LogitFit
    weight: float

    def design(self, age: npt.ArrayLike) -> FloatArray:
        """Columns (1, bent age), any leading shape."""
        bent = _bend(np.asarray(age, dtype=np.float64), self.power) / self.scale
        return np.stack([np.ones_like(bent), bent], axis=-1)

    def chance(self, age: npt.ArrayLike, beta: FloatArray | None = None) -> FloatArray:
        """Chance of loss of a part at ``age``, for the fitted or given coefficients."""
        result: FloatArray = special.expit(self.design(age) @ (self.fit.beta if beta is None else beta))
        return result


def _bend(age: FloatArray, power: float) -> FloatArray:
    return np.log1p(np.maximum(age, 0.0)) if power == 0 else np.power(np.maximum(age, 0.0), power)


@dataclass(frozen=True, slots=True)
class Hazard:
    """The fitted chance by one kind of age. ``ratio_per_10``: of the odds of loss, ten units apart.

    The ratio and its p are of the straight line in age; ``curves`` are the shapes the curve may have,
    each with the weight that its likelihood gives it, likeliest first.
    """

    age: str
    n: int
    lost: int
    builds: int
    ratio_per_10: float
    interval: Interval
    p: float
    youngest: float
    oldest: float
    straight: LogitFit
    curves: tuple[Curve, ...]

    @property
    def step(self) -> int:
        """A round difference of age that the parts really span: 1, 10, 100, …"""
        return int(10 ** math.floor(math.log10(max((self.oldest - self.youngest) / 2, 1.0))))

    def ratio_per_step(self) -> tuple[float, float, float]:
        """The ratio of the odds ``step`` units apart, and the ends of its interval."""
        ends = (self.interval.low or 0.0, self.interval.high or 0.0)
        ratio, low, high = (value ** (self.step / 10) for value in (self.ratio_per_10, *ends))
        return ratio, low, high

    def chance(self, age: npt.ArrayLike) -> FloatArray:
        """Chance of loss of a part at ``age`` (any shape), by the likeliest curve."""
        return self.curves[0].chance(age)

    def band(self, ages: npt.ArrayLike, *, level: float = 0.95) -> tuple[FloatArray, FloatArray]:
        """Pointwise confidence band of the likeliest curve at ``ages``."""
        curve = self.curves[0]
        x = curve.design(ages)
        centre = x @ curve.fit.beta
        degrees = max(1.0, float(curve.fit.clusters[1]) - 1.0)
        spread = np.sqrt(np.einsum("...i,ij,...j->...", x, curve.fit.cov, x))
        half = special.stdtrit(degrees, 0.5 + level / 2) * spread
        return special.expit(centre - half), special.expit(centre + half)


@dataclass(frozen=True, slots=True)
class Tanks:
    """The best-recorded age's hazard with its bins, the filter interval, and each tank's next build."""

    verdict: Verdict
    age: str | None
    hazard: Hazard | None
    by_kind: tuple[Hazard, ...]
    bins: BinnedRates | None
    filter_every: FilterInterval | None
    next_build: tuple[TankRisk, ...]
    p: float
    n: int
    lost: int
    parts_needed: int | None
    sentence: str
    interval_costs: tuple[IntervalCost, ...] = ()


def span_words(hazard: Hazard) -> str:
    """The difference of age that a ratio of odds belongs to, in words."""
    return f"per {UNIT_OF_AGE[hazard.age]}" if hazard.step == 1 else f"per {hazard.step} {hazard.age}"


def fit_hazard(age: npt.ArrayLike, lost: npt.ArrayLike, build: npt.ArrayLike, *, kind: str) -> Hazard | None:
    """Chance of contamination against one ``kind`` of age (n, not-a-number where not recorded).

    ``None`` where the age hardly varies or too little was lost to fit anything.

    Raises :class:`StatisticsError`: ``lengths`` where ages, outcomes and builds differ in number.
    """
    a, bad = np.asarray(age, dtype=np.float64), np.asarray(lost, dtype=np.float64)
    labels = np.asarray(build)
    if not (a.shape == bad.shape == labels.shape):
        raise StatisticsError("lengths", "Each part needs one age, one outcome and one build.")
    known = np.isfinite(a)
    a, bad, labels = a[known], bad[known], labels[known]
    if len(a) == 0 or np.ptp(a) == 0 or not FEWEST_LOST <= bad.sum() <= len(bad) - FEWEST_LOST:
        return None
    codes = np.unique(labels.astype(str), return_inverse=True)[1].astype(np.int64)
    if int(codes.max()) + 1 < FEWEST_BUILDS:
        return None
    curves = _curves(a, bad, codes)
    straight = next(curve for curve in curves if curve.power == 1.0)
    scale, fit = straight.scale, straight.fit
    error = math.sqrt(fit.cov[1, 1])
    degrees = max(1.0, float(fit.clusters[1]) - 1)
    # Older can only be worse: one side, at half the level, as for every factor's lower limit.
    p = min(1.0, 2 * float(special.stdtr(degrees, -fit.beta[1] / error)))
    quantile = float(special.stdtrit(degrees, 0.975))
    per_10 = 10 / scale
    ends = [math.exp(min(50.0, per_10 * (fit.beta[1] + s * quantile * error))) for s in (-1, 1)]
    ratio = math.exp(min(50.0, per_10 * fit.beta[1]))
    return Hazard(
        kind,
        len(a),
        int(bad.sum()),
        int(codes.max()) + 1,
        ratio,
        Interval(min(ends[0], ratio), max(ends[1], ratio), 0.95, HAZARD.name),
        p,
        float(a.min()),
        float(a.max()),
        fit,
        curves,
    )


def _curves(a: FloatArray, bad: FloatArray, codes: IntArray) -> tuple[Curve, ...]:
    """The shapes fitted, likeliest first. Likelihoods are tempered by the design effect of builds."""
    made = []
    for power in POWERS:
        bent = _bend(a, power)
        scale = float(bent.std())
        x = np.stack([np.ones(len(a)), bent / scale], axis=1)
        start = np.array([special.logit(bad.mean()), 0.0])
        fit = fit_logit(x, bad, codes, prior_sd=np.array([np.inf, 2.5]), start=start)
        made.append(Curve(power, scale, fit, 0.0))
    size = effective_size(np.bincount(codes, bad), np.bincount(codes))
    likelihood = np.array([curve.fit.log_likelihood for curve in made]) / size.design_effect
    weight = np.exp(likelihood - likelihood.max())
    weight /= weight.sum()
    weighed = [replace(curve, weight=float(w)) for curve, w in zip(made, weight, strict=True)]
    return tuple(sorted(weighed, key=lambda curve: -curve.weight))


def filter_after_builds(expected_lost: npt.ArrayLike, *, cost_filter: float, cost_lost: float) -> int | None:
    """Smallest N with N m(N+1) - sum of m(k), k <= N, at least ``cost_filter / cost_lost``.

    ``expected_lost``: m(1), m(2), ... parts lost in the first, second, ... build after filtering.
    ``None`` where it is not reached within them.

    Raises :class:`StatisticsError`: ``costs`` where a lost part costs nothing, or filtering less than
    nothing.
    """
    m = np.asarray(expected_lost, dtype=np.float64)
    ratio = _cost_ratio(cost_filter, cost_lost)
    if len(m) < 2:
        return None
    n = np.arange(1, len(m))
    reached = np.flatnonzero(n * m[1:] - np.cumsum(m)[:-1] >= ratio)
    return int(n[reached[0]]) if len(reached) else None


def filter_after_age(
    loss_rate: Callable[[FloatArray], FloatArray],
    *,
    oldest: float,
    cost_filter: float,
    cost_lost: float,
    failure_hazard: Callable[[FloatArray], FloatArray] | None = None,
    cost_failed_build: float = 0.0,
) -> float | None:
    """Age T at which to filter, for a ``loss_rate`` (parts lost per unit age) over ages up to ``oldest``.

    With ``failure_hazard`` (failed builds per unit age, each of which forces filtering at an extra
    ``cost_failed_build``), c = cost_lost x loss_rate + cost_failed_build x hazard and S the survival to
    it, T solves c(T) int S - int c S = cost_filter. Without, S = 1. ``None`` where not reached.

    Raises :class:`StatisticsError`: ``costs`` where a lost part costs nothing, or filtering less than
    nothing.
    """
    if oldest <= 0:
        return None
    _cost_ratio(cost_filter, cost_lost)
    t = np.linspace(0.0, oldest, GRID + 1)
    cost = cost_lost * loss_rate(t)
    survival = np.ones_like(t)
    if failure_hazard is not None:
        hazard = failure_hazard(t)
        cost = cost + cost_failed_build * hazard
        survival = np.exp(-_running(hazard, t))
    gain = cost * _running(survival, t) - _running(cost * survival, t) - cost_filter
    reached = np.flatnonzero(gain >= 0)
    if len(reached) == 0:
        return None
    i = int(reached[0])
    if i == 0:
        return 0.0
    part = -gain[i - 1] / (gain[i] - gain[i - 1])
    return float(t[i - 1] + part * (t[i] - t[i - 1]))


def _cost_ratio(cost_filter: float, cost_lost: float) -> float:
    if not (cost_filter >= 0 and cost_lost > 0):
        raise StatisticsError("costs", "Filtering costs nothing or more, and a lost part costs something.")
    return cost_filter / cost_lost


def _running(values: FloatArray, t: FloatArray) -> FloatArray:
    """Integral of ``values`` from the first ``t`` up to each (trapezoids)."""
    steps = np.diff(t) * (values[1:] + values[:-1]) / 2
    return np.concatenate(([0.0], np.cumsum(steps)))


def best_filter(
    hazard: Hazard,
    *,
    parts_per_build: float,
    builds_per_unit: float,
    cost_filter: float,
    cost_lost: float,
    seed: int = 1,
    level: float = 0.95,
) -> FilterInterval:
    """Filter interval of a fitted hazard, with the interval that its coefficients' doubt gives.

    By builds where the age counts builds, else in the age's own unit with ``builds_per_unit``. An end
    is ``None`` where it lies beyond the ages seen.

    Raises :class:`StatisticsError`: ``costs`` where a lost part costs nothing, or filtering less than
    nothing.
    """

    def solve(curve: Curve, beta: FloatArray) -> float | None:
        if hazard.age == "builds":
            ages = np.arange(0, math.floor(hazard.oldest) + 1, dtype=np.float64)
            m = parts_per_build * curve.chance(ages, beta)
            return filter_after_builds(m, cost_filter=cost_filter, cost_lost=cost_lost)
        rate = builds_per_unit * parts_per_build
        return filter_after_age(
            lambda t: rate * curve.chance(t, beta),
            oldest=hazard.oldest,
            cost_filter=cost_filter,
            cost_lost=cost_lost,
        )

    likeliest = hazard.curves[0]
    every = solve(likeliest, likeliest.fit.beta)
    drawn = [solve(curve, beta) for curve, beta in _drawn(hazard, seed)]
    solved = np.array([math.inf if found is None else found for found in drawn])
    low, high = np.quantile(solved, [(1 - level) / 2, (1 + level) / 2], method="nearest")
    interval = Interval(_end(low), _end(high), level, "drawn from the fitted hazard")
    if every is None:
        words = f"Within the {hazard.age} seen (up to {hazard.oldest:g}) filtering earlier would not pay."
    else:
        words = f"Filtering pays after {every:.0f} {hazard.age}."
    return FilterInterval(every, interval, hazard.age, FILTER, words)


def _drawn(hazard: Hazard, seed: int) -> list[tuple[Curve, FloatArray]]:
    """Curves and coefficients as their doubt allows, each shape as often as its likelihood says."""
    rng = np.random.default_rng(seed)
    shares = rng.multinomial(DRAWS, [curve.weight for curve in hazard.curves])
    return [
        (curve, beta)
        for curve, share in zip(hazard.curves, shares, strict=True)
        for beta in rng.multivariate_normal(curve.fit.beta, curve.fit.cov, share, method="eigh")
    ]


def costs_of_intervals(
    hazard: Hazard,
    *,
    parts_per_build: float,
    builds_per_unit: float,
    cost_filter: float,
    cost_lost: float,
    points: int = 40,
    seed: int = 1,
    level: float = 0.95,
) -> tuple[IntervalCost, ...]:
    """What filtering after each of ``points`` intervals costs per unit of age, filtering included.

    (cost_filter + cost_lost x parts lost since filtering) / interval: the long-run cost rate of
    periodic renewal (Barlow and Hunter 1960), over the ages seen alone.

    Raises :class:`StatisticsError`: ``costs`` where a lost part costs nothing, or filtering less than
    nothing.
    """
    _cost_ratio(cost_filter, cost_lost)
    by_build = hazard.age == "builds"
    last = math.floor(hazard.oldest) + 1 if by_build else hazard.oldest
    if last <= 0:
        return ()
    if by_build:
        chosen = np.unique(np.round(np.linspace(1, last, min(points, int(last)))).astype(np.int64))
        ages = np.arange(0, last, dtype=np.float64)
    else:
        ages = np.linspace(0.0, last, GRID + 1)
        chosen = np.unique(np.round(np.linspace(GRID / points, GRID, points)).astype(np.int64))

    def cost(curve: Curve, beta: FloatArray) -> FloatArray:
        chance = curve.chance(ages, beta)
        if by_build:
            lost, every = parts_per_build * np.cumsum(chance)[chosen - 1], chosen.astype(np.float64)
        else:
            lost = parts_per_build * builds_per_unit * _running(chance, ages)[chosen]
            every = ages[chosen]
        result: FloatArray = (cost_filter + cost_lost * lost) / every
        return result

    likeliest = hazard.curves[0]
    seen = cost(likeliest, likeliest.fit.beta)
    drawn = np.stack([cost(curve, beta) for curve, beta in _drawn(hazard, seed)])
    low, high = np.quantile(drawn, [(1 - level) / 2, (1 + level) / 2], axis=0)
    every = chosen if by_build else ages[chosen]
    return tuple(
        IntervalCost(
            float(e), float(c), Interval(min(float(a), float(c)), max(float(b), float(c)), level, FILTER.name)
        )
        for e, c, a, b in zip(every, seen, low, high, strict=True)
    )


def _end(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def judge_tanks(
    ages: dict[str, FloatArray],
    contaminated: npt.ArrayLike,
    build: npt.ArrayLike,
    tank: npt.ArrayLike,
    *,
    current: dict[str, dict[str, float]] | None = None,
    cost_filter: float | None = None,
    cost_lost: float | None = None,
    builds_per_day: float | None = None,
    alpha: float = 0.05,
    seed: int = 1,
) -> Tanks:
    """Judge contamination against every kind of age and look ahead.

    ``ages``: by kind (``days``, ``builds``, ``layers``, ``ml``) one value a part. ``contaminated``:
    parts lost to contamination. ``current``: by tank, its age of each kind at its next build. The kind
    that says most (smallest p) is reported and its p pays for the choice.

    Raises :class:`StatisticsError`: ``lengths`` where the columns differ in number; ``costs`` for costs
    out of range.
    """
    bad, labels = np.asarray(contaminated, dtype=np.float64), np.asarray(build).astype(str)
    n, lost = len(bad), int(bad.sum())
    fitted = [h for kind, age in ages.items() if (h := fit_hazard(age, bad, labels, kind=kind)) is not None]
    fitted.sort(key=lambda h: h.p)
    if not fitted:
        sentence = _too_little(ages, n, lost)
        return Tanks(Verdict.UNKNOWN, None, None, (), None, None, (), 1.0, n, lost, None, sentence)
    best = fitted[0]
    p = min(1.0, best.p * len(fitted))
    shown = p <= alpha and (best.interval.low or 0.0) > 1.0
    known = np.isfinite(ages[best.age])
    bins = rate_by_age(ages[best.age], bad > 0, cluster=labels)
    every: FilterInterval | None = None
    costs: tuple[IntervalCost, ...] = ()
    if shown and cost_filter is not None and cost_lost:
        parts = float(known.sum()) / best.builds
        per_unit = builds_per_day if best.age == "days" else None
        per_unit = per_unit or _builds_per_unit(best, ages, labels, tank)
        every = best_filter(
            best,
            parts_per_build=parts,
            builds_per_unit=per_unit,
            cost_filter=cost_filter,
            cost_lost=cost_lost,
            seed=seed,
        )
        costs = costs_of_intervals(
            best,
            parts_per_build=parts,
            builds_per_unit=per_unit,
            cost_filter=cost_filter,
            cost_lost=cost_lost,
            seed=seed,
        )
    needed = None if shown else _needed(best, len(fitted))
    verdict = Verdict.SHOWN if shown else Verdict.UNKNOWN
    ratio, low, high = best.ratio_per_step()
    odds = f"{ratio:.2f} times ({low:.2f} to {high:.2f}) the odds of loss"
    figures = f"{odds} {span_words(best)} since filtering"
    sentence = f"{figures}." if shown else f"Cannot tell yet whether tanks go bad with age: {figures}."
    return Tanks(
        verdict,
        best.age,
        best,
        tuple(fitted),
        bins,
        every,
        _next(best, current or {}),
        p,
        n,
        lost,
        needed,
        sentence,
        costs,
    )


def _builds_per_unit(
    best: Hazard, ages: dict[str, FloatArray], labels: npt.NDArray[np.str_], tank: npt.ArrayLike
) -> float:
    """Builds per unit of age, from how much age passes between a tank's builds."""
    names = np.asarray(tank, dtype=object).astype(str)
    age = ages[best.age]
    _, first = np.unique(labels, return_index=True)
    gaps = []
    for name in np.unique(names[first]):
        series = age[np.sort(first[names[first] == name])]
        steps = np.diff(series[np.isfinite(series)])
        gaps.extend(steps[steps > 0].tolist())
    return 1.0 / float(np.mean(gaps)) if gaps else 0.0


def _next(best: Hazard, current: dict[str, dict[str, float]]) -> tuple[TankRisk, ...]:
    risks = []
    for tank, known in sorted(current.items()):
        age = known.get(best.age)
        if age is None or not math.isfinite(age):
            continue
        low, high = best.band(age)
        interval = Interval(float(low), float(high), 0.95, HAZARD.name)
        risks.append(TankRisk(tank, age, float(best.chance(age)), interval, age > best.oldest))
    return tuple(sorted(risks, key=lambda r: (-r.risk, r.tank)))


def _needed(best: Hazard, kinds: int) -> int | None:
    """More parts until an effect as large as seen, or 1.5 times the odds over one spread of ages, shows."""
    effect = max(float(best.straight.beta[1]), math.log(1.5))
    quantile = float(special.ndtri(1 - 0.025 / max(1, kinds))) + 0.8416
    needed = best.n * ((quantile * math.sqrt(best.straight.cov[1, 1]) / effect) ** 2 - 1)
    return max(1, math.ceil(needed))


def _too_little(ages: dict[str, FloatArray], n: int, lost: int) -> str:
    if n == 0:
        return "No parts yet."
    if not any(np.isfinite(age).any() for age in ages.values()):
        return "No part has its tank's age since filtering recorded."
    if lost < FEWEST_LOST:
        some = f"{of_words(lost, n, 'parts')} lost to contamination"
        return f"{some}: at least {FEWEST_LOST} are needed to say anything."
    return "The tanks' ages or their losses vary too little to say anything."
