"""Standard errors of correlated residuals, judged by the closed form and by simulation."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from qa.geometry.identity import patch_numbers
from qa.geometry.pattern_errors import (
    ErrorSettings,
    correlation_by_lag,
    cut_of,
    standard_errors,
    tukey_weight,
)

SIDE_MM = 60.0
OVER_MM = 2.0
SIZE_MM = 0.03


@pytest.fixture(scope="module")
def field() -> tuple[np.ndarray, np.ndarray]:
    """Places on a plane and smooth columns over it: a constant, two slopes and a bend."""
    random = np.random.default_rng(4)
    points = np.column_stack([random.uniform(0, SIDE_MM, (3_000, 2)), np.zeros(3_000)])
    x, y = (points[:, :2] / SIDE_MM - 0.5).T
    return points, np.column_stack([np.ones(len(x)), x, y, x**2 - 1 / 12])


def stated(rows: np.ndarray, points: np.ndarray, noise: np.ndarray) -> np.ndarray:
    left = noise - rows @ np.linalg.lstsq(rows, noise, rcond=None)[0]
    areas = np.ones(len(points))
    return standard_errors(rows, left, areas, points, patch_numbers(points, 8.0))


def test_independent_noise_gets_the_errors_of_least_squares(field) -> None:
    # statsmodels as judge; a robust fit of normal residuals is 5 % less efficient (Huber and Ronchetti).
    points, rows = field
    random = np.random.default_rng(1)
    ratios = []
    for _ in range(6):
        noise = SIZE_MM * random.standard_normal(len(points))
        ratios.append(stated(rows, points, noise) / sm.OLS(noise, rows).fit().bse)
    assert np.mean(ratios, axis=0) == pytest.approx(1.1, abs=0.15)


def test_correlated_noise_gets_its_exact_errors_not_those_of_independent_samples(field) -> None:
    # Exact variance of least squares under a known covariance C: (X'X)^-1 X'CX (X'X)^-1.
    points, rows = field
    apart = np.linalg.norm(points[:, None, :2] - points[None, :, :2], axis=2)
    covariance = SIZE_MM**2 * np.exp(-(apart**2) / (2 * OVER_MM**2))
    bread = np.linalg.inv(rows.T @ rows)
    exact = np.sqrt(np.diag(bread @ rows.T @ covariance @ rows @ bread))
    root = np.linalg.cholesky(covariance + 1e-12 * np.eye(len(points)))
    random = np.random.default_rng(2)
    told = [stated(rows, points, root @ random.standard_normal(len(points))) for _ in range(12)]
    naive = SIZE_MM * np.sqrt(np.diag(bread))
    assert (exact > 3 * naive).all()
    assert np.mean(told, axis=0) / exact == pytest.approx(1.1, abs=0.3)


def test_a_lag_with_few_pairs_takes_the_next_ones_value_and_unproven_ones_end_the_correlation() -> None:
    settings = ErrorSettings(lags=5, fewest_pairs=10)
    mean, number = np.array([9.0, 0.8, 0.5, 0.1, 0.4]), np.array([3.0, 100.0, 100.0, 100.0, 100.0])
    assert correlation_by_lag(mean, number, 1.0, settings) == pytest.approx([0.8, 0.8, 0.5, 0.0, 0.0])


def test_tukeys_weight_ends_where_it_says() -> None:
    left = np.array([0.0, 0.01, -0.01, 0.02, -0.02, 5.0])
    weight = tukey_weight(left, cut_of(left))
    assert weight[0] == 1.0
    assert weight[-1] == 0.0
    assert cut_of(left) == pytest.approx(4.685 * 1.4826 * 0.015)
