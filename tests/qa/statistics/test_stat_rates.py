"""Rates: what must hold for any counts, and what a small lab gets."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.contingency_tables import StratifiedTable

from qa.statistics.binned import rate_by_age, sensible_edges
from qa.statistics.proportions import (
    effective_size,
    effective_sizes,
    fisher_exact,
    fisher_mid_p,
    mantel_haenszel,
    newcombe,
    sample_for_difference,
    wilson,
)
from qa.statistics.results import Interval, StatisticsError, Verdict


@given(n=st.integers(1, 5000), share=st.floats(0, 1), level=st.floats(0.6, 0.999))
def test_wilson_holds_the_rate_and_stays_in_range(n: int, share: float, level: float) -> None:
    count = round(n * share)
    result = wilson(count, n, level=level)
    assert 0 <= result.interval.low <= result.rate <= result.interval.high <= 1  # type: ignore[operator]


@given(n=st.integers(2, 500), share=st.floats(0, 1), shrink=st.floats(0.1, 0.99))
def test_fewer_effective_parts_widen_the_interval(n: int, share: float, shrink: float) -> None:
    count = round(n * share)
    plain, shared = wilson(count, n), wilson(count, n, n_effective=n * shrink)
    assert width(shared.interval) > width(plain.interval)


def width(interval: Interval) -> float:
    assert interval.low is not None and interval.high is not None
    return interval.high - interval.low


def test_no_parts_give_no_rate_and_a_whole_interval() -> None:
    result = wilson(0, 0)
    assert result.rate is None
    assert result.verdict is Verdict.UNKNOWN
    assert (result.interval.low, result.interval.high) == (0, 1)


@pytest.mark.parametrize(("count", "n"), [(-1, 4), (5, 4), (math.nan, 4)])
def test_impossible_counts_are_refused_in_words(count: float, n: float) -> None:
    with pytest.raises(StatisticsError, match="not possible") as raised:
        wilson(count, n)
    assert raised.value.code == "counts"


@given(st.integers(0, 40), st.integers(1, 40), st.integers(0, 40), st.integers(1, 40))
def test_the_difference_is_mirrored_when_the_sides_are_swapped(a: int, m: int, b: int, n: int) -> None:
    a, b = min(a, m), min(b, n)
    one, other = newcombe(a, m, b, n), newcombe(b, n, a, m)
    assert one.interval.low == pytest.approx(-other.interval.high, abs=1e-12)  # type: ignore[operator]
    assert one.interval.contains(one.difference)


def test_a_difference_needs_parts_on_both_sides() -> None:
    with pytest.raises(StatisticsError, match="both sides"):
        newcombe(0, 0, 1, 3)


@given(st.lists(st.integers(0, 15), min_size=4, max_size=4))
def test_mid_p_is_half_a_step_below_the_exact_p(cells: list[int]) -> None:
    table = [cells[:2], cells[2:]]
    exact, mid = fisher_exact(table), fisher_mid_p(table)
    assert 0 < mid <= exact <= 1


def test_builds_that_agree_within_count_once_each() -> None:
    size = effective_size([10, 0, 0, 0, 10, 0], [10] * 6)
    assert size.intraclass == pytest.approx(1.0)
    assert size.n_effective == pytest.approx(6.0)


def test_independent_parts_keep_their_number() -> None:
    rng = np.random.default_rng(5)
    size = effective_size(rng.binomial(10, 0.2, 400), [10] * 400)
    assert size.design_effect == pytest.approx(1.0, abs=0.15)


@pytest.mark.parametrize("lost", [[0, 0, 0], [4, 4, 4]])
def test_all_good_or_all_lost_has_no_design_effect(lost: list[int]) -> None:
    size = effective_size(lost, [4, 4, 4])
    assert size.n_effective == 12


def test_one_build_counts_as_one_observation() -> None:
    assert effective_size([1], [30]).n_effective == 1


def test_parts_of_their_own_count_in_full() -> None:
    assert effective_size([1, 0, 0], [1, 1, 1]).n_effective == 3


STRATA = st.lists(st.lists(st.integers(0, 9), min_size=4, max_size=4), min_size=1, max_size=6)


@given(STRATA, st.floats(1.0, 8.0))
def test_strata_never_give_an_infinity(cells: list[list[int]], design_effect: float) -> None:
    result = mantel_haenszel([[c[:2], c[2:]] for c in cells], design_effect=design_effect)
    for figure in (
        result.odds_ratio,
        result.risk_ratio,
        result.risk_difference,
        result.chi2,
        result.breslow_day,
        result.tarone,
    ):
        assert figure is None or math.isfinite(figure)
    ends = result.risk_difference_interval
    if ends.low is not None and ends.high is not None and result.risk_difference is not None:
        assert -1 <= ends.low <= result.risk_difference <= ends.high <= 1
        assert ends.low < ends.high


@given(STRATA)
def test_strata_are_pooled_as_statsmodels_pools_them(cells: list[list[int]]) -> None:
    filled = [[[c[0] + 1, c[1] + 1], [c[2] + 1, c[3] + 1]] for c in cells]
    result = mantel_haenszel(filled)
    judge = StratifiedTable([np.array(table, dtype=float) for table in filled])
    assert result.odds_ratio == pytest.approx(judge.oddsratio_pooled)
    low, high = judge.oddsratio_pooled_confint()
    assert (result.odds_ratio_interval.low, result.odds_ratio_interval.high) == pytest.approx((low, high))
    assert result.chi2 == pytest.approx(judge.test_null_odds(correction=False).statistic)
    # Its quadratic divides by 1 - odds, and so loses all digits where the pooled odds are even.
    if len(filled) > 1 and abs(judge.oddsratio_pooled - 1) > 1e-6:
        assert result.breslow_day == pytest.approx(judge.test_equal_odds().statistic, abs=1e-7)
        corrected = judge.test_equal_odds(adjust=True)
        assert result.tarone == pytest.approx(corrected.statistic, abs=1e-7)
        assert result.tarone_p == pytest.approx(corrected.pvalue, abs=1e-7)


def test_builds_that_are_alike_widen_what_strata_say() -> None:
    tables = [[[9, 31], [8, 72]], [[7, 23], [10, 80]]]
    plain, alike = mantel_haenszel(tables), mantel_haenszel(tables, design_effect=2.5)
    assert plain.odds_ratio == alike.odds_ratio and plain.risk_difference == alike.risk_difference
    assert plain.chi2 == pytest.approx(2.5 * (alike.chi2 or 0))
    assert math.log(alike.odds_ratio_interval.high / alike.odds_ratio) == pytest.approx(  # type: ignore[operator]
        math.sqrt(2.5) * math.log(plain.odds_ratio_interval.high / plain.odds_ratio)  # type: ignore[operator]
    )
    assert width(alike.risk_difference_interval) > width(plain.risk_difference_interval)


def test_nothing_lost_leaves_the_common_difference_untold() -> None:
    result = mantel_haenszel([[[0, 20], [0, 30]], [[0, 8], [0, 9]]])
    assert result.risk_difference_interval.low is None and result.odds_ratio is None


def test_the_common_difference_covers_the_truth_where_losses_are_rare() -> None:
    # 2,000 labs with three printers, 3 to 10 of 100 lost and 3 more at the level: 95 % must cover it.
    rng = np.random.default_rng(7)
    covered = 0
    for _ in range(2000):
        tables = []
        for n, m, rate in ((40, 160, 0.03), (60, 90, 0.06), (20, 200, 0.10)):
            at, rest = int(rng.binomial(n, rate + 0.03)), int(rng.binomial(m, rate))
            tables.append([[at, n - at], [rest, m - rest]])
        covered += mantel_haenszel(tables).risk_difference_interval.contains(0.03)
    assert 0.935 <= covered / 2000 <= 0.975


def test_what_is_compared_is_no_likeness_of_builds() -> None:
    # Every build of one side loses half, every one of the other nothing: alike within the sides.
    at, rest = effective_sizes([5, 5, 5, 0, 0, 0], [10] * 6, [0, 0, 0, 1, 1, 1])
    assert (at.n_effective, rest.n_effective) == (30, 30)
    assert effective_size([5, 5, 5, 0, 0, 0], [10] * 6).n_effective < 30


@given(st.lists(st.tuples(st.integers(0, 12), st.integers(1, 12)), min_size=3, max_size=20))
def test_one_side_alone_has_the_effective_size_of_its_builds(builds: list[tuple[int, int]]) -> None:
    lost, n = [min(bad, m) for bad, m in builds], [m for _, m in builds]
    # Beside itself the pooled correlation is its own, but for the degrees of freedom.
    first, second = effective_sizes(lost + lost, n + n, [0] * len(n) + [1] * len(n))
    assert first.n_effective == pytest.approx(second.n_effective)
    assert 0 < first.n_effective <= sum(n) + 1e-9
    assert first.intraclass == pytest.approx(effective_size(lost, n).intraclass)


def test_sample_size_grows_as_the_rates_close_in() -> None:
    near, far = sample_for_difference(0.07, 0.09), sample_for_difference(0.07, 0.17)
    assert near is not None and far is not None and near > far
    assert sample_for_difference(0.07, 0.07) is None


@given(st.lists(st.floats(0, 400), min_size=1, max_size=200))
def test_bins_are_never_empty_and_hold_every_part(ages: list[float]) -> None:
    lost = np.zeros(len(ages), dtype=bool)
    rates = rate_by_age(ages, lost)
    assert sum(b.n for b in rates.bins) == len(ages)
    assert all(b.n > 0 for b in rates.bins)


def test_bins_fall_on_whole_days() -> None:
    edges = sensible_edges(np.random.default_rng(1).uniform(0, 60, 500))
    assert all(edge == int(edge) for edge in edges)
    assert len(edges) == 9


def test_one_age_makes_one_bin() -> None:
    rates = rate_by_age([3.0] * 50, [False] * 50)
    assert [(b.low, b.high, b.n) for b in rates.bins] == [(3.0, 4.0, 50)]


def test_parts_without_an_age_are_counted_not_binned() -> None:
    rates = rate_by_age([1.0, math.nan, 2.0], [True, True, False])
    assert (rates.n, rates.missing, rates.lost) == (2, 1, 1)
    assert "1 without a recorded age" in rates.sentence


def test_no_recorded_age_is_a_sentence() -> None:
    rates = rate_by_age([math.nan, math.nan], [True, False])
    assert rates.bins == ()
    assert rates.sentence == "No part has this age recorded."


def test_an_interval_refuses_an_infinite_end() -> None:
    with pytest.raises(StatisticsError):
        Interval(0.0, math.inf, 0.95, "x")
