"""What the database itself refuses of the shop, however it is written."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.db import IntegrityError, transaction

from cases.services.waits import ask_clinic
from production.models import Part, PartOutcome, Preparation, ProcessCombination, TreatedPart, WashBath
from production.services.combinations import qualify_combination
from tests.production.shop import Shop


def broken(rows: Any, **values: Any) -> str:
    """Which constraint the update breaks."""
    with pytest.raises(IntegrityError) as refusal, transaction.atomic():
        assert rows.update(**values), "nothing to break"
    return str(refusal.value)


def test_a_wash_bath_holds_something(shop: Shop) -> None:
    assert "wash_bath_capacity_positive" in broken(WashBath.objects.filter(pk=shop.bath.pk), capacity_ml=0)


@pytest.mark.parametrize("wall", [None, 0])
def test_a_hollow_part_has_a_wall(shop: Shop, wall: int | None) -> None:
    row = Preparation.objects.filter(pk=shop.preparation().pk)
    assert "preparation_hollow_has_wall" in broken(row, hollow=True, wall_mm=wall)


@pytest.mark.parametrize("values", [{"outcome": "scrapped", "reason": ""}, {"outcome": "lost"}])
def test_an_outcome_is_known_and_has_its_reason(shop: Shop, values: dict[str, str]) -> None:
    shop.printed()
    assert "part_outcome_has_reason" in broken(PartOutcome.objects.all(), **values)


def test_a_turn_is_counted_from_one(shop: Shop) -> None:
    part: Part = shop.printed().parts.get()
    shop.treat("wash", [part], shop.at(hours=3))
    assert "treated_part_turn_from_one" in broken(TreatedPart.objects.all(), turn=0)


def test_a_qualification_is_withdrawn_with_a_reason(shop: Shop) -> None:
    qualify_combination(
        actor=shop.actors.quality,
        printer_id=shop.printer.pk,
        material_id=shop.model_resin.pk,
        profile_name="grey-50",
        wash_program="short",
        cure_program="long",
        basis="report 1",
    )
    rows = ProcessCombination.objects.all()
    assert "combination_withdrawal_has_reason" in broken(rows, withdrawn_at=shop.at())
    assert "combination_withdrawal_has_reason" in broken(rows, withdraw_reason="lamp failed")


def test_a_wait_ends_with_an_answer_and_a_person(shop: Shop) -> None:
    case = shop.appliance().case
    wait = ask_clinic(actor=shop.tech, key="", case_number=case.number, question="Which shade?").thing
    later = wait.since + timedelta(hours=1)
    for values in (
        {"until": later},
        {"until": later, "answer": "A2"},
        {"until": later, "answered_by": shop.tech.user},
        {"answer": "A2"},
    ):
        assert "wait_ends_with_answer" in broken(case.waits.all(), **values)
