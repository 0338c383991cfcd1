"""Trends at 100,000 parts against 5,000: the page reads counts, so it must not grow with the parts.

Both in one run on the same machine, over the same 90 days, through the whole page. The counts and rows are
made directly: what is measured is the reading.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from qa.models import EvidenceTally, PrintAttempt
from qa.queries.tally import DEFAULT_DAYS, Range
from qa.services.tally import TallyChange
from tests.benchmarks.timing import page_seconds

pytestmark = [pytest.mark.django_db, pytest.mark.benchmark]

FEW, MANY = 5_000, 100_000
PARTS_IN_BUILD = 10
ROUNDS = 7
MOST = 2.0
ITEMS = [f"item-{number:02d}" for number in range(20)]
KINDS = (
    "stuck-flake|equipment|inspect",
    "warped|print|inspect",
    "sticky-film|wash|cure",
    "crushed|form|form",
)


def fill(parts: int, days: Range) -> None:
    """Evenly spread mature rows: builds of ten on six printers with 20 items answered."""
    draw = random.Random(20)
    change, rows = TallyChange(), []
    span = (days.end - days.start).days + 1
    for number in range(parts):
        build = number // PARTS_IN_BUILD
        day = days.start + timedelta(days=number * span // parts)
        age = (build * 7) % 40
        lost = draw.random() < 0.07
        moment = timezone.make_aware(datetime.combine(day, datetime.min.time()))
        rows.append(
            PrintAttempt(
                source="import",
                label=f"N-{number:06d}",
                occurred_at=moment,
                day=day,
                build=f"B-{build:05d}",
                printer=f"Printer {build % 6}",
                grade="professional",
                material=f"Resin {build % 8}",
                colour="grey",
                translucency="opaque",
                days_since_filter=float(age),
                builds_since_filter=age // 2,
                steps={item: draw.choice(("within", "within", "not-done", "not-recorded")) for item in ITEMS},
                outcome="scrapped" if lost else "good",
                lost=lost,
                defective=lost,
                contaminated=lost and age > 20,
                defects=[draw.choice(KINDS)] if lost else [],
                mature=True,
            )
        )
        change.add(rows[-1])
        if len(rows) == 5_000:
            PrintAttempt.objects.bulk_create(rows)
            rows = []
    PrintAttempt.objects.bulk_create(rows)
    change.apply()


def test_trends_take_at_most_twice_as_long_at_twenty_times_the_parts(
    people: Any, client_of: Callable[[Any], Client]
) -> None:
    days = Range.last(DEFAULT_DAYS)
    url = f"{reverse('qa:trends')}?{days.query}"
    client = client_of(people.manager)
    taken = {}
    for parts in (FEW, MANY):
        PrintAttempt.objects.all().delete()
        EvidenceTally.objects.all().delete()
        fill(parts, days)
        taken[parts] = page_seconds(client, url, ROUNDS)
    ratio = taken[MANY] / taken[FEW]
    print(
        f"\nTrends: {1000 * taken[FEW]:.0f} ms at {FEW:,} parts, {1000 * taken[MANY]:.0f} ms at {MANY:,}: "
        f"ratio {ratio:.2f} (at most {MOST})"
    )
    assert ratio <= MOST
