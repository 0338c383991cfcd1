"""Rates: what must hold for any counts, and what a small lab gets."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qa.statistics.binned import rate_by_age, sensible_edges
from qa.statistics.proportions import (
    effective_size,
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


@given(st.lists(st.lists(st.integers(0, 9), min_size=4, max_size=4), min_size=1, max_size=6))
def test_strata_never_give_an_infinity(cells: list[list[int]]) -> None:
    result = mantel_haenszel([[c[:2], c[2:]] for c in cells])
    for figure in (
        result.odds_ratio,
        result.risk_ratio,
        result.risk_difference,
        result.chi2,
        result.breslow_day,
    ):
        assert figure is None or math.isfinite(figure)


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
