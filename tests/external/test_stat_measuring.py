"""Gauge studies, agreement, capability and comparisons against published examples.

Each check names its source and its trust.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from qa.statistics.agreement import (
    bland_altman,
    cohen_kappa,
    fleiss_kappa,
    intraclass_correlation,
    repeatability,
)
from qa.statistics.capability import cp_interval, cpk_interval, indices
from qa.statistics.comparison import equivalence
from qa.statistics.gauge import average_range_study, crossed_study, nested_study, one_way
from qa.statistics.results import Verdict


def numbers(text: str) -> list[float]:
    return [float(word) for word in text.replace("−", "-").split()]


# AIAG Measurement Systems Analysis reference set: 10 parts, 3 appraisers, 3 trials. Data from memory; the
# analysis reproduces the manual's published totals, so the recall is right.
GAUGE = [
    ".29 -.56 1.34 .47 -.80 .02 .59 -.31 2.26 -1.36",
    ".41 -.68 1.17 .50 -.92 -.11 .75 -.20 1.99 -1.25",
    ".64 -.58 1.27 .64 -.84 -.21 .66 -.17 2.01 -1.31",
    ".08 -.47 1.19 .01 -.56 -.20 .47 -.63 1.80 -1.68",
    ".25 -1.22 .94 1.03 -1.20 .22 .55 .08 2.12 -1.62",
    ".07 -.68 1.34 .20 -1.28 .06 .83 -.34 2.19 -1.50",
    ".04 -1.38 .88 .14 -1.46 -.29 .02 -.46 1.77 -1.49",
    "-.11 -1.13 1.09 .20 -1.07 -.67 .01 -.56 1.45 -1.77",
    "-.15 -.96 .67 .11 -1.45 -.49 .21 -.49 1.87 -2.16",
]


def gauge_cube() -> np.ndarray:
    return np.array([numbers(row) for row in GAUGE]).reshape(3, 3, 10).transpose(2, 0, 1)


def test_crossed_gauge_study_by_analysis_of_variance() -> None:
    study = crossed_study(gauge_cube())
    assert study.sums_of_squares == pytest.approx((3.16726, 88.36193, 0.35898, 2.75893), abs=5e-6)
    assert study.interaction_p == pytest.approx(0.974, abs=5e-4)
    assert study.pooled
    assert study.repeatability == pytest.approx(0.199933, abs=5e-7)
    assert study.reproducibility == pytest.approx(0.226838, abs=5e-7)
    assert study.gauge == pytest.approx(0.302372, abs=1e-6)
    assert study.part == pytest.approx(1.042327, abs=5e-7)
    assert study.total == pytest.approx(1.085300, abs=5e-7)
    assert 100 * study.share == pytest.approx(27.86, abs=5e-3)
    assert 100 * study.contribution == pytest.approx(7.76, abs=5e-3)
    assert study.categories == 4
    assert study.verdict is Verdict.CONDITIONAL


def test_crossed_gauge_study_by_average_and_range() -> None:
    study = average_range_study(gauge_cube())
    assert study.repeatability == pytest.approx(0.20186, abs=1e-5)
    assert study.reproducibility == pytest.approx(0.22967, abs=1e-5)
    assert study.gauge == pytest.approx(0.30577, abs=1e-5)
    assert study.part == pytest.approx(1.10460, abs=1e-5)
    assert study.total == pytest.approx(1.14613, abs=1e-5)
    assert 100 * study.share == pytest.approx(26.68, abs=5e-3)
    assert study.categories == 5


# NIST StRD data set SiRstv (read in the source), certified values
INSTRUMENTS = [
    "196.3052 196.1240 196.1890 196.2569 196.3403",
    "196.3042 196.3825 196.1669 196.3257 196.0422",
    "196.1303 196.2005 196.2889 196.0343 196.1811",
    "196.2795 196.1748 196.1494 196.1485 195.9885",
    "196.2119 196.1051 196.1850 196.0052 196.2090",
]


def test_one_way_analysis_gives_certified_values() -> None:
    result = one_way([numbers(row) for row in INSTRUMENTS])
    assert result.between == pytest.approx(5.11462616e-02, rel=1e-8)
    assert result.within == pytest.approx(2.1663656e-01, rel=1e-8)
    assert result.f == pytest.approx(1.18046237440255, rel=1e-9)
    assert result.r_squared == pytest.approx(0.190999039051129, rel=1e-9)
    assert result.repeatability == pytest.approx(0.104076068334656, rel=1e-9)
    # ISO 5725-2 reading of the same data (recomputed)
    assert result.between_variance == pytest.approx(0.000390947, abs=5e-10)
    assert result.reproducibility == pytest.approx(0.105938, abs=5e-7)
    assert result.repeatability_limit == pytest.approx(0.291413, abs=5e-7)


def test_large_offsets_cost_no_digits() -> None:
    # NIST StRD data set NumAcc4 (read in the source): mean 10000000.2, standard deviation 0.1 exactly
    values = np.array([10000000.2] + [10000000.1, 10000000.3] * 500)
    assert values.mean() == pytest.approx(10000000.2, rel=1e-15)
    half = one_way([values[:501], values[501:]])
    assert math.sqrt((half.between + half.within) / 1000) == pytest.approx(0.1, rel=1e-8)


def test_nested_gauge_study() -> None:
    # NIST/SEMATECH e-Handbook 2.4.4.1, data file MPC441.DAT (read in the source; figures recomputed)
    one = numbers("96.0771 95.9976 96.0148 96.0397 96.0407 96.0445")
    two = numbers("96.0793 96.1115 96.0803 96.0411 96.0988 96.0482")
    spreads = numbers(".1024 .0943 .0622 .0702 .0627 .0622 .0996 .0533 .0364 .0768 .1042 .0868")
    study = nested_study([one, two], spreads, df_per_day=5)
    assert (study.within_df, study.day_df, study.run_df) == (60, 10, 1)
    assert study.within_day == pytest.approx(0.078714, abs=5e-7)
    assert study.day == pytest.approx(0.027422, abs=5e-7)
    assert study.run == pytest.approx(0.028850, abs=5e-7)


# Bland and Altman 1986, Lancet 327:307-310 (data read in a public repository; figures recomputed)
A1 = numbers("494 395 516 434 476 557 413 442 650 433 417 656 267 478 178 423 427")
A2 = numbers("490 397 512 401 470 611 415 431 638 429 420 633 275 492 165 372 421")
B1 = numbers("512 430 520 428 500 600 364 380 658 445 432 626 260 477 259 350 451")
B2 = numbers("525 415 508 444 500 625 460 390 642 432 420 605 227 467 268 370 443")


def test_limits_of_agreement() -> None:
    result = bland_altman(A1, B1)
    assert result.bias == pytest.approx(-2.1176, abs=5e-5)
    assert result.sd == pytest.approx(38.7651, abs=5e-5)
    assert (result.low, result.high) == pytest.approx((-78.097, 73.862), abs=5e-4)
    assert (result.bias_interval.low, result.bias_interval.high) == pytest.approx((-22.05, 17.81), abs=5e-3)
    doubled = bland_altman(A1, B1, multiple=2)
    assert (doubled.low, doubled.high) == pytest.approx((-79.648, 75.413), abs=5e-4)
    ends = (doubled.low_interval.low, doubled.low_interval.high)
    assert ends == pytest.approx((-114.17, -45.13), abs=5e-3)


def test_repeatability_of_two_readings() -> None:
    # the paper's 43.2 and 56.4 are from memory and rounded on the way; recomputed 43.29 and 56.32
    assert repeatability(A1, A2) == pytest.approx((15.307, 43.29), abs=6e-3)
    assert repeatability(B1, B2) == pytest.approx((19.911, 56.32), abs=6e-3)


def test_limits_of_agreement_and_proportional_bias() -> None:
    # Giavarina 2015, Biochem Med 25:141-151 (data read in the file BLAND.DAT; paper's rounded values
    # from memory)
    first = numbers("1 5 10 20 50 40 50 60 70 80 90 100") + [150.0 + 50 * i for i in range(18)]
    second = numbers(
        "8 16 30 24 39 54 40 68 72 62 122 80 181 259 275 380 320 434 479 587 626 648 738 766 793 851 871 957 "
        "1001 960"
    )
    result = bland_altman(first, second)
    assert (result.bias, result.sd) == pytest.approx((-27.1667, 34.8059), abs=5e-5)
    assert (result.low, result.high) == pytest.approx((-95.386, 41.053), abs=5e-4)


def test_intraclass_correlations() -> None:
    # Shrout and Fleiss 1979 (data read in public code; published .17 .29 .71 .44 .62 .91 from memory)
    table = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
    result = intraclass_correlation(table)
    assert result.mean_squares == pytest.approx((11.24167, 6.26389, 32.48611, 1.01944), abs=5e-6)
    found = (result.icc_1, result.icc_2, result.icc_3, result.icc_1k, result.icc_2k, result.icc_3k)
    assert found == pytest.approx((0.165742, 0.289764, 0.714841, 0.442797, 0.620051, 0.909316), abs=5e-7)
    assert result.interval.contains(result.icc_2)


@pytest.mark.parametrize(
    ("table", "kappa"),
    # textbook tables (from memory; recomputed)
    [([[20, 5], [10, 15]], 0.4), ([[45, 15], [25, 15]], 0.1304), ([[25, 35], [5, 35]], 0.2593)],
)
def test_kappa_of_two_inspectors(table: list[list[int]], kappa: float) -> None:
    assert cohen_kappa(table).kappa == pytest.approx(kappa, abs=5e-5)


def test_kappa_of_fourteen_inspectors() -> None:
    # Fleiss's example of 10 items, 5 grades and 14 raters (data from memory; recomputed)
    rows = (
        "0 0 0 0 14/0 2 6 4 2/0 0 3 5 6/0 3 9 2 0/2 2 8 1 1/7 7 0 0 0/3 2 6 3 0/2 5 3 2 2/6 5 2 1 0/0 2 2 3 7"
    )
    result = fleiss_kappa([numbers(row) for row in rows.split("/")])
    assert result.observed == pytest.approx(0.378022, abs=5e-7)
    assert result.expected == pytest.approx(0.212755, abs=5e-7)
    assert result.kappa == pytest.approx(0.209931, abs=5e-7)


def test_capability_indices() -> None:
    # NIST/SEMATECH e-Handbook 6.1.6 (from memory); Cpm recomputed
    found = indices(16, 2, lower=8, upper=20, target=14)
    assert found["cp"] == pytest.approx(1.0)
    assert found["cpk"] == pytest.approx(0.6667, abs=5e-5)
    assert found["k"] == pytest.approx(0.3333, abs=5e-5)
    assert found["cpm"] == pytest.approx(0.7071, abs=5e-5)


def test_interval_of_cp() -> None:
    # Montgomery's example, n 20, s 1.75, limits 38 and 62 (from memory; book 1.57 to 3.01; recomputed)
    cp = indices(50, 1.75, lower=38, upper=62)["cp"]
    assert cp == pytest.approx(2.2857, abs=5e-5)
    interval = cp_interval(cp, 20)
    assert (interval.low, interval.high) == pytest.approx((1.5649, 3.0056), abs=5e-5)


def test_interval_of_cpk() -> None:
    # the published formula at n 20, 1.33 (recomputed)
    interval = cpk_interval(1.33, 20)
    assert (interval.low, interval.high) == pytest.approx((0.8826, 1.7774), abs=5e-5)


G1 = numbers(".7 -1.6 -.2 -1.2 -.1 3.4 3.7 .8 0 2.0")
G2 = numbers("1.9 .8 1.1 .1 -.1 4.4 5.5 1.6 4.6 3.4")


def test_two_one_sided_tests_on_the_sleep_data() -> None:
    # Student's sleep data, paired; a public vignette shows t -4.062, -2.777, -5.348 (from memory; recomputed)
    result = equivalence(G1, G2, paired=True, margin=0.5)
    assert (result.difference, result.error) == pytest.approx((-1.58, 0.388959), abs=5e-7)
    assert (result.t, result.p_difference) == pytest.approx((-4.06213, 0.002833), abs=5e-6)
    assert (result.t_lower, result.p_lower) == pytest.approx((-2.77664, 0.98924), abs=5e-6)
    assert (result.t_upper, result.p_upper) == pytest.approx((-5.34761, 0.000232), abs=5e-6)
    assert (result.interval.low, result.interval.high) == pytest.approx((-2.2930, -0.8670), abs=5e-5)
    assert result.verdict is not Verdict.EQUIVALENT
    wide = equivalence(G1, G2, paired=True, margin=2.5)
    assert (wide.t_lower, wide.p_lower) == pytest.approx((2.36529, 0.02112), abs=5e-6)
    assert wide.t_upper == pytest.approx(-10.4895, abs=5e-5)
    assert wide.verdict is Verdict.EQUIVALENT
