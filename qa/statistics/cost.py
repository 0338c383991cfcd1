"""What a good part costs, and how many to print to deliver n."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from qa.statistics.comparison import welch_degrees
from qa.statistics.proportions import effective_size
from qa.statistics.results import Interval, Method, StatisticsError, Verdict

FloatArray = npt.NDArray[np.float64]

PER_GOOD_PART = Method("Cost of all attempts over good parts, builds resampled", "Efron and Tibshirani 1993")
HOW_MANY = Method(
    "Negative binomial with the loss rate's own doubt",
    "Beta-negative-binomial; Jeffreys prior, Jeffreys 1946",
)
COST_DIFFERENCE = Method(
    "Difference of costs per good part, builds as clusters",
    "Ratio estimator: Cochran 1977, Sampling Techniques, chapter 6; Welch 1947, Biometrika 34:28-35",
)
FEWEST_BUILDS = 3  # of each way, below which nothing is said of a difference
LARGEST_RUN = 100_000
CHUNK = 200


@dataclass(frozen=True, slots=True)
class CostPerGood:
    """Money per good part over all attempts, and per attempt; ``None`` where there is no good part or no
    cost."""

    cost: float | None
    interval: Interval
    per_attempt: float | None
    attempt_interval: Interval
    n: int
    good: int
    without_cost: int
    builds: int
    method: Method
    verdict: Verdict
    sentence: str


@dataclass(frozen=True, slots=True)
class HowMany:
    """Print ``to_print`` for ``good`` good ones with ``confidence``; ``expected`` is the mean needed."""

    good: int
    to_print: int | None
    expected: float | None
    confidence: float
    n: int
    lost: int
    n_effective: float
    method: Method
    sentence: str


def cost_per_good_part(
    cost: npt.ArrayLike,
    good: npt.ArrayLike,
    build: npt.ArrayLike,
    *,
    resamples: int = 1000,
    seed: int = 1,
    level: float = 0.95,
) -> CostPerGood:
    """Sum of the cost of every attempt over the good parts; the interval resamples builds.

    ``cost`` per part (not-a-number where not known: the part is left out and counted), ``good``
    booleans, ``build`` names.

    Raises :class:`StatisticsError`: ``lengths`` where costs, outcomes and builds differ in number.
    """
    money, fine, codes = _with_known_cost(cost, good, build)
    without = np.size(cost) - len(money)
    builds = int(codes.max()) + 1 if len(codes) else 0
    nothing = Interval(None, None, level, PER_GOOD_PART.name)
    sums = [np.bincount(codes, values).astype(np.float64) for values in (money, fine, np.ones(len(money)))]
    each = (
        float(money.mean()) if len(money) else None,
        _resampled(sums[0], sums[2], resamples, seed, level),
    )
    if fine.sum() == 0:
        words = (
            "What an attempt costs is not known."
            if len(money) == 0
            else "There is no good part to carry the cost."
        )
        return CostPerGood(
            None, nothing, *each, len(money), 0, without, builds, PER_GOOD_PART, Verdict.UNKNOWN, words
        )
    estimate = float(money.sum() / fine.sum())
    interval = _resampled(sums[0], sums[1], resamples, seed, level)
    shown = interval.low is not None and builds > 1
    low, high = interval.low, interval.high
    ends = f" ({low:.2f} to {high:.2f})" if low is not None and high is not None else ""
    words = f"{estimate:.2f} per good part{ends}, over {len(money)} attempts in {builds} builds."
    if builds < 2:
        words += " One build cannot tell how much it varies."
    verdict = Verdict.SHOWN if shown else Verdict.UNKNOWN
    return CostPerGood(
        estimate, interval, *each, len(money), int(fine.sum()), without, builds, PER_GOOD_PART, verdict, words
    )


def _with_known_cost(
    cost: npt.ArrayLike, good: npt.ArrayLike, build: npt.ArrayLike
) -> tuple[FloatArray, FloatArray, npt.NDArray[np.int64]]:
    """Cost, good (1 or 0) and number of the build of each part whose cost is known."""
    money, fine = np.asarray(cost, dtype=np.float64), np.asarray(good, dtype=np.float64)
    labels = np.asarray(build)
    if not (money.shape == fine.shape == labels.shape):
        raise StatisticsError("lengths", "Each part needs one cost, one outcome and one build.")
    known = np.isfinite(money)
    money, fine, labels = money[known], fine[known], labels[known]
    codes = (
        np.unique(labels.astype(str), return_inverse=True)[1] if len(labels) else np.zeros(0, dtype=np.int64)
    )
    return money, fine, codes


def _resampled(money: FloatArray, fine: FloatArray, resamples: int, seed: int, level: float) -> Interval:
    builds = len(money)
    if builds < 2:
        return Interval(None, None, level, PER_GOOD_PART.name)
    rng = np.random.default_rng(seed)
    ratios = []
    for start in range(0, resamples, CHUNK):
        count = min(CHUNK, resamples - start)
        drawn = rng.multinomial(builds, np.full(builds, 1 / builds), size=count)
        total, kept = drawn @ money, drawn @ fine
        ratios.append(np.where(kept > 0, total / np.where(kept > 0, kept, 1.0), math.inf))
    low, high = np.quantile(np.concatenate(ratios), [(1 - level) / 2, (1 + level) / 2], method="nearest")
    ends = [float(end) if math.isfinite(end) else None for end in (low, high)]
    return Interval(ends[0], ends[1], level, PER_GOOD_PART.name)


def attempts_per_good(first_pass_yield: float) -> float:
    """Expected attempts per good part at a yield: its reciprocal, however often a loss is repeated.

    Raises :class:`StatisticsError`: ``yield`` outside 0 (left out) to 1.
    """
    if not 0 < first_pass_yield <= 1:
        raise StatisticsError("yield", "A yield lies above 0 and at most at 1.")
    return 1.0 / first_pass_yield


def how_many_to_print(
    good: int,
    lost: npt.ArrayLike,
    build: npt.ArrayLike,
    *,
    confidence: float = 0.95,
) -> HowMany:
    """Parts to print so that at least ``good`` are good with ``confidence``.

    ``lost`` booleans and ``build`` names of past parts: the rate's doubt rests on the effective n.
    ``to_print`` is ``None`` where the record shows no good part or the number is absurd.

    Raises :class:`StatisticsError`: ``request`` for fewer than one good part, or a confidence outside 0
    to 1.
    """
    bad = np.asarray(lost, dtype=np.float64)
    codes = (
        np.unique(np.asarray(build).astype(str), return_inverse=True)[1]
        if len(bad)
        else np.zeros(0, dtype=np.int64)
    )
    size = effective_size(np.bincount(codes, bad), np.bincount(codes)) if len(bad) else None
    n_effective = size.n_effective if size is not None else 0.0
    return how_many_at(good, n=len(bad), lost=int(bad.sum()), n_effective=n_effective, confidence=confidence)


def how_many_at(good: int, *, n: int, lost: int, n_effective: float, confidence: float = 0.95) -> HowMany:
    """The same from ``lost`` of ``n`` past parts that count for ``n_effective`` independent ones.

    Raises :class:`StatisticsError`: ``request`` for fewer than one good part, or a confidence outside 0
    to 1.
    """
    if good < 1 or not 0 < confidence < 1:
        raise StatisticsError("request", "Ask for at least one good part, with a confidence between 0 and 1.")
    rate = lost / n if n else 0.5
    a = 0.5 + n_effective * (1 - rate)  # good
    b = 0.5 + n_effective * rate  # lost
    found = None if n and lost == n else _smallest(good, a, b, confidence)
    expected = good * (a + b - 1) / (a - 1) if a > 1 else None
    if found is None:
        words = "The record gives no number that would do: it shows too few good parts."
    else:
        words = f"Print {found} to have {good} good ones in {100 * confidence:.0f} of 100 cases."
    return HowMany(good, found, expected, confidence, n, lost, n_effective, HOW_MANY, words)


def _smallest(good: int, a: float, b: float, confidence: float) -> int | None:
    """Smallest N for which ``good`` of N are good with ``confidence``; losses before the last good one
    follow a beta-negative-binomial."""
    k = np.arange(0, min(LARGEST_RUN, 200 * good + 2000), dtype=np.float64)
    log_p = (
        special.gammaln(good + k) - special.gammaln(good) - special.gammaln(k + 1)
        + special.betaln(a + good, b + k) - special.betaln(a, b)
    )  # fmt: skip
    reached = np.flatnonzero(np.cumsum(np.exp(log_p)) >= confidence)
    return good + int(reached[0]) if len(reached) else None


@dataclass(frozen=True, slots=True)
class CostDifference:
    """Two ways' cost per good part, ``difference`` (first less second) and what may be said of it."""

    a: CostPerGood
    b: CostPerGood
    difference: float | None
    interval: Interval
    n: int
    method: Method
    verdict: Verdict
    sentence: str


