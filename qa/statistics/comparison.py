"""Is A as good as B? Planned before, judged after: run list, bias, spread, equivalence, rates.

The margin is stated beforehand. Where parts share builds, the build is the unit that was randomised
and its random effect sets the doubt.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from qa.statistics.proportions import (
    NEWCOMBE,
    Proportion,
    effective_size,
    newcombe,
    normal_quantile,
    wilson,
)
from qa.statistics.results import Interval, Method, StatisticsError, Verdict

FloatArray = npt.NDArray[np.float64]

WELCH = Method("Welch's t test", "Welch 1947, Biometrika 34:28-35")
BROWN_FORSYTHE = Method("Brown-Forsythe test of spread", "Brown and Forsythe 1974, JASA 69:364-367")
TOST = Method("Two one-sided tests", "Schuirmann 1987, J Pharmacokinet Biopharm 15:657-680")
NON_INFERIOR = Method("Non-inferiority of rates", "Newcombe 1998 interval against the margin; ICH E9")
BY_BUILD = Method("Mixed model, build as random effect", "Laird and Ware 1982; Satterthwaite by build means")


@dataclass(frozen=True, slots=True)
class Run:
    """One planned run: its place in the order, its block, and the arm it gets."""

    order: int
    block: int
    arm: str


@dataclass(frozen=True, slots=True)
class MeanDifference:
    """Mean of A less mean of B, with the spread compared apart."""

    n_a: int
    n_b: int
    difference: float
    interval: Interval
    t: float
    df: float
    p: float
    sd_a: float
    sd_b: float
    spread_p: float
    method: Method
    verdict: Verdict
    sentence: str


@dataclass(frozen=True, slots=True)
class Equivalence:
    """Two one-sided tests against a margin; the interval is the one at 1 - 2 alpha."""

    n: int
    difference: float
    error: float
    df: float
    t: float
    p_difference: float
    t_lower: float
    p_lower: float
    t_upper: float
    p_upper: float
    interval: Interval
    margin: float
    needed: int | None
    method: Method
    verdict: Verdict
    sentence: str


@dataclass(frozen=True, slots=True)
class RateComparison:
    """A's loss rate less B's against the margin that A may be worse by."""

    a: Proportion
    b: Proportion
    difference: float
    interval: Interval
    margin: float
    needed_per_side: int | None
    method: Method
    verdict: Verdict
    sentence: str


@dataclass(frozen=True, slots=True)
class BuildComparison:
    """Mean difference with the build as random effect; ``between_share`` is the builds' part of variance."""

    n: int
    builds: int
    difference: float
    interval: Interval
    df: float
    p: float
    between_share: float
    method: Method
    verdict: Verdict


def run_list(arms: Sequence[str], *, blocks: int, per_block: int = 1, seed: int) -> tuple[Run, ...]:
    """Randomised blocked order: every block holds every arm ``per_block`` times, shuffled apart.

    Raises :class:`StatisticsError`: ``arms`` below two arms, for two of one name, or without a block.
    """
    if len(set(arms)) < 2 or len(set(arms)) != len(arms):
        raise StatisticsError("arms", "A comparison needs at least two arms, each named once.")
    if blocks < 1 or per_block < 1:
        raise StatisticsError("arms", "Plan at least one block with each arm in it.")
    rng = np.random.default_rng(seed)
    runs: list[Run] = []
    for block in range(1, blocks + 1):
        for arm in rng.permutation(np.repeat(np.array(arms, dtype=object), per_block)):
            runs.append(Run(len(runs) + 1, block, str(arm)))
    return tuple(runs)


def welch_degrees(variances: Sequence[float], counts: Sequence[int]) -> float:
    """Degrees of freedom of a difference of means: their ``variances`` (of the means, not both 0), n each."""
    parts = sum(v**2 / (n - 1) for v, n in zip(variances, counts, strict=True))
    return float(sum(variances) ** 2 / parts)


