"""A rate against an age, in bins that hold enough parts to say something.

Free of pandas and scipy.stats. Bins come from quantiles of the ages seen, moved to whole units, so no
bin is empty and none is thinner than asked for where the ages allow it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from qa.statistics.proportions import WILSON, EffectiveSize, effective_size, wilson
from qa.statistics.results import Interval, Method, StatisticsError, count_words, of_words

FloatArray = npt.NDArray[np.float64]
BINNED = Method("Rate in quantile bins with Wilson intervals on the effective n", WILSON.source)


@dataclass(frozen=True, slots=True)
class AgeBin:
    """Ages from ``low`` up to, not including, ``high`` (the last bin includes it)."""

    low: float
    high: float
    n: int
    lost: int
    clusters: int
    n_effective: float
    rate: float
    interval: Interval


@dataclass(frozen=True, slots=True)
class BinnedRates:
    """Rates by age; ``missing`` counts parts whose age is not recorded, which are in no bin."""

    bins: tuple[AgeBin, ...]
    n: int
    lost: int
    missing: int
    intraclass: float
    method: Method
    sentence: str


def sensible_edges(
    age: npt.ArrayLike, *, max_bins: int = 8, min_parts: int = 20, whole: bool = True
) -> tuple[float, ...]:
    """Bin edges by quantiles of ``age``, on whole units where ``whole``; at least two edges.

    An edge is dropped where a bin would hold fewer than ``min_parts`` parts.

    Raises :class:`StatisticsError`: ``no_ages`` where no age is known.
    """
    values = np.asarray(age, dtype=np.float64)
    values = np.sort(values[np.isfinite(values)])
    if len(values) == 0:
        raise StatisticsError("no_ages", "No part has this age recorded.")
    wanted = max(1, min(max_bins, len(values) // max(1, min_parts)))
    inner = np.quantile(values, np.arange(1, wanted) / wanted)
    inner = np.ceil(inner) if whole else inner
    low = float(np.floor(values[0])) if whole else float(values[0])
    high = float(np.ceil(values[-1])) if whole else float(values[-1])
    high = high if high > low else low + 1.0
    edges = [low]
    for edge in np.unique(inner):
        inside = np.searchsorted(values, edge) - np.searchsorted(values, edges[-1])
        rest = len(values) - np.searchsorted(values, edge)
        if low < edge < high and inside >= min_parts and rest >= min_parts:
            edges.append(float(edge))
    return (*edges, high)


def rate_by_age(
    age: npt.ArrayLike,
    lost: npt.ArrayLike,
    *,
    cluster: npt.ArrayLike | None = None,
    edges: tuple[float, ...] | None = None,
    max_bins: int = 8,
    min_parts: int = 20,
    whole: bool = True,
    level: float = 0.95,
) -> BinnedRates:
    """Lost rate in bins of ``age`` (one value a part, not-a-number where not recorded).

    ``lost``: booleans, same length. ``cluster``: the build of each part; the intraclass correlation is
    estimated over all parts once and shortens every bin's n.

    Raises :class:`StatisticsError`: ``lengths`` where ages, outcomes and builds differ in number;
    ``no_ages`` where no age is known.
    """
    ages = np.asarray(age, dtype=np.float64)
    bad = np.asarray(lost, dtype=bool)
    if ages.shape != bad.shape or ages.ndim != 1:
        raise StatisticsError("lengths", "Each part needs one age and one outcome.")
    known = np.isfinite(ages)
    codes = _cluster_codes(cluster, len(ages))[known]
    ages, bad, missing = ages[known], bad[known], int((~known).sum())
    if len(ages) == 0:
        return BinnedRates((), 0, 0, missing, 0.0, BINNED, "No part has this age recorded.")
    cut = edges or sensible_edges(ages, max_bins=max_bins, min_parts=min_parts, whole=whole)
    whole_size = _size(bad, codes)
    place = np.clip(np.searchsorted(np.asarray(cut[1:-1]), ages, side="right"), 0, len(cut) - 2)
    bins = tuple(
        _bin(cut[i], cut[i + 1], bad[place == i], codes[place == i], whole_size.intraclass, level)
        for i in range(len(cut) - 1)
        if (place == i).any()
    )
    sentence = (
        f"{of_words(int(bad.sum()), len(bad), 'parts')} lost, in {count_words(len(bins), 'age bins')}"
        + (f"; {missing} without a recorded age are left out." if missing else ".")
    )
    return BinnedRates(bins, len(bad), int(bad.sum()), missing, whole_size.intraclass, BINNED, sentence)


def _cluster_codes(cluster: npt.ArrayLike | None, n: int) -> npt.NDArray[np.int64]:
    if cluster is None:
        return np.arange(n, dtype=np.int64)
    labels = np.asarray(cluster)
    if labels.shape != (n,):
        raise StatisticsError("lengths", "Each part needs one build.")
    if labels.dtype == object:
        labels = labels.astype(str)
    return np.unique(labels, return_inverse=True)[1].astype(np.int64)


def _size(bad: npt.NDArray[np.bool_], codes: npt.NDArray[np.int64]) -> EffectiveSize:
    dense = np.unique(codes, return_inverse=True)[1]
    return effective_size(np.bincount(dense, weights=bad), np.bincount(dense))


def _bin(
    low: float,
    high: float,
    bad: npt.NDArray[np.bool_],
    codes: npt.NDArray[np.int64],
    intraclass: float,
    level: float,
) -> AgeBin:
    counts = np.unique(codes, return_counts=True)[1].astype(np.float64)
    n = float(counts.sum())
    effective = n / (1 + (float((counts**2).sum()) / n - 1) * intraclass)
    share = wilson(float(bad.sum()), n, level=level, n_effective=effective)
    return AgeBin(
        low, high, int(n), int(bad.sum()), len(counts), effective, float(bad.mean()), share.interval
    )
