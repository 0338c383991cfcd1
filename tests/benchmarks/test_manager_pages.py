"""The manager's pages at 1,000,000 parts against 10,000, over the same three years.

Rows are made in bulk: 10,000 through the ORM with their tally, the rest as copies that the database makes
of them. What a worker computed is there already: pages never compute it.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from labtrack.jobs.services.run import run_job
from qa.choices import EvidenceUnit
from qa.models import EvidenceTally, PrintAttempt
from qa.queries.tally import DEFAULT_DAYS, Range
from qa.services.analyses import analysed
from qa.services.tally import TallyChange
from tests.benchmarks.timing import page_seconds

pytestmark = [pytest.mark.django_db, pytest.mark.benchmark]

FEW, COPIES, SPAN_DAYS = 10_000, 99, 3 * 365
PARTS_IN_BUILD = 10
ROUNDS = 5
MOST = 3.0
ITEMS = [f"item-{number:02d}" for number in range(12)]
PLACES = ("this-week", "trends", "tanks", "causes", "late", "platform", "planned", "cost", "actions")


def fill(days: Range, *, parts: int = FEW) -> None:
    """Mature rows over the days: builds of ten on six printers with a dozen items answered."""
    draw = random.Random(21)
    change, rows = TallyChange(), []
    span = (days.end - days.start).days + 1
    for number in range(parts):
        build = number // PARTS_IN_BUILD
        day = days.start + timedelta(days=number * span // parts)
        age, lost = (build * 7) % 40, draw.random() < 0.07
        row = PrintAttempt(
            source="import",
            label=f"N-{number:06d}",
            occurred_at=timezone.make_aware(datetime.combine(day, datetime.min.time())),
            day=day,
            build=f"B-{build:05d}",
            printer=f"Printer {build % 6}",
            material=f"Resin {build % 8}",
            colour="grey",
            translucency="opaque",
            tank=f"Tank {build % 9}",
            days_since_filter=float(age),
            builds_since_filter=age // 2,
            steps={item: draw.choice(("within", "within", "not-done", "not-recorded")) for item in ITEMS},
            platform_x_mm=draw.uniform(0, 200),
            platform_y_mm=draw.uniform(0, 120),
            outcome="scrapped" if lost else "good",
            lost=lost,
            defective=lost,
            contaminated=lost and age > 20,
            defects=["stuck-flake|equipment|inspect"] if lost else [],
            mature=True,
        )
        rows.append(row)
        change.add(row)
    PrintAttempt.objects.bulk_create(rows, batch_size=2_000)
    change.apply()


def multiply() -> None:
    """A hundred times as many parts on the same days, in builds of their own."""
    columns = [field.column for field in PrintAttempt._meta.concrete_fields if field.column != "id"]
    renamed = {"label": "label || '/' || %s", "build": "build || '/' || %s"}
    chosen = ", ".join(renamed.get(name, name) for name in columns)
    table, tally = PrintAttempt._meta.db_table, EvidenceTally._meta.db_table
    cells = "unit, day, axis, level, parts, lost, defective, contaminated"
    with connection.cursor() as cursor:
        last = PrintAttempt.objects.order_by("-pk").values_list("pk", flat=True)[0]
        for copy in range(COPIES):
            cursor.execute(
                f"INSERT INTO {table} ({', '.join(columns)}) SELECT {chosen} FROM {table} WHERE id <= {last}",
                [str(copy)] * 2,
            )
            cursor.execute(
                f"INSERT INTO {tally} ({cells}) SELECT {cells.replace('level', 'level || %s')} "
                f"FROM {tally} WHERE axis = 'build' AND level NOT LIKE %s",
                [f"/{copy}", "%/%"],
            )
        cursor.execute(
            f"UPDATE {tally} SET parts = {COPIES + 1} * parts, lost = {COPIES + 1} * lost, "
            f"defective = {COPIES + 1} * defective, contaminated = {COPIES + 1} * contaminated "
            "WHERE axis <> 'build'"
        )


def test_pages_take_at_most_three_times_as_long_at_a_hundred_times_the_parts(
    actors: Any, people: Any, client_of: Callable[[Any], Client], settings: Any
) -> None:
    settings.JOB_LEASE_S = 36_000  # one connection: no heartbeat beside it
    today = timezone.localdate()
    whole = Range(today - timedelta(days=SPAN_DAYS), today)
    fill(whole)
    coming = analysed(actor=actors.manager, unit=EvidenceUnit.PART).coming
    assert coming is not None and coming.job is not None
    assert run_job(coming.job.pk) == "done"
    urls = {place: reverse(f"qa:{place}") for place in PLACES}
    trends, records = reverse("qa:trends"), reverse("qa:trend-records")
    urls["trends, three years"] = f"{trends}?{whole.query}"
    urls["records, 90 days"] = f"{records}?{Range.last(DEFAULT_DAYS).query}"
    urls["records of a printer"] = f"{records}?{Range.last(DEFAULT_DAYS).query}&axis=printer&level=Printer+1"
    urls["records, three years"] = f"{records}?{whole.query}"
    client = client_of(people.manager)
    few = {name: page_seconds(client, url, ROUNDS) for name, url in urls.items()}
    multiply()
    connection.cursor().execute("ANALYZE")
    many = {name: page_seconds(client, url, ROUNDS) for name, url in urls.items()}
    print()
    for name in urls:
        print(
            f"{name}: {1000 * few[name]:.0f} ms at {FEW:,}, {1000 * many[name]:.0f} ms at "
            f"{FEW * (COPIES + 1):,}, ratio {many[name] / few[name]:.2f}"
        )
    over = {name: round(many[name] / few[name], 1) for name in urls if many[name] > MOST * few[name]}
    assert not over
