"""How uncertain fitted patterns are: standard errors of a robust fit whose residuals are correlated.

Neighbouring deviations go together, so the number of samples says nothing about certainty. Two answers, of
which the larger is taken for each column:

- a jackknife over patches of the surface, one left out at a time (B. Efron and R. Tibshirani, An
  Introduction to the Bootstrap, 1993, chapter 11), which needs no model but loses what goes together across
  the borders of patches;
- the residuals' own correlation by distance, summed over all pairs of samples (the estimate of spatially
  correlated errors of T. Conley, Journal of Econometrics 92, 1999, with the measured correlation in place
  of a chosen kernel), which loses nothing at borders but takes the correlation to be alike everywhere.

A fit takes with it part of the slow variation that makes it uncertain, so the residuals' correlation is
lower than that of the noise, and negative far apart. How much lower follows from the noise's own covariance
C: residuals (1 - H) e have the covariance (1 - H) C (1 - H)'. What H takes off is worked out for the C found
so far and added back, lag by lag, until it settles (the moment form of the bias that restricted maximum
likelihood mends; see N. Cressie, Statistics for Spatial Data, 1993, section 3.4.3, on variograms of
residuals).

Both treat the fit as the M-estimate it is (P. Huber, Robust Statistics, 1981, chapter 7): scores are psi of
the residuals, and the information uses psi's slope. Weighted least squares with the final weights would
state errors some 15 % too small.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from qa.geometry import pattern_kernels as kernels
from qa.geometry.mesh import FloatArray
from qa.geometry.threads import in_pairs, side_by_side

# Numbers of both samples of each pair, and of the lag their distance falls in.
Pairs = tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.int32]]

# Pairs are summed in so many parts, whatever the cores: the same bits everywhere.
PARTS = 4
TUKEY = 4.685
NORMAL_SCALE = 1.4826


@dataclass(frozen=True)
class ErrorSettings:
    """``reach_mm``: beyond it the noise is taken as independent. ``pairs_of``: samples whose pairs are looked
    at; ``follow``: how many next ones along the list each sample is paired with for short distances.
    ``rounds`` of adding back what the fit took; ``proven``: correlation ends at the first lag where it is
    less than so many of its standard errors above zero. ``fewest_pairs``: a lag with fewer says nothing.
    ``margin``: errors are stated so much larger, since what is known of the noise is itself uncertain by some
    10 %."""

    reach_mm: float = 8.0
    lags: int = 24
    pairs_of: int = 4_000
    follow: int = 4
    rounds: int = 3
    proven: float = 2.0
    fewest_pairs: int = 30
    margin: float = 1.05
    seed: int = 0


def median_size(left: FloatArray) -> float:
    """Median of the sizes of n residuals, ten times sooner than ``np.median`` has it."""
    middle = len(left) // 2
    sizes = np.partition(np.abs(left), middle)
    lower = sizes[middle] if len(left) % 2 else sizes[:middle].max()
    return float(0.5 * (lower + sizes[middle]))


def cut_of(left: FloatArray) -> float:
    """Where Tukey's weight ends, from the residuals' median size (mm)."""
    return max(TUKEY * NORMAL_SCALE * median_size(left), 1e-6)


def tukey_weight(left: FloatArray, cut: float) -> FloatArray:
    """Tukey's biweight of residuals, 0..1."""
    size = np.minimum(np.abs(left) / cut, 1.0)
    return np.asarray((1.0 - size**2) ** 2)


def standard_errors(
    rows: FloatArray,
    left: FloatArray,
    areas: FloatArray,
    points: FloatArray,
    patch: NDArray[np.int64],
    settings: ErrorSettings | None = None,
) -> FloatArray:
    """Standard error of each column (k) of a robust fit: rows m x k, residuals, areas, points m x 3, patch
    numbers m. Points that follow each other in the list should be near each other."""
    settings = settings or ErrorSettings()
    cut = cut_of(left)
    size = np.minimum(np.abs(left) / cut, 1.0)
    score = tukey_weight(left, cut) * left
    slope = (1.0 - size**2) * (1.0 - 5.0 * size**2)
    drawn = np.random.default_rng(settings.seed).permutation(len(points))[: settings.pairs_of]
    drawn = drawn[np.argsort(points[drawn, 0])]
    total, number = np.zeros(settings.lags), np.zeros(settings.lags)

    def follow() -> None:
        kernels.products_of_followers(points, score, settings.follow, settings.reach_mm, total, number)

    def grouped() -> tuple[FloatArray, FloatArray]:
        return kernels.grouped_products(rows, areas * slope, areas * score, patch, int(patch.max()) + 1)

    (pairs, _), (parts, pulls) = in_pairs(
        lambda: in_pairs(lambda: _pairs(points[drawn], settings), follow), grouped
    )
    kernels.products_of_pairs(*pairs, score[drawn], total, number)
    information = parts.sum(axis=0)
    scale = np.sqrt(np.maximum(np.diag(information), 1e-300))
    inverse = np.linalg.pinv(information / np.outer(scale, scale), rcond=1e-13, hermitian=True)
    by_distance = _by_correlation(
        rows[drawn] / scale, areas[drawn], inverse, float(np.average(slope, weights=areas)),
        len(points) / len(drawn), total / np.maximum(number, 1), number, float(np.mean(score**2)), pairs,
        settings,
    )  # fmt: skip
    by_patch = _by_jackknife(parts / np.outer(scale, scale), pulls / scale)
    return np.asarray(settings.margin * np.maximum(by_patch, by_distance) / scale)


