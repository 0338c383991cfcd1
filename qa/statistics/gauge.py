"""Can we measure it? Crossed gauge studies by analysis of variance and by average range; nested ones.

Shares are of the study's variation in standard deviations. Common practice: a gauge below 10 % is
good, up to 30 % conditional, above poor, and it should tell at least five categories apart.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from qa.statistics.results import Interval, Method, StatisticsError, Verdict

FloatArray = npt.NDArray[np.float64]

CROSSED = Method(
    "Crossed gauge study by analysis of variance", "AIAG, Measurement Systems Analysis; ISO 22514-7"
)
AVERAGE_RANGE = Method("Crossed gauge study by average and range", "AIAG, Measurement Systems Analysis")
ONE_WAY = Method("One-way analysis of variance, repeatability and reproducibility", "ISO 5725-2")
NESTED = Method("Nested gauge study: days within runs", "NIST/SEMATECH e-Handbook 2.4.4")
POOL_P = 0.25  # an interaction less certain than this is pooled with repeatability, common practice
GOOD_SHARE, POOR_SHARE, FEWEST_CATEGORIES = 0.10, 0.30, 5
# Reciprocals of the expected range factors for 2 or 3 trials, 2 or 3 appraisers, 2 to 10 parts.
K1 = {2: 0.8862, 3: 0.5908}
K2 = {2: 0.7071, 3: 0.5231}
K3 = {2: 0.7071, 3: 0.5231, 4: 0.4467, 5: 0.4030, 6: 0.3742, 7: 0.3534, 8: 0.3375, 9: 0.3249, 10: 0.3146}


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """Spreads in the unit measured: ``repeatability``, ``reproducibility``, both as ``gauge``, ``part``."""

    n: int
    parts: int
    appraisers: int
    trials: int
    repeatability: float
    reproducibility: float
    gauge: float
    part: float
    total: float
    share: float
    share_interval: Interval
    contribution: float
    categories: int
    interaction_p: float | None
    pooled: bool
    sums_of_squares: tuple[float, float, float, float]
    method: Method
    verdict: Verdict
    sentence: str


@dataclass(frozen=True, slots=True)
class OneWay:
    """Between and within groups; ISO 5725-2's repeatability and reproducibility."""

    between: float
    within: float
    f: float
    p: float
    r_squared: float
    repeatability: float
    between_variance: float
    reproducibility: float
    repeatability_limit: float
    n: int
    groups: int
    method: Method


@dataclass(frozen=True, slots=True)
class NestedStudy:
    """Standard deviations with their degrees of freedom: within days, of days, of runs."""

    within_day: float
    within_df: int
    day: float
    day_df: int
    run: float
    run_df: int
    n: int
    method: Method


def crossed_study(values: npt.ArrayLike, *, level: float = 0.95) -> GaugeStudy:
    """Analysis of variance of ``values``, shape (parts, appraisers, trials), every cell filled.

    The interaction is pooled with repeatability where its p exceeds 0.25. The interval of the share is
    Satterthwaite's.
    """
    x = _cube(values)
    parts, people, trials = x.shape
    grand = float(x.mean())
    part_means, person_means, cells = x.mean(axis=(1, 2)), x.mean(axis=(0, 2)), x.mean(axis=2)
    ss_part = people * trials * float(np.square(part_means - grand).sum())
    ss_person = parts * trials * float(np.square(person_means - grand).sum())
    inner = cells - part_means[:, None] - person_means[None, :] + grand
    ss_both = trials * float(np.square(inner).sum())
    ss_error = float(np.square(x - cells[:, :, None]).sum())
    df_part, df_person, df_both = parts - 1, people - 1, (parts - 1) * (people - 1)
    df_error = parts * people * (trials - 1)
    error = ss_error / df_error
    both = ss_both / df_both if df_both else 0.0
    p = float(special.fdtrc(df_both, df_error, both / error)) if df_both and error > 0 else None
    pooled = p is None or p > POOL_P
    base, interaction = error, 0.0
    if pooled:
        base = (ss_error + ss_both) / (df_error + df_both)
    else:
        interaction = max(0.0, (both - error) / trials)
    against = base if pooled else both
    person = max(0.0, (ss_person / df_person - against) / (parts * trials)) if df_person else 0.0
    part = max(0.0, (ss_part / df_part - against) / (people * trials))
    squares = (ss_person, ss_part, ss_both, ss_error)
    degrees = _satterthwaite(base, df_error + (df_both if pooled else 0), person + interaction, df_person)
    return _study(x, base, person + interaction, part, degrees, level, CROSSED, p, squares, pooled=pooled)


