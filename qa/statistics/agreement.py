"""Do two methods, or several inspectors, agree? Bland-Altman, intraclass correlation, kappa."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from qa.statistics.proportions import normal_quantile
from qa.statistics.results import Interval, Method, StatisticsError, Verdict

FloatArray = npt.NDArray[np.float64]

BLAND_ALTMAN = Method("Limits of agreement", "Bland and Altman 1986, Lancet 327:307-310")
ICC = Method(
    "Intraclass correlation", "Shrout and Fleiss 1979, Psychol Bull 86:420-428; McGraw and Wong 1996"
)
COHEN = Method("Cohen's kappa", "Cohen 1960; variance Fleiss, Cohen and Everitt 1969")
FLEISS = Method("Fleiss' kappa", "Fleiss 1971, Psychol Bull 76:378-382")


@dataclass(frozen=True, slots=True)
class Agreement:
    """``bias`` of the first method over the second, and limits holding about 95 % of differences."""

    n: int
    bias: float
    bias_interval: Interval
    sd: float
    low: float
    low_interval: Interval
    high: float
    high_interval: Interval
    slope: float
    slope_p: float
    method: Method
    verdict: Verdict
    sentence: str


@dataclass(frozen=True, slots=True)
class IntraclassCorrelation:
    """The six forms of Shrout and Fleiss; the interval is of the absolute-agreement single form (2,1)."""

    n: int
    raters: int
    icc_1: float
    icc_2: float
    icc_3: float
    icc_1k: float
    icc_2k: float
    icc_3k: float
    interval: Interval
    mean_squares: tuple[float, float, float, float]
    method: Method
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class Kappa:
    """Chance-corrected agreement; ``None`` where every grade is the same and chance explains all."""

    n: int
    kappa: float | None
    interval: Interval
    observed: float
    expected: float
    method: Method
    verdict: Verdict
    sentence: str


def bland_altman(
    first: npt.ArrayLike, second: npt.ArrayLike, *, multiple: float = 1.96, level: float = 0.95
) -> Agreement:
    """Agreement of two methods on the same n items (arrays of n values in one unit).

    Raises :class:`StatisticsError`: ``pairs`` below three items, or where the two differ in number.
    """
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    if a.shape != b.shape or a.ndim != 1 or len(a) < 3:
        raise StatisticsError("pairs", "Agreement needs at least three items measured by both methods.")
    d, mean = a - b, (a + b) / 2
    n, bias, sd = len(d), float(d.mean()), float(d.std(ddof=1))
    t = float(special.stdtrit(n - 1, 0.5 + level / 2))
    half, limit_half = t * sd / math.sqrt(n), t * math.sqrt(3 * sd**2 / n)
    low, high = bias - multiple * sd, bias + multiple * sd
    slope, slope_p = _slope(mean, d)
    intervals = [
        Interval(c - w, c + w, level, BLAND_ALTMAN.name)
        for c, w in ((bias, half), (low, limit_half), (high, limit_half))
    ]
    biased = abs(bias) > half
    words = (
        f"On average {bias:.2g} apart; 95 of 100 differences lie between {low:.2g} and {high:.2g}, "
        "in the unit measured."
    )
    if slope_p < 1 - level:
        words += " The difference changes with size: compare ratios instead."
    return Agreement(
        n,
        bias,
        intervals[0],
        sd,
        low,
        intervals[1],
        high,
        intervals[2],
        slope,
        slope_p,
        BLAND_ALTMAN,
        Verdict.DIFFERENT if biased else Verdict.UNKNOWN,
        words,
    )


def _slope(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    sxx = float(np.square(x - x.mean()).sum())
    if sxx == 0:
        return 0.0, 1.0
    slope = float((x - x.mean()) @ (y - y.mean())) / sxx
    rest = y - y.mean() - slope * (x - x.mean())
    error = math.sqrt(float(rest @ rest) / (len(x) - 2) / sxx)
    if error == 0:
        return slope, 0.0 if slope else 1.0
    return slope, 2 * float(special.stdtr(len(x) - 2, -abs(slope / error)))


def repeatability(first: npt.ArrayLike, second: npt.ArrayLike) -> tuple[float, float]:
    """(within-item standard deviation, repeatability coefficient 2 x rms difference) of two readings."""
    d = np.asarray(first, dtype=np.float64) - np.asarray(second, dtype=np.float64)
    mean_square = float(np.square(d).mean())
    return math.sqrt(mean_square / 2), 2 * math.sqrt(mean_square)


def intraclass_correlation(values: npt.ArrayLike, *, level: float = 0.95) -> IntraclassCorrelation:
    """Of ``values``, shape (items, raters), every cell filled.

    Raises :class:`StatisticsError`: ``design`` where a cell is empty or there are fewer than two items or
    raters; ``no_variation`` where all items are alike.
    """
    x = np.asarray(values, dtype=np.float64)
    if x.ndim != 2 or min(x.shape) < 2 or not np.isfinite(x).all():
        raise StatisticsError(
            "design", "At least two items must each be measured by the same raters, two or more."
        )
    n, k = x.shape
    grand = x.mean()
    items, raters = x.mean(axis=1), x.mean(axis=0)
    bms = k * float(np.square(items - grand).sum()) / (n - 1)
    wms = float(np.square(x - items[:, None]).sum()) / (n * (k - 1))
    jms = n * float(np.square(raters - grand).sum()) / (k - 1)
    ems = float(np.square(x - items[:, None] - raters[None, :] + grand).sum()) / ((n - 1) * (k - 1))
    if bms == 0 and wms == 0:
        raise StatisticsError("no_variation", "All values are the same: agreement cannot be judged.")
    icc_2 = _ratio(bms - ems, bms + (k - 1) * ems + k * (jms - ems) / n)
    interval = _icc_interval(icc_2, bms, jms, ems, n, k, level)
    low = interval.low if interval.low is not None else 0.0
    verdict = (
        Verdict.GOOD if low >= 0.75 else Verdict.POOR if (interval.high or 0) < 0.75 else Verdict.UNKNOWN
    )
    return IntraclassCorrelation(
        n,
        k,
        _ratio(bms - wms, bms + (k - 1) * wms),
        icc_2,
        _ratio(bms - ems, bms + (k - 1) * ems),
        _ratio(bms - wms, bms),
        _ratio(bms - ems, bms + (jms - ems) / n),
        _ratio(bms - ems, bms),
        interval,
        (bms, wms, jms, ems),
        ICC,
        verdict,
    )


def _ratio(top: float, bottom: float) -> float:
    return top / bottom if bottom > 0 else 0.0


def _icc_interval(icc: float, bms: float, jms: float, ems: float, n: int, k: int, level: float) -> Interval:
    """Interval of the absolute-agreement single form (McGraw and Wong 1996)."""
    name = "McGraw and Wong"
    if ems <= 0 or icc >= 1:
        return Interval(icc, icc, level, name)
    a = k * icc / (n * (1 - icc))
    b = 1 + k * icc * (n - 1) / (n * (1 - icc))
    bottom = (a * jms) ** 2 / (k - 1) + (b * ems) ** 2 / ((n - 1) * (k - 1))
    v = (a * jms + b * ems) ** 2 / bottom
    tail = (1 - level) / 2
    f_low = float(special.fdtri(n - 1, v, 1 - tail))
    f_high = float(special.fdtri(v, n - 1, 1 - tail))
    rest = k * jms + (k * n - k - n) * ems
    low = n * (bms - f_low * ems) / (f_low * rest + n * bms)
    high = n * (f_high * bms - ems) / (rest + n * f_high * bms)
    return Interval(max(-1.0, low), min(1.0, high), level, name)


def cohen_kappa(table: npt.ArrayLike, *, level: float = 0.95) -> Kappa:
    """Two inspectors: ``table`` (k, k) counts the first's grade by row, the second's by column.

    Raises :class:`StatisticsError`: ``table`` where it is not square, or holds no counts.
    """
    t = np.asarray(table, dtype=np.float64)
    if t.ndim != 2 or t.shape[0] != t.shape[1] or (t < 0).any() or t.sum() == 0:
        raise StatisticsError("table", "Agreement needs a square table of counts with something in it.")
    n = float(t.sum())
    p = t / n
    row, col = p.sum(axis=1), p.sum(axis=0)
    observed, expected = float(np.trace(p)), float(row @ col)
    if expected >= 1:
        return _no_kappa(int(n), observed, expected, level, COHEN)
    kappa = (observed - expected) / (1 - expected)
    diagonal = np.diag(p) * np.square(1 - (row + col) * (1 - kappa))
    weights = np.square(col[:, None] + row[None, :]) * p
    np.fill_diagonal(weights, 0.0)
    spread = (
        float(diagonal.sum())
        + (1 - kappa) ** 2 * float(weights.sum())
        - (kappa - expected * (1 - kappa)) ** 2
    )
    error = math.sqrt(max(0.0, spread) / n) / (1 - expected)
    return _kappa(int(n), kappa, error, observed, expected, level, COHEN)


def fleiss_kappa(counts: npt.ArrayLike, *, level: float = 0.95) -> Kappa:
    """Several inspectors: ``counts`` (items, grades), each row summing to the same number of inspectors.

    Raises :class:`StatisticsError`: ``table`` where the items were not graded equally often.
    """
    c = np.asarray(counts, dtype=np.float64)
    if c.ndim != 2 or len(c) < 2 or (c < 0).any() or len(set(c.sum(axis=1).tolist())) != 1 or c[0].sum() < 2:
        raise StatisticsError(
            "table", "Every item must be graded by the same number of inspectors, two or more."
        )
    items, raters = len(c), float(c[0].sum())
    each = (np.square(c).sum(axis=1) - raters) / (raters * (raters - 1))
    share = c.sum(axis=0) / c.sum()
    observed, expected = float(each.mean()), float(np.square(share).sum())
    if expected >= 1:
        return _no_kappa(items, observed, expected, level, FLEISS)
    kappa = (observed - expected) / (1 - expected)
    # Items are the sampled units: the spread of their agreement gives the error.
    error = float(each.std(ddof=1)) / math.sqrt(items) / (1 - expected)
    return _kappa(items, kappa, error, observed, expected, level, FLEISS)


def _no_kappa(n: int, observed: float, expected: float, level: float, method: Method) -> Kappa:
    words = "Every grade is the same, so agreement beyond chance cannot be judged."
    return Kappa(
        n, None, Interval(None, None, level, method.name), observed, expected, method, Verdict.UNKNOWN, words
    )


def _kappa(
    n: int, kappa: float, error: float, observed: float, expected: float, level: float, method: Method
) -> Kappa:
    half = normal_quantile(level) * error
    interval = Interval(max(-1.0, kappa - half), min(1.0, kappa + half), level, method.name)
    low = interval.low or 0.0
    words = f"Agreement beyond chance {kappa:.2f} ({low:.2f} to {interval.high or 0:.2f}) on {n} items."
    return Kappa(
        n, kappa, interval, observed, expected, method, Verdict.SHOWN if low > 0 else Verdict.UNKNOWN, words
    )
