"""Print time from the lab's builds, judged by another library's regression and by hand."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from qa.statistics.print_time import (
    LEAST_BUILDS,
    BuildTime,
    estimate_print_time,
    fit_print_time,
    predict_print_time,
)
from qa.statistics.results import StatisticsError


def builds(n: int, seed: int = 7, noise: float = 2.0) -> list[BuildTime]:
    random = np.random.default_rng(seed)
    layers, area = random.integers(250, 800, n), random.uniform(2_000, 30_000, n)
    minutes = 12 + 0.15 * layers + 0.0004 * area + random.normal(0, noise, n)
    return [BuildTime(*map(float, row)) for row in zip(layers, area, minutes, strict=True)]


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("level", [0.8, 0.95])
def test_the_interval_is_statsmodels_prediction_interval(seed: int, level: float) -> None:
    """Judge: statsmodels' OLS ``get_prediction(...).summary_frame``, columns ``obs_ci_lower/upper``."""
    seen = builds(20, seed)
    found = estimate_print_time(seen, layers=500, exposed_cm2=12_000, level=level)
    table = np.array([[1.0, one.layers, one.exposed_cm2] for one in seen])
    fitted = sm.OLS(np.array([one.minutes for one in seen]), table).fit()
    judge = fitted.get_prediction(np.array([[1.0, 500, 12_000]])).summary_frame(alpha=1 - level)
    assert found.minutes == pytest.approx(float(judge["mean"].iloc[0]), rel=1e-9)
    assert found.interval is not None and found.interval.low is not None
    assert found.interval.low == pytest.approx(float(judge["obs_ci_lower"].iloc[0]), rel=1e-9)
    assert found.interval.high == pytest.approx(float(judge["obs_ci_upper"].iloc[0]), rel=1e-9)


def test_nineteen_of_twenty_new_builds_fall_inside() -> None:
    inside = 0
    for seed in range(400):
        seen = builds(13, seed)
        seen, new = seen[:12], seen[12]
        model = fit_print_time(seen)
        assert model is not None
        found = predict_print_time(model, layers=new.layers, exposed_cm2=new.exposed_cm2)
        inside += found.interval is None or found.interval.contains(new.minutes)
    assert 0.92 < inside / 400 < 0.98


@pytest.mark.parametrize("n", [0, 1, LEAST_BUILDS - 1])
def test_before_there_is_enough_history_it_says_how_much_is_missing(n: int) -> None:
    found = estimate_print_time(builds(n), layers=400, exposed_cm2=10_000)
    assert (found.minutes, found.interval, found.n, found.more_needed) == (None, None, n, LEAST_BUILDS - n)
    assert found.why.endswith(f"{LEAST_BUILDS - n} more.")


def test_outside_of_what_was_built_there_is_no_figure() -> None:
    seen = builds(15)
    assert "taller" in estimate_print_time(seen, layers=3_000, exposed_cm2=10_000).why
    assert "lower" in estimate_print_time(seen, layers=20, exposed_cm2=10_000).why
    assert "larger" in estimate_print_time(seen, layers=500, exposed_cm2=10**6).why


def test_what_cannot_be_told_apart_is_left_out() -> None:
    level = [BuildTime(400, area, 70 + area / 1_000) for area in np.linspace(2_000, 9_000, 10)]
    model = fit_print_time(level)
    assert model is not None and model.terms == ("start", "exposed_cm2")
    assert model.coefficient("exposed_cm2") == pytest.approx(0.001) and model.coefficient("layers") is None
    along = [BuildTime(count, 20.0 * count, 10 + 0.2 * count) for count in range(200, 300, 10)]
    model = fit_print_time(along)
    assert model is not None and model.terms == ("start", "layers")


def test_a_build_without_a_time_is_refused() -> None:
    with pytest.raises(StatisticsError):
        fit_print_time([BuildTime(400, 1_000, 0.0)])
