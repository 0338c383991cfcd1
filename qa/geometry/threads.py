"""Spread a compiled kernel over the cores with plain threads.

The kernels release the interpreter lock, so ordinary threads run them side by side. The compiler's own
thread pools are avoided on purpose: one of them may not be entered from two threads at once, and the
others do not survive a fork, while web servers and job workers do both. Ours is kept, since starting a
thread takes a millisecond; a forked child makes its own. Whoever asks works too and takes back what no
helper has begun, so that calls within calls never wait for each other.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor, wait
from functools import cache, partial
from itertools import pairwise
from typing import TypeVar

One = TypeVar("One")
Two = TypeVar("Two")

SMALLEST_SHARE = 512
SHARES_PER_THREAD = 8
MOST_HELPERS = 64


def thread_count() -> int:
    """Cores that this process may use; ``LABTRACK_THREADS`` caps it."""
    allowed = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    cap = os.environ.get("LABTRACK_THREADS", "")
    return max(1, min(allowed, int(cap))) if cap.isdigit() else max(1, allowed)


def in_shares(kernel: Callable[[int, int], object], count: int, *, smallest: int = SMALLEST_SHARE) -> None:
    """Call ``kernel(start, end)`` over 0..count, in consecutive shares on all cores.

    No share is smaller than ``smallest``: what takes microseconds apiece is not worth a thread.
    """
    threads = thread_count()
    if threads == 1 or count < 2 * smallest:
        kernel(0, count)
        return
    shares = min(threads * SHARES_PER_THREAD, count // smallest)
    edges = [count * i // shares for i in range(shares + 1)]
    side_by_side([partial(kernel, start, end) for start, end in pairwise(edges)])


def side_by_side(calls: Sequence[Callable[[], object]]) -> None:
    """Run independent calls on all cores, this thread among them; the first failure is raised."""
    waiting = iter(calls)

    def work() -> None:
        for call in waiting:
            call()

    helping = [_helpers().submit(work) for _ in range(min(thread_count(), len(calls)) - 1)]
    try:
        work()
    finally:
        # After a failure the helpers are left nothing to begin.
        for _ in waiting:
            pass
        begun = [helper for helper in helping if not helper.cancel()]
        wait(begun)
    for helper in begun:
        helper.result()


def in_pairs(one: Callable[[], One], two: Callable[[], Two]) -> tuple[One, Two]:
    """The results of two independent calls that run side by side; the first failure is raised."""
    if thread_count() == 1:
        return one(), two()
    later = _helpers().submit(two)
    try:
        first = one()
    except BaseException:
        if not later.cancel():
            wait([later])
        raise
    return first, two() if later.cancel() else later.result()


@cache
def _helpers() -> ThreadPoolExecutor:
    """The threads that help, each made when all others are busy."""
    return ThreadPoolExecutor(MOST_HELPERS)


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_helpers.cache_clear)
