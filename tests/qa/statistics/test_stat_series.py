"""A stage that does not belong is found against the series' own trend; a steady series is silent."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import theilslopes
from statsmodels.robust.scale import mad

from qa.statistics.series import LEAST_STAGES, Z_LIMIT, series_trend


def steady(n: int, seed: int) -> np.ndarray:
    random = np.random.default_rng(seed)
    return 14.0 + 0.02 * np.arange(n) + random.normal(0, 0.03, n)


@pytest.mark.parametrize("seed", range(10))
def test_one_wrong_stage_is_found_and_moves_nothing_else(seed: int) -> None:
    values = steady(24, seed)
    values[11] += 1.5
    found = series_trend(range(1, 25), values.tolist(), floor=0.01)
    worst = max(found.points, key=lambda point: abs(point.z or 0))
    assert worst.stage == 12 and worst.stands_out
    assert found.slope == pytest.approx(0.02, abs=0.01)


def test_the_score_is_the_published_one() -> None:
    """Judges: scipy's Theil-Sen line, and statsmodels' median absolute deviation for the scale."""
    values = steady(15, 3)
    found = series_trend(range(15), values.tolist(), floor=0.0)
    slope = theilslopes(values, np.arange(15)).slope
    off = values - slope * np.arange(15)
    off -= np.median(off)
    scores = off / mad(off, c=0.6745, center=0)
    assert [point.z for point in found.points] == pytest.approx(scores.tolist(), rel=1e-4)


def test_iglewicz_and_hoaglins_example_names_the_same_two() -> None:
    """NIST/SEMATECH e-Handbook 1.3.5.17 describes the rule: |0.6745 (x - median) / MAD| > 3.5. Here the
    eight values 2.1, 2.6, 2.4, 2.5, 2.3, 2.1, 2.3, 2.6 and two strays, by hand: median 2.35, MAD 0.2."""
    values = [2.1, 2.6, 2.4, 2.5, 2.3, 2.1, 2.3, 2.6, 8.2, 8.3]
    order = [0, 8, 1, 2, 3, 4, 9, 5, 6, 7]
    placed = [values[index] for index in order]
    found = series_trend(range(10), placed, floor=0.0)
    out = [placed[index] for index, point in enumerate(found.points) if point.stands_out]
    assert out == [8.2, 8.3] and Z_LIMIT == 3.5


def test_agreement_to_the_last_digit_makes_no_outlier_of_the_next() -> None:
    found = series_trend(range(8), [10.0] * 7 + [10.001], floor=0.01)
    assert not any(point.stands_out for point in found.points)


def test_changes_are_from_the_stage_before_and_gaps_are_kept() -> None:
    found = series_trend([1, 2, 3, 4], [1.0, None, 1.5, 1.75], floor=0.1)
    assert [point.change for point in found.points] == [None, None, None, 0.25]
    assert found.slope is None and found.more_needed == LEAST_STAGES - 3
    assert all(point.z is None for point in found.points)
