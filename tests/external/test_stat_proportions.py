"""Rates and two-by-two tables against published examples; each check names its source and its trust."""

from __future__ import annotations

import pytest

from qa.statistics.proportions import (
    clopper_pearson,
    fisher_exact,
    mantel_haenszel,
    newcombe,
    poisson_interval,
    wilson,
    zero_failure_sample,
)


@pytest.mark.parametrize(
    ("count", "n", "low", "high"),
    # Newcombe 1998, Stat Med 17:857-872 (values from memory; recomputed with statsmodels)
    [
        (81, 263, 0.25529, 0.36621),
        (15, 148, 0.06239, 0.16049),
        (0, 20, 0.0, 0.16113),
        (1, 29, 0.00611, 0.17176),
    ],
)
def test_wilson_gives_newcombes_published_limits(count: int, n: int, low: float, high: float) -> None:
    interval = wilson(count, n).interval
    assert interval.low == pytest.approx(low, abs=5e-6)
    assert interval.high == pytest.approx(high, abs=5e-6)


@pytest.mark.parametrize(
    ("count", "n", "low", "high"),
    # codegolf.stackexchange.com question 105389, z = 1.96 (read in the source)
    [
        (10, 100, 0.055229, 0.174367),
        (1, 11, 0.016232, 0.377365),
        (0, 100, 0.0, 0.036995),
        (50, 100, 0.403830, 0.596170),
        (0, 1, 0.0, 0.793457),
    ],
)
def test_wilson_gives_a_public_table_at_z_196(count: int, n: int, low: float, high: float) -> None:
    interval = wilson(count, n, z=1.96).interval
    assert interval.low == pytest.approx(low, abs=5e-7)
    assert interval.high == pytest.approx(high, abs=5e-7)


def test_clopper_pearson_gives_the_handbook_limits() -> None:
    # NIST/SEMATECH e-Handbook 7.2.4.1 (from memory; recomputed)
    interval = clopper_pearson(4, 20, level=0.90)
    assert interval.low == pytest.approx(0.071354, abs=5e-7)
    assert interval.high == pytest.approx(0.401028, abs=5e-7)


@pytest.mark.parametrize(
    ("count", "low", "high"),
    # Garwood 1936 (recomputed with scipy)
    [(0, 0.0, 3.6889), (1, 0.02532, 5.5716), (5, 1.6235, 11.6683), (10, 4.7954, 18.3904)],
)
def test_exact_poisson_limits(count: int, low: float, high: float) -> None:
    interval = poisson_interval(count)
    assert interval.low == pytest.approx(low, abs=6e-5)
    assert interval.high == pytest.approx(high, abs=6e-5)


@pytest.mark.parametrize(
    ("a", "m", "b", "n", "difference", "low", "high"),
    # Newcombe 1998b, Stat Med 17:873-890 (from memory; recomputed)
    [(56, 70, 48, 80, 0.2, 0.0524, 0.3339), (9, 10, 3, 10, 0.6, 0.1705, 0.8090)],
)
def test_newcombe_difference(
    a: int, m: int, b: int, n: int, difference: float, low: float, high: float
) -> None:
    result = newcombe(a, m, b, n)
    assert result.difference == pytest.approx(difference)
    assert result.interval.low == pytest.approx(low, abs=5e-5)
    assert result.interval.high == pytest.approx(high, abs=5e-5)


def test_zero_failure_sample_sizes() -> None:
    # success-run theorem (recomputed)
    assert zero_failure_sample(reliability=0.95, confidence=0.95) == 59
    assert zero_failure_sample(reliability=0.99, confidence=0.95) == 299


def test_fisher_gives_the_tea_tasting_p() -> None:
    # Penn State STAT 504 output (read in the source)
    assert fisher_exact([[3, 1], [1, 3]]) == pytest.approx(0.4857, abs=5e-5)


def test_fisher_gives_a_known_p() -> None:
    # recomputed with scipy
    assert fisher_exact([[1, 9], [11, 3]]) == pytest.approx(0.0027595, abs=5e-8)


def test_mantel_haenszel_gives_the_rabbit_example() -> None:
    # Agresti 1990, as in R's mantelhaen.test example (read in the source)
    rabbits = [
        [[0, 6], [0, 5]],
        [[3, 3], [0, 6]],
        [[6, 0], [2, 4]],
        [[5, 1], [6, 0]],
        [[2, 0], [5, 0]],
    ]
    result = mantel_haenszel(rabbits)
    assert result.odds_ratio == pytest.approx(7.0)
    assert result.chi2_corrected == pytest.approx(3.928571, abs=5e-7)
    assert result.p_corrected == pytest.approx(0.047472, abs=5e-7)
    assert result.chi2 == pytest.approx(5.657143, abs=5e-7)
    assert result.p == pytest.approx(0.017384, abs=5e-7)


