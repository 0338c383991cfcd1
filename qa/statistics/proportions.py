"""How often: rates, differences of rates, two-by-two tables, and what sharing a build takes from n.

Free of pandas, statsmodels and scipy.stats, so that a web page that shows a rate starts quickly.
Counts may be fractions (an effective count), never negative.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from qa.statistics.results import Interval, Method, StatisticsError, Verdict, check_level, finite_or_none

FloatArray = npt.NDArray[np.float64]

WILSON = Method("Wilson score interval", "Wilson 1927; recommended by Newcombe 1998, Stat Med 17:857-872")
CLOPPER_PEARSON = Method("Clopper-Pearson exact interval", "Clopper and Pearson 1934, Biometrika 26:404-413")
GARWOOD = Method("Exact Poisson interval", "Garwood 1936, Biometrika 28:437-442")
NEWCOMBE = Method("Newcombe hybrid score interval", "Newcombe 1998, Stat Med 17:873-890, method 10")
MANTEL_HAENSZEL = Method(
    "Mantel-Haenszel over strata",
    "Mantel and Haenszel 1959; odds Robins, Breslow and Greenland 1986; difference Sato 1989, its interval "
    "Klingenberg 2014, Stat Med 33:2968-2983; homogeneity Breslow and Day 1980, corrected by Tarone 1985",
)
WIDEST_LOG_ODDS = 50.0  # an interval wider than this on the log-odds bounds nothing
DESIGN_EFFECT = Method("Design effect from the ANOVA intraclass correlation", "Kish 1965; Donner 1986")


def normal_quantile(level: float) -> float:
    """The two-sided normal quantile of a confidence level (1.96 for 0.95).

    Raises :class:`StatisticsError`: ``level`` for a confidence outside 0.5 to 1.
    """
    check_level(level)
    return float(special.ndtri(0.5 + level / 2.0))


@dataclass(frozen=True, slots=True)
class Proportion:
    """``count`` of ``n``; ``n_effective`` is smaller where parts share a build."""

    count: float
    n: float
    n_effective: float
    rate: float | None
    interval: Interval
    method: Method
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class Difference:
    """``rate_a - rate_b`` with its interval."""

    rate_a: float
    rate_b: float
    n_a: float
    n_b: float
    difference: float
    interval: Interval
    method: Method
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class EffectiveSize:
    """What clustering leaves of ``n``: ``n_effective = n / design_effect``."""

    n: int
    clusters: int
    intraclass: float
    design_effect: float
    n_effective: float
    method: Method


@dataclass(frozen=True, slots=True)
class Stratified:
    """A two-by-two comparison pooled over strata; a figure is ``None`` where no stratum informs it.

    ``strata``: those of more than one part. ``breslow_day`` as first published, ``tarone`` corrected for
    the pooled odds ratio having been estimated.
    """

    n: float
    strata: int
    odds_ratio: float | None
    odds_ratio_interval: Interval
    risk_ratio: float | None
    risk_difference: float | None
    risk_difference_interval: Interval
    chi2: float | None
    p: float | None
    chi2_corrected: float | None
    p_corrected: float | None
    breslow_day: float | None
    breslow_day_p: float | None
    tarone: float | None
    tarone_p: float | None
    method: Method
    verdict: Verdict


def _check_counts(count: float, n: float) -> None:
    if not (math.isfinite(count) and math.isfinite(n)) or count < 0 or n < 0 or count > n:
        raise StatisticsError("counts", f"A count of {count:g} out of {n:g} is not possible.")


def wilson(
    count: float, n: float, *, level: float = 0.95, n_effective: float | None = None, z: float | None = None
) -> Proportion:
    """Rate with Wilson's interval; ``n_effective`` (from :func:`effective_size`) widens it.

    ``z`` overrides the normal quantile (published tables use 1.96). With ``n`` = 0 the rate is
    ``None`` and the interval is 0 to 1.

    Raises :class:`StatisticsError`: ``counts`` for a count below 0 or above n; ``level`` for a confidence
    outside 0.5 to 1.
    """
    _check_counts(count, n)
    quantile = normal_quantile(level) if z is None else z
    size = n if n_effective is None else min(n, max(n_effective, 0.0))
    if n == 0 or size == 0:
        return Proportion(0.0, n, 0.0, None, Interval(0.0, 1.0, level, WILSON.name), WILSON, Verdict.UNKNOWN)
    rate = count / n
    spread = quantile * math.sqrt(rate * (1 - rate) / size + quantile**2 / (4 * size**2))
    centre = rate + quantile**2 / (2 * size)
    scale = 1 + quantile**2 / size
    low = 0.0 if count == 0 else max(0.0, (centre - spread) / scale)
    high = 1.0 if count == n else min(1.0, (centre + spread) / scale)
    return Proportion(count, n, size, rate, Interval(low, high, level, WILSON.name), WILSON, Verdict.SHOWN)


def clopper_pearson(count: int, n: int, *, level: float = 0.95) -> Interval:
    """Exact interval of a proportion.

    Raises :class:`StatisticsError`: ``counts`` for a count below 0 or above n; ``level`` for a confidence
    outside 0.5 to 1.
    """
    _check_counts(count, n)
    check_level(level)
    tail = (1 - level) / 2
    low = 0.0 if count == 0 else float(special.betaincinv(count, n - count + 1, tail))
    high = 1.0 if count == n else float(special.betaincinv(count + 1, n - count, 1 - tail))
    return Interval(low, high, level, CLOPPER_PEARSON.name)


def poisson_interval(count: int, *, level: float = 0.95) -> Interval:
    """Exact interval of a Poisson mean; for a count of 0 it is one-sided at half the tail, as published.

    Raises :class:`StatisticsError`: ``counts`` for a count below 0; ``level`` for a confidence outside
    0.5 to 1.
    """
    _check_counts(count, count)
    check_level(level)
    tail = (1 - level) / 2
    low = 0.0 if count == 0 else float(special.gammaincinv(count, tail))
    return Interval(low, float(special.gammaincinv(count + 1, 1 - tail)), level, GARWOOD.name)


def newcombe(
    count_a: float,
    n_a: float,
    count_b: float,
    n_b: float,
    *,
    level: float = 0.95,
    n_effective_a: float | None = None,
    n_effective_b: float | None = None,
) -> Difference:
    """Difference of two independent rates with Newcombe's hybrid score interval (his method 10).

    Raises ``no_parts`` where a side is empty: there is no rate to compare.
    """
    if n_a == 0 or n_b == 0:
        raise StatisticsError("no_parts", "A difference of rates needs parts on both sides.")
    a = wilson(count_a, n_a, level=level, n_effective=n_effective_a)
    b = wilson(count_b, n_b, level=level, n_effective=n_effective_b)
    rate_a, rate_b = count_a / n_a, count_b / n_b
    a_low, a_high = a.interval.low or 0.0, a.interval.high or 0.0
    b_low, b_high = b.interval.low or 0.0, b.interval.high or 0.0
    difference = rate_a - rate_b
    low = difference - math.hypot(rate_a - a_low, b_high - rate_b)
    high = difference + math.hypot(a_high - rate_a, rate_b - b_low)
    verdict = Verdict.SHOWN if low > 0 or high < 0 else Verdict.UNKNOWN
    interval = Interval(low, high, level, NEWCOMBE.name)
    return Difference(rate_a, rate_b, n_a, n_b, difference, interval, NEWCOMBE, verdict)


def _hypergeometric(table: Sequence[Sequence[int]]) -> tuple[FloatArray, int]:
    """Probabilities of every top-left count with these margins, and the index of the one seen."""
    cells = np.asarray(table, dtype=np.int64)
    if cells.shape != (2, 2) or (cells < 0).any():
        raise StatisticsError("table", "A two-by-two table holds four counts, none negative.")
    row, col, total = int(cells[0].sum()), int(cells[:, 0].sum()), int(cells.sum())
    low, high = max(0, row + col - total), min(row, col)
    k = np.arange(low, high + 1, dtype=np.float64)
    log_p = _log_choose(k, col) + _log_choose(row - k, total - col)
    p = np.exp(log_p - log_p.max())
    return p / p.sum(), int(cells[0, 0]) - low


def _log_choose(k: FloatArray, n: int) -> FloatArray:
    """The logarithm of "n choose k"."""
    result: FloatArray = special.gammaln(n + 1) - special.gammaln(k + 1) - special.gammaln(n - k + 1)
    return result


def fisher_exact(table: Sequence[Sequence[int]]) -> float:
    """Two-sided p of Fisher's exact test: all tables no likelier than the one seen.

    Raises :class:`StatisticsError`: ``table`` where it holds no counts.
    """
    p, seen = _hypergeometric(table)
    return min(1.0, float(p[p <= p[seen] * (1 + 1e-9)].sum()))


def fisher_mid_p(table: Sequence[Sequence[int]]) -> float:
    """Two-sided mid-p of Fisher's exact test: tables less likely than the one seen, and half of those as
    likely (Lancaster 1961, JASA 56:223-234; Hwang and Yang 2001, Statistica Sinica 11:807-826).

    Raises :class:`StatisticsError` where the table holds no counts.
    """
    p, seen = _hypergeometric(table)
    ties = np.abs(p - p[seen]) <= p[seen] * 1e-9
    return min(1.0, float(p[(p < p[seen]) & ~ties].sum() + 0.5 * p[ties].sum()))


def effective_size(lost_by_cluster: npt.ArrayLike, n_by_cluster: npt.ArrayLike) -> EffectiveSize:
    """Effective n of a rate whose parts share builds.

    The intraclass correlation is the one-way ANOVA estimate for a binary outcome, taken as 0 where
    negative; the design effect is 1 + (sum m^2 / sum m - 1) * correlation for builds of m parts.

    Raises :class:`StatisticsError`: ``counts`` where a build lost more parts than it had.
    """
    lost = np.asarray(lost_by_cluster, dtype=np.float64)
    size = np.asarray(n_by_cluster, dtype=np.float64)
    if lost.shape != size.shape or (lost < 0).any() or (lost > size).any():
        raise StatisticsError("counts", "Each build needs its count of parts and of lost parts.")
    lost, size = lost[size > 0], size[size > 0]
    n, clusters = float(size.sum()), len(size)
    if clusters < 2 or n <= clusters:
        # One build tells nothing of builds and counts once; builds of one part count in full.
        effective = float(min(clusters, n)) if clusters < 2 else n
        correlation = 1.0 if clusters < 2 and n > 1 else 0.0
        effect = n / effective if effective else 1.0
        return EffectiveSize(int(n), clusters, correlation, effect, effective, DESIGN_EFFECT)
    return _sized(size, _intraclass(lost, size, np.zeros(clusters, dtype=np.int64)))


def effective_sizes(
    lost_by_cluster: npt.ArrayLike, n_by_cluster: npt.ArrayLike, side: npt.ArrayLike
) -> tuple[EffectiveSize, EffectiveSize]:
    """Effective n of two sides that are compared, ``side`` being 0 or 1 for each build's parts on it.

    The intraclass correlation is pooled within the sides, so that what is compared does not count as a
    likeness of builds. A build with parts on both sides is given once for each.

    Raises :class:`StatisticsError`: ``counts`` where a build lost more parts than it had.
    """
    lost = np.asarray(lost_by_cluster, dtype=np.float64)
    size = np.asarray(n_by_cluster, dtype=np.float64)
    group = np.asarray(side, dtype=np.int64)
    each = [(lost[group == one], size[group == one]) for one in (0, 1)]
    alone = [effective_size(*one) for one in each]
    used = size > 0
    if min(one.clusters for one in alone) < 2 or size.sum() <= used.sum():
        return alone[0], alone[1]
    correlation = _intraclass(lost[used], size[used], group[used])
    first, second = (_sized(m[m > 0], correlation) for _, m in each)
    return first, second


def _intraclass(lost: FloatArray, size: FloatArray, group: npt.NDArray[np.int64]) -> float:
    """One-way ANOVA estimate within ``group`` (codes from 0 without gaps), not below 0."""
    n, n_group = float(size.sum()), np.bincount(group, size)
    rate = (np.bincount(group, lost) / n_group)[group]
    degrees = len(size) - len(n_group)
    between = float((size * (lost / size - rate) ** 2).sum()) / degrees
    within = float((lost * (1 - lost / size)).sum()) / (n - len(size))
    typical = (n - float((np.bincount(group, size**2) / n_group).sum())) / degrees
    denominator = between + (typical - 1) * within
    return min(1.0, max(0.0, (between - within) / denominator)) if denominator > 0 else 0.0


def _sized(size: FloatArray, correlation: float) -> EffectiveSize:
    n = float(size.sum())
    effect = 1 + (float((size**2).sum()) / n - 1) * correlation
    return EffectiveSize(int(n), len(size), correlation, effect, n / effect, DESIGN_EFFECT)


def zero_failure_sample(*, reliability: float, confidence: float) -> int:
    """Parts that must all be good to show ``reliability`` with ``confidence`` (success-run theorem).

    Raises :class:`StatisticsError`: ``level`` for a share outside 0 to 1.
    """
    if not (0 < reliability < 1 and 0 < confidence < 1):
        raise StatisticsError("level", "Reliability and confidence lie between 0 and 1.")
    return math.ceil(math.log(1 - confidence) / math.log(reliability) - 1e-12)


def sample_for_difference(
    rate_a: float, rate_b: float, *, power: float = 0.8, level: float = 0.95, design_effect: float = 1.0
) -> int | None:
    """Parts per side to show ``rate_a`` against ``rate_b``; ``None`` where the rates are equal.

    Normal approximation with unpooled variance (Fleiss, Levin and Paik 2003, chapter 4).

    Raises :class:`StatisticsError`: ``level`` for a confidence outside 0.5 to 1.
    """
    if rate_a == rate_b:
        return None
    quantiles = normal_quantile(level) + float(special.ndtri(power))
    variance = rate_a * (1 - rate_a) + rate_b * (1 - rate_b)
    variance = max(variance, 0.01)
    return math.ceil(design_effect * variance * (quantiles / (rate_a - rate_b)) ** 2)


def mantel_haenszel(tables: npt.ArrayLike, *, level: float = 0.95, design_effect: float = 1.0) -> Stratified:
    """Pool two-by-two tables over strata.

    ``tables``: shape (strata, 2, 2), rows the two groups, columns lost and not lost. Strata without
    information are left out by their own weights; where none informs a figure it is ``None``.
    ``design_effect`` (>= 1, from :func:`effective_sizes`) widens intervals and lessens statistics where
    parts share builds, as counts divided by it would (Rao and Scott 1992, Biometrics 48:577-585).

    Raises :class:`StatisticsError`: ``table`` where no stratum is a two-by-two table of counts; ``level``
    for a confidence outside 0.5 to 1.
    """
    t = np.asarray(tables, dtype=np.float64)
    if t.ndim != 3 or t.shape[1:] != (2, 2) or (t < 0).any() or not np.isfinite(t).all():
        raise StatisticsError("table", "Strata are two-by-two tables of counts, none negative.")
    t = t[t.sum(axis=(1, 2)) > 1]
    a, b, c, d = t[:, 0, 0], t[:, 0, 1], t[:, 1, 0], t[:, 1, 1]
    n = t.sum(axis=(1, 2))
    squared = normal_quantile(level) ** 2 * design_effect
    odds, ends = _odds_ratio(a, b, c, d, n, squared)
    risk_ratio, risk_difference = _risks(a, b, c, d, n)
    low, high = (None, None) if risk_difference is None else _sato_ends(a, b, c, d, risk_difference, squared)
    cmh = _cmh(a, b, c, d, n)
    chi2, corrected = (None if value is None else value / design_effect for value in cmh)
    homogeneity = _breslow_day(a, b, c, d, odds)
    (bd, bd_p), (tarone, tarone_p) = (
        (None, None) if value is None else _chi2(value / design_effect, homogeneity.degrees)
        for value in (homogeneity.statistic, homogeneity.corrected)
    )
    p = None if chi2 is None else float(special.chdtrc(1, chi2))
    p_corrected = None if corrected is None else float(special.chdtrc(1, corrected))
    verdict = Verdict.SHOWN if p_corrected is not None and p_corrected < 1 - level else Verdict.UNKNOWN
    return Stratified(
        float(n.sum()), len(n), odds, Interval(*ends, level, "Robins-Breslow-Greenland"), risk_ratio,
        risk_difference, Interval(low, high, level, "Klingenberg"), chi2, p, corrected,
        p_corrected, bd, bd_p, tarone, tarone_p, MANTEL_HAENSZEL, verdict,
    )  # fmt: skip


def _chi2(statistic: float, degrees: int) -> tuple[float, float]:
    return statistic, float(special.chdtrc(degrees, statistic))


def _odds_ratio(
    a: FloatArray, b: FloatArray, c: FloatArray, d: FloatArray, n: FloatArray, squared: float
) -> tuple[float | None, tuple[float | None, float | None]]:
    """The common odds ratio and its ends; ``squared`` is the squared quantile times the design effect."""
    r, s = a * d / n, b * c / n
    total_r, total_s = float(r.sum()), float(s.sum())
    if total_r == 0 or total_s == 0:
        return None, (None, None)
    p, q = (a + d) / n, (b + c) / n
    variance = (
        float((p * r).sum()) / (2 * total_r**2)
        + float((p * s + q * r).sum()) / (2 * total_r * total_s)
        + float((q * s).sum()) / (2 * total_s**2)
    )
    odds, width = total_r / total_s, math.sqrt(squared * variance)
    if width > WIDEST_LOG_ODDS:
        return odds, (None, None)
    return odds, (odds * math.exp(-width), odds * math.exp(width))


def _risks(
    a: FloatArray, b: FloatArray, c: FloatArray, d: FloatArray, n: FloatArray
) -> tuple[float | None, float | None]:
    rows_a, rows_b = a + b, c + d
    top, bottom = float((a * rows_b / n).sum()), float((c * rows_a / n).sum())
    weight = rows_a * rows_b / n
    ratio = finite_or_none(top / bottom) if bottom > 0 else None
    return ratio, (top - bottom) / float(weight.sum()) if weight.sum() > 0 else None


def _cmh(
    a: FloatArray, b: FloatArray, c: FloatArray, d: FloatArray, n: FloatArray
) -> tuple[float | None, float | None]:
    expected = (a + b) * (a + c) / n
    variance = float(((a + b) * (c + d) * (a + c) * (b + d) / (n**2 * (n - 1))).sum())
    if variance <= 0:
        return None, None
    gap = abs(float(a.sum() - expected.sum()))
    return gap**2 / variance, max(0.0, gap - 0.5) ** 2 / variance


def _sato_ends(
    a: FloatArray, b: FloatArray, c: FloatArray, d: FloatArray, difference: float, squared: float
) -> tuple[float | None, float | None]:
    """Ends of the common difference: where it lies ``squared`` variances off, the variance taken there.

    Sato's variance is linear in the difference, so both ends solve one quadratic (Klingenberg 2014).
    ``None`` where no stratum with parts on both sides lost some and not all: nothing varies.
    """
    rows_a, rows_b = a + b, c + d
    both = (rows_a > 0) & (rows_b > 0)
    a, c, rows_a, rows_b = a[both], c[both], rows_a[both], rows_b[both]
    n = rows_a + rows_b
    weight = float((rows_a * rows_b / n).sum())
    level = float(((a * (rows_b - c) + c * (rows_a - a)) / (2 * n)).sum()) / weight**2
    slopes = (rows_a**2 * c - rows_b**2 * a + rows_a * rows_b * (rows_b - rows_a) / 2) / n**2
    slope = float(slopes.sum()) / weight**2
    if not ((a + c > 0) & (a + c < n)).any():
        return None, None
    middle = difference + squared * slope / 2
    width = math.sqrt(max(0.0, middle**2 - difference**2 + squared * level))
    return max(-1.0, min(difference, middle - width)), min(1.0, max(difference, middle + width))


@dataclass(frozen=True, slots=True)
class _Homogeneity:
    """Do the strata have one odds ratio? The statistic as first published, and corrected by Tarone."""

    statistic: float | None
    corrected: float | None
    degrees: int


def _breslow_day(
    a: FloatArray, b: FloatArray, c: FloatArray, d: FloatArray, odds: float | None
) -> _Homogeneity:
    informative = ((a + b) > 0) & ((c + d) > 0) & ((a + c) > 0) & ((b + d) > 0)
    if odds is None or informative.sum() < 2:
        return _Homogeneity(None, None, 0)
    a, b, c, d = a[informative], b[informative], c[informative], d[informative]
    row, other, col = a + b, c + d, a + c
    # The expected top-left count solves odds = A (other - col + A) / ((row - A)(col - A)).
    quad = 1 - odds
    lin = other - col + odds * (row + col)
    const = -odds * row * col
    if abs(quad) < 1e-12:
        expected = -const / lin
    else:
        expected = (-lin + np.sqrt(lin**2 - 4 * quad * const)) / (2 * quad)
    parts = [expected, row - expected, col - expected, other - col + expected]
    if any((part <= 0).any() for part in parts):
        return _Homogeneity(None, None, 0)
    variance: FloatArray = 1 / np.sum([1 / part for part in parts], axis=0)
    statistic = float(((a - expected) ** 2 / variance).sum())
    moved = float((a - expected).sum()) ** 2 / float(variance.sum())
    return _Homogeneity(statistic, max(0.0, statistic - moved), len(a) - 1)
