"""Bumps as connected patches; repeats against statsmodels' analysis of variance and mixed model."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from statsmodels.stats.anova import anova_lm

from qa.geometry.bumps import find_bumps, touching_groups
from qa.geometry.repeats import repeat_map, repeats


def plane(spacing: float = 0.2) -> tuple[np.ndarray, np.ndarray]:
    x, y = np.meshgrid(np.arange(-10, 10, spacing), np.arange(-10, 10, spacing))
    points = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])
    return points, np.full(len(points), spacing**2)


def test_bumps_and_hollows_have_their_area_peak_and_place() -> None:
    points, weights = plane()
    off = np.zeros(len(points))
    off += 0.8 * (np.linalg.norm(points - [5, 5, 0], axis=1) < 1.5)
    off -= 0.6 * (np.linalg.norm(points - [-4, 2, 0], axis=1) < 1.0)
    off[np.argmin(np.linalg.norm(points - [0, -8, 0], axis=1))] = 2.0
    found = find_bumps(points, off, weights, tolerance_mm=0.25, spacing_mm=0.2)
    assert [bump.peak_mm for bump in found] == [0.8, -0.6]
    assert found[0].area_mm2 == pytest.approx(np.pi * 1.5**2, rel=0.05)
    assert found[1].area_mm2 == pytest.approx(np.pi, rel=0.05)
    assert np.linalg.norm(np.array(found[0].at_mm) - [5, 5, 0]) < 1.5


def test_a_bump_beside_a_hollow_stays_apart_and_nothing_gives_nothing() -> None:
    points, weights = plane()
    off = np.where(np.abs(points[:, 0]) < 1, np.sign(points[:, 0] + 1e-9), 0.0)
    assert len(find_bumps(points, off, weights, tolerance_mm=0.5, spacing_mm=0.2)) == 2
    assert find_bumps(points, off * 0, weights, tolerance_mm=0.5, spacing_mm=0.2) == ()


def test_groups_touch_across_corners_only_when_near() -> None:
    points = np.array([[0.0, 0, 0], [0.9, 0.9, 0.9], [5, 0, 0], [5.5, 0.4, 0]])
    group = touching_groups(points, 1.0)
    assert group[0] == group[1]
    assert group[2] == group[3]
    assert group[0] != group[2]


def test_repeats_agree_with_statsmodels() -> None:
    random = np.random.default_rng(5)
    groups = {
        name: random.normal(mean, 0.02, n)
        for name, mean, n in (("a", 0.05, 6), ("b", -0.03, 9), ("c", 0.1, 5))
    }
    frame = pd.DataFrame(
        [(name, value) for name, values in groups.items() for value in values], columns=["g", "v"]
    )
    table = anova_lm(smf.ols("v ~ C(g)", frame).fit())
    found = repeats(groups)
    assert found.repeatability_sd_mm == pytest.approx(np.sqrt(table.mean_sq["Residual"]), rel=1e-9)
    assert found.repeatability_limit_mm == pytest.approx(2.8 * found.repeatability_sd_mm)
    typical = (20 - (36 + 81 + 25) / 20) / 2
    between = (table.mean_sq["C(g)"] - table.mean_sq["Residual"]) / typical
    assert found.between_sd_mm == pytest.approx(np.sqrt(between), rel=1e-9)
    assert found.reproducibility_sd_mm == pytest.approx(
        np.sqrt(between + table.mean_sq["Residual"]), rel=1e-9
    )
    low, high = found.repeatability_ci95_mm
    assert low < 0.02 < high
    one = found.groups[0]
    assert one.bias_ci95_mm[0] < 0.05 < one.bias_ci95_mm[1]


def test_too_few_prints_say_so_and_rubbish_is_refused() -> None:
    assert "two prints" in repeats({"a": [0.1], "b": [0.2]}).sentence
    assert np.isnan(repeats({"a": [0.1]}).repeatability_sd_mm)
    assert "second group" in repeats({"a": [0.1, 0.2]}).sentence
    assert repeats({}).n == 0
    with pytest.raises(ValueError, match="number"):
        repeats({"a": [0.1, float("nan")]})


def test_a_map_of_repeats_gives_trueness_and_precision() -> None:
    random = np.random.default_rng(2)
    bias = random.normal(0, 0.05, 4_000)
    maps = bias + random.normal(0, 0.02, (12, 4_000))
    maps[0, :100] = np.nan
    maps[1:, :10] = np.nan
    found = repeat_map(maps, np.ones(4_000))
    assert found.trueness_mm == pytest.approx(0.05, rel=0.05)
    assert found.precision_mm == pytest.approx(0.02, rel=0.05)
    assert np.isnan(found.sd_mm[:10]).all()
    with pytest.raises(ValueError, match="two prints"):
        repeat_map(maps[:1], np.ones(4_000))
