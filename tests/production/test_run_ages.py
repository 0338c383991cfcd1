"""Baths and lamps at the start of many runs at once are as old as each says alone."""

from __future__ import annotations

import random
from typing import Any

import pytest

from production.models import TreatmentRun
from production.queries.ages import bath_age, lamp_age
from production.queries.run_ages import bath_parts_before, lamp_hours_before

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_many_runs_at_once_have_the_ages_of_each_alone(shop: Any, seed: int) -> None:
    draw = random.Random(seed)
    parts = list(shop.printed(4).parts.all())
    for _ in range(12):
        at = shop.at(draw.randint(1, 20), hours=draw.randint(0, 5))
        some = draw.sample(parts, draw.randint(1, 4))
        what = draw.choice(("wash", "wash", "cure", "cure", "lamp", "dry"))
        if what == "lamp":
            shop.event(shop.unit, "lamp-changed", at)
        else:
            shop.treat(what, some, at, minutes=draw.choice((5, 7, 30)))
    shop.event(shop.bath, "emptied", shop.at(10))
    shop.event(shop.bath, "filled", shop.at(10, hours=1))
    washes = list(TreatmentRun.objects.filter(step="wash"))
    cures = list(TreatmentRun.objects.filter(step="cure"))
    assert washes and cures
    baths = {run.pk: bath_age(run.equipment_id or 0, run.started_at).parts for run in washes}
    lamps = {run.pk: lamp_age(run.equipment_id or 0, run.started_at).hours for run in cures}
    assert bath_parts_before(baths) == baths
    assert lamp_hours_before(lamps) == lamps


def test_a_bath_that_was_never_filled_has_no_age(shop: Any) -> None:
    run = shop.treat("dry", list(shop.printed().parts.all()), shop.at(1))
    assert bath_parts_before([run.pk]) == {}
