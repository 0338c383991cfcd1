"""Small seeded parts of the comparison's studies; the whole is ``python -m tests.studies.comparison``."""

from __future__ import annotations

import pytest
from scipy import stats

from qa.geometry.compare import prepared
from tests.studies import guard, patterns, registration


@pytest.fixture(scope="module")
def designs() -> list:
    return [prepared(mesh, registration.REQUEST) for mesh in registration.arches(3, 8_000)]


@pytest.mark.parametrize("name", list(registration.CONDITIONS))
def test_scans_are_registered_from_any_pose(designs: list, name: str) -> None:
    told = registration.of_this_design(designs, 1, 20, name)
    assert told.scans == 3
    assert told.accepted_wrong == 0
    assert told.accepted_right >= 2


@pytest.mark.parametrize("name", ["mirrored", "another arch"])
def test_what_is_not_this_design_is_not_accepted(designs: list, name: str) -> None:
    told = registration.of_something_else(designs[:2] if name == "mirrored" else designs, 1, 20, name)
    assert told.accepted_wrong == 0


def test_deformed_prints_stay_in_their_basin(designs: list) -> None:
    told = registration.of_deformed_prints(designs[:1], 3, 20)
    assert told.miss() is None


def test_patterns_come_back_within_what_chance_allows() -> None:
    result = patterns.run(runs=16, seed=20, arches=2, triangles=49_000)
    told = [one for by_name in result.scores.values() for one in by_name.values()]
    count, covered = sum(one.apart for one in told), sum(one.covered for one in told)
    assert count >= 80
    # Six patterns of one run share its noise, so they are no 80 trials; 16 runs alone would allow this much.
    assert covered >= stats.binom.ppf(0.01, 16, 0.95) / 16 * count
    assert sum(one.exact for one in told) == sum(one.told for one in told) >= 30
    assert sum(one.claimed for one in told) <= stats.binom.ppf(0.99, sum(one.absent for one in told), 0.05)
    assert sum(one.found for one in told) >= 0.9 * sum(one.planted for one in told)


def test_devices_accept_wrongly_no_more_than_the_stated_risk() -> None:
    rows = guard.run(trials=2_000, seed=20)
    assert [row.miss() for row in rows if row.miss()] == []
    assert any(row.passed > 0 for row in rows)


def test_an_upper_bound_needs_many_scans() -> None:
    # Rule of three (Hanley and Lippman-Hand 1983): none of n gives about 3 / n.
    assert registration.upper_bound(0, 300) == pytest.approx(3 / 300, rel=0.02)
    assert registration.upper_bound(3, 3) == 1.0
