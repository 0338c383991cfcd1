"""Control charts against published examples; each check names its source and its trust."""

from __future__ import annotations

import numpy as np
import pytest

from qa.statistics.charts import fit_p, individuals_chart, p_chart, u_chart
from qa.statistics.drift import cusum, cusum_chart, ewma, ewma_chart
from qa.statistics.run_rules import EVERY, Rule, runs_analysis, signals, simulate_false_alarms


def numbers(text: str) -> list[float]:
    return [float(word) for word in text.split()]


def beyond(chart_signals: object) -> list[int]:
    """One-based points beyond the limits."""
    return [s.index + 1 for s in chart_signals if s.rule is Rule.BEYOND]  # type: ignore[attr-defined]


def test_individuals_and_moving_range() -> None:
    # NIST/SEMATECH e-Handbook 6.3.2.2 (data and limits from memory; recomputed)
    x = numbers("49.6 47.6 49.9 51.3 47.8 51.2 52.6 52.4 53.6 52.1")
    chart = individuals_chart(x)
    point, moving = chart.values.points[0], chart.ranges.points[0]
    assert point.centre == pytest.approx(50.81)
    assert point.upper == pytest.approx(55.8041, abs=5e-5)
    assert point.lower == pytest.approx(45.8159, abs=5e-5)
    assert moving.centre == pytest.approx(1.8778, abs=5e-5)
    assert moving.upper == pytest.approx(6.1347, abs=5e-5)
    assert [round(p.value, 1) for p in chart.ranges.points] == [2.0, 2.3, 1.4, 3.5, 3.4, 1.4, 0.2, 1.2, 1.5]
    assert chart.values.signals == () and chart.ranges.signals == ()


def test_tabular_cusum() -> None:
    # NIST/SEMATECH e-Handbook 6.3.2.3 (data and parameters from memory; table recomputed)
    x = numbers(
        "324.925 324.675 324.725 324.350 325.350 325.225 324.125 324.525 325.225 324.600 324.625 325.150 "
        "328.325 327.250 327.825 328.500 326.675 327.775 326.875 328.350"
    )
    chart = cusum_chart(x, target=325, sigma=1.0, k=0.3175, h=4.1959)
    expected_high = numbers("0 3.0075 4.9400 7.4475 10.6300 11.9875 14.4450 16.0025 19.0350")
    assert chart.high[11:] == pytest.approx(expected_high, abs=5e-5)
    assert chart.high[4] == pytest.approx(0.0325)
    assert chart.low[:12] == pytest.approx(
        numbers("0 .0075 0 .3325 0 0 .5575 .7150 .1725 .2550 .3125 0"), abs=5e-5
    )
    assert chart.signals[0] + 1 == 14
    assert float(np.sum(np.array(x) - 325)) == pytest.approx(19.075)


def test_ewma() -> None:
    # NIST/SEMATECH e-Handbook 6.3.2.4 (data and limits from memory; recomputed)
    x = numbers(
        "52.0 47.0 53.0 49.3 50.1 47.0 51.0 50.1 51.2 50.5 49.6 47.6 49.9 51.3 47.8 51.2 52.6 52.4 53.6 52.1"
    )
    chart = ewma_chart(x, target=50, sigma=2.0539, weight=0.3, width=3, settled=True)
    expected = numbers(
        "50.60 49.52 50.56 50.18 50.16 49.21 49.75 49.85 50.26 50.33 50.11 49.36 49.52 50.05 49.38 49.92 "
        "50.73 51.23 51.94 51.99"
    )
    assert chart.average == pytest.approx(expected, abs=6e-3)
    assert chart.upper[0] == pytest.approx(52.5884, abs=5e-5)
    assert chart.lower[0] == pytest.approx(47.4116, abs=5e-5)
    assert chart.signals == ()
    growing = ewma_chart(x, target=50, sigma=2.0539, weight=0.3, width=3)
    assert growing.upper[:3] == pytest.approx([51.8485, 52.2564, 52.4314], abs=5e-5)


def test_counts_chart_and_a_point_on_its_limit() -> None:
    # NIST/SEMATECH e-Handbook 6.3.3.1, data file MONITOR-6_3_3_1.DAT (read in the source).
    # Wafer 3 sits on the limit: our choice is that "on" is inside.
    counts = numbers("16 14 28 16 12 20 10 12 10 17 19 17 14 16 15 13 14 16 11 20 11 19 16 31 13")
    chart = u_chart(counts, [1] * 25)
    assert chart.baseline.centre == pytest.approx(16)
    assert (chart.points[0].lower, chart.points[0].upper) == pytest.approx((4, 28))
    assert beyond(chart.signals) == [24]


