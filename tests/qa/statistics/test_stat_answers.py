"""Tanks, platform, equipment against practice, found late, cost, actions, comparisons and lifetimes."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, optimize, stats

from qa.statistics.agreement import cohen_kappa, fleiss_kappa
from qa.statistics.capability import performance
from qa.statistics.comparison import (
    compare_by_build,
    compare_means,
    equivalence,
    non_inferior,
    run_list,
    sample_for_equivalence,
    sample_for_margin,
    sample_for_means,
)
from qa.statistics.cost import attempts_per_good, compare_cost, cost_per_good_part, how_many_to_print
from qa.statistics.effect import judge_action
from qa.statistics.first_loss import builds_to_first_loss, tank_spells
from qa.statistics.gauge import crossed_study, expanded_uncertainty
from qa.statistics.interaction import equipment_by_practice
from qa.statistics.late import STEPS, Flaw, found_late, inspection_points, passed_inspection
from qa.statistics.platform import lost_by_place
from qa.statistics.proportions import sample_for_difference
from qa.statistics.results import StatisticsError, Verdict, more_words, of_words
from qa.statistics.survival import log_rank, survival_curve, weibull_fit
from qa.statistics.tanks import (
    best_filter,
    costs_of_intervals,
    filter_after_age,
    filter_after_builds,
    fit_hazard,
    judge_tanks,
)


def test_how_many_more_is_said_in_two_figures_and_not_beyond_hope() -> None:
    said = [more_words(n, "parts") for n in (1, 29, 352, 1409, 10_000, 15_168)]
    assert said == [
        "about 1 more parts",
        "about 29 more parts",
        "about 360 more parts",
        "about 1,500 more parts",
        "about 10,000 more parts",
        "more than 10,000 more parts",
    ]


def test_an_attempt_has_its_own_interval() -> None:
    """The mean of builds of one size: the bootstrap's interval is close to the normal one of their means."""
    rng = np.random.default_rng(5)
    means = rng.normal(5.0, 1.0, 400)
    found = cost_per_good_part(np.repeat(means, 3), [True] * 1200, np.repeat(np.arange(400), 3))
    half = 1.96 * means.std(ddof=1) / math.sqrt(400)
    assert found.per_attempt == pytest.approx(means.mean())
    assert found.attempt_interval.low == pytest.approx(means.mean() - half, abs=0.15 * half)
    assert found.attempt_interval.high == pytest.approx(means.mean() + half, abs=0.15 * half)


def test_an_action_names_the_saving_that_more_parts_would_tell() -> None:
    """Reckoned for the saving seen where it is more than was hoped for: fewer parts tell more."""
    # Builds of 5 that lose 1 before, and one in three of them after; a saving of some 13 of 100.
    lost = np.r_[np.tile([1, 0, 0, 0, 0], 30), np.tile([1] + [0] * 14, 2)].astype(bool)
    build = np.arange(len(lost)) // 5
    day = np.r_[np.arange(150) * 0.1, 100 + np.arange(30) * 0.1]
    found = judge_action(day, lost, build, action_day=50.0, hoped_per_100=1.0)
    assert found.verdict is Verdict.UNKNOWN and found.saved_per_100 is not None
    modest = sample_for_difference(0.2, 0.19)
    assert found.parts_needed is not None and modest is not None and found.parts_needed < modest / 10
    assert f"A saving of {found.saved_per_100:.1f} would take" in found.sentence


