"""A seeded few of the clean arches are silent and their faults found; ``clean_arches`` runs the many."""

from __future__ import annotations

import pytest

from tests.studies import clean_arches


@pytest.mark.parametrize("index", range(4))
def test_a_clean_arch_passes_as_a_whole(index: int) -> None:
    _, found = clean_arches.clean(index, 100)
    assert clean_arches.loud(found) == []
    assert found.verdict == "pass"


def test_every_planted_fault_of_one_arch_is_found() -> None:
    assert clean_arches.search(1, 100) == 0


@pytest.mark.study
def test_fifty_clean_arches_are_silent_and_the_faults_of_ten_found() -> None:
    assert clean_arches.silence(50, 100) == 0
    assert clean_arches.search(10, 100) == 0