def average_range_study(values: npt.ArrayLike, *, level: float = 0.95) -> GaugeStudy:
    """The average-and-range method on the same cube; tables hold 2 or 3 trials and appraisers."""
    x = _cube(values)
    parts, people, trials = x.shape
    if trials not in K1 or people not in K2 or parts not in K3:
        raise StatisticsError(
            "design",
            "The average-range method is tabled for 2 or 3 trials, 2 or 3 appraisers and 2 to 10 parts.",
        )
    repeatability = float(np.ptp(x, axis=2).mean()) * K1[trials]
    apart = float(np.ptp(x.mean(axis=(0, 2)))) * K2[people]
    person = max(0.0, apart**2 - repeatability**2 / (parts * trials))
    part = (float(np.ptp(x.mean(axis=(1, 2)))) * K3[parts]) ** 2
    nothing = (0.0, 0.0, 0.0, 0.0)
    degrees = _satterthwaite(repeatability**2, parts * people * (trials - 1), person, people - 1)
    return _study(
        x, repeatability**2, person, part, degrees, level, AVERAGE_RANGE, None, nothing, pooled=True
    )


def one_way(groups: list[npt.ArrayLike]) -> OneWay:
    """Between and within groups of repeated values (instruments, inspectors, laboratories).

    Values are centred first, so that large offsets cost no digits.

    Raises :class:`StatisticsError`: ``design`` below two groups, or without more values than groups.
    """
    arrays = [np.asarray(group, dtype=np.float64) for group in groups]
    if len(arrays) < 2 or any(len(a) == 0 for a in arrays) or sum(map(len, arrays)) <= len(arrays):
        raise StatisticsError("design", "At least two groups, and more values than groups, are needed.")
    centre = float(np.concatenate(arrays).mean())
    arrays = [a - centre for a in arrays]
    sizes = np.array([len(a) for a in arrays], dtype=np.float64)
    means = np.array([a.mean() for a in arrays])
    n, k = float(sizes.sum()), len(arrays)
    grand = float(np.concatenate(arrays).mean())
    between = float((sizes * np.square(means - grand)).sum())
    within = float(sum(np.square(a - a.mean()).sum() for a in arrays))
    ms_between, ms_within = between / (k - 1), within / (n - k)
    f = ms_between / ms_within if ms_within > 0 else math.inf
    typical = (n - float(np.square(sizes).sum()) / n) / (k - 1)
    extra = max(0.0, (ms_between - ms_within) / typical)
    total = between + within
    spread = math.sqrt(ms_within)
    return OneWay(
        between,
        within,
        f if math.isfinite(f) else 0.0,
        float(special.fdtrc(k - 1, n - k, f)),
        between / total if total > 0 else 0.0,
        spread,
        extra,
        math.sqrt(ms_within + extra),
        2.8 * spread,
        int(n),
        k,
        ONE_WAY,
    )


