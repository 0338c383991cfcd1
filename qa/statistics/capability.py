"""Is the process capable? Performance against tolerance with confidence bounds."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from qa.statistics.proportions import normal_quantile
from qa.statistics.results import Interval, Method, StatisticsError, Verdict

FloatArray = npt.NDArray[np.float64]

NORMAL = Method(
    "Capability indices, normal",
    "ISO 22514-2; intervals: Montgomery, Statistical Quality Control; Bissell 1990",
)
PERCENTILE = Method("Performance by percentiles", "ISO 22514-2, quantile method; builds of values resampled")
LEAST = 1.33  # common practice
FEWEST = 50  # values from which percentiles far out mean anything; common practice
NORMAL_P = 0.01
SAME = 1e-12  # of the largest value: a smaller spread is that of rounding


@dataclass(frozen=True, slots=True)
class Capability:
    """``cp`` and ``cpk`` by the spread within, ``pp`` and ``ppk`` by the whole spread; a two-sided index
    is ``None`` with one limit only. The interval is of ``ppk``."""

    n: int
    mean: float
    sd: float
    cp: float | None
    cpk: float | None
    pp: float | None
    ppk: float
    pp_interval: Interval | None
    interval: Interval
    normal: bool
    method: Method
    verdict: Verdict
    needed: int | None
    sentence: str


def cp_interval(cp: float, n: int, *, level: float = 0.95) -> Interval:
    """Chi-square interval of Cp (or Pp) from ``n`` values."""
    tail = (1 - level) / 2
    low = cp * math.sqrt(float(special.chdtri(n - 1, 1 - tail)) / (n - 1))
    high = cp * math.sqrt(float(special.chdtri(n - 1, tail)) / (n - 1))
    return Interval(low, high, level, NORMAL.name)


def cpk_interval(cpk: float, n: int, *, level: float = 0.95) -> Interval:
    """Bissell's interval: Cpk (1 +- z sqrt(1 / (9 n Cpk^2) + 1 / (2 (n - 1)))).

    Raises :class:`StatisticsError`: ``level`` for a confidence outside 0.5 to 1.
    """
    half = normal_quantile(level) * math.sqrt(1 / (9 * n) + cpk**2 / (2 * (n - 1)))
    return Interval(cpk - half, cpk + half, level, NORMAL.name)


def indices(
    mean: float, sd: float, *, lower: float | None, upper: float | None, target: float | None = None
) -> dict[str, float]:
    """``cp``, ``cpk``, ``k`` and ``cpm`` where the limits and target allow them.

    Raises :class:`StatisticsError`: ``limits`` without spread, or with limits out of order.
    """
    if (
        sd <= 0
        or (lower is None and upper is None)
        or (lower is not None and upper is not None and lower >= upper)
    ):
        raise StatisticsError("limits", "Capability needs a spread above 0 and limits in order.")
    sides = [(upper - mean) / (3 * sd)] if upper is not None else []
    sides += [(mean - lower) / (3 * sd)] if lower is not None else []
    result = {"cpk": min(sides)}
    if lower is not None and upper is not None:
        result["cp"] = (upper - lower) / (6 * sd)
        result["k"] = abs((upper + lower) / 2 - mean) / ((upper - lower) / 2)
        if target is not None:
            result["cpm"] = (upper - lower) / (6 * math.hypot(sd, mean - target))
    return result


def performance(
    values: npt.ArrayLike,
    *,
    lower: float | None = None,
    upper: float | None = None,
    within_sd: float | None = None,
    least: float = LEAST,
    level: float = 0.95,
    seed: int = 1,
) -> Capability:
    """Performance of measured ``values`` (n, one unit) against tolerance limits.

    Where the values are not normal (D'Agostino's skewness and kurtosis, p below 0.01) the percentile
    method is used, with a bootstrap interval. ``within_sd``: the spread within, as from a moving
    range; without it the short-term indices are ``None``.

    Raises :class:`StatisticsError`: ``too_few`` below five values; ``no_spread`` where all are the same.
    """
    x = np.asarray(values, dtype=np.float64)
    x = x[np.isfinite(x)]
    if len(x) < 5:
        raise StatisticsError(
            "too_few", f"{len(x)} values are too few to judge a process by; measure at least 5."
        )
    mean, sd = float(x.mean()), float(x.std(ddof=1))
    if sd <= SAME * float(np.abs(x).max()):
        raise StatisticsError(
            "no_spread", "All values are the same: check that the device resolves the differences."
        )
    normal = _looks_normal(x)
    short = indices(mean, within_sd, lower=lower, upper=upper) if within_sd else {}
    whole = indices(mean, sd, lower=lower, upper=upper)
    n = len(x)
    if normal:
        ppk, pp = whole["cpk"], whole.get("cp")
        interval = cpk_interval(ppk, n, level=level)
        pp_interval = cp_interval(pp, n, level=level) if pp is not None else None
    else:
        pp, ppk = _by_percentiles(x, lower, upper)
        interval, pp_interval = _resampled(x, lower, upper, level, seed), None
    low, high = interval.low or 0.0, interval.high or 0.0
    verdict = Verdict.CAPABLE if low >= least else Verdict.NOT_CAPABLE if high < least else Verdict.UNKNOWN
    words = f"Ppk {ppk:.2f} ({low:.2f} to {high:.2f}) from {n} values; {least:g} is asked for."
    if not normal:
        words += " The values are not normal, so percentiles are used."
        words += f" {FEWEST} values or more make them dependable." if n < FEWEST else ""
    needed = _needed(ppk, least, n, level) if verdict is Verdict.UNKNOWN else None
    return Capability(
        n,
        mean,
        sd,
        short.get("cp"),
        short.get("cpk"),
        pp,
        ppk,
        pp_interval,
        interval,
        normal,
        NORMAL if normal else PERCENTILE,
        verdict,
        needed,
        words,
    )


def _looks_normal(x: FloatArray) -> bool:
    from scipy import stats

    if len(x) < 20:
        return True  # too few to tell; said by the width of the interval
    return bool(stats.normaltest(x).pvalue >= NORMAL_P)


def _by_percentiles(x: FloatArray, lower: float | None, upper: float | None) -> tuple[float | None, float]:
    low, middle, high = (float(q) for q in np.quantile(x, [0.00135, 0.5, 0.99865]))
    sides = [(upper - middle) / max(high - middle, 1e-12)] if upper is not None else []
    sides += [(middle - lower) / max(middle - low, 1e-12)] if lower is not None else []
    both = lower is not None and upper is not None
    pp = (
        (upper - lower) / max(high - low, 1e-12) if both and upper is not None and lower is not None else None
    )
    return pp, min(sides)


def _resampled(x: FloatArray, lower: float | None, upper: float | None, level: float, seed: int) -> Interval:
    rng = np.random.default_rng(seed)
    drawn = [_by_percentiles(rng.choice(x, len(x)), lower, upper)[1] for _ in range(400)]
    low, high = np.quantile(drawn, [(1 - level) / 2, (1 + level) / 2])
    return Interval(float(low), float(high), level, PERCENTILE.name)


def _needed(ppk: float, least: float, n: int, level: float) -> int | None:
    """More values until the interval of an index as seen leaves ``least`` out."""
    gap = abs(ppk - least)
    if gap < 0.01:
        return None
    total = normal_quantile(level) ** 2 * (1 / 9 + ppk**2 / 2) / gap**2
    return max(1, math.ceil(total) - n)
