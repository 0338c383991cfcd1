"""How uncertain fitted patterns are: standard errors of a robust fit whose residuals are correlated.

Neighbouring deviations go together, so the number of samples says nothing about certainty. Two answers, of
which the larger is taken for each column:

- a jackknife over patches of the surface, one left out at a time (B. Efron and R. Tibshirani, An
  Introduction to the Bootstrap, 1993, chapter 11), which needs no model but loses what goes together across
  the borders of patches;
- the residuals' own correlation by distance, summed over all pairs of samples (the estimate of spatially
  correlated errors of T. Conley, Journal of Econometrics 92, 1999, with the measured correlation in place
  of a chosen kernel), which loses nothing at borders but takes the correlation to be alike everywhere.

Both treat the fit as the M-estimate it is (P. Huber, Robust Statistics, 1981, chapter 7): scores are psi of
the residuals, and the information uses psi's slope. Weighted least squares with the final weights would
state errors some 15 % too small.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from qa.geometry.mesh import FloatArray

TUKEY = 4.685
NORMAL_SCALE = 1.4826


@dataclass(frozen=True)
class ErrorSettings:
    """``reach_mm``: beyond it residuals are taken as independent; from there to ``far_mm`` their remaining
    correlation tells how far the fit has pulled it down. ``pairs_of``: samples whose pairs are looked at."""

    reach_mm: float = 6.0
    far_mm: float = 9.0
    lags: int = 24
    pairs_of: int = 4_000
    seed: int = 0


def cut_of(left: FloatArray) -> float:
    """Where Tukey's weight ends, from the residuals' median size (mm)."""
    return max(TUKEY * NORMAL_SCALE * float(np.median(np.abs(left))), 1e-6)


def tukey_weight(left: FloatArray) -> FloatArray:
    """Tukey's biweight of residuals, 0..1."""
    size = np.minimum(np.abs(left) / cut_of(left), 1.0)
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
    numbers m."""
    settings = settings or ErrorSettings()
    size = np.minimum(np.abs(left) / cut_of(left), 1.0)
    score = tukey_weight(left) * left
    slope = (1.0 - size**2) * (1.0 - 5.0 * size**2)
    by_patch = _by_jackknife(rows, score, slope, areas, patch)
    by_distance = _by_correlation(rows, score, slope, areas, points, settings)
    return np.maximum(by_patch, by_distance)


def _information(rows: FloatArray, slope: FloatArray, areas: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The information matrix with its columns brought to size one, and their sizes."""
    matrix = (rows * (areas * slope)[:, None]).T @ rows
    size = np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    return matrix / np.outer(size, size), size


def _by_jackknife(
    rows: FloatArray, score: FloatArray, slope: FloatArray, areas: FloatArray, patch: NDArray[np.int64]
) -> FloatArray:
    """From the step each coefficient makes when a patch is left out; only patches' sums are needed."""
    count, columns = int(patch.max()) + 1, rows.shape[1]
    information, size = _information(rows, slope, areas)
    order = np.argsort(patch, kind="stable")
    edges = np.searchsorted(patch[order], np.arange(count))
    scaled = rows[order] / size
    weighted = scaled * (areas * slope)[order, None]
    parts = np.stack([np.add.reduceat(weighted * scaled[:, [k]], edges) for k in range(columns)], axis=2)
    pulls = np.add.reduceat(scaled * (areas * score)[order, None], edges)
    ridge = 1e-12 * np.eye(columns)
    moved = np.linalg.solve(information - parts + ridge, pulls[:, :, None])[:, :, 0]
    return np.asarray(np.sqrt((count - 1.0) / count * (moved**2).sum(axis=0)) / size)


def _by_correlation(
    rows: FloatArray, score: FloatArray, slope: FloatArray, areas: FloatArray, points: FloatArray,
    settings: ErrorSettings,
) -> FloatArray:  # fmt: skip
    """From the scores' measured correlation by distance, summed over all near pairs."""
    drawn = np.random.default_rng(settings.seed).permutation(len(points))[: settings.pairs_of]
    more = len(points) / len(drawn)
    information, size = _information(rows, slope, areas)
    pulls = areas[drawn, None] * rows[drawn] / size
    one, two = cKDTree(points[drawn]).query_pairs(settings.far_mm, output_type="ndarray").T
    apart = np.linalg.norm(points[drawn[one]] - points[drawn[two]], axis=1)
    lag = (apart / settings.reach_mm * settings.lags).astype(np.int64)
    product = score[drawn[one]] * score[drawn[two]]
    together = correlation_by_lag(product, lag, settings.lags)
    near = lag < settings.lags
    one, two, weight = one[near], two[near], together[lag[near]]
    across = (pulls[one] * weight[:, None]).T @ pulls[two]
    spread = more * float(np.mean(score[drawn] ** 2)) * (pulls.T @ pulls) + more**2 * (across + across.T)
    inverse = np.linalg.pinv(information, rcond=1e-13, hermitian=True)
    variance = np.diag(inverse @ spread @ inverse)
    return np.asarray(np.sqrt(np.maximum(variance, 0.0)) / size)


def correlation_by_lag(product: FloatArray, lag: NDArray[np.int64], lags: int) -> FloatArray:
    """Mean product of scores at each lag (``lags``) from pairs' products and lag numbers.

    A fit leaves residuals whose far products are below zero on average; that much is added back at every
    lag. From the first lag that is not above zero on, there is no correlation.
    """
    far = lag >= lags
    pulled = min(float(product[far].mean()), 0.0) if far.any() else 0.0
    count = np.bincount(lag[~far], minlength=lags)
    mean = np.bincount(lag[~far], weights=product[~far], minlength=lags) / np.maximum(count, 1) - pulled
    ends = np.flatnonzero((mean <= 0.0) | (count == 0))
    if len(ends):
        mean[ends[0] :] = 0.0
    return np.asarray(mean)