def nested_study(day_means: list[npt.ArrayLike], day_sds: npt.ArrayLike, *, df_per_day: int) -> NestedStudy:
    """Three levels: repeats within days, days within runs, runs.

    ``day_means``: one list of day averages a run; ``day_sds``: every day's standard deviation, each
    with ``df_per_day`` degrees of freedom.

    Raises :class:`StatisticsError`: ``design`` below two runs or two days, or for a day without its
    spread.
    """
    runs = [np.asarray(run, dtype=np.float64) for run in day_means]
    sds = np.asarray(day_sds, dtype=np.float64)
    if len(runs) < 2 or any(len(run) < 2 for run in runs) or len(sds) != sum(map(len, runs)):
        raise StatisticsError(
            "design", "At least two runs of at least two days, each with its own spread, are needed."
        )
    within = math.sqrt(float(np.square(sds).mean()))
    df = sum(len(run) - 1 for run in runs)
    day = math.sqrt(sum(float(np.square(run - run.mean()).sum()) for run in runs) / df)
    run_sd = float(np.std([run.mean() for run in runs], ddof=1))
    n = len(sds) * (df_per_day + 1)
    return NestedStudy(within, len(sds) * df_per_day, day, df, run_sd, len(runs) - 1, n, NESTED)


def expanded_uncertainty(gauge_spread: float, *, bias: float = 0.0, coverage: float = 2.0) -> float:
    """Expanded uncertainty U of a device: coverage x spread of gauge and uncorrected bias together.

    The decision rule of ISO 14253-1 takes U off the tolerance (JCGM 100:2008; coverage 2 for 95 %).

    Raises :class:`StatisticsError`: ``parameters`` for a negative spread or a coverage factor not above
    0.
    """
    if gauge_spread < 0 or coverage <= 0:
        raise StatisticsError("parameters", "A spread is not negative, and the coverage factor is positive.")
    return coverage * math.hypot(gauge_spread, bias)


def _cube(values: npt.ArrayLike) -> FloatArray:
    x = np.asarray(values, dtype=np.float64)
    if x.ndim != 3 or min(x.shape) < 1 or x.shape[0] < 2 or x.shape[2] < 2:
        raise StatisticsError(
            "design", "A crossed study needs at least two parts, an appraiser, and two trials each."
        )
    if not np.isfinite(x).all():
        raise StatisticsError("design", "Every part must be measured by every appraiser in every trial.")
    return x


def _satterthwaite(error: float, df_error: float, person: float, df_person: float) -> float:
    total = error + person
    parts = error**2 / max(df_error, 1) + (person**2 / df_person if df_person else 0.0)
    return total**2 / parts if parts > 0 else 1.0


def _study(
    x: FloatArray,
    error: float,
    person: float,
    part: float,
    degrees: float,
    level: float,
    method: Method,
    p: float | None,
    squares: tuple[float, float, float, float],
    *,
    pooled: bool,
) -> GaugeStudy:
    parts, people, trials = x.shape
    gauge2 = error + person
    total2 = gauge2 + part
    gauge, spread, total = math.sqrt(gauge2), math.sqrt(part), math.sqrt(total2)
    share = gauge / total if total > 0 else 0.0
    tail = (1 - level) / 2
    low2 = degrees * gauge2 / float(special.chdtri(degrees, tail))
    high2 = degrees * gauge2 / float(special.chdtri(degrees, 1 - tail))
    ends = [math.sqrt(v / (v + part)) if v + part > 0 else 0.0 for v in (low2, high2)]
    interval = Interval(ends[0], min(1.0, ends[1]), level, "Satterthwaite")
    categories = math.floor(1.41 * spread / gauge + 1e-9) if gauge > 0 else 0
    verdict = _verdict(share, categories, gauge)
    words = f"The gauge takes {100 * share:.1f} % of the variation and tells {categories} categories apart."
    return GaugeStudy(
        x.size,
        parts,
        people,
        trials,
        math.sqrt(error),
        math.sqrt(person),
        gauge,
        spread,
        total,
        share,
        interval,
        gauge2 / total2 if total2 > 0 else 0.0,
        categories,
        p,
        pooled,
        squares,
        method,
        verdict,
        words,
    )


def _verdict(share: float, categories: int, gauge: float) -> Verdict:
    if gauge == 0:
        return Verdict.UNKNOWN
    if share > POOR_SHARE:
        return Verdict.POOR
    return Verdict.GOOD if share < GOOD_SHARE and categories >= FEWEST_CATEGORIES else Verdict.CONDITIONAL
