"""Planned comparisons: a stated margin, a drawn order, builds entered, a verdict that is kept."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from types import SimpleNamespace
from typing import Any

import pytest
from django.db import IntegrityError, transaction
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from labtrack.errors import Conflict, NotAllowed, Refused
from qa.models import ComparisonRun, PlannedComparison, PrintAttempt
from qa.services.costs import set_costs
from qa.services.planned_comparisons import (
    close_comparison,
    plan_comparison,
    plan_sizes,
    record_run,
    verdict_of,
)
from qa.statistics.comparison import equivalence, non_inferior, sample_for_margin

pytestmark = pytest.mark.django_db


def plan(actors: Any, **changes: Any) -> PlannedComparison:
    values: dict[str, Any] = {
        "title": "Is Brook as good as Anvil?",
        "kind": "lost",
        "arm_a": "Brook",
        "arm_b": "Anvil",
        "margin": 5.0,
        "blocks": 4,
    }
    return plan_comparison(actor=actors.quality, key="", **(values | changes)).thing


def printed(shop: Any, runs: list[ComparisonRun]) -> list[int]:
    """A build of its own for each run; returns their numbers."""
    return [shop.printed(at=shop.at(3 + place)).number for place, _ in enumerate(runs)]


def test_every_block_holds_both_ways_in_a_drawn_order(actors: Any) -> None:
    made = plan(actors, blocks=12, per_block=2)
    runs = list(made.runs.all())
    assert [run.order for run in runs] == list(range(1, 49))
    for block in range(1, 13):
        assert Counter(run.is_a for run in runs if run.block == block) == {True: 2, False: 2}
    orders = {tuple(run.is_a for run in runs if run.block == block) for block in range(1, 13)}
    assert len(orders) > 1  # drawn, not in turn


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"title": " "}, "title-missing"),
        ({"arm_b": "brook "}, "arms"),
        ({"margin": 0.0}, "margin"),
        ({"margin": 100.0}, "margin"),
        ({"margin": float("nan")}, "margin"),
        ({"blocks": 0}, "blocks"),
        ({"per_block": 11}, "blocks"),
    ],
)
def test_a_plan_that_cannot_be_judged_is_refused(actors: Any, changes: dict[str, Any], code: str) -> None:
    with pytest.raises(Refused) as refused:
        plan(actors, **changes)
    assert refused.value.code == code and not PlannedComparison.objects.exists()


def test_a_build_stands_for_one_run(actors: Any, shop: Any) -> None:
    made = plan(actors)
    first, second = made.runs.all()[:2]
    number = shop.printed().number
    assert record_run(actor=actors.technician, run_id=first.pk, build_number=number).build is not None
    with pytest.raises(Conflict):
        record_run(actor=actors.technician, run_id=second.pk, build_number=number)
    with pytest.raises(Refused):
        record_run(actor=actors.technician, run_id=second.pk, build_number=987_654)
    with pytest.raises(NotAllowed):
        record_run(actor=actors.clinic, run_id=second.pk, build_number=number)


def test_the_database_keeps_runs_whole_and_ways_apart(actors: Any) -> None:
    made = plan(actors)
    with pytest.raises(IntegrityError, match="comparison_run_made_by_somebody"), transaction.atomic():
        made.runs.update(made_at=timezone.now())
    with pytest.raises(IntegrityError, match="comparison_of_two_ways"), transaction.atomic():
        PlannedComparison.objects.update(arm_a="Anvil")


def test_the_verdict_is_the_engines_on_the_parts_of_these_builds(actors: Any, shop: Any) -> None:
    made = plan(actors, blocks=2)
    runs = list(made.runs.all())
    assert verdict_of(made)["sentence"].startswith("Cannot tell yet")
    for run, number in zip(runs, printed(shop, runs), strict=True):
        record_run(actor=actors.technician, run_id=run.pk, build_number=number)
    PrintAttempt.objects.update(mature=True, lost=False)
    builds = {run.build_id: run.is_a for run in made.runs.all()}
    rows = list(PrintAttempt.objects.values_list("part__build_id", "lost"))
    sides = [[row for row in rows if builds[row[0]] is side] for side in (True, False)]
    expected = non_inferior(
        [bad for _, bad in sides[0]],
        [build for build, _ in sides[0]],
        [bad for _, bad in sides[1]],
        [build for build, _ in sides[1]],
        margin=0.05,
    )
    verdict = verdict_of(made)
    assert verdict["verdict"] == expected.verdict.value == "unknown"
    assert "Brook loses" in verdict["sentence"] and "than Anvil" in verdict["sentence"]
    assert "more parts of each to tell" in verdict["sentence"]
    assert all(None not in (row["low"], row["high"]) for row in verdict["figures"])


def test_the_verdict_says_what_a_good_part_costs_either_way(actors: Any, shop: Any, client: Client) -> None:
    set_costs(
        actor=actors.manager,
        key="",
        based_on=0,
        currency="EUR",
        values={"labour_per_h": Decimal(30), "labour_min": Decimal(10)},
        note="wages of the year",
    )
    made = plan(actors, blocks=3)
    runs = list(made.runs.all())
    assert "Cannot tell yet what a good part costs" in verdict_of(made)["cost"]["sentence"]
    for run, number in zip(runs, printed(shop, runs), strict=True):
        record_run(actor=actors.technician, run_id=run.pk, build_number=number)
    PrintAttempt.objects.update(mature=True, lost=False)
    cost = verdict_of(made)["cost"]
    values = {one["name"]: one["value"] for one in cost["figures"]}
    assert (
        values["Brook, per good part, 95 %"] >= 5.0
    )  # ten minutes at 30 an hour, and machine and resin if known
    assert values["difference, 95 %"] == pytest.approx(
        values["Brook, per good part, 95 %"] - values["Anvil, per good part, 95 %"], abs=0.002
    )
    assert cost["currency"] == "EUR" and "Cochran" in cost["method"]
    client.force_login(actors.quality.user)
    page = client.get(reverse("qa:planned-one", args=[made.pk])).content.decode()
    assert "What a good part costs" in page and "Brook, per good part" in page
    answer = client.get(reverse("qa:planned-figures", args=[made.pk]))
    rows = b"".join(answer.streaming_content).decode().splitlines()  # type: ignore[attr-defined]
    assert sum(row.startswith("cost,") for row in rows) == 3


def test_measured_values_are_compared_by_the_means_of_builds(actors: Any, shop: Any) -> None:
    made = plan(actors, kind="value", margin=20.0, blocks=3)
    runs = list(made.runs.all())
    with pytest.raises(Refused):
        record_run(actor=actors.technician, run_id=runs[0].pk, build_number=shop.printed().number)
    means: dict[bool, list[float]] = {True: [], False: []}
    for place, (run, number) in enumerate(zip(runs, printed(shop, runs), strict=True)):
        values = [50.0 + place, 52.0 - place, 51.0]
        means[run.is_a].append(sum(values) / 3)
        record_run(actor=actors.technician, run_id=run.pk, build_number=number, values=values)
    expected = equivalence(means[True], means[False], margin=20.0)
    verdict = verdict_of(made)
    assert verdict["verdict"] == expected.verdict.value == "equivalent"
    assert "as good" in verdict["sentence"] and len(verdict["figures"]) == 6


def test_a_closed_comparison_keeps_its_verdict(actors: Any, shop: Any) -> None:
    made = plan(actors)
    with pytest.raises(Refused):
        close_comparison(actor=actors.quality, comparison_id=made.pk, note=" ")
    closed = close_comparison(actor=actors.quality, comparison_id=made.pk, note="too slow to go on")
    assert verdict_of(closed)["verdict"] == "unknown"
    with pytest.raises(Conflict):
        close_comparison(actor=actors.quality, comparison_id=made.pk, note="again")
    with pytest.raises(Conflict):
        run = made.runs.first()
        assert run is not None
        record_run(actor=actors.technician, run_id=run.pk, build_number=shop.printed().number)


def test_the_size_of_a_plan_is_the_published_formula() -> None:
    # Two rates of 10 % against a margin of 5 points, 80 % power, two-sided 5 %: 2 p (1 - p) (z / d)^2 with
    # z = 1.95996 + 0.84162 (normal tables), as in ICH E9's usual sample size for non-inferiority.
    alone = sample_for_margin(0.10, 0.05)
    assert alone == pytest.approx(2 * 0.09 * (2.80158 / 0.05) ** 2, abs=1)
    assert sample_for_margin(0.10, 0.05, design_effect=1.5) == pytest.approx(1.5 * alone, abs=2)


def test_sizes_are_said_at_the_rate_and_build_size_of_the_lab(
    actors: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert plan_sizes(actor=actors.manager) is None  # nothing printed yet
    cost = {"parts": 600, "lost": 60, "n_effective": 400.0}
    known = SimpleNamespace(result={"cost": cost, "builds": 60})
    monkeypatch.setattr("qa.services.planned_comparisons.analysed", lambda **_: known)
    sizes = plan_sizes(actor=actors.manager)
    assert sizes is not None and (sizes.rate, sizes.per_build) == (10.0, 10.0)
    five = next(row for row in sizes.rows if row.margin == 5.0)
    assert five.parts == sample_for_margin(0.10, 0.05, design_effect=1.5) and five.builds == -(
        -five.parts // 10
    )


def test_a_comparison_from_plan_to_archive_on_the_pages(
    people: Any, client_of: Callable[[Any], Client], shop: Any
) -> None:
    quality, bench = client_of(people.quality), client_of(people.technician)
    data = {
        "title": "Laser or masked LCD?",
        "kind": "lost",
        "arm_a": "masked LCD",
        "arm_b": "laser",
        "margin": "3",
        "blocks": "1",
        "per_block": "1",
        "submission_key": "k",
    }
    assert quality.get(reverse("qa:plan-open")).status_code == 200
    assert quality.post(reverse("qa:plan-open"), data | {"margin": "0"}).status_code == 422
    assert quality.post(reverse("qa:plan-open"), data).status_code == 302
    made = PlannedComparison.objects.get()
    url = reverse("qa:planned-one", args=[made.pk])
    page = bench.get(url).content.decode()
    assert "Next: run 1" in page and "Close it" not in page
    for place, run in enumerate(made.runs.all()):
        label = shop.printed(at=shop.at(place)).label
        posted = bench.post(reverse("qa:planned-run", args=[run.pk]), {"build": label})
        assert posted.status_code == 302
    assert bench.post(reverse("qa:planned-run", args=[run.pk]), {"build": "soon"}).status_code == 422
    closing = reverse("qa:planned-close", args=[made.pk])
    assert bench.post(closing, {"note": "x"}).status_code == 403
    assert quality.post(closing, {"note": "we keep the laser"}).status_code == 302
    assert "we keep the laser" in quality.get(reverse("qa:planned")).content.decode()
    rows = b"".join(quality.get(reverse("qa:planned-csv", args=[made.pk])).streaming_content)  # type: ignore[attr-defined]
    assert len(rows.decode().splitlines()) == 3
    made.refresh_from_db()
    assert made.closed_at is not None and made.closed_at <= timezone.now() + timedelta(seconds=1)


def test_the_bench_names_the_next_build_of_each_comparison_under_way(
    shop: Any, actors: Any, people: Any, client_of: Any
) -> None:
    bench = client_of(people.technician)
    assert "Next builds of comparisons" not in bench.get("/bench/").content.decode()
    first, other = plan(actors), plan(actors, title="Another question")
    (number,) = printed(shop, [first.runs.all()[0]])
    record_run(actor=actors.technician, run_id=first.runs.all()[0].pk, build_number=number)
    page = bench.get("/bench/").content.decode()
    assert "Is Brook as good as Anvil?, run 2" in page and "Another question, run 1" in page
    assert "run 3" not in page and reverse("qa:planned-one", args=[other.pk]) in page