def test_proportions_chart_of_equal_sizes() -> None:
    # NIST/SEMATECH e-Handbook 6.3.3.2, data file MONITOR-6_3_3_2.DAT (read in the source)
    shares = numbers(
        ".24 .30 .16 .20 .08 .14 .32 .18 .28 .20 .10 .12 .34 .24 .44 .16 .20 .10 .26 .22 .40 .36 .48 .30 .18 "
        ".24 .14 .26 .18 .12"
    )
    counts = np.rint(np.array(shares) * 50)
    chart = p_chart(counts, [50] * 30)
    assert chart.baseline.centre == pytest.approx(0.231333, abs=5e-7)
    assert chart.points[0].upper == pytest.approx(0.410239, abs=5e-7)
    assert chart.points[0].lower == pytest.approx(0.052428, abs=5e-7)
    assert beyond(chart.signals) == [15, 23]
    assert fit_p(counts, [50] * 30, laney=True).sigma_z == pytest.approx(1.66087, abs=5e-6)  # recomputed


def test_proportions_chart_of_varying_sizes() -> None:
    # data file CCP.DAT (read in the source); limits recomputed
    pairs = (
        "14/125 19/200 19/188 24/200 15/200 16/250 38/390 40/360 21/250 32/250 40/395 25/300 39/310 36/200 "
        "17/300 19/185 4/55 9/90 12/130 26/300"
    )
    counts, sizes = zip(*(map(int, pair.split("/")) for pair in pairs.split()), strict=True)
    chart = p_chart(counts, sizes)
    assert chart.baseline.centre == pytest.approx(0.0994015, abs=5e-8)
    assert beyond(chart.signals) == [14]
    assert (chart.points[0].lower, chart.points[0].upper) == pytest.approx((0.019118, 0.179685), abs=5e-7)
    assert chart.points[16].lower == 0
    assert chart.points[16].upper == pytest.approx(0.220434, abs=5e-7)
    assert fit_p(counts, sizes, laney=True).sigma_z == pytest.approx(1.378137, abs=5e-7)


def test_defects_per_part_charts() -> None:
    # data files CCC.DAT and CCU.DAT, after Ishikawa, Guide to Quality Control, pp. 81-84 (read in the
    # source; limits recomputed)
    c = numbers("6 5 3 5 3 8 3 5 4 3 6 4 6 6 6 5 7 6 9 13")
    chart = u_chart(c, [1] * 20)
    assert chart.baseline.centre == pytest.approx(5.65)
    assert chart.points[0].upper == pytest.approx(12.7809, abs=5e-5)
    assert chart.points[0].lower == 0
    assert beyond(chart.signals) == [20]
    u = numbers("4 3 3 4 5 3 6 7 5 3 5 5 4 6 5 4 4 6 8 8")
    sizes = [2.0] * 6 + [2.5] * 7 + [2.25] * 5 + [2.75] * 2
    chart = u_chart(u, sizes)
    assert chart.baseline.centre == pytest.approx(2.118919, abs=5e-7)
    assert chart.points[0].upper == pytest.approx(5.206820, abs=5e-7)
    assert chart.points[0].lower == 0


def test_laney_holds_what_the_plain_chart_floods() -> None:
    # Mohammed et al. 2013, BMJ Qual Saf 22:362-368, data read in a table of an open textbook; recomputed
    r = numbers(
        "266501 264225 276532 281461 269071 261215 270409 279778 270483 270320 267923 271478 255353 256820 "
        "261835 259144 255910 260863 264465 260989"
    )
    n = numbers(
        "280443 276823 291681 296155 282343 275888 283867 295251 284468 282529 279618 283932 266629 268091 "
        "276803 271578 266005 273520 278574 273772"
    )
    plain, laney = p_chart(r, n), p_chart(r, n, laney=True)
    assert plain.baseline.centre == pytest.approx(0.95289971, abs=5e-9)
    assert [p.z for p in plain.points[:3]] == pytest.approx([-6.53399, 3.95142, -12.32985], abs=5e-6)
    assert len(beyond(plain.signals)) == 16
    assert laney.baseline.sigma_z == pytest.approx(10.640422, abs=5e-7)
    assert beyond(laney.signals) == []
    week = laney.points[0]
    assert (week.lower, week.upper) == pytest.approx((0.940130, 0.965670), abs=5e-7)
    assert (plain.points[0].lower, plain.points[0].upper) == pytest.approx((0.951700, 0.954100), abs=5e-7)


@pytest.mark.parametrize(
    ("z", "rule", "at"),
    # run rules as read in an open textbook (anhoej/spc4hc, chapter 13); strings derived by hand
    [
        ("0 0 3.1", Rule.BEYOND, 3),
        ("2.1 .5 2.2", Rule.TWO_OF_THREE, 3),
        ("2.1 .5 -2.2", None, None),
        ("1.2 1.1 .2 1.3 1.4", Rule.FOUR_OF_FIVE, 5),
        (".1 " * 8, Rule.EIGHT, 8),
        (".1 " * 7, None, None),
        ("0 0 3.0", None, None),  # on the limit is inside: our choice
    ],
)
def test_run_rules(z: str, rule: Rule | None, at: int | None) -> None:
    found = signals(numbers(z), EVERY)
    expected = [] if rule is None else [(rule, at)]
    assert [(s.rule, s.index + 1) for s in found] == expected


