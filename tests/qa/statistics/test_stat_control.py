"""Charts: frozen baselines, run rules, false alarms, and charts with little or nothing on them."""

from __future__ import annotations

import numpy as np
import pytest

from qa.statistics.charts import Chart, fit_individuals, fit_p, g_chart, individuals_chart, p_chart, u_chart
from qa.statistics.drift import cusum_chart, ewma_chart
from qa.statistics.results import StatisticsError, Verdict
from qa.statistics.run_rules import EVERY, STANDARD, Rule, signals, simulate_false_alarms


def finite(chart: Chart) -> bool:
    return all(np.isfinite([p.value, p.n, p.centre, p.lower, p.upper, p.z]).all() for p in chart.points)


def test_a_frozen_baseline_is_not_moved_by_new_points() -> None:
    base = fit_p([5] * 20, [100] * 20)
    chart = p_chart([5, 30], [100, 100], baseline=base)
    assert chart.frozen and chart.baseline == base
    assert [s.index for s in chart.signals] == [1]
    assert chart.verdict is Verdict.SHOWN
    assert chart.sentence.startswith(
        "1 of 2 points signal against the frozen baseline. Point 2: one point beyond"
    )


@pytest.mark.parametrize("counts", [[0, 0, 0], [10, 10, 10]])
def test_all_good_and_all_lost_give_a_sentence_not_a_signal(counts: list[int]) -> None:
    chart = p_chart(counts, [10, 10, 10], laney=True, false_alarm_runs=50)
    assert chart.signals == () and finite(chart)
    assert "no spread to judge a change by" in chart.sentence


def test_a_period_without_parts_is_no_signal() -> None:
    chart = p_chart([1, 0, 2], [20, 0, 30])
    assert finite(chart) and chart.points[1].z == 0


def test_no_points_at_all_are_refused_for_a_baseline() -> None:
    with pytest.raises(StatisticsError) as raised:
        fit_p([], [])
    assert raised.value.code == "no_points"


def test_more_lost_than_printed_is_refused() -> None:
    with pytest.raises(StatisticsError, match="More parts lost"):
        fit_p([3], [2])


def test_less_spread_than_chance_never_narrows_laneys_limits() -> None:
    base = fit_p([5] * 20, [100] * 20, laney=True)
    assert base.sigma_z == 1.0


def test_good_parts_between_losses_signal_when_losses_crowd() -> None:
    base_gaps = [40, 22, 61, 35, 10, 80, 55, 12, 33, 47, 90, 18, 26, 70, 41, 29, 15, 66, 38, 52]
    chart = g_chart([0, 1, 0, 2, 1, 0, 1, 0], baseline=g_chart(base_gaps).baseline)
    assert any(s.rule is Rule.EIGHT and not s.high for s in chart.signals)
    assert finite(chart)


def test_equal_measured_values_have_no_spread_to_judge_by() -> None:
    chart = individuals_chart([2.0, 2.0, 2.0])
    assert chart.values.signals == () and finite(chart.values) and finite(chart.ranges)
    assert "all alike" in chart.values.sentence


def test_one_measured_value_is_no_baseline() -> None:
    with pytest.raises(StatisticsError):
        fit_individuals([1.0])


def test_values_that_are_not_numbers_are_left_out() -> None:
    chart = individuals_chart([1.0, float("nan"), 2.0, 1.5])
    assert len(chart.values.points) == 3


def test_few_points_make_provisional_limits() -> None:
    assert "15 more baseline points" in individuals_chart([1.0, 2.0, 1.0, 2.0, 1.0]).values.sentence


def test_a_point_exactly_on_the_limit_is_inside_despite_rounding() -> None:
    chart = u_chart([28], [1], baseline=u_chart([16] * 30, [1] * 30).baseline)
    assert chart.signals == ()


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_rules_mirror(sign: float) -> None:
    z = sign * np.array([0.2] * 9 + [3.5])
    assert {s.high for s in signals(z, EVERY)} == {sign > 0}


def test_false_alarms_of_one_rule_match_the_normal_tail() -> None:
    # 25 points beyond three spreads: 1 - 0.9973^25 = 6.5 %, worked out by hand
    alarms = simulate_false_alarms(
        lambda rng, runs: rng.standard_normal((runs, 25)), (Rule.BEYOND,), runs=20000, seed=3
    )
    assert alarms.per_chart == pytest.approx(1 - 0.9973002**25, abs=0.006)


def test_more_rules_cry_wolf_more_often_and_the_seed_repeats() -> None:
    def draw(rng: np.random.Generator, runs: int) -> np.ndarray:
        return rng.standard_normal((runs, 25))

    few, many = simulate_false_alarms(draw, STANDARD), simulate_false_alarms(draw, EVERY)
    assert few.per_chart < many.per_chart
    assert few == simulate_false_alarms(draw, STANDARD)
    assert "charts of 25 points" in few.words


def test_the_false_alarm_rate_uses_the_chart_s_own_sizes() -> None:
    small = p_chart([0] * 24 + [1], [10] * 25, baseline=fit_p([2] * 20, [100] * 20), false_alarm_runs=4000)
    assert small.false_alarms is not None
    # ten parts at 2 % lost: two or more lost is beyond the limit, far commoner than the normal tail
    assert small.false_alarms.per_point > 0.01


def test_ewma_and_cusum_without_spread_or_points_say_so() -> None:
    assert "no spread" in ewma_chart([1.0, 2.0], target=1.0, sigma=0.0).sentence
    assert cusum_chart([], target=0, sigma=1).sentence == "No points yet."


def test_a_small_lasting_shift_is_found_by_ewma_and_cusum() -> None:
    x = np.concatenate([np.zeros(10), np.full(20, 1.2)])
    assert ewma_chart(x, target=0, sigma=1).verdict is Verdict.SHOWN
    assert cusum_chart(x, target=0, sigma=1).signals[0] > 10
