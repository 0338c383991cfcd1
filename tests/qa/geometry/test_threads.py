"""The threads that kernels are spread over: nested, failing and forked."""

from __future__ import annotations

import multiprocessing
from functools import partial

import pytest

from qa.geometry.threads import MOST_HELPERS, in_pairs, in_shares, side_by_side, thread_count


def _sum(low: int, high: int) -> int:
    """Sum of low..high - 1, each half of it asked for beside the other."""
    if high - low < 2:
        return low
    middle = (low + high) // 2
    return sum(in_pairs(partial(_sum, low, middle), partial(_sum, middle, high)))


def test_pairs_within_pairs_never_wait_for_each_other() -> None:
    count = 4 * MOST_HELPERS
    sums = [0] * count

    def put(at: int) -> None:
        sums[at] = _sum(0, count)

    side_by_side([partial(put, at) for at in range(count)])
    assert sums == [count * (count - 1) // 2] * count


def test_shares_cover_everything_once() -> None:
    seen = [0] * 10_000

    def kernel(start: int, end: int) -> None:
        for at in range(start, end):
            seen[at] += 1

    in_shares(kernel, len(seen), smallest=7)
    assert set(seen) == {1}


def test_after_a_failure_nothing_more_begins() -> None:
    begun: list[int] = []

    def call(number: int) -> None:
        begun.append(number)
        raise ValueError(number)

    with pytest.raises(ValueError):
        side_by_side([partial(call, number) for number in range(1_000)])
    assert len(begun) <= thread_count()
    before = len(begun)
    side_by_side([lambda: None] * 10)
    assert len(begun) == before


@pytest.mark.parametrize("failing", [0, 1])
def test_the_failure_of_either_of_a_pair_is_raised(failing: int) -> None:
    calls = [lambda: 1, lambda: 1]
    calls[failing] = partial(int, "no number")
    with pytest.raises(ValueError, match="no number"):
        in_pairs(*calls)


@pytest.mark.filterwarnings("ignore:.*fork:DeprecationWarning")  # that is what is tested
def test_a_forked_child_has_threads_of_its_own() -> None:
    assert _sum(0, 100) == 4_950  # the parent's are there before it forks
    with multiprocessing.get_context("fork").Pool(1) as pool:
        assert pool.apply_async(_sum, (0, 1_000)).get(timeout=60) == 499_500