def compare_means(a: npt.ArrayLike, b: npt.ArrayLike, *, level: float = 0.95) -> MeanDifference:
    """Bias by Welch's test and spread by Brown and Forsythe's, told apart.

    Raises :class:`StatisticsError`: ``too_few`` below two values a side.
    """
    x, y = _sample(a), _sample(b)
    va, vb = x.var(ddof=1) / len(x), y.var(ddof=1) / len(y)
    error = math.sqrt(va + vb)
    difference = float(x.mean() - y.mean())
    if error == 0:
        df, t, p = float(len(x) + len(y) - 2), 0.0, 1.0 if difference == 0 else 0.0
    else:
        df = welch_degrees((va, vb), (len(x), len(y)))
        t = difference / error
        p = 2 * float(special.stdtr(df, -abs(t)))
    half = float(special.stdtrit(df, 0.5 + level / 2)) * error
    _, spread_p = brown_forsythe([x, y])
    differs = p < 1 - level
    words = f"A is {difference:+.3g} from B ({difference - half:.3g} to {difference + half:.3g})."
    words += f" Spread {x.std(ddof=1):.3g} against {y.std(ddof=1):.3g}"
    words += ", which differs." if spread_p < 1 - level else ", no difference shown."
    return MeanDifference(
        len(x),
        len(y),
        difference,
        Interval(difference - half, difference + half, level, WELCH.name),
        t,
        df,
        p,
        float(x.std(ddof=1)),
        float(y.std(ddof=1)),
        spread_p,
        WELCH,
        Verdict.DIFFERENT if differs else Verdict.UNKNOWN,
        words,
    )


def brown_forsythe(groups: Sequence[FloatArray]) -> tuple[float, float]:
    """F and p of equal spread: analysis of variance of the distances from each group's median."""
    z = [np.abs(g - np.median(g)) for g in groups]
    n, k = sum(map(len, z)), len(z)
    grand = float(np.concatenate(z).mean())
    between = sum(len(g) * (float(g.mean()) - grand) ** 2 for g in z) / (k - 1)
    within = sum(float(np.square(g - g.mean()).sum()) for g in z) / (n - k)
    if within == 0:
        return 0.0, 1.0
    return between / within, float(special.fdtrc(k - 1, n - k, between / within))


def equivalence(
    a: npt.ArrayLike,
    b: npt.ArrayLike | None = None,
    *,
    margin: float,
    paired: bool = False,
    alpha: float = 0.05,
) -> Equivalence:
    """Is A within ``margin`` (> 0, stated beforehand) of B? Two one-sided tests, each at ``alpha``.

    ``paired``: a and b measure the same items in the same order. With ``b`` left out, ``a`` holds
    differences.

    Raises :class:`StatisticsError`: ``margin`` where it is not above 0; ``too_few`` below two values a
    side.
    """
    if margin <= 0:
        raise StatisticsError("margin", "State a margin above 0 beforehand.")
    if paired or b is None:
        d = _sample(a) if b is None else _paired(a, b)
        difference, n = float(d.mean()), len(d)
        error, df = float(d.std(ddof=1)) / math.sqrt(n), float(n - 1)
    else:
        welch = compare_means(a, b)
        difference, df, n = welch.difference, welch.df, welch.n_a + welch.n_b
        error = math.hypot(welch.sd_a / math.sqrt(welch.n_a), welch.sd_b / math.sqrt(welch.n_b))
    error = max(error, 1e-15)
    t_lower, t_upper = (difference + margin) / error, (difference - margin) / error
    p_lower, p_upper = float(special.stdtr(df, -t_lower)), float(special.stdtr(df, t_upper))
    t = difference / error
    half = float(special.stdtrit(df, 1 - alpha)) * error
    interval = Interval(difference - half, difference + half, 1 - 2 * alpha, TOST.name)
    same = max(p_lower, p_upper) < alpha
    outside = difference - half > margin or difference + half < -margin
    verdict = Verdict.EQUIVALENT if same else Verdict.DIFFERENT if outside else Verdict.UNKNOWN
    needed = (
        None if verdict is not Verdict.UNKNOWN else _needed_equivalence(difference, error, n, margin, alpha)
    )
    words = f"{difference:+.3g} ({difference - half:.3g} to {difference + half:.3g})"
    words += f" against a margin of {margin:g}: "
    words += {Verdict.EQUIVALENT: "as good.", Verdict.DIFFERENT: "not as good."}.get(
        verdict, "cannot tell yet."
    )
    return Equivalence(
        n,
        difference,
        error,
        df,
        t,
        2 * float(special.stdtr(df, -abs(t))),
        t_lower,
        p_lower,
        t_upper,
        p_upper,
        interval,
        margin,
        needed,
        TOST,
        verdict,
        words,
    )