def test_mantel_haenszel_undoes_the_admissions_paradox() -> None:
    # University admissions by department: counts from memory; figures recomputed
    admissions = [
        [[512, 313], [89, 19]],
        [[353, 207], [17, 8]],
        [[120, 205], [202, 391]],
        [[138, 279], [131, 244]],
        [[53, 138], [94, 299]],
        [[22, 351], [24, 317]],
    ]
    result = mantel_haenszel(admissions)
    assert result.odds_ratio == pytest.approx(0.904697, abs=5e-7)
    assert result.odds_ratio_interval.low == pytest.approx(0.771907, abs=5e-7)
    assert result.odds_ratio_interval.high == pytest.approx(1.060330, abs=5e-7)
    assert result.chi2_corrected == pytest.approx(1.4269, abs=5e-5)
    assert result.chi2 == pytest.approx(1.5246, abs=5e-5)
    assert result.breslow_day == pytest.approx(18.8255, abs=5e-5)
    assert result.breslow_day_p == pytest.approx(0.00207, abs=5e-6)
    assert result.risk_ratio == pytest.approx(0.944905, abs=5e-7)
    assert result.risk_difference == pytest.approx(-0.018425, abs=5e-7)


def test_mantel_haenszel_gives_the_birth_weight_example() -> None:
    # Hosmer and Lemeshow's low birth weight study by race (odds ratio 3.09 from memory; recomputed)
    strata = [[[19, 33], [4, 40]], [[6, 4], [5, 11]], [[5, 7], [20, 35]]]
    result = mantel_haenszel(strata)
    assert result.odds_ratio == pytest.approx(3.08638, abs=5e-6)
    assert result.odds_ratio_interval.low == pytest.approx(1.49074, abs=5e-6)
    assert result.odds_ratio_interval.high == pytest.approx(6.38995, abs=5e-6)
    assert result.chi2 == pytest.approx(9.41340, abs=5e-6)
    assert result.chi2_corrected == pytest.approx(8.37789, abs=5e-6)
    assert result.breslow_day == pytest.approx(3.12589, abs=5e-6)
    assert result.breslow_day_p == pytest.approx(0.2095, abs=5e-5)


def test_the_common_difference_of_the_bcg_trials_has_the_published_interval() -> None:
    # Thirteen trials of BCG vaccine (Colditz et al. 1994, JAMA 271:698-702; counts from memory). R's
    # metafor holds its rma.mh(measure="RD") to -0.0033 (-0.0039 to -0.0027), z = -11.4708, by Sato, Greenland
    # and Robins (1989); read in its tests. With so many people Klingenberg's interval is the same.
    trials = [
        (4, 119, 11, 128), (6, 300, 29, 274), (3, 228, 11, 209), (62, 13536, 248, 12619),
        (33, 5036, 47, 5761), (180, 1361, 372, 1079), (8, 2537, 10, 619), (505, 87886, 499, 87892),
        (29, 7470, 45, 7232), (17, 1699, 65, 1600), (186, 50448, 141, 27197), (5, 2493, 3, 2338),
        (27, 16886, 29, 17825),
    ]  # fmt: skip
    result = mantel_haenszel([[[a, b], [c, d]] for a, b, c, d in trials])
    interval = result.risk_difference_interval
    assert result.risk_difference == pytest.approx(-0.0033, abs=5e-5)
    assert interval.low == pytest.approx(-0.0039, abs=5e-5)
    assert interval.high == pytest.approx(-0.0027, abs=5e-5)
    assert interval.low is not None and interval.high is not None and result.risk_difference is not None
    error = (interval.high - interval.low) / 2 / 1.959964
    assert result.risk_difference / error == pytest.approx(-11.4708, abs=2e-3)
    # The same source, measure="OR": 0.6229 (0.5748 to 0.6750).
    assert result.odds_ratio == pytest.approx(0.6229, abs=5e-5)
    assert result.odds_ratio_interval.low == pytest.approx(0.5748, abs=5e-5)
    assert result.odds_ratio_interval.high == pytest.approx(0.6750, abs=5e-5)
