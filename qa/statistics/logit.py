"""Logistic regression with a weak prior and a covariance that knows parts share builds.

The prior keeps estimates finite where a level lost all or none of its parts; the covariance is the
one-step cluster jackknife (CR3), which holds its level with few builds. Written by hand since the
libraries at hand offer neither together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from qa.statistics.results import Method, StatisticsError

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

LOGIT = Method(
    "Logistic regression, weak normal prior, cluster jackknife",
    "Prior: Gelman et al. 2008, Ann Appl Stat 2:1360-1383; covariance: Bell and McCaffrey 2002, "
    "Survey Methodology 28:169-181; effective clusters: Carter, Schnepel and Steigerwald 2017",
)
JACKKNIFE_CLUSTERS = 2000  # above this many builds the plain sandwich is as good and cheaper
# Newton decrement, in standard errors squared: a millionth of one is left to climb whatever the size of n.
_CONVERGED = 1e-12
_ROUNDING = 1e-12  # of the likelihood's size: summing a million terms errs by less


@dataclass(frozen=True, slots=True)
class LogitFit:
    """``beta`` and its cluster-robust ``cov``; ``probability`` of each row; ``clusters`` of each column is
    the effective number behind it."""

    beta: FloatArray
    cov: FloatArray
    probability: FloatArray
    clusters: FloatArray
    log_likelihood: float


def fit_logit(
    x: FloatArray,
    y: FloatArray,
    cluster: IntArray,
    *,
    prior_sd: FloatArray,
    start: FloatArray | None = None,
    floor: bool = True,
) -> LogitFit:
    """Fit ``y`` (0 or 1, n) on ``x`` (n, p).

    ``cluster``: build of each row, codes from 0 without gaps. ``prior_sd``: standard deviation of each
    coefficient's normal prior (infinite for none). With ``floor`` no variance is smaller than the
    model's own. Raises ``no_convergence`` where the likelihood has no maximum.
    """
    precision = np.where(np.isfinite(prior_sd), 1.0 / np.square(prior_sd), 0.0)
    beta = np.zeros(x.shape[1]) if start is None else start.copy()
    probability, hessian = _climb(x, y, precision, beta)
    weight = probability * (1 - probability)
    inverse: FloatArray = np.linalg.inv(hessian).astype(np.float64)
    cov, clusters = _cluster_cov(x, y - probability, weight, cluster, hessian, inverse)
    if floor:
        grow = np.sqrt(np.maximum(1.0, np.diag(inverse) / np.maximum(np.diag(cov), 1e-300)))
        cov = cov * np.outer(grow, grow)
    inside = np.clip(probability, 1e-300, 1.0)
    outside = np.clip(1 - probability, 1e-300, 1.0)
    likelihood = float(np.sum(np.where(y > 0, np.log(inside), np.log(outside))))
    return LogitFit(beta, cov, probability, clusters, likelihood)


def _climb(
    x: FloatArray, y: FloatArray, precision: FloatArray, beta: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Newton's method on the penalised likelihood, halving a step that overshoots; changes ``beta``.

    Near the top a step gains less than the likelihood's own rounding, which grows with n: a loss within
    that rounding is no overshoot.
    """

    def value(at: FloatArray) -> float:
        eta = x @ at
        return float(y @ eta - np.logaddexp(0.0, eta).sum() - 0.5 * precision @ np.square(at))

    current = value(beta)
    for _ in range(60):
        probability = special.expit(x @ beta)
        weight = np.maximum(probability * (1 - probability), 1e-10)
        hessian = (x * weight[:, None]).T @ x + np.diag(precision)
        gradient = x.T @ (y - probability) - precision * beta
        try:
            step = np.linalg.solve(hessian, gradient)
        except np.linalg.LinAlgError:
            raise StatisticsError(
                "collinear", "Two columns say the same; the model cannot part them."
            ) from None
        if float(gradient @ step) < _CONVERGED:
            return probability, hessian
        size, rounding = 1.0, _ROUNDING * abs(current)
        while (proposed := value(beta + size * step)) < current - rounding and size > 1e-6:
            size /= 2
        beta += size * step
        current = proposed
    raise StatisticsError("no_convergence", "The model did not settle; a level may hold only one outcome.")


def _cluster_cov(
    x: FloatArray,
    residual: FloatArray,
    weight: FloatArray,
    cluster: IntArray,
    hessian: FloatArray,
    inverse: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Covariance by leaving out one cluster at a time (one step), and each column's effective clusters."""
    count, p = int(cluster.max()) + 1, x.shape[1]
    score = np.stack([np.bincount(cluster, residual * x[:, j], count) for j in range(p)], axis=1)
    weighted = x * weight[:, None]
    # The share of each cluster in the information on a column, after taking out the other columns.
    partial = x @ (inverse / np.diag(inverse))
    clusters = np.zeros(p)
    for j in range(p):
        share = np.bincount(cluster, weight * np.square(partial[:, j]), count)
        clusters[j] = share.sum() ** 2 / max(float(np.square(share).sum()), 1e-300)
    if count < 2:
        return inverse.copy(), clusters
    if count > JACKKNIFE_CLUSTERS:
        moved = score @ inverse
        return count / (count - 1) * moved.T @ moved, clusters
    information = np.zeros((count, p, p))
    for i in range(p):
        for j in range(i, p):
            information[:, i, j] = information[:, j, i] = np.bincount(
                cluster, weighted[:, i] * x[:, j], count
            )
    # A cluster that alone informs a column would leave nothing: the ridge keeps the step finite.
    left = hessian - 0.999 * information
    steps = np.linalg.solve(left, score[:, :, None])[:, :, 0]
    return (count - 1) / count * steps.T @ steps, clusters