def _by_jackknife(parts: FloatArray, pulls: FloatArray) -> FloatArray:
    """From the step each coefficient makes when a patch is left out; only patches' sums are needed."""
    count, columns = pulls.shape
    ridge = 1e-12 * np.eye(columns)
    moved = np.linalg.solve(parts.sum(axis=0) - parts + ridge, pulls[:, :, None])[:, :, 0]
    return np.asarray(np.sqrt((count - 1.0) / count * (moved**2).sum(axis=0)))


def _by_correlation(
    row: FloatArray, area: FloatArray, inverse: FloatArray, slope: float, more: float, measured: FloatArray,
    number: FloatArray, itself: float, pairs: Pairs, settings: ErrorSettings,
) -> FloatArray:  # fmt: skip
    """From the scores' ``measured`` covariance by lag (of ``number`` pairs each; ``itself`` at none), summed
    over all near ``pairs`` of the drawn samples, whose columns are ``row`` and of which each stands for
    ``more``."""
    pull = area[:, None] * row
    among = np.maximum(np.bincount(pairs[2], minlength=settings.lags), 1)
    taken, taken_itself = np.zeros(settings.lags), 0.0
    for left in reversed(range(settings.rounds)):
        together = correlation_by_lag(measured + taken, number, itself, settings)
        near = more * _in_parts(pairs, kernels.spread_by_pairs, (together, pull), pull.shape)
        near += (itself + taken_itself) * pull
        spread = inverse @ (more * pull.T @ near) @ inverse
        if left:
            # The covariance that the fit takes off the residuals, half of it for each of a pair.
            off = np.ascontiguousarray(2.0 * slope * near @ inverse - slope**2 * row @ spread)
            taken = _in_parts(pairs, kernels.sum_by_lag, (row, off), (settings.lags,)) / among
            taken_itself = float(np.mean(np.einsum("ij,ij->i", row, off)))
    return np.asarray(np.sqrt(np.maximum(np.diag(spread), 0.0)))


def _in_parts(
    pairs: Pairs, kernel: Callable[..., None], inputs: tuple[FloatArray, ...], shape: tuple[int, ...]
) -> FloatArray:
    """What ``kernel`` adds up over all pairs."""
    out = np.zeros((PARTS, *shape))
    ends = np.linspace(0, len(pairs[0]), PARTS + 1).astype(int)
    side_by_side(
        [
            partial(kernel, *(side[ends[k] : ends[k + 1]] for side in pairs), *inputs, out[k])
            for k in range(PARTS)
        ]
    )
    return np.asarray(out.sum(axis=0))


def _pairs(points: FloatArray, settings: ErrorSettings) -> Pairs:
    room = 100 * len(points)
    one, two, lag, count = kernels.near_pairs(points, settings.reach_mm, settings.lags, room)
    if count > room:
        one, two, lag, count = kernels.near_pairs(points, settings.reach_mm, settings.lags, count)
    return one[:count], two[:count], lag[:count]


def correlation_by_lag(
    mean: FloatArray, number: FloatArray, itself: float, settings: ErrorSettings
) -> FloatArray:
    """Covariance by lag from the mean products of scores, how many pairs each is of, and their variance.

    A lag with too few pairs to say anything takes the value of the next one; from the first lag on whose
    mean is not proven above zero there is none.
    """
    mean = mean.copy()
    known = number >= settings.fewest_pairs
    for lag in range(len(mean) - 2, -1, -1):
        if not known[lag]:
            mean[lag], known[lag] = mean[lag + 1], known[lag + 1]
    error = itself / np.sqrt(np.maximum(number, settings.fewest_pairs))
    ends = np.flatnonzero(~known | (mean <= settings.proven * error))
    if len(ends):
        mean[ends[0] :] = 0.0
    return np.asarray(mean)
