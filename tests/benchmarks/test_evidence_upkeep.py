"""Keeping the evidence costs a change at most as much again as the change itself.

The same changes as at the bench, through their use cases, in a shop with some weeks behind it: what the
upkeep at the end of each transaction takes, against all the rest of it.
"""

from __future__ import annotations

import statistics
import time
from collections import defaultdict
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest

from production.services import builds, outcomes
from qa.services import evidence
from qa.services.inspections import Look, record_inspection
from tests.production.shop import Shop

pytestmark = [pytest.mark.django_db, pytest.mark.benchmark]

PAST_BUILDS, ROUNDS, PARTS = 40, 12, 10
MOST = 1.0


class Watch:
    """Time spent in the upkeep of the evidence, and in everything."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.upkeep = 0.0
        self.taken: dict[str, list[tuple[float, float]]] = defaultdict(list)
        keeping = evidence._Asked.__call__

        def timed(asked: Any) -> None:
            started = time.perf_counter()
            keeping(asked)
            self.upkeep += time.perf_counter() - started

        monkeypatch.setattr(evidence._Asked, "__call__", timed)

    def time(self, name: str, change: Callable[[], Any]) -> Any:
        """Make a change; keeps what its upkeep took, and what the rest took."""
        self.upkeep = 0.0
        started = time.perf_counter()
        made = change()
        whole = time.perf_counter() - started
        self.taken[name].append((self.upkeep, whole - self.upkeep))
        return made


def ten_parts(shop: Shop, watch: Watch, day: float) -> None:
    """A build of ten from its plan to its cure."""
    at = shop.at(day)
    preps = [shop.preparation() for _ in range(PARTS)]
    build = shop.plan(preps, at=at)
    watch.time("start a build", lambda: builds.start_build(actor=shop.tech, build_id=build.pk, started_at=at))
    results = [outcomes.PartResult(part.pk, "good", "") for part in build.parts.all()]
    watch.time(
        "finish a build",
        lambda: builds.finish_build(
            actor=shop.tech, build_id=build.pk, finished_at=at + timedelta(hours=2), outcomes=results
        ),
    )
    parts = list(build.parts.all())
    watch.time("wash ten parts", lambda: shop.treat("wash", parts, at + timedelta(hours=3)))
    watch.time("cure ten parts", lambda: shop.treat("cure", parts, at + timedelta(hours=4)))
    watch.time(
        "inspect a part",
        lambda: record_inspection(
            actor=shop.actors.quality,
            step="inspect",
            look=Look(part_id=parts[0].pk, verdict="pass"),
            occurred_at=at + timedelta(hours=5),
        ),
    )


def test_upkeep_costs_a_change_at_most_as_much_again(
    actors: Any, settings: Any, tmp_path: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings.FILE_STORE = tmp_path
    shop = Shop(actors)
    watch = Watch(monkeypatch)
    for number in range(PAST_BUILDS):
        ten_parts(shop, watch, number / 2)
    watch.taken.clear()
    for number in range(ROUNDS):
        ten_parts(shop, watch, (PAST_BUILDS + number) / 2)
    ratios = {}
    print()
    for name, taken in watch.taken.items():
        upkeep = statistics.median(one for one, _ in taken)
        rest = statistics.median(one for _, one in taken)
        ratios[name] = upkeep / rest
        print(f"{name}: {1000 * rest:.0f} ms and {1000 * upkeep:.0f} ms upkeep, ratio {ratios[name]:.2f}")
    over = {name: round(ratio, 2) for name, ratio in ratios.items() if ratio > MOST}
    assert not over
