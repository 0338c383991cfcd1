"""Trueness and precision of repeated prints, after ISO 5725.

One figure per print (a mean deviation, the error of a distance) is grouped by printer, material or place on
the platform. Trueness is the bias of the mean; precision is the repeatability standard deviation within
groups and the reproducibility standard deviation over groups, from the one-way analysis of variance that
ISO 5725-2 uses, with unequal group sizes. Whole deviation maps taken at the same places of the design give
the same two answers for every place.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import gammaincinv, stdtrit

from qa.geometry.mesh import FloatArray

# Repeatability limit: the difference of two single results is below it with 95 % (ISO 5725-6: 2.8 s_r).
LIMIT_FACTOR = 2.8


@dataclass(frozen=True)
class GroupRepeats:
    """One group of repeats: ``n`` prints, mean (bias) and SD in mm, each with a 95 % interval (NaN bounds
    where n is too small)."""

    name: str
    n: int
    bias_mm: float
    bias_ci95_mm: tuple[float, float]
    sd_mm: float
    sd_ci95_mm: tuple[float, float]


@dataclass(frozen=True)
class Repeats:
    """``bias_mm`` over all prints (each counted once) with its interval; ``repeatability_sd_mm`` s_r with its
    interval and limit 2.8 s_r; ``between_sd_mm`` s_L and ``reproducibility_sd_mm`` s_R; NaN where the data
    cannot tell, and then ``sentence`` says how many more prints are needed."""

    groups: tuple[GroupRepeats, ...]
    n: int
    bias_mm: float
    bias_ci95_mm: tuple[float, float]
    repeatability_sd_mm: float
    repeatability_ci95_mm: tuple[float, float]
    repeatability_limit_mm: float
    between_sd_mm: float
    reproducibility_sd_mm: float
    sentence: str


@dataclass(frozen=True, eq=False)
class RepeatMap:
    """Repeats place by place: mean and SD per place (n, mm), and their area-weighted root mean squares:
    ``trueness_mm`` and ``precision_mm``."""

    mean_mm: FloatArray
    sd_mm: FloatArray
    prints: int
    trueness_mm: float
    precision_mm: float


def repeats(values_by_group: Mapping[str, Sequence[float]]) -> Repeats:
    """Trueness and precision of single figures (mm) by group.

    Raises ValueError on a value that is no number.
    """
    groups = {name: np.asarray(values, dtype=np.float64) for name, values in values_by_group.items()}
    groups = {name: values for name, values in groups.items() if len(values)}
    if not all(np.isfinite(values).all() for values in groups.values()):
        raise ValueError("every value must be a number")
    told = tuple(_group(name, values) for name, values in groups.items())
    everything = np.concatenate(list(groups.values())) if groups else np.zeros(0)
    count, kinds = len(everything), len(groups)
    freedom = count - kinds
    nan = float("nan")
    if freedom < 1:
        overall = _group("all", everything)
        need = "At least one group needs two prints before precision can be told."
        return Repeats(told, count, overall.bias_mm, (nan, nan), nan, (nan, nan), nan, nan, nan, need)
    within = float(sum(np.sum((values - values.mean()) ** 2) for values in groups.values()))
    repeatability2 = within / freedom
    ends = _chi_square([0.975, 0.025], freedom)
    interval = (float(np.sqrt(within / ends[0])), float(np.sqrt(within / ends[1])))
    between2 = nan
    sizes = np.array([len(values) for values in groups.values()])
    if kinds > 1:
        means = np.array([values.mean() for values in groups.values()])
        mean_square = float(sizes @ (means - everything.mean()) ** 2) / (kinds - 1)
        typical = (count - float(sizes @ sizes) / count) / (kinds - 1)
        between2 = max(0.0, (mean_square - repeatability2) / typical)
    bias, bias_interval = _bias(groups)
    sentence = "" if kinds > 1 else "Prints of a second group are needed to tell reproducibility."
    return Repeats(
        told,
        count,
        bias,
        bias_interval,
        float(np.sqrt(repeatability2)),
        interval,
        LIMIT_FACTOR * float(np.sqrt(repeatability2)),
        float(np.sqrt(between2)),
        float(np.sqrt(between2 + repeatability2)),
        sentence,
    )


def _bias(groups: Mapping[str, FloatArray]) -> tuple[float, tuple[float, float]]:
    """Mean over all prints; its interval rests on the groups' means when there is more than one group."""
    everything = np.concatenate(list(groups.values()))
    if len(groups) == 1:
        one = _group("", everything)
        return one.bias_mm, one.bias_ci95_mm
    means = np.array([values.mean() for values in groups.values()])
    half = float(stdtrit(len(means) - 1, 0.975) * means.std(ddof=1) / np.sqrt(len(means)))
    middle = float(everything.mean())
    return middle, (float(means.mean()) - half, float(means.mean()) + half)


def _group(name: str, values: FloatArray) -> GroupRepeats:
    nan = float("nan")
    count = len(values)
    if count == 0:
        return GroupRepeats(name, 0, nan, (nan, nan), nan, (nan, nan))
    mean = float(values.mean())
    if count < 2:
        return GroupRepeats(name, count, mean, (nan, nan), nan, (nan, nan))
    sd = float(values.std(ddof=1))
    half = float(stdtrit(count - 1, 0.975)) * sd / float(np.sqrt(count))
    ends = _chi_square([0.975, 0.025], count - 1)
    spread = (
        float(sd * np.sqrt((count - 1) / ends[0])),
        float(sd * np.sqrt((count - 1) / ends[1])),
    )
    return GroupRepeats(name, count, mean, (mean - half, mean + half), sd, spread)


def repeat_map(deviations_mm: FloatArray, weights: FloatArray) -> RepeatMap:
    """Mean and SD at every place of the design over prints.

    ``deviations_mm`` prints x places (NaN where a print was not measured there), ``weights`` places (mm2).
    Places seen on fewer than two prints have no SD. Raises ValueError with fewer than two prints.
    """
    if deviations_mm.ndim != 2 or len(deviations_mm) < 2:
        raise ValueError("at least two prints are needed")
    seen = np.isfinite(deviations_mm)
    count = seen.sum(axis=0)
    values = np.where(seen, deviations_mm, 0.0)
    mean = np.where(count > 0, values.sum(axis=0) / np.maximum(count, 1), np.nan)
    squares = (np.where(seen, deviations_mm - mean, 0.0) ** 2).sum(axis=0)
    sd = np.where(count > 1, np.sqrt(squares / np.maximum(count - 1, 1)), np.nan)

    def root_mean_square(field: FloatArray) -> float:
        good = np.isfinite(field)
        return (
            float(np.sqrt(np.average(field[good] ** 2, weights=weights[good])))
            if good.any()
            else float("nan")
        )

    return RepeatMap(mean, sd, len(deviations_mm), root_mean_square(mean), root_mean_square(sd))


def _chi_square(shares: list[float], freedom: int) -> FloatArray:
    """Quantiles of chi-square, twice those of the gamma distribution; ``scipy.stats`` starts slowly."""
    return np.asarray(2.0 * gammaincinv(freedom / 2.0, shares))