@pytest.mark.parametrize(
    ("n", "longest", "crossings"),
    # recomputed; the textbook's "24 to 26: longest above 8 or fewer than 8" was read in the source
    [
        (10, 6, 2),
        (12, 7, 3),
        (15, 7, 4),
        (20, 7, 6),
        (24, 8, 8),
        (25, 8, 8),
        (26, 8, 8),
        (30, 8, 10),
        (40, 8, 14),
        (50, 9, 19),
        (100, 10, 41),
    ],
)
def test_limits_of_runs_and_crossings(n: int, longest: int, crossings: int) -> None:
    runs = runs_analysis(np.arange(n) % 2 - 0.5, 0.0)
    assert (runs.longest_limit, runs.crossings_limit) == (longest, crossings)


def run_lengths(alarm: np.ndarray) -> np.ndarray:
    """Points up to the first alarm; the length of the series where there is none."""
    lengths: np.ndarray = np.where(alarm.any(axis=1), alarm.argmax(axis=1) + 1, alarm.shape[1])
    return lengths


@pytest.mark.parametrize(("shift", "published"), [(0.5, 38.00), (1.0, 10.38), (2.0, 4.009)])
def test_cusum_detects_a_shift_as_fast_as_published(shift: float, published: float) -> None:
    # average run lengths of the two-sided CUSUM, k 0.5, h 5 (recomputed by integral equation)
    rng = np.random.default_rng(11)
    high, low = cusum(rng.normal(shift, 1, (4000, 400)), 0.0, 0.5)
    lengths = run_lengths((high > 5) | (low > 5))
    assert lengths.mean() == pytest.approx(published, abs=4 * lengths.std() / np.sqrt(4000))


def test_cusum_cries_wolf_as_seldom_as_published() -> None:
    # in control about 465 points between false alarms (read in the source; recomputed 465.44)
    rng = np.random.default_rng(12)
    high, low = cusum(rng.standard_normal((1500, 4000)), 0.0, 0.5)
    lengths = run_lengths((high > 5) | (low > 5))
    assert lengths.mean() == pytest.approx(465.44, abs=4 * lengths.std() / np.sqrt(1500))


def test_ewma_detects_a_shift_as_fast_as_published() -> None:
    # weight 0.2, width 2.962, shift of one spread: 10.54 points (recomputed; steady limits)
    rng = np.random.default_rng(13)
    average = ewma(rng.normal(1.0, 1.0, (4000, 300)), 0.0, 0.2)
    lengths = run_lengths(np.abs(average) > 2.962 * np.sqrt(0.2 / 1.8))
    assert lengths.mean() == pytest.approx(10.54, abs=4 * lengths.std() / np.sqrt(4000))


@pytest.mark.parametrize(
    ("shift", "published"), [(0.0, 167.68), (0.25, 74.22), (0.5, 26.63), (1.0, 8.383), (2.0, 3.343)]
)
def test_a_narrower_cusum_signals_as_published(shift: float, published: float) -> None:
    # average run lengths of the two-sided CUSUM, k 0.5, h 4 (recomputed by integral equation)
    rng = np.random.default_rng(14)
    high, low = cusum(rng.normal(shift, 1, (2000, 2000)), 0.0, 0.5)
    lengths = run_lengths((high > 4) | (low > 4))
    assert lengths.mean() == pytest.approx(published, abs=4 * lengths.std() / np.sqrt(2000))


@pytest.mark.parametrize(
    ("weight", "width", "published"), [(0.05, 2.615, 11.38), (0.1, 2.814, 10.33), (0.25, 2.998, 11.14)]
)
def test_ewma_of_other_weights_detects_a_shift_as_published(
    weight: float, width: float, published: float
) -> None:
    # pairs with 500 points between false alarms; shift of one spread (recomputed; steady limits)
    rng = np.random.default_rng(15)
    average = ewma(rng.normal(1.0, 1.0, (4000, 300)), 0.0, weight)
    lengths = run_lengths(np.abs(average) > width * np.sqrt(weight / (2 - weight)))
    assert lengths.mean() == pytest.approx(published, abs=4 * lengths.std() / np.sqrt(4000))


@pytest.mark.parametrize(("weight", "width"), [(0.05, 2.32), (0.10, 2.55), (0.15, 2.65), (0.25, 2.76)])
def test_ewma_cries_wolf_as_seldom_as_crowders_pairs(weight: float, width: float) -> None:
    # Crowder 1989: pairs for 250 points between false alarms (read as a package's example; recomputed
    # 251.2, 252.4, 247.3 and 249.1)
    rng = np.random.default_rng(16)
    average = ewma(rng.standard_normal((1500, 2500)), 0.0, weight)
    lengths = run_lengths(np.abs(average) > width * np.sqrt(weight / (2 - weight)))
    assert lengths.mean() == pytest.approx(250, abs=4 * lengths.std() / np.sqrt(1500) + 3)


def test_three_sigma_limits_alone_signal_once_in_370_points() -> None:
    # Shewhart's limits: 370.40 points between false alarms (recomputed)
    false = simulate_false_alarms(
        lambda rng, runs: rng.standard_normal((runs, 500)), (Rule.BEYOND,), runs=2000, seed=17
    )
    expected = 1 / 370.40
    assert false.per_point == pytest.approx(expected, abs=4 * np.sqrt(expected / (2000 * 500)))