def _needed_equivalence(difference: float, error: float, n: int, margin: float, alpha: float) -> int | None:
    room = margin - abs(difference)
    if room <= 0:
        return None
    quantile = float(special.ndtri(1 - alpha)) + 0.8416
    return max(1, math.ceil(n * (quantile * error / room) ** 2) - n)


def non_inferior(
    lost_a: npt.ArrayLike,
    build_a: npt.ArrayLike,
    lost_b: npt.ArrayLike,
    build_b: npt.ArrayLike,
    *,
    margin: float,
    level: float = 0.95,
) -> RateComparison:
    """Is A's loss rate no worse than B's by more than ``margin`` (a share, stated beforehand)?

    ``lost_*`` booleans and ``build_*`` names of the parts of each arm.

    Raises :class:`StatisticsError`: ``margin`` outside 0 to 1; ``no_parts`` where an arm is empty.
    """
    if not 0 < margin < 1:
        raise StatisticsError("margin", "State a margin between 0 and 1 beforehand, such as 0.03.")
    a, b = np.asarray(lost_a, dtype=np.float64), np.asarray(lost_b, dtype=np.float64)
    sizes = [_effective(bad, builds) for bad, builds in ((a, build_a), (b, build_b))]
    result = newcombe(
        float(a.sum()),
        len(a),
        float(b.sum()),
        len(b),
        level=level,
        n_effective_a=sizes[0],
        n_effective_b=sizes[1],
    )
    low, high = result.interval.low or 0.0, result.interval.high or 0.0
    verdict = Verdict.NOT_WORSE if high < margin else Verdict.WORSE if low > 0 else Verdict.UNKNOWN
    needed = None
    if verdict is Verdict.UNKNOWN and result.difference < margin:
        rate = max((a.sum() + b.sum() + 1) / (len(a) + len(b) + 2), 0.005)
        effect = (len(a) + len(b)) / max(sum(sizes), 1.0)
        total = sample_for_margin(rate, margin - max(result.difference, 0.0), design_effect=effect)
        needed = max(1, total - min(len(a), len(b)))
    than = "more" if result.difference >= 0 else "fewer"
    words = f"A loses {abs(100 * result.difference):.1f} {than} parts per 100 than B"
    words += f" (difference {100 * low:.1f} to {100 * high:.1f}); "
    words += f"up to {100 * margin:.1f} worse was allowed: "
    words += {Verdict.NOT_WORSE: "no worse.", Verdict.WORSE: "worse."}.get(verdict, "cannot tell yet.")
    shares = [
        wilson(float(bad.sum()), float(len(bad)), level=level, n_effective=size)
        for bad, size in zip((a, b), sizes, strict=True)
    ]
    return RateComparison(
        shares[0],
        shares[1],
        result.difference,
        result.interval,
        margin,
        needed,
        Method(NON_INFERIOR.name, f"{NON_INFERIOR.source}; {NEWCOMBE.source}"),
        verdict,
        words,
    )


def _effective(bad: FloatArray, builds: npt.ArrayLike) -> float:
    if len(bad) == 0:
        raise StatisticsError("no_parts", "Both arms need parts.")
    codes = np.unique(np.asarray(builds).astype(str), return_inverse=True)[1]
    return effective_size(np.bincount(codes, bad), np.bincount(codes)).n_effective


def sample_for_margin(
    rate: float, margin: float, *, power: float = 0.8, level: float = 0.95, design_effect: float = 1.0
) -> int:
    """Parts per arm to show no worse than ``margin`` where both lose ``rate``.

    Raises :class:`StatisticsError`: ``level`` for a confidence outside 0.5 to 1.
    """
    quantiles = normal_quantile(level) + float(special.ndtri(power))
    return math.ceil(design_effect * 2 * rate * (1 - rate) * (quantiles / margin) ** 2)


def sample_for_equivalence(sd: float, margin: float, *, power: float = 0.8, alpha: float = 0.05) -> int:
    """Values per arm to show equivalence within ``margin`` where there is no difference.

    Raises :class:`StatisticsError`: ``margin`` where it or the spread is not above 0.
    """
    if sd <= 0 or margin <= 0:
        raise StatisticsError("margin", "The spread and the margin are above 0.")
    quantiles = float(special.ndtri(1 - alpha)) + float(special.ndtri(0.5 + power / 2))
    return math.ceil(2 * (sd * quantiles / margin) ** 2) + 1


