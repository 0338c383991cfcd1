"""Time to the first defect: how long a tank, a film or an appliance lasts.

Spells that ended without a defect are censored; those already under way when recording began enter
late. The fits are lifelines'; this module checks its input, keeps its warnings to itself and gives
frozen results.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from qa.statistics.results import (
    Interval,
    Method,
    StatisticsError,
    Verdict,
    count_words,
    finite_or_none,
)

FloatArray = npt.NDArray[np.float64]

KAPLAN_MEIER = Method(
    "Kaplan-Meier", "Kaplan and Meier 1958, JASA 53:457-481; delayed entry as left truncation"
)
WEIBULL = Method("Weibull fit by maximum likelihood", "NIST/SEMATECH e-Handbook 8.4.1.2")
LOG_RANK = Method("Log-rank test", "Mantel 1966; Peto and Peto 1972")
LOG_LOG = "log-log Greenwood"
BROOKMEYER_CROWLEY = "log-log Greenwood, crossing a half"
FEWEST_EVENTS = 5


@dataclass(frozen=True, slots=True)
class SurvivalCurve:
    """Share surviving just after each event time, with Greenwood's standard error and its interval.

    ``median_interval``: the times at which the ends of that interval cross a half (Brookmeyer and Crowley
    1982); an end that never does is ``None``.
    """

    times: tuple[float, ...]
    survival: tuple[float, ...]
    error: tuple[float, ...]
    intervals: tuple[Interval, ...]
    median: float | None
    median_interval: Interval
    n: int
    events: int
    method: Method
    verdict: Verdict
    sentence: str


@dataclass(frozen=True, slots=True)
class WeibullFit:
    """``shape`` above 1 means that the hazard rises with age; standard errors are of the estimates."""

    shape: float
    shape_error: float
    shape_interval: Interval
    scale: float
    scale_error: float
    scale_interval: Interval
    log_likelihood: float
    n: int
    events: int
    method: Method
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class LogRank:
    """Two groups' times compared; ``verdict`` shown where they differ."""

    chi2: float
    p: float
    n: int
    events: int
    method: Method
    verdict: Verdict


@contextmanager
def _quiet() -> Iterator[None]:
    """The library warns of convergence details and of its own dependencies' changes: neither is the
    caller's to act on, and what matters is checked before and after."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


def survival_curve(
    duration: npt.ArrayLike,
    event: npt.ArrayLike,
    *,
    entry: npt.ArrayLike | None = None,
    level: float = 0.95,
    unit: str = "",
) -> SurvivalCurve:
    """Kaplan-Meier of ``duration`` (n, > 0); ``event`` false is censored; ``entry`` is the age when
    recording of the spell began (0 where from new). ``unit`` of the times, in the plural, is for the
    sentence.

    Raises :class:`StatisticsError`: ``lengths`` or ``spells`` where the columns do not fit; ``gap`` where
    no spell was under way between two others.
    """
    t, seen, start = _spells(duration, event, entry)
    with _quiet():
        from lifelines import KaplanMeierFitter
        from lifelines.exceptions import StatError

        fitter = KaplanMeierFitter(alpha=1 - level)
        try:
            fitter.fit(t, seen, entry=start if start.any() else None)
        except StatError:
            words = "No spell was under way at some age between others: no curve can be drawn."
            raise StatisticsError("gap", words) from None
        table = fitter.event_table
        at = table.index[table["observed"] > 0]
        curve = fitter.survival_function_.loc[at].iloc[:, 0].to_numpy(dtype=np.float64)
        ends = fitter.confidence_interval_.loc[at].to_numpy(dtype=np.float64)
    died = table.loc[at, "observed"].to_numpy(dtype=np.float64)
    risk = table.loc[at, "at_risk"].to_numpy(dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        sums = np.cumsum(np.where(risk > died, died / (risk * (risk - died)), 0.0))
    error = curve * np.sqrt(sums)
    below = np.flatnonzero(curve <= 0.5)
    median = float(at[below[0]]) if len(below) else None
    # Where nothing survives, the log-log interval is not defined: no bound, not a certain zero.
    intervals = tuple(
        Interval(None, None, level, LOG_LOG)
        if share <= 0
        else Interval(finite_or_none(low), finite_or_none(high), level, LOG_LOG)
        for share, (low, high) in zip(curve, ends, strict=True)
    )
    events = int(seen.sum())
    between = _median_ends(at.to_numpy(dtype=np.float64), intervals, level)
    half = _half_words(median, between, unit)
    spells = count_words(len(t), "spells")
    sentence = f"{count_words(events, 'first defects')} in {spells}; {half}."
    sentence = sentence if events else f"No defect in {spells}."
    verdict = Verdict.SHOWN if events >= FEWEST_EVENTS else Verdict.UNKNOWN
    return SurvivalCurve(
        tuple(float(time) for time in at),
        tuple(curve.tolist()),
        tuple(error.tolist()),
        intervals,
        median,
        between,
        len(t),
        events,
        KAPLAN_MEIER,
        verdict,
        sentence,
    )


def _median_ends(times: FloatArray, intervals: tuple[Interval, ...], level: float) -> Interval:
    """Where both ends of the curve's interval fall to a half; where they are not defined they do not."""
    ends = []
    for bounds in ([one.low for one in intervals], [one.high for one in intervals]):
        crossed = (time for time, end in zip(times, bounds, strict=True) if end is not None and end <= 0.5)
        ends.append(next((float(time) for time in crossed), None))
    return Interval(ends[0], ends[1], level, BROOKMEYER_CROWLEY)


