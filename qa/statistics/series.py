"""Which stages of a series stand out from the series' own trend, and what changes from one to the next.

A series of aligner models changes slowly from stage to stage. The trend is Theil and Sen's line (Sen 1968,
J. Am. Stat. Assoc. 63:1379); a stage stands out when its distance from it is beyond 3.5 modified z-scores
(Iglewicz and Hoaglin, *How to Detect and Handle Outliers*, 1993: 0.6745 x distance over the median
absolute deviation). One wrong stage moves neither the line nor the scale.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from qa.statistics.results import Method

FloatArray: TypeAlias = NDArray[np.float64]

METHOD = Method(
    "distance from Theil and Sen's line in modified z-scores",
    "Sen 1968; Iglewicz and Hoaglin 1993",
)
Z_LIMIT = 3.5
# The normal distribution's third quartile: makes the median absolute deviation a standard deviation.
_QUARTILE = 0.6745
LEAST_STAGES = 5


@dataclass(frozen=True, slots=True)
class StagePoint:
    """One stage's place in one figure: what the trend expects, ``z`` from it, and the change since the
    stage before. ``None`` where there is no figure, or too few stages for a trend."""

    stage: int
    value: float | None
    expected: float | None
    z: float | None
    change: float | None

    @property
    def stands_out(self) -> bool:
        """Whether it lies beyond the limit."""
        return self.z is not None and abs(self.z) > Z_LIMIT


@dataclass(frozen=True, slots=True)
class SeriesTrend:
    """One figure over the stages. ``slope`` is per stage; ``None`` below ``LEAST_STAGES`` values."""

    points: tuple[StagePoint, ...]
    slope: float | None
    n: int
    more_needed: int
    method: Method = METHOD


def series_trend(stages: Sequence[int], values: Sequence[float | None], *, floor: float) -> SeriesTrend:
    """Judge one figure of every stage (in rising order of stage).

    ``floor`` (in the figure's unit) is the smallest scale that is believed: differences that nobody could
    see are not called outliers because all other stages happen to agree to the last digit.
    """
    at = np.array(stages, dtype=np.float64)
    given = np.array([np.nan if value is None else value for value in values], dtype=np.float64)
    known = np.isfinite(given)
    n = int(known.sum())
    slope: float | None = None
    expected = np.full(len(at), np.nan)
    z = np.full(len(at), np.nan)
    if n >= LEAST_STAGES and np.ptp(at[known]) > 0:
        from scipy import stats

        slope = float(stats.theilslopes(given[known], at[known]).slope)
        level = float(np.median(given[known] - slope * at[known]))
        expected = level + slope * at
        off = given - expected
        scale = max(float(np.median(np.abs(off[known]))), floor)
        z = _QUARTILE * off / scale
    points = []
    before: float | None = None
    for index, stage in enumerate(stages):
        value = float(given[index]) if known[index] else None
        points.append(
            StagePoint(
                stage=stage,
                value=value,
                expected=float(expected[index]) if slope is not None else None,
                z=float(z[index]) if slope is not None and value is not None else None,
                change=None if value is None or before is None else value - before,
            )
        )
        before = value
    return SeriesTrend(tuple(points), slope, n, max(0, LEAST_STAGES - n))