def sample_for_means(sd: float, difference: float, *, power: float = 0.8, level: float = 0.95) -> int:
    """Values per arm to show a ``difference`` of means of spread ``sd``.

    Raises :class:`StatisticsError`: ``margin`` without a spread or a difference.
    """
    if sd <= 0 or difference == 0:
        raise StatisticsError("margin", "The spread is above 0 and the difference is not 0.")
    quantiles = normal_quantile(level) + float(special.ndtri(power))
    return math.ceil(2 * (sd * quantiles / difference) ** 2) + 1


def compare_by_build(
    values: npt.ArrayLike, is_a: npt.ArrayLike, build: npt.ArrayLike, *, level: float = 0.95
) -> BuildComparison:
    """Mean difference A less B where each build belongs to one arm and is a random effect.

    Weights builds by the variance of their means (between builds plus within over size).

    Raises :class:`StatisticsError`: ``mixed_builds`` where a build has parts of both arms; ``too_few``
    below two builds an arm.
    """
    x, arm = np.asarray(values, dtype=np.float64), np.asarray(is_a, dtype=bool)
    codes = np.unique(np.asarray(build).astype(str), return_inverse=True)[1]
    size = np.bincount(codes).astype(np.float64)
    share = np.bincount(codes, arm) / size
    if not np.isin(share, (0.0, 1.0)).all():
        raise StatisticsError("mixed_builds", "Every build must belong to one arm.")
    sides = share > 0.5
    if min(sides.sum(), (~sides).sum()) < 2:
        raise StatisticsError(
            "too_few", "Each arm needs at least two builds: parts of one build share its luck."
        )
    mean = np.bincount(codes, x) / size
    within_ss = float(np.square(x - mean[codes]).sum())
    within_df = len(x) - len(size)
    within = within_ss / within_df if within_df > 0 else 0.0
    between = _between(mean, size, sides, within)
    variance = between + within / size
    variance = np.where(variance > 0, variance, 1e-15)
    estimates = [_weighted(mean[side], variance[side]) for side in (sides, ~sides)]
    difference = estimates[0][0] - estimates[1][0]
    error = math.sqrt(estimates[0][1] + estimates[1][1])
    df = _build_df([int(sides.sum()), int((~sides).sum())], [estimates[0][1], estimates[1][1]])
    half = float(special.stdtrit(df, 0.5 + level / 2)) * error
    p = 2 * float(special.stdtr(df, -abs(difference / error)))
    total = between + within
    return BuildComparison(
        len(x),
        len(size),
        difference,
        Interval(difference - half, difference + half, level, BY_BUILD.name),
        df,
        p,
        between / total if total > 0 else 0.0,
        BY_BUILD,
        Verdict.DIFFERENT if p < 1 - level else Verdict.UNKNOWN,
    )


def _between(mean: FloatArray, size: FloatArray, sides: npt.NDArray[np.bool_], within: float) -> float:
    """Variance between builds of one arm (method of moments), not below 0."""
    top, bottom = 0.0, 0.0
    for side in (sides, ~sides):
        m, s = mean[side], size[side]
        centre = float((s * m).sum() / s.sum())
        top += float((s * np.square(m - centre)).sum()) - (len(m) - 1) * within
        bottom += float(s.sum() - np.square(s).sum() / s.sum())
    return max(0.0, top / bottom)


def _weighted(mean: FloatArray, variance: FloatArray) -> tuple[float, float]:
    weight = 1 / variance
    return float((weight * mean).sum() / weight.sum()), float(1 / weight.sum())


def _build_df(builds: list[int], variances: list[float]) -> float:
    total = sum(variances)
    return max(1.0, total**2 / sum(v**2 / (n - 1) for v, n in zip(variances, builds, strict=True)))


def _sample(values: npt.ArrayLike) -> FloatArray:
    x = np.asarray(values, dtype=np.float64)
    x = x[np.isfinite(x)]
    if len(x) < 2:
        raise StatisticsError("too_few", "Each side needs at least two values.")
    return x


def _paired(a: npt.ArrayLike, b: npt.ArrayLike) -> FloatArray:
    x, y = np.asarray(a, dtype=np.float64), np.asarray(b, dtype=np.float64)
    if x.shape != y.shape:
        raise StatisticsError("pairs", "Paired values must be of the same items, in the same order.")
    return _sample(x - y)
