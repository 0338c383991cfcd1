"""Medians of several rounds, which all benchmarks compare."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from typing import Any

from django.test import Client


def seconds(work: Callable[[], Any], rounds: int) -> float:
    """Median time of some work."""
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def page_seconds(client: Client, url: str, rounds: int) -> float:
    """Median time of a page that answers, after one round that warms up."""

    def ask() -> None:
        assert client.get(url).status_code == 200

    ask()
    return seconds(ask, rounds)