def compare_cost(
    a: tuple[npt.ArrayLike, npt.ArrayLike, npt.ArrayLike],
    b: tuple[npt.ArrayLike, npt.ArrayLike, npt.ArrayLike],
    *,
    level: float = 0.95,
) -> CostDifference:
    """Does a good part cost more one way than the other? Each way: cost, good and build of its parts.

    The cost per good part is a ratio of sums over builds; its error comes from how far each build's cost
    lies from that ratio times its good parts, and the two errors meet as in Welch's test. A planned
    comparison has few builds, for which resampling would promise too much.

    Raises :class:`StatisticsError`: ``lengths`` where costs, outcomes and builds of a side differ in
    number.
    """
    sides = [cost_per_good_part(*side, level=level) for side in (a, b)]
    n = sum(side.n for side in sides)
    nothing = Interval(None, None, level, COST_DIFFERENCE.name)
    spreads = [_ratio_spread(*side) for side in (a, b)]
    few = min(side.builds for side in sides)
    first, second = sides[0].cost, sides[1].cost
    if first is None or second is None:
        words = "Cannot tell yet what a good part costs either way: " + next(
            side.sentence for side in sides if side.cost is None
        )
        return CostDifference(sides[0], sides[1], None, nothing, n, COST_DIFFERENCE, Verdict.UNKNOWN, words)
    gap = first - second
    if few < FEWEST_BUILDS:
        words = (
            f"Cannot tell yet whether the cost differs: {FEWEST_BUILDS} builds of each way with known costs "
            f"are needed, {FEWEST_BUILDS - few} more."
        )
        return CostDifference(sides[0], sides[1], gap, nothing, n, COST_DIFFERENCE, Verdict.UNKNOWN, words)
    half = _welch_half(spreads, [side.builds for side in sides], level)
    interval = Interval(gap - half, gap + half, level, COST_DIFFERENCE.name)
    figures = f"{abs(gap):.2f} per good part (difference {gap - half:.2f} to {gap + half:.2f})"
    if abs(gap) > half:
        words = f"A costs {'more' if gap > 0 else 'less'} than B by {figures}."
    else:
        words = f"Cannot tell yet whether the cost differs: {figures}."
    verdict = Verdict.DIFFERENT if abs(gap) > half else Verdict.UNKNOWN
    return CostDifference(sides[0], sides[1], gap, interval, n, COST_DIFFERENCE, verdict, words)


def _ratio_spread(cost: npt.ArrayLike, good: npt.ArrayLike, build: npt.ArrayLike) -> float:
    """Variance of the cost per good part: the linearised ratio's residuals over builds; 0 with one build."""
    money, fine, codes = _with_known_cost(cost, good, build)
    builds = int(codes.max()) + 1 if len(codes) else 0
    if builds < 2 or fine.sum() == 0:
        return 0.0
    sums, kept = np.bincount(codes, money), np.bincount(codes, fine)
    residual = (sums - sums.sum() / kept.sum() * kept) / kept.mean()
    return float(np.square(residual).sum()) / (builds * (builds - 1))


def _welch_half(variances: list[float], builds: list[int], level: float) -> float:
    total = sum(variances)
    if total == 0:
        return 0.0
    return float(special.stdtrit(welch_degrees(variances, builds), (1 + level) / 2)) * math.sqrt(total)
