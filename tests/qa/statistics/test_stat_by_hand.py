"""A factor's plain comparison: counts that can be recomputed, and the same within strata."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.contingency_tables import StratifiedTable
from statsmodels.stats.proportion import confint_proportions_2indep

from qa.statistics.by_hand import ByHand, Strata, by_hand
from qa.statistics.causes import contrast_of, loss_of
from qa.statistics.factors import PRACTICE, Factor
from qa.statistics.results import Interval


def step(codes: list[int]) -> Factor:
    """A step with 0 yes, 1 no and -1 not recorded."""
    n = len(codes)
    return Factor(
        "step:wash",
        PRACTICE,
        ("yes", "no"),
        np.array(codes, dtype=np.int64),
        np.full(n, np.nan),
        np.nan,
        np.nan,
    )


def compared(
    counts: dict[str, tuple[int, int, int, int]], *, per_build: int = 1, unrecorded: int = 0
) -> ByHand:
    """By printer: lost and n where the step was left out, lost and n where it was done."""
    codes, lost, printers = [], [], []
    for place, (bad_no, n_no, bad_yes, n_yes) in enumerate(counts.values()):
        for code, bad, n in ((1, bad_no, n_no), (0, bad_yes, n_yes)):
            codes += [code] * n
            lost += [True] * bad + [False] * (n - bad)
            printers += [place] * n
    codes += [-1] * unrecorded
    lost += [False] * unrecorded
    printers += [0] * unrecorded
    builds = [f"B{i // per_build}" for i in range(len(codes))]
    loss = loss_of(np.array(lost), np.array(builds))
    strata = Strata("printer", tuple(counts), np.array(printers, dtype=np.int64))
    found = by_hand(contrast_of(step(codes), loss), loss, strata)
    assert found is not None
    return found


def ends(interval: Interval) -> tuple[float, float]:
    assert interval.low is not None and interval.high is not None
    return interval.low, interval.high


def test_the_counts_are_those_of_the_records() -> None:
    found = compared({"P1": (9, 40, 8, 160), "P2": (3, 20, 6, 80)}, unrecorded=7)
    assert (found.level.count, found.level.n) == (12, 60)
    assert (found.reference.count, found.reference.n) == (14, 240)
    assert (found.left_out, found.unrecorded) == (7, 7)
    assert found.difference.difference == pytest.approx(12 / 60 - 14 / 240)
    # Every part its own build: nothing is shared, and the interval is Newcombe's plain one (statsmodels).
    judge = confint_proportions_2indep(12, 60, 14, 240, method="newcomb")
    assert found.design_effect == pytest.approx(1)
    assert ends(found.difference.interval) == pytest.approx(judge)


def test_admissions_turn_round_within_departments_and_departments_disagree() -> None:
    # Applicants to graduate school, Berkeley 1973 (Bickel, Hammel and O'Connell 1975, Science 187:398-404;
    # counts from memory, as R ships them): more men are admitted, and within departments it is not so.
    # Departments differ: Woolf's test gives p = 0.003 in R's own example, Breslow and Day's 0.00207.
    found = compared({
        "A": (512, 825, 89, 108), "B": (353, 560, 17, 25), "C": (120, 325, 202, 593),
        "D": (138, 417, 131, 375), "E": (53, 191, 94, 393), "F": (22, 373, 24, 341),
    })  # fmt: skip
    assert found.within is not None and found.within.pooled is not None
    pooled = found.within.pooled
    assert found.difference.difference == pytest.approx(0.1416, abs=5e-5)
    assert found.mid_p < 1e-6
    assert pooled.risk_difference == pytest.approx(-0.018425, abs=5e-7)
    assert ends(pooled.risk_difference_interval)[1] > 0 > ends(pooled.risk_difference_interval)[0]
    assert pooled.odds_ratio == pytest.approx(0.904697, abs=5e-7)
    assert found.within.disagree and pooled.tarone_p == pytest.approx(0.00207, abs=5e-6)
    assert len(found.within.telling) == 6 and found.within.silent == 0


def test_low_birth_weight_by_race_does_not_disagree() -> None:
    # Hosmer and Lemeshow's study: odds ratio 3.09 (1.49 to 6.39), homogeneity p = 0.21.
    found = compared({"1": (19, 52, 4, 44), "2": (6, 10, 5, 16), "3": (5, 12, 20, 55)})
    assert found.within is not None and found.within.pooled is not None
    assert found.within.pooled.odds_ratio == pytest.approx(3.08638, abs=5e-6)
    assert not found.within.disagree


def test_a_printer_with_one_side_alone_says_nothing_and_is_counted() -> None:
    found = compared({"P1": (3, 30, 4, 90), "P2": (2, 25, 0, 0), "P3": (0, 0, 1, 40)})
    assert found.within is not None
    assert [stratum.name for stratum in found.within.telling] == ["P1"] and found.within.silent == 2
    assert found.within.pooled is not None and found.within.pooled.tarone is None
    assert not found.within.disagree


def test_no_printer_with_both_sides_leaves_nothing_to_pool() -> None:
    found = compared({"P1": (3, 30, 0, 0), "P2": (0, 0, 1, 40)})
    assert found.within is not None
    assert found.within.telling == () and found.within.pooled is None and not found.within.disagree


def test_builds_that_are_alike_cost_the_intervals_their_narrowness_but_not_the_mid_p() -> None:
    # Builds of ten that are lost or good as a whole.
    together = compared({"P1": (40, 100, 20, 200)}, per_build=10)
    apart = compared({"P1": (40, 100, 20, 200)})
    assert together.design_effect == pytest.approx(10)
    assert together.mid_p == apart.mid_p
    one, other = ends(together.difference.interval), ends(apart.difference.interval)
    assert one[1] - one[0] > 2 * (other[1] - other[0])


def test_ages_are_compared_at_their_ends_and_the_middle_is_left_out() -> None:
    ages = np.repeat([0.0, 5.0, 10.0], [40, 40, 40])
    factor = Factor("days_since_filter", "equipment", (), np.zeros(120, dtype=np.int64), ages, 0.0, 10.0)
    lost = np.zeros(120, dtype=bool)
    lost[:2] = lost[80:92] = True
    loss = loss_of(lost, np.arange(120))
    found = by_hand(contrast_of(factor, loss), loss, None)
    assert found is not None and found.within is None
    assert (found.level.count, found.level.n) == (12, 40)
    assert (found.reference.count, found.reference.n) == (2, 40)
    assert (found.left_out, found.unrecorded) == (40, 0)


COUNTS = st.tuples(st.integers(0, 9), st.integers(0, 9), st.integers(0, 9), st.integers(0, 9))


@given(st.lists(COUNTS, min_size=1, max_size=4), st.integers(1, 6))
def test_whatever_the_counts_every_figure_is_finite_or_none(
    cells: list[tuple[int, int, int, int]], per_build: int
) -> None:
    counts = {f"P{i}": (a, a + b, c, c + d) for i, (a, b, c, d) in enumerate(cells)}
    if not sum(n for _, n, _, _ in counts.values()) or not sum(n for _, _, _, n in counts.values()):
        return
    found = compared(counts, per_build=per_build)
    pooled = found.within.pooled if found.within else None
    figures = [
        found.mid_p, found.design_effect, found.difference.difference, *ends(found.difference.interval),
        *ends(found.level.interval), *ends(found.reference.interval),
    ]  # fmt: skip
    if pooled is not None:
        figures += [
            figure
            for figure in (
                pooled.risk_difference, pooled.odds_ratio, pooled.tarone, pooled.tarone_p,
                pooled.risk_difference_interval.low, pooled.risk_difference_interval.high,
                pooled.odds_ratio_interval.low, pooled.odds_ratio_interval.high,
            )
            if figure is not None
        ]  # fmt: skip
    assert all(math.isfinite(figure) for figure in figures)
    assert 0 < found.mid_p <= 1 and found.design_effect > 0


def test_strata_are_pooled_as_statsmodels_pools_them() -> None:
    counts = {"P1": (9, 40, 8, 160), "P2": (3, 20, 6, 80), "P3": (7, 50, 2, 60)}
    found = compared(counts)
    tables = [np.array([[a, n - a], [c, m - c]], dtype=float) for a, n, c, m in counts.values()]
    judge = StratifiedTable(tables)
    assert found.within is not None and found.within.pooled is not None
    assert found.within.pooled.odds_ratio == pytest.approx(judge.oddsratio_pooled)
    assert ends(found.within.pooled.odds_ratio_interval) == pytest.approx(judge.oddsratio_pooled_confint())
    assert found.within.pooled.tarone_p == pytest.approx(judge.test_equal_odds(adjust=True).pvalue)
