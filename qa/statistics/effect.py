"""Did it work? An action's loss rate before and after, with its trend: worked, did not, cannot tell yet."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from qa.statistics.logit import fit_logit
from qa.statistics.proportions import (
    NEWCOMBE,
    Proportion,
    effective_size,
    newcombe,
    sample_for_difference,
    wilson,
)
from qa.statistics.results import Interval, Method, StatisticsError, Verdict, more_words

BEFORE_AFTER = Method(
    "Before and after with the trend before", f"{NEWCOMBE.source}; Wagner et al. 2002 on trends"
)
FEWEST_AFTER = 20
TREND_P = 0.05


@dataclass(frozen=True, slots=True)
class Effect:
    """``saved_per_100``: parts per 100 saved after the action; ``trend_p``: of a trend already before it."""

    before: Proportion
    after: Proportion
    saved_per_100: float | None
    interval: Interval
    trend_p: float | None
    already_falling: bool
    parts_needed: int | None
    method: Method
    verdict: Verdict
    sentence: str


def judge_action(
    day: npt.ArrayLike,
    lost: npt.ArrayLike,
    build: npt.ArrayLike,
    *,
    action_day: float,
    hoped_per_100: float = 2.0,
    level: float = 0.95,
) -> Effect:
    """Compare parts printed before ``action_day`` with those from it on.

    ``day`` (n) in days on any common scale, ``lost`` booleans, ``build`` names. *Worked*: the saving's
    interval is above 0 and the rate was not already falling. *Did not*: the interval leaves out
    ``hoped_per_100``. Otherwise it cannot be told yet, with how many more parts would show the saving
    hoped for, or the one seen where that is larger.

    Raises :class:`StatisticsError` ``lengths``: not one day, one outcome and one build a part.
    """
    d, bad = np.asarray(day, dtype=np.float64), np.asarray(lost, dtype=np.float64)
    labels = np.asarray(build).astype(str)
    if not (d.shape == bad.shape == labels.shape):
        raise StatisticsError("lengths", "Each part needs one day, one outcome and one build.")
    after = d >= action_day
    sides = [_side(bad[at], labels[at], level) for at in (~after, after)]
    before_rate, after_rate = sides
    nothing = Interval(None, None, level, NEWCOMBE.name)
    if before_rate.n == 0 or after_rate.n == 0:
        side = "before" if before_rate.n == 0 else "after"
        words = f"Cannot tell yet: there are no parts from {side} the action."
        needed = _needed(before_rate, after_rate, hoped_per_100)
        return Effect(
            before=before_rate,
            after=after_rate,
            saved_per_100=None,
            interval=nothing,
            trend_p=None,
            already_falling=False,
            parts_needed=needed,
            method=BEFORE_AFTER,
            verdict=Verdict.UNKNOWN,
            sentence=words,
        )
    difference = newcombe(
        before_rate.count,
        before_rate.n,
        after_rate.count,
        after_rate.n,
        level=level,
        n_effective_a=before_rate.n_effective,
        n_effective_b=after_rate.n_effective,
    )
    saved, interval = 100 * difference.difference, difference.interval.scaled(100)
    slope, trend_p = _trend(d[~after], bad[~after], labels[~after])
    falling = trend_p is not None and trend_p < TREND_P and slope < 0
    low, high = interval.low or 0.0, interval.high or 0.0
    if low > 0 and not falling:
        verdict = Verdict.WORKED
    elif high < hoped_per_100 and after_rate.n >= FEWEST_AFTER:
        verdict = Verdict.DID_NOT
    else:
        verdict = Verdict.UNKNOWN
    goal = max(hoped_per_100, saved)
    needed = _needed(before_rate, after_rate, goal) if verdict is Verdict.UNKNOWN else None
    words = _words(verdict, saved, low, high, needed, goal, falling=falling and low > 0)
    return Effect(
        before_rate, after_rate, saved, interval, trend_p, falling, needed, BEFORE_AFTER, verdict, words
    )


def _side(bad: npt.NDArray[np.float64], labels: npt.NDArray[np.str_], level: float) -> Proportion:
    if len(bad) == 0:
        return wilson(0, 0, level=level)
    codes = np.unique(labels, return_inverse=True)[1]
    size = effective_size(np.bincount(codes, bad), np.bincount(codes))
    return wilson(float(bad.sum()), float(len(bad)), level=level, n_effective=size.n_effective)


def _trend(
    day: npt.NDArray[np.float64], bad: npt.NDArray[np.float64], labels: npt.NDArray[np.str_]
) -> tuple[float, float | None]:
    """Slope of the log-odds over the days before, and its p; ``None`` where too little is lost to say."""
    codes = np.unique(labels, return_inverse=True)[1].astype(np.int64)
    if np.ptp(day) == 0 or not 5 <= bad.sum() <= len(bad) - 5 or codes.max() < 5:
        return 0.0, None
    x = np.stack([np.ones(len(day)), (day - day.mean()) / day.std()], axis=1)
    fit = fit_logit(x, bad, codes, prior_sd=np.array([np.inf, 2.5]))
    statistic = float(fit.beta[1]) / math.sqrt(fit.cov[1, 1])
    return float(fit.beta[1]), 2 * float(special.stdtr(max(1.0, float(fit.clusters[1]) - 1), -abs(statistic)))


def _needed(before: Proportion, after: Proportion, saved_per_100: float) -> int | None:
    """More parts after the action to show a saving of so many of 100."""
    rate = before.rate if before.rate is not None else 0.1
    goal = max(0.0, rate - saved_per_100 / 100)
    shrink = before.n / before.n_effective if before.n_effective else 1.0
    total = sample_for_difference(rate, goal, design_effect=shrink)
    return None if total is None else max(1, total - int(after.n))


def _words(
    verdict: Verdict,
    saved: float,
    low: float,
    high: float,
    needed: int | None,
    goal: float,
    *,
    falling: bool,
) -> str:
    figures = f"{saved:.1f} parts per 100 saved ({low:.1f} to {high:.1f})"
    if verdict is Verdict.WORKED:
        return f"It worked: {figures}."
    if verdict is Verdict.DID_NOT:
        return f"It did not work as hoped: {figures}."
    if falling:
        return f"Cannot tell yet: {figures}, but losses were already falling before the action."
    more = f" A saving of {goal:.1f} would take {more_words(needed, 'parts')} to tell." if needed else ""
    return f"Cannot tell yet: {figures}.{more}"
