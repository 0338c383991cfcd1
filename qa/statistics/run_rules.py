"""Run rules on standardised points, and how often a set of them cries wolf.

Rules work on z = (value - centre) / sigma along the last axis, so that one call judges one chart or
thousands of simulated ones. A point exactly on a limit is inside; a point exactly on the centre line
belongs to neither side and ends a run.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt
from scipy import special

from qa.statistics.results import Method, StatisticsError

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

RUN_RULES = Method("Run rules", "Western Electric 1956, after ISO 7870-2")
RUNS_ANALYSIS = Method("Longest run and crossings", "Anhoej and Olesen 2014, PLoS ONE 9(11):e113825")


class Rule(StrEnum):
    """A run rule; the value is the sentence shown."""

    BEYOND = "one point beyond the limits"
    EIGHT = "eight points in a row on one side of the centre line"
    TWO_OF_THREE = "two of three points beyond two thirds of the way to one limit"
    FOUR_OF_FIVE = "four of five points beyond one third of the way to one limit"


STANDARD: tuple[Rule, ...] = (Rule.BEYOND, Rule.EIGHT)
EVERY: tuple[Rule, ...] = (Rule.BEYOND, Rule.EIGHT, Rule.TWO_OF_THREE, Rule.FOUR_OF_FIVE)


@dataclass(frozen=True, slots=True)
class Signal:
    """Point ``index`` (0-based) breaks ``rule``; ``high`` tells the side; ``words`` for a person."""

    index: int
    rule: Rule
    high: bool
    words: str


@dataclass(frozen=True, slots=True)
class FalseAlarms:
    """Simulated false alarms of a rule set on a process that has not changed."""

    per_point: float
    per_chart: float
    points: int
    runs: int
    seed: int
    words: str


@dataclass(frozen=True, slots=True)
class Runs:
    """Longest run and crossings of the centre line with their limits."""

    n: int
    longest: int
    longest_limit: int
    crossings: int
    crossings_limit: int
    signal: bool
    method: Method


def _trailing(flag: BoolArray, window: int) -> npt.NDArray[np.int64]:
    """How many of the last ``window`` points up to each point carry ``flag`` (fewer at the start)."""
    total = np.cumsum(flag, axis=-1, dtype=np.int64)
    result = total.copy()
    result[..., window:] -= total[..., :-window]
    return result


def _side(z: FloatArray, rule: Rule) -> BoolArray:
    """Points of ``z`` that break ``rule`` on the high side."""
    if rule is Rule.BEYOND:
        return z > 3
    if rule is Rule.EIGHT:
        run: BoolArray = _trailing(z > 0, 8) == 8
        return run
    if rule is Rule.TWO_OF_THREE:
        return (z > 2) & (_trailing(z > 2, 3) >= 2)
    return (z > 1) & (_trailing(z > 1, 5) >= 4)


def broken(z: npt.ArrayLike, rules: tuple[Rule, ...] = STANDARD) -> dict[Rule, tuple[BoolArray, BoolArray]]:
    """For each rule, the points breaking it on the high and on the low side (shape of ``z``)."""
    points = np.asarray(z, dtype=np.float64)
    points = np.where(np.isfinite(points), points, 0.0)
    return {rule: (_side(points, rule), _side(-points, rule)) for rule in rules}


def signals(z: npt.ArrayLike, rules: tuple[Rule, ...] = STANDARD) -> tuple[Signal, ...]:
    """Signals of one chart in the order of its points; a run signals at the point that completes it
    and at each that prolongs it."""
    found = [
        Signal(int(i), rule, high, f"Point {i + 1}: {rule.value}, {'high' if high else 'low'}.")
        for rule, sides in broken(z, rules).items()
        for high, flags in zip((True, False), sides, strict=True)
        for i in np.flatnonzero(flags)
    ]
    return tuple(sorted(found, key=lambda s: (s.index, rules.index(s.rule))))


def simulate_false_alarms(
    draw: Callable[[np.random.Generator, int], FloatArray],
    rules: tuple[Rule, ...] = STANDARD,
    *,
    runs: int = 2000,
    seed: int = 1,
) -> FalseAlarms:
    """Share of points and of charts that signal though nothing changed.

    ``draw(generator, runs)`` returns standardised points, shape (runs, points), as the chart in use
    would show them in control: its own subgroup sizes, its own limits.

    Raises :class:`StatisticsError`: ``no_points`` for a chart without a point.
    """
    z = draw(np.random.default_rng(seed), runs)
    if z.ndim != 2 or z.shape[1] == 0:
        raise StatisticsError("no_points", "A false-alarm rate needs a chart with at least one point.")
    alarm = np.zeros(z.shape, dtype=bool)
    for high, low in broken(z, rules).values():
        alarm |= high | low
    per_point, per_chart = float(alarm.mean()), float(alarm.any(axis=1).mean())
    words = (
        f"With nothing changed, {100 * per_chart:.0f} of 100 charts of {z.shape[1]} points would still "
        f"show a signal (simulated, {runs} charts)."
    )
    return FalseAlarms(per_point, per_chart, z.shape[1], runs, seed, words)


def runs_analysis(values: npt.ArrayLike, centre: float) -> Runs:
    """Longest run and number of crossings about ``centre``; points on it are left out.

    Limits: longest run above round(log2 n + 3), or fewer crossings than the 5 % quantile of a
    binomial (n - 1, 1/2).
    """
    points = np.asarray(values, dtype=np.float64)
    sides = np.sign(points[points != centre] - centre)
    n = len(sides)
    if n < 2:
        return Runs(n, n, n, 0, 0, signal=False, method=RUNS_ANALYSIS)
    change = np.flatnonzero(np.diff(sides) != 0)
    lengths = np.diff(np.concatenate(([-1], change, [n - 1])))
    longest, crossings = int(lengths.max()), len(change)
    k = np.arange(n)
    fewest = int(k[special.bdtr(k, n - 1, 0.5) >= 0.05][0])
    limit = round(math.log2(n) + 3)
    return Runs(n, longest, limit, crossings, fewest, longest > limit or crossings < fewest, RUNS_ANALYSIS)
