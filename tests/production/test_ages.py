"""Ages derived from events and runs, against histories worked out by hand."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

import pytest

from production.queries.ages import (
    bath_age,
    care_age,
    lamp_age,
    model_age_days,
    tank_age,
    tank_records,
)
from tests.production.shop import Shop


def test_a_tank_counts_from_its_last_filtering(shop: Shop) -> None:
    shop.printed(3, at=shop.at(0), layers=400, resin_ml="60.5")
    shop.printed(2, at=shop.at(1), layers=300, resin_ml="40")
    shop.event(shop.tank, "filtered", shop.at(2))
    shop.printed(1, at=shop.at(3), layers=250, resin_ml="20")
    shop.printed(4, at=shop.at(4, hours=12), layers=500, resin_ml="80.25")
    age = tank_age(shop.tank.pk, shop.at(5))
    assert (age.since_filter.since, age.since_filter.days) == (shop.at(2), 3.0)
    assert (age.since_filter.builds, age.since_filter.parts) == (2, 5)
    assert (age.since_filter.layers, age.since_filter.ml) == (750, 100.25)
    filling = age.since_filling
    assert (filling.builds, filling.parts, filling.layers, filling.ml) == (4, 10, 1450, 200.75)
    assert filling.days == 35.0
    assert (age.film.builds, age.film.days) == (4, 35.0)  # no new film yet: since it came into service


def test_a_build_is_not_part_of_the_age_at_its_own_start(shop: Shop) -> None:
    shop.printed(at=shop.at(0))
    build = shop.printed(at=shop.at(1))
    assert build.started_at is not None
    assert tank_age(shop.tank.pk, build.started_at).since_filter.builds == 1


def test_a_new_film_starts_the_film_anew_and_not_the_resin(shop: Shop) -> None:
    shop.printed(at=shop.at(0))
    shop.event(shop.tank, "film-changed", shop.at(1))
    shop.printed(at=shop.at(2))
    age = tank_age(shop.tank.pk, shop.at(3))
    assert (age.film.builds, age.film.days) == (1, 2.0)
    assert age.since_filter.builds == 2


def test_cancelled_and_planned_builds_age_nothing(shop: Shop) -> None:
    from production.services.builds import cancel_build

    cancelled = shop.plan(at=shop.at(0))
    cancel_build(actor=shop.tech, build_id=cancelled.pk, reason="wrong case", occurred_at=shop.at(0, hours=1))
    shop.plan(at=shop.at(1))
    assert tank_age(shop.tank.pk, shop.at(2)).since_filter.builds == 0


def test_contents_are_every_lot_since_the_tank_was_emptied(shop: Shop) -> None:
    second = shop.lot(shop.model_resin, "M-2")
    third = shop.lot(shop.model_resin, "M-3")
    shop.event(shop.tank, "topped-up", shop.at(1), lot_id=second.pk)
    assert tank_age(shop.tank.pk, shop.at(1)).contents == (shop.model_lot, second)
    shop.event(shop.tank, "emptied", shop.at(2))
    assert tank_age(shop.tank.pk, shop.at(2, hours=1)).empty
    shop.event(shop.tank, "filled", shop.at(3), lot_id=third.pk)
    assert tank_age(shop.tank.pk, shop.at(4)).contents == (third,)
    # and then, as it was then
    assert tank_age(shop.tank.pk, shop.at(1, hours=5)).contents == (shop.model_lot, second)


def test_a_tank_is_where_it_was_last_moved(shop: Shop) -> None:
    shop.event(shop.tank, "moved", shop.at(5), moved_to_id=shop.other_printer.pk)
    before, after = tank_age(shop.tank.pk, shop.at(4)), tank_age(shop.tank.pk, shop.at(6))
    assert before.printer is not None and before.printer.pk == shop.printer.pk
    assert after.printer is not None and after.printer.pk == shop.other_printer.pk


def test_a_failed_build_asks_for_filtering_and_film_inspection(shop: Shop) -> None:
    shop.failed(at=shop.at(0))
    assert tank_age(shop.tank.pk, shop.at(0, minutes=30)).owes == ""  # still running then
    assert tank_age(shop.tank.pk, shop.at(1)).owes == "filtering and film inspection"
    shop.event(shop.tank, "filtered", shop.at(1, hours=1))
    assert tank_age(shop.tank.pk, shop.at(2)).owes == "film inspection"
    shop.event(shop.tank, "film-changed", shop.at(2, hours=1))
    assert tank_age(shop.tank.pk, shop.at(3)).owes == ""


def test_one_record_of_all_time_agrees_with_asking_moment_by_moment(shop: Shop) -> None:
    shop.printed(2, at=shop.at(0))
    shop.failed(at=shop.at(1))
    shop.event(shop.tank, "filtered", shop.at(2))
    shop.event(shop.tank, "film-inspected", shop.at(2))
    shop.printed(1, at=shop.at(3))
    shop.event(shop.tank, "film-changed", shop.at(4))
    record = tank_records([shop.tank.pk])[shop.tank.pk]
    for hours in range(0, 140, 7):
        moment = shop.at(hours=hours)
        assert record.age_at(moment) == tank_age(shop.tank.pk, moment)


def test_a_bath_counts_parts_since_it_was_filled(shop: Shop) -> None:
    parts = list(shop.printed(3).parts.all())
    shop.treat("wash", parts, shop.at(0, hours=3))
    shop.treat("wash", parts[:1], shop.at(0, hours=4))
    age = bath_age(shop.bath.pk, shop.at(1))
    assert (age.parts, age.runs, age.days) == (4, 2, 31.0)
    shop.event(shop.bath, "emptied", shop.at(1))
    assert bath_age(shop.bath.pk, shop.at(1, hours=1)).empty
    shop.event(shop.bath, "filled", shop.at(1, hours=2))
    shop.treat("wash", parts, shop.at(1, hours=3))
    assert bath_age(shop.bath.pk, shop.at(1, hours=3)).parts == 0  # before that run
    assert bath_age(shop.bath.pk, shop.at(2, hours=2)).parts == 3
    assert bath_age(shop.bath.pk, shop.at(2, hours=2)).days == 1.0


def test_a_lamp_counts_its_hours_since_it_was_new(shop: Shop) -> None:
    parts = list(shop.printed(1).parts.all())
    shop.treat("cure", parts, shop.at(0, hours=3), minutes=90)
    assert lamp_age(shop.unit.pk, shop.at(1)).hours == 1.5
    shop.event(shop.unit, "lamp-changed", shop.at(2))
    shop.event(shop.unit, "lamp-measured", shop.at(2), value=Decimal("41.5"), unit="mW/cm²")
    shop.treat("cure", parts, shop.at(3), minutes=20)
    age = lamp_age(shop.unit.pk, shop.at(4))
    assert age.hours == pytest.approx(1 / 3, abs=0.001)
    assert (age.measured, age.measured_unit) == (Decimal("41.5"), "mW/cm²")


def test_days_since_care_and_the_age_of_a_model(shop: Shop) -> None:
    shop.event(shop.printer, "levelled", shop.at(0))
    shop.event(shop.printer, "levelled", shop.at(6))
    age = care_age(shop.printer.pk, shop.at(8))
    assert age.days_since("levelled") == 2.0
    assert age.days_since("calibrated") is None
    build = shop.printed(at=shop.at(0), hours=2)
    part = build.parts.get()
    assert build.finished_at is not None
    assert model_age_days(part.pk, build.finished_at + timedelta(days=7)) == 7.0
    assert model_age_days(part.pk, build.finished_at - timedelta(minutes=1)) is None


def test_ages_of_many_tanks_cost_a_handful_of_queries(
    shop: Shop, django_assert_max_num_queries: object
) -> None:
    from production.queries.ages import tank_ages

    shop.printed(2)
    with django_assert_max_num_queries(3):  # type: ignore[operator]
        tank_ages([shop.tank.pk, shop.guide_tank.pk], shop.at(1))