def test_where_every_part_is_lost_no_place_is_said_to_be_too_few() -> None:
    x = np.tile([0.0, 20.0, 40.0], 20)
    found = lost_by_place(["P"] * 60, x, x, [True] * 60, np.arange(60) // 3)
    assert found.verdict is Verdict.UNKNOWN and "no place stands out" in found.sentence


def test_a_curve_that_reaches_nothing_claims_no_certainty() -> None:
    curve = survival_curve([1.0, 2.0, 3.0], [True, True, True])
    assert curve.survival[-1] == 0 and curve.intervals[-1].as_json() == [None, None]


def test_filter_interval_by_builds_follows_the_rule() -> None:
    # m = 0.1 k: N m(N+1) - sum = 0.1 (N (N + 1) - N (N + 1) / 2) = 0.05 N (N + 1), worked out by hand
    m = 0.1 * np.arange(1, 41)
    assert filter_after_builds(m, cost_filter=30, cost_lost=10) == 8  # 0.05 * 8 * 9 = 3.6 >= 3 > 2.8
    assert filter_after_builds(m, cost_filter=30, cost_lost=0.1) is None


def test_the_filter_interval_is_the_cheapest_one() -> None:
    m = 0.02 * np.arange(1, 60) ** 1.5
    best = filter_after_builds(m, cost_filter=25, cost_lost=12)
    rate = [(25 + 12 * m[:n].sum()) / n for n in range(1, 59)]
    assert best == int(np.argmin(rate)) + 1


def test_filter_age_of_a_power_law_is_the_published_one() -> None:
    # Barlow and Hunter 1960, minimal repair (formula from memory): T = scale (ratio / (shape - 1))^(1/shape)
    shape, scale, ratio = 2.5, 20.0, 3.0
    found = filter_after_age(
        lambda t: shape / scale * (t / scale) ** (shape - 1), oldest=100, cost_filter=ratio, cost_lost=1.0
    )
    assert found == pytest.approx(scale * (ratio / (shape - 1)) ** (1 / shape), rel=2e-3)


def test_filter_age_with_failed_builds_is_the_cheapest_one() -> None:
    # against a direct search of the long-run cost (recomputed with scipy)
    def loss(t: np.ndarray) -> np.ndarray:
        return 0.02 + 0.004 * t

    def hazard(t: np.ndarray) -> np.ndarray:
        return 0.0008 * t

    def cost_rate(age: float) -> float:
        t = np.linspace(0, age, 4001)
        survival = np.exp(-0.0004 * t**2)
        dt = t[1] - t[0]

        def area(y: np.ndarray) -> float:
            return float((y[1:] + y[:-1]).sum() * dt / 2)

        return (15 + area((10 * loss(t) + 40 * hazard(t)) * survival)) / area(survival)

    found = filter_after_age(
        loss, oldest=80, cost_filter=15, cost_lost=10, failure_hazard=hazard, cost_failed_build=40
    )
    best = optimize.minimize_scalar(cost_rate, bounds=(1, 79), method="bounded").x
    assert found == pytest.approx(best, rel=0.02)


def test_a_rising_hazard_alone_is_not_enough_to_filter() -> None:
    assert filter_after_age(lambda t: 0.001 * t, oldest=20, cost_filter=50, cost_lost=1) is None


def tank_lab(slope: float, seed: int = 1, builds: int = 200) -> tuple[np.ndarray, ...]:
    rng = np.random.default_rng(seed)
    age = np.repeat(rng.integers(0, 30, builds), 10).astype(float)
    lost = rng.random(len(age)) < 0.03 + slope * age
    build = np.repeat(np.arange(builds), 10)
    return age, lost, build, np.where(build % 2, "T1", "T2")


def test_a_tank_that_goes_bad_is_shown_with_its_interval() -> None:
    age, lost, build, tank = tank_lab(0.008)
    found = judge_tanks(
        {"builds": age}, lost, build, tank, current={"T1": {"builds": 40.0}, "T2": {"builds": 2.0}},
        cost_filter=20, cost_lost=10, alpha=0.01,
    )  # fmt: skip
    assert found.verdict is Verdict.SHOWN and found.age == "builds"
    assert found.filter_every is not None and found.filter_every.every is not None
    # the truth: m(k) = 10 (0.03 + 0.008 (k - 1)), so 0.04 N (N + 1) >= 2 first at N = 7
    assert found.filter_every.interval.contains(7)
    assert [risk.tank for risk in found.next_build] == ["T1", "T2"]
    assert found.next_build[0].beyond_seen


def test_a_tank_that_does_not_age_is_not_blamed() -> None:
    age, lost, build, tank = tank_lab(0.0)
    found = judge_tanks({"builds": age}, lost, build, tank, alpha=0.01)
    assert found.verdict is Verdict.UNKNOWN and found.filter_every is None
    assert found.parts_needed is not None and found.parts_needed > 0


def test_tanks_with_nothing_recorded_or_lost_are_a_sentence() -> None:
    age, lost, build, tank = tank_lab(0.0)
    none = np.full(len(age), np.nan)
    assert "age since filtering recorded" in judge_tanks({"days": none}, lost, build, tank).sentence
    assert "at least 5 are needed" in judge_tanks({"days": age}, lost & False, build, tank).sentence
    assert judge_tanks({}, [], [], []).sentence == "No parts yet."
    assert fit_hazard(np.full(100, 3.0), np.arange(100) % 2, np.arange(100), kind="days") is None


def test_spells_of_a_tank_end_with_its_first_loss_or_its_filtering() -> None:
    # T1: recorded from its third build on, lost in its fifth; filtered; two builds. T2: from new, none lost.
    tank = ["T1"] * 8 + ["T2"] * 3
    build = ["a", "a", "b", "c", "d", "e", "f", "f", "g", "h", "i"]
    day = [1, 1, 2, 3, 4, 5, 6, 6, 1, 2, 3]
    age = [2, 2, 3, 4, 5, 0, 1, 1, 0, 1, 2]
    lost = [0, 0, 0, 1, 1, 0, 0, 0, 0, 0, 0]
    order = np.random.default_rng(1).permutation(11)
    spells = tank_spells(*(np.array(column)[order] for column in (tank, build, day, age, lost)))
    assert sorted(zip(spells.entry, spells.duration, spells.event, strict=True)) == [
        (0.0, 2.0, False), (0.0, 3.0, False), (2.0, 5.0, True),
    ]  # fmt: skip
    curve = builds_to_first_loss(spells)
    assert (curve.n, curve.events, curve.times) == (3, 1, (5.0,))
    none = tank_spells(["", "T"], ["a", "b"], [1, 2], [0, math.nan], [True, True])
    with pytest.raises(StatisticsError, match="No build has its tank"):
        builds_to_first_loss(none)


def test_first_losses_follow_the_geometric_law_they_were_made_by() -> None:
    # Each build loses something with chance 0.1, whatever its age: S(k) = 0.9^k (geometric distribution)
    rng = np.random.default_rng(5)
    age = np.tile(np.arange(12), 400)
    tank = np.repeat([f"T{i}" for i in range(400)], 12)
    lost = rng.random(len(age)) < 0.1
    curve = builds_to_first_loss(tank_spells(tank, np.arange(len(age)), np.arange(len(age)), age, lost))
    seen = dict(zip(curve.times, curve.intervals, strict=True))
    assert sum(seen[float(k)].contains(0.9**k) for k in range(1, 13)) >= 11


def plates(seed: int, builds: int, spot: bool) -> tuple[np.ndarray, ...]:
    rng = np.random.default_rng(seed)
    place = np.tile(np.arange(10), builds)
    x, y = 20.0 + 40 * (place % 5), 25.0 + 50 * (place // 5)
    build = np.repeat(np.arange(builds), 10)
    chance = 0.06 + (0.4 * (place == 7) if spot else 0) + 0.2 * np.repeat(rng.random(builds) < 0.15, 10)
    return np.full(len(x), "P1"), x, y, rng.random(len(x)) < chance, build


def test_a_spot_that_comes_back_is_found_where_it_is() -> None:
    found = lost_by_place(*plates(2, 60, True))
    assert found.pattern == "spots" and found.verdict is Verdict.SHOWN
    assert max(abs(found.spots[0].x_mm - 100), abs(found.spots[0].y_mm - 75)) <= found.window_mm


def test_bad_builds_alone_make_no_spot() -> None:
    shown = sum(
        lost_by_place(*plates(seed, 40, False), draws=99).verdict is Verdict.SHOWN for seed in range(40)
    )
    assert shown <= 6  # 5 % of 40 with its chance


def test_the_p_of_scatter_is_even_whether_builds_lost_few_or_many() -> None:
    p = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        build = np.concatenate([np.repeat(np.arange(20), 10), np.repeat([20, 21], 200)])
        chance = np.where(build < 20, 0.15, 0.4)  # more than 50 lost of each large build
        x, y = rng.uniform(0, 200, len(build)), rng.uniform(0, 120, len(build))
        lost = rng.random(len(build)) < chance
        p.append(lost_by_place(np.full(len(build), "P1"), x, y, lost, build, draws=99, seed=seed).p)
    assert stats.kstest(p, "uniform").pvalue > 0.01


def test_places_not_recorded_are_a_sentence() -> None:
    nan = np.full(5, np.nan)
    assert "recorded" in lost_by_place(["P"] * 5, nan, nan, [True] * 5, range(5)).sentence


def shop(seed: int, harm: dict[str, float], builds: int = 150) -> tuple[np.ndarray, ...]:
    rng = np.random.default_rng(seed)
    printer = np.repeat(rng.choice(["P1", "P2"], builds), 10)
    followed = np.repeat(rng.random(builds) < 0.6, 10)
    chance = 0.05 + np.where(followed, 0.0, [harm[p] for p in printer])
    return (
        printer,
        followed.astype(float),
        rng.random(len(printer)) < chance,
        np.repeat(np.arange(builds), 10),
    )


def test_an_interaction_is_shown_on_its_machine() -> None:
    found = equipment_by_practice(*shop(1, {"P1": 0.3, "P2": 0.0}))
    assert found.interaction.verdict is Verdict.SHOWN and found.interaction.equipment == "P1"
    assert found.interaction.interval.contains(30.0)
    assert found.when_followed.verdict is Verdict.UNKNOWN
    assert sum(cell.n for cell in found.cells) == 1500


def test_harm_alike_on_both_machines_is_no_interaction() -> None:
    found = equipment_by_practice(*shop(2, {"P1": 0.2, "P2": 0.2}))
    assert found.interaction.verdict is Verdict.UNKNOWN


def test_one_machine_or_a_step_nobody_skipped_cannot_tell() -> None:
    found = equipment_by_practice(["P1"] * 40, [1.0] * 40, [False] * 40, np.arange(40) // 4)
    assert found.interaction.difference_per_100 is None
    assert "each cell needs" in found.interaction.sentence


def test_flaws_found_late_are_counted_at_the_points_they_passed() -> None:
    flaws = [
        Flaw("print", "print", "B1", "grey"),
        Flaw("print", "form", "B2", "clear"),
        Flaw("wash", "inspect", "B3", "clear"),
        Flaw("wash", "fit", "B4", "clear"),
        Flaw("form", "wash", "B5"),
    ]
    found = found_late(flaws, cost_of_step={"form": 3.0, "trim": 2.0})
    assert (found.n, found.left_out) == (4, 1)
    by_point = {row.name: (row.share.count, row.share.n) for row in found.by_point}
    assert by_point["print"] == (1, 2)
    assert by_point["inspect"] == (2, 3)
    clear = next(row for row in found.by_colour if row.name == "clear")
    assert (clear.share.count, clear.share.n) == (2, 3)
    assert clear.cost == 3.0 + 5.0
    assert found_late([]).sentence == "No flaw has both its steps recorded."


@pytest.mark.parametrize(
    ("origin", "found", "points", "passed"),
    [
        ("print", "form", ("inspect",), True),
        ("print", "form", ("print",), True),  # it was there when the print was looked at
        ("print", "inspect", ("inspect", "form"), False),  # found at the first look
        ("form", "trim", ("inspect",), False),  # not there yet
        ("equipment", "fit", ("trim",), True),
        ("print", "form", (), False),
        ("form", "print", ("inspect",), False),  # found before it began
        ("a dream", "form", ("inspect",), False),
    ],
)
def test_a_flaw_passes_an_inspection_that_it_was_there_for(
    origin: str, found: str, points: tuple[str, ...], passed: bool
) -> None:
    assert passed_inspection(origin, found, points) is passed
    # The same as the shares count it.
    if origin in STEPS and points:
        late = [row.share.count for row in found_late([Flaw(origin, found, "B1")], points=points).by_point]
        assert any(late) is passed


def test_somebody_looks_where_inspections_are_recorded_or_flaws_were_found_by_the_lab() -> None:
    points = inspection_points(["remove supports", "inspect"], ["fit", "wash", "deliver", "nowhere"])
    assert points == ("wash", "remove supports", "inspect")


@pytest.mark.parametrize(
    ("count", "n", "words"),
    [
        (1, 1, "1 of 1 part"),
        (0, 1, "0 of 1 part"),
        (1, 12, "1 of 12 parts"),
        (7, 1_234_567, "7 of 1234567 parts"),
    ],
)
def test_one_is_singular(count: int, n: int, words: str) -> None:
    assert of_words(count, n, "parts") == words


def test_a_difference_of_costs_is_welchs_where_every_build_has_as_many_good_parts() -> None:
    # scipy's Welch interval on the builds' costs per good part
    rng = np.random.default_rng(3)
    sides = [(rng.normal(mean, sd, 10 * builds), builds) for mean, sd, builds in ((5, 1, 8), (6, 3, 5))]
    ways = [(cost, np.ones(10 * k, dtype=bool), np.repeat(np.arange(k), 10)) for cost, k in sides]
    means = [cost.reshape(k, 10).mean(axis=1) for cost, k in sides]
    found = compare_cost(ways[0], ways[1])
    expected = stats.ttest_ind(means[0], means[1], equal_var=False).confidence_interval(0.95)
    assert [found.interval.low, found.interval.high] == pytest.approx([expected.low, expected.high])


def test_a_difference_of_costs_covers_the_truth_with_few_builds() -> None:
    rng = np.random.default_rng(9)
    covered = 0
    truth = 2.0 / 0.9 - 2.0 / 0.7
    for _ in range(300):
        ways = []
        for rate, builds in ((0.9, 5), (0.7, 6)):
            build = np.repeat(np.arange(builds), 8)
            cost = np.repeat(rng.normal(2.0, 0.3, builds), 8)
            ways.append((cost, rng.random(len(build)) < rate, build))
        covered += compare_cost(ways[0], ways[1]).interval.contains(truth)
    assert covered >= 275  # 95 % of 300 less three standard deviations


def test_a_difference_of_costs_that_cannot_be_told_is_a_sentence() -> None:
    way = ([2.0] * 4, [True] * 4, [1, 1, 2, 2])
    assert "1 more" in compare_cost(way, way).sentence
    assert "What an attempt costs is not known" in compare_cost(way, ([math.nan], [True], [1])).sentence
    assert compare_cost(([], [], []), ([], [], [])).difference is None
    three = ([2.0] * 6, [True] * 6, [1, 1, 2, 2, 3, 3])
    assert compare_cost(three, three).verdict is Verdict.UNKNOWN


def test_cost_per_good_part_sums_every_attempt() -> None:
    found = cost_per_good_part([2.0, 2.0, 2.0, math.nan], [True, True, False, True], ["A", "A", "B", "B"])
    assert found.cost == 3.0 and found.without_cost == 1
    assert cost_per_good_part([1.0], [False], ["A"]).cost is None
    assert cost_per_good_part([], [], []).sentence == "What an attempt costs is not known."
    assert attempts_per_good(0.8) == 1.25


def test_cost_interval_covers_as_said() -> None:
    rng = np.random.default_rng(1)
    inside = 0
    for _ in range(120):
        good = rng.random(400) < np.repeat(rng.beta(18, 2, 40), 10)
        found = cost_per_good_part(np.ones(400), good, np.repeat(np.arange(40), 10), resamples=200)
        inside += found.interval.contains(1 / 0.9)
    assert inside >= 103  # 95 % of 120 less three standard errors of the count


def test_how_many_to_print_grows_with_doubt_and_delivers() -> None:
    build = np.arange(2000)
    lost = build < 200
    sure = how_many_to_print(20, lost, build)
    doubtful = how_many_to_print(20, lost[::100], build[::100])
    assert sure.to_print is not None and doubtful.to_print is not None
    assert (
        sure.to_print == 25
    )  # 95 % point of 20 good at 10 % lost, negative binomial (recomputed with scipy)
    assert doubtful.to_print >= sure.to_print
    assert how_many_to_print(5, [True] * 10, range(10)).to_print is None
    assert how_many_to_print(1, [], []).to_print is not None


def actions(before: float, after: float, n: int = 600, seed: int = 1) -> tuple[np.ndarray, ...]:
    rng = np.random.default_rng(seed)
    day = np.repeat(np.arange(n // 10), 10).astype(float)
    chance = np.where(day < n // 20, before, after)
    return day, rng.random(len(day)) < chance, day


def test_an_action_worked_did_not_or_cannot_be_told() -> None:
    half = 30.0
    assert judge_action(*actions(0.25, 0.05), action_day=half).verdict is Verdict.WORKED
    assert judge_action(*actions(0.05, 0.12, 1200), action_day=60.0).verdict is Verdict.DID_NOT
    unsure = judge_action(*actions(0.08, 0.06, 200), action_day=10.0)
    assert unsure.verdict is Verdict.UNKNOWN and unsure.parts_needed is not None
    none = judge_action(*actions(0.1, 0.1), action_day=1e6)
    assert none.saved_per_100 is None and "no parts from after" in none.sentence


def test_losses_already_falling_are_not_the_action_s_doing() -> None:
    rng = np.random.default_rng(3)
    day = np.repeat(np.arange(100), 10).astype(float)
    lost = rng.random(1000) < 0.4 * np.exp(-day / 25)
    found = judge_action(day, lost, day, action_day=60.0)
    assert found.already_falling and found.verdict is Verdict.UNKNOWN


def test_a_run_list_holds_every_arm_in_every_block() -> None:
    runs = run_list(["A", "B", "C"], blocks=4, per_block=2, seed=5)
    assert [run.order for run in runs] == list(range(1, 25))
    for block in range(1, 5):
        assert sorted(run.arm for run in runs if run.block == block) == ["A", "A", "B", "B", "C", "C"]
    assert runs == run_list(["A", "B", "C"], blocks=4, per_block=2, seed=5)
    with pytest.raises(StatisticsError):
        run_list(["A", "A"], blocks=1, seed=1)


def test_bias_and_spread_are_told_apart() -> None:
    rng = np.random.default_rng(6)
    shifted = compare_means(rng.normal(0.3, 0.1, 60), rng.normal(0, 0.1, 60))
    assert shifted.verdict is Verdict.DIFFERENT and shifted.spread_p > 0.05
    wider = compare_means(rng.normal(0, 0.4, 60), rng.normal(0, 0.1, 60))
    assert wider.spread_p < 0.001


def test_equivalence_can_be_shown_refuted_or_left_open() -> None:
    rng = np.random.default_rng(7)
    a, b = rng.normal(0, 0.1, 80), rng.normal(0.01, 0.1, 80)
    assert equivalence(a, b, margin=0.1).verdict is Verdict.EQUIVALENT
    assert equivalence(a + 0.5, b, margin=0.1).verdict is Verdict.DIFFERENT
    left_open = equivalence(a[:6], b[:6], margin=0.05)
    assert left_open.verdict is Verdict.UNKNOWN
    with pytest.raises(StatisticsError):
        equivalence(a, b, margin=0)


def test_rates_no_worse_than_a_margin() -> None:
    build = np.arange(1000) // 10
    good = np.zeros(1000, dtype=bool)
    few, many = good.copy(), good.copy()
    few[::20], many[::5] = True, True
    assert non_inferior(few, build, few, build, margin=0.05).verdict is Verdict.NOT_WORSE
    assert non_inferior(many, build, few, build, margin=0.05).verdict is Verdict.WORSE
    thin = non_inferior(few[:60], build[:60], few[:60], build[:60], margin=0.02)
    assert thin.verdict is Verdict.UNKNOWN and thin.needed_per_side is not None


def test_builds_as_random_effect_do_not_take_parts_for_builds() -> None:
    rng = np.random.default_rng(9)
    claims = 0
    for _ in range(200):
        luck = np.repeat(rng.normal(0, 1, 10), 20)
        found = compare_by_build(luck + rng.normal(0, 0.2, 200), np.arange(200) < 100, np.arange(200) // 20)
        claims += found.verdict is Verdict.DIFFERENT
    assert claims <= 20  # 5 % of 200 and three standard errors
    with pytest.raises(StatisticsError):
        compare_by_build([1.0, 2.0], [True, False], ["A", "A"])


def test_sample_sizes_shrink_with_the_margin_s_width() -> None:
    assert sample_for_margin(0.07, 0.03) > sample_for_margin(0.07, 0.06)
    assert sample_for_means(0.1, 0.05) > sample_for_means(0.1, 0.1)
    assert sample_for_equivalence(0.1, 0.05) > sample_for_equivalence(0.1, 0.1)


def test_a_gauge_without_spread_cannot_be_judged_and_holes_are_refused() -> None:
    assert crossed_study(np.zeros((3, 2, 2))).verdict is Verdict.UNKNOWN
    holes = np.zeros((3, 2, 2))
    holes[0, 0, 0] = np.nan
    with pytest.raises(StatisticsError, match="every appraiser"):
        crossed_study(holes)
    assert expanded_uncertainty(3.0, bias=4.0) == 10.0


def test_inspectors_who_always_say_the_same_have_no_kappa() -> None:
    assert cohen_kappa([[9, 0], [0, 0]]).kappa is None
    assert fleiss_kappa([[3, 0], [3, 0]]).kappa is None


def test_performance_is_able_not_able_or_open() -> None:
    rng = np.random.default_rng(2)
    x = rng.normal(0, 10, 200)
    assert performance(x, lower=-60, upper=60).verdict is Verdict.CAPABLE
    assert performance(x, lower=-20, upper=20).verdict is Verdict.NOT_CAPABLE
    assert performance(x[:15], lower=-45, upper=45).verdict is Verdict.UNKNOWN
    skewed = performance(rng.exponential(10, 400), upper=100)
    assert not skewed.normal and skewed.pp is None
    with pytest.raises(StatisticsError, match="too few"):
        performance([1.0, 2.0], upper=3)
    with pytest.raises(StatisticsError, match="the same"):
        performance([1.0] * 8, upper=3)


def test_spells_under_way_enter_late() -> None:
    # two spells recorded only from age 5 on are not at risk before it: at age 2 one of three ends
    curve = survival_curve([2, 4, 8, 9, 10], [True] * 5, entry=[0, 0, 5, 5, 0])
    assert curve.survival[0] == pytest.approx(2 / 3)
    with pytest.raises(StatisticsError, match="no curve"):
        survival_curve([2, 4, 8, 9, 10], [True] * 5, entry=[0, 0, 5, 5, 5])


def test_a_median_that_is_not_reached_has_its_lower_end_or_none() -> None:
    # Two of five lost, one early: the curve stays above a half, and its lower end crosses it.
    curve = survival_curve([1.0, 4.0, 9.0, 9.0, 9.0], [True, True, False, False, False], unit="builds")
    assert curve.median is None and curve.median_interval.high is None
    assert curve.median_interval.low is not None
    assert f"(95 % at least {curve.median_interval.low:g})" in curve.sentence
    # All end in the same build: no interval is defined there, and none is invented.
    together = survival_curve([5.0] * 6, [True] * 6, unit="builds")
    assert together.median == 5
    assert (together.median_interval.low, together.median_interval.high) == (None, None)
    assert "half last 5 builds or longer (cannot tell yet" in together.sentence
    one = survival_curve([1.0], [True], unit="builds")
    assert "1 first defect in 1 spell; half last 1 build" in one.sentence


@given(
    st.lists(st.tuples(st.integers(1, 30), st.booleans(), st.integers(0, 3)), min_size=1, max_size=30),
)
def test_the_interval_of_a_median_holds_it(spells: list[tuple[int, bool, int]]) -> None:
    duration = [float(entry + time) for time, _, entry in spells]
    try:
        curve = survival_curve(duration, [seen for _, seen, _ in spells], entry=[e for _, _, e in spells])
    except StatisticsError as error:
        assert error.code == "gap"
        return
    low, high = curve.median_interval.low, curve.median_interval.high
    if curve.median is not None:
        assert (low is None or low <= curve.median) and (high is None or curve.median <= high)
    else:
        assert high is None


def test_lifetimes_without_defects_are_a_sentence_not_a_failure() -> None:
    curve = survival_curve([3.0, 4.0], [False, False])
    assert curve.times == () and curve.verdict is Verdict.UNKNOWN and "No defect" in curve.sentence
    assert log_rank([1.0, 2.0], [False, False], [3.0], [False]).p == 1.0
    with pytest.raises(StatisticsError):
        weibull_fit([3.0, 4.0], [False, True])
    with pytest.raises(StatisticsError, match="longer than"):
        survival_curve([3.0], [True], entry=[3.0])


def test_the_cost_of_an_interval_is_least_where_the_filter_rule_says() -> None:
    """Barlow and Hunter's rule finds the minimum of the renewal cost that the curve draws (derived)."""
    rng = np.random.default_rng(8)
    builds = np.repeat(np.arange(600), 8)
    age = np.repeat(rng.integers(0, 30, 600).astype(float), 8)
    lost = rng.random(len(age)) < 1 / (1 + np.exp(4.2 - 0.12 * age))
    hazard = fit_hazard(age, lost, builds, kind="builds")
    assert hazard is not None
    asked = {"parts_per_build": 8.0, "builds_per_unit": 1.0, "cost_filter": 40.0, "cost_lost": 10.0}
    every = best_filter(hazard, **asked).every
    costs = costs_of_intervals(hazard, **asked, points=60)
    cheapest = min(costs, key=lambda one: one.cost)
    assert every is not None and abs(cheapest.every - every) <= 1
    first = costs[0]
    assert first.every == 1
    assert first.cost == pytest.approx(40 + 10 * 8 * float(hazard.chance(0.0)))
    assert all(one.interval.contains(one.cost) for one in costs)


def test_the_cost_of_an_interval_by_days_is_the_integral_over_it() -> None:
    rng = np.random.default_rng(9)
    builds = np.repeat(np.arange(300), 8)
    age = np.repeat(np.round(rng.uniform(0, 20, 300), 1), 8)
    lost = rng.random(len(age)) < 0.02 + 0.01 * age
    hazard = fit_hazard(age, lost, builds, kind="days")
    assert hazard is not None
    costs = costs_of_intervals(
        hazard, parts_per_build=8.0, builds_per_unit=0.5, cost_filter=30.0, cost_lost=12.0
    )
    last = costs[-1]
    whole = integrate.quad(lambda t: float(hazard.chance(t)), 0, last.every)[0]
    assert last.cost == pytest.approx((30 + 12 * 8 * 0.5 * whole) / last.every, rel=1e-3)