def _half_words(median: float | None, interval: Interval, unit: str) -> str:
    """The median with its interval; an open end in words."""
    low, high = interval.low, interval.high
    percent = f"{100 * interval.level:g} %"
    lasting = "" if median is None else f"half last {count_words(median, unit).strip()} or longer"
    if median is None:
        least = f" ({percent} at least {low:g})" if low is not None else ""
        return f"more than half last longer than seen{least}"
    if low is None:
        return f"{lasting} (cannot tell yet between which ends)"
    ends = f"{low:g} to {high:g}" if high is not None else f"{low:g} or more, with no upper end yet"
    return f"{lasting} ({percent} {ends})"


def weibull_fit(
    duration: npt.ArrayLike, event: npt.ArrayLike, *, entry: npt.ArrayLike | None = None, level: float = 0.95
) -> WeibullFit:
    """Weibull of the spells; raises ``too_few_events`` below two events, where no shape can be told."""
    t, seen, start = _spells(duration, event, entry)
    if seen.sum() < 2 or np.ptp(t[seen]) == 0:
        raise StatisticsError(
            "too_few_events", "A lifetime fit needs at least two defects at different ages."
        )
    with _quiet():
        from lifelines import WeibullFitter

        fitter = WeibullFitter(alpha=1 - level)
        fitter.fit(t, seen, entry=start if start.any() else None)
        rows = fitter.summary
    ends = {
        name: (float(rows.loc[name].iloc[2]), float(rows.loc[name].iloc[3])) for name in ("rho_", "lambda_")
    }
    shape = Interval(*ends["rho_"], level, WEIBULL.name)
    scale = Interval(*ends["lambda_"], level, WEIBULL.name)
    rising = ends["rho_"][0] > 1 and seen.sum() >= FEWEST_EVENTS
    return WeibullFit(
        float(fitter.rho_),
        float(rows.loc["rho_", "se(coef)"]),
        shape,
        float(fitter.lambda_),
        float(rows.loc["lambda_", "se(coef)"]),
        scale,
        float(fitter.log_likelihood_),
        len(t),
        int(seen.sum()),
        WEIBULL,
        Verdict.SHOWN if rising else Verdict.UNKNOWN,
    )


def log_rank(
    duration_a: npt.ArrayLike, event_a: npt.ArrayLike, duration_b: npt.ArrayLike, event_b: npt.ArrayLike
) -> LogRank:
    """Do two groups of spells last differently?

    Raises :class:`StatisticsError`: ``lengths`` or ``spells`` where the columns do not fit.
    """
    a, seen_a, _ = _spells(duration_a, event_a, None)
    b, seen_b, _ = _spells(duration_b, event_b, None)
    n, events = len(a) + len(b), int(seen_a.sum() + seen_b.sum())
    if events == 0:
        return LogRank(0.0, 1.0, n, 0, LOG_RANK, Verdict.UNKNOWN)
    with _quiet():
        from lifelines.statistics import logrank_test

        result = logrank_test(a, b, seen_a, seen_b)
    chi2, p = float(result.test_statistic), float(result.p_value)
    if not (math.isfinite(chi2) and math.isfinite(p)):
        return LogRank(0.0, 1.0, n, events, LOG_RANK, Verdict.UNKNOWN)
    shown = p < 0.05 and events >= FEWEST_EVENTS
    return LogRank(chi2, p, n, events, LOG_RANK, Verdict.SHOWN if shown else Verdict.UNKNOWN)


def _spells(
    duration: npt.ArrayLike, event: npt.ArrayLike, entry: npt.ArrayLike | None
) -> tuple[FloatArray, npt.NDArray[np.bool_], FloatArray]:
    t, seen = np.asarray(duration, dtype=np.float64), np.asarray(event, dtype=bool)
    start = np.zeros(len(t)) if entry is None else np.asarray(entry, dtype=np.float64)
    if not (t.shape == seen.shape == start.shape) or t.ndim != 1 or len(t) == 0:
        raise StatisticsError(
            "lengths", "Each spell needs its duration, whether it ended in a defect, and its entry."
        )
    if not (np.isfinite(t).all() and np.isfinite(start).all()) or (t <= start).any() or (start < 0).any():
        raise StatisticsError("spells", "A spell must last longer than the age at which its recording began.")
    return t, seen, start
