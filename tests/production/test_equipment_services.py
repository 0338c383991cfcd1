"""Equipment, materials, lots and holds: what is refused, with its sentence, and nothing half-written."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.db import IntegrityError, transaction
from django.utils import timezone

from labtrack.audit.models import AuditRecord
from labtrack.errors import Conflict, NotAllowed, NotFound
from production.models import Equipment, EquipmentEvent, Hold, Lot, Material, Printer
from production.services import combinations, equipment, holds, materials
from tests.production.refusals import refused
from tests.production.shop import Shop


def test_adding_equipment_is_recorded_and_done_once(shop: Shop) -> None:
    def add(key: str) -> Any:
        return equipment.add_equipment(
            actor=shop.tech,
            key=key,
            code="Tank-9",
            kind="tank",
            name="Tank 9",
            vessel=equipment.VesselDetails("model", 500),
        )

    first, again = add("k1"), add("k1")
    assert (first.repeated, again.repeated, first.thing.pk) == (False, True, again.thing.pk)
    assert first.thing.code == "tank-9"
    assert AuditRecord.objects.filter(action="equipment.added", subject_id=first.thing.pk).count() == 1
    taken = refused(lambda: add("k2"), "equipment-code-taken", kind=Conflict)
    assert taken.field == "code"


def test_a_printer_needs_its_details_and_a_scanner_takes_none(shop: Shop) -> None:
    def add(**values: Any) -> Any:
        return equipment.add_equipment(actor=shop.tech, code="x-1", name="X", **values)

    refused(lambda: add(kind="printer"), "printer-details")
    refused(lambda: add(kind="tank"), "vessel-details")
    refused(lambda: add(kind="scanner", vessel=equipment.VesselDetails("model", 1)), "vessel-details")
    refused(lambda: add(kind="oven"), "kind-unknown")
    wrong = equipment.PrinterDetails("filament", "bottom-up", "entry", Decimal(1), Decimal(1), Decimal(1))
    refused(lambda: add(kind="printer", printer=wrong), "printer-vat-fits-process", "no vat", kind=Conflict)
    assert not Equipment.objects.filter(code="x-1").exists()


@pytest.mark.parametrize(
    ("kind", "code"),
    [
        ("levelled", "event-not-for-kind"),
        ("retired", "own-function"),
        ("filled", "not-empty"),
        ("topped-up", "lot-missing"),
        ("moved", "printer-missing"),
    ],
)
def test_what_cannot_happen_to_a_full_tank(shop: Shop, kind: str, code: str) -> None:
    refused(lambda: shop.event(shop.tank, kind), code)


def test_an_empty_tank_is_filled_and_not_topped_up(shop: Shop) -> None:
    shop.event(shop.tank, "emptied", shop.at(0))
    refused(lambda: shop.event(shop.tank, "topped-up", shop.at(1), lot_id=shop.model_lot.pk), "is-empty")
    refused(lambda: shop.event(shop.tank, "emptied", shop.at(1)), "is-empty")


def test_a_late_entry_must_fit_what_came_after(shop: Shop) -> None:
    shop.event(shop.tank, "emptied", shop.at(2))
    shop.event(shop.tank, "filled", shop.at(3), lot_id=shop.model_lot.pk)
    refused(lambda: shop.event(shop.tank, "emptied", shop.at(1)), "clashes-with-later", "later record")


def test_patient_and_model_resins_never_share_a_tank(shop: Shop) -> None:
    refused(
        lambda: shop.event(shop.tank, "topped-up", lot_id=shop.guide_lot.pk),
        "purpose-differs",
        "never share",
        "patient contact",
    )
    refused(lambda: shop.event(shop.guide_tank, "topped-up", lot_id=shop.model_lot.pk), "purpose-differs")
    unknown = shop.lot(shop.material("unknown", "resin"), "U-1")
    refused(lambda: shop.event(shop.tank, "topped-up", lot_id=unknown.pk), "material-not-approved", "approve")
    refused(lambda: shop.event(shop.tank, "topped-up", lot_id=shop.sheet_lot.pk), "lot-not-resin")
    refused(lambda: shop.event(shop.bath, "topped-up", lot_id=shop.model_lot.pk), "lot-not-solvent")


def test_the_latest_approved_instructions_count_from_their_approval(shop: Shop) -> None:
    shop.instruct(shop.model_resin, use="patient-contact", tissue="mucosa", at=shop.at(5))
    shop.event(shop.tank, "topped-up", shop.at(4), lot_id=shop.model_lot.pk)
    refused(
        lambda: shop.event(shop.tank, "topped-up", shop.at(6), lot_id=shop.model_lot.pk), "purpose-differs"
    )


def test_expired_quarantined_and_held_lots_stay_out_of_the_tank(shop: Shop) -> None:
    def top_up(lot: Lot, day: float) -> Any:
        return shop.event(shop.tank, "topped-up", shop.at(day), lot_id=lot.pk)

    short = shop.lot(shop.model_resin, "short", expires_days=3)
    top_up(short, 3)  # on its last day
    refused(lambda: top_up(short, 4), "lot-expired", "expired on")
    bad = shop.lot(shop.model_resin, "bad")
    materials.quarantine_lot(actor=shop.tech, lot_id=bad.pk, reason="smells odd", occurred_at=shop.at(5))
    refused(lambda: top_up(bad, 6), "lot-quarantined", "smells odd")
    top_up(bad, 4.5)  # as it was then
    held = shop.lot(shop.model_resin, "held")
    holds.place_hold(
        actor=shop.tech, held="lot", held_id=held.pk, reason="maker's recall", occurred_at=shop.at(5)
    )
    refused(lambda: top_up(held, 6), "held", "maker's recall")


def test_retired_equipment_takes_no_events_until_it_returns(shop: Shop) -> None:
    equipment.retire_equipment(
        actor=shop.tech, equipment_id=shop.tank.pk, reason="cracked", occurred_at=shop.at(1)
    )
    refused(lambda: shop.event(shop.tank, "filtered", shop.at(2)), "equipment-retired", "retired on")
    shop.event(shop.tank, "filtered", shop.at(0.5))  # done before, entered late
    refused(
        lambda: equipment.retire_equipment(actor=shop.tech, equipment_id=shop.tank.pk, reason="again"),
        "already-retired",
    )
    equipment.return_equipment(
        actor=shop.tech, equipment_id=shop.tank.pk, reason="mended", occurred_at=shop.at(3)
    )
    shop.event(shop.tank, "filtered", shop.at(4))


def test_a_printer_in_a_running_build_is_not_retired(shop: Shop) -> None:
    from production.services.builds import start_build

    build = shop.plan()
    start_build(actor=shop.tech, build_id=build.pk, started_at=shop.at())
    refused(
        lambda: equipment.retire_equipment(actor=shop.tech, equipment_id=shop.printer.pk, reason="old"),
        "in-a-build",
    )


def test_a_tank_moves_to_vat_printers_only(shop: Shop) -> None:
    refused(
        lambda: shop.event(shop.tank, "moved", moved_to_id=shop.filament_printer.pk), "printer-has-no-vat"
    )
    refused(lambda: shop.event(shop.tank, "moved", moved_to_id=10**9), "not-found", kind=NotFound)


def test_moments_in_the_future_are_refused(shop: Shop) -> None:
    ahead = timezone.now() + timedelta(minutes=10)
    refused(lambda: shop.event(shop.tank, "filtered", ahead), "moment-in-future")


def test_only_quality_approves_withdraws_and_lifts(shop: Shop) -> None:
    recorded = materials.record_material_instruction(
        actor=shop.tech, material_id=shop.solvent.pk, document="x", intended_use="model"
    ).thing
    refused(
        lambda: materials.approve_material_instruction(actor=shop.tech, instruction_id=recorded.pk),
        "not-allowed",
        kind=NotAllowed,
    )
    hold = holds.place_hold(actor=shop.tech, held="equipment", held_id=shop.tank.pk, reason="leaks").thing
    refused(
        lambda: holds.lift_hold(actor=shop.tech, hold_id=hold.pk, reason="fine"),
        "not-allowed",
        kind=NotAllowed,
    )
    holds.lift_hold(actor=shop.actors.quality, hold_id=hold.pk, reason="sealed anew")
    refused(
        lambda: holds.lift_hold(actor=shop.actors.quality, hold_id=hold.pk, reason="again"),
        "already-changed",
        "lifted already",
        kind=Conflict,
    )
    materials.quarantine_lot(actor=shop.tech, lot_id=shop.model_lot.pk, reason="odd")
    refused(
        lambda: materials.lift_quarantine(actor=shop.tech, lot_id=shop.model_lot.pk, reason="fine"),
        "not-allowed",
        kind=NotAllowed,
    )
    materials.lift_quarantine(actor=shop.actors.quality, lot_id=shop.model_lot.pk, reason="tested")
    shop.model_lot.refresh_from_db()
    assert shop.model_lot.quarantined_at is None


def test_clinic_staff_and_administrators_do_no_bench_work(shop: Shop) -> None:
    for actor in (shop.actors.clinic, shop.actors.administrator):
        refused(
            lambda actor=actor: equipment.record_event(  # type: ignore[misc]
                actor=actor, equipment_id=shop.tank.pk, kind="filtered"
            ),
            "not-allowed",
            kind=NotAllowed,
        )


def test_a_sheet_needs_a_thickness_and_contact_a_tissue(shop: Shop) -> None:
    refused(
        lambda: materials.add_material(actor=shop.tech, code="thin", kind="sheet", name="Thin"),
        "material-sheet-has-thickness",
        kind=Conflict,
    )
    assert not Material.objects.filter(code="thin").exists()
    refused(
        lambda: materials.record_material_instruction(
            actor=shop.tech, material_id=shop.sheet.pk, document="x", intended_use="patient-contact"
        ),
        "instruction-contact-names-tissue",
        "tissue",
        kind=Conflict,
    )


def test_a_lot_number_is_taken_once_and_expires_after_it_came(shop: Shop) -> None:
    refused(lambda: shop.lot(shop.model_resin, "M-1"), "lot-number-unique", kind=Conflict)
    refused(
        lambda: shop.lot(shop.model_resin, "M-9", expires_days=-400),
        "lot-expires-after-receipt",
        kind=Conflict,
    )


def test_a_combination_is_qualified_once_and_again_after_withdrawal(shop: Shop) -> None:
    def qualify() -> Any:
        return combinations.qualify_combination(
            actor=shop.actors.quality,
            printer_id=shop.other_printer.pk,
            material_id=shop.guide_resin.pk,
            profile_name="guide-50",
            wash_program="two baths",
            cure_program="20 min",
            basis="report 4",
        ).thing

    first = qualify()
    refused(qualify, "combination-qualified-once", kind=Conflict)
    combinations.withdraw_combination(actor=shop.actors.quality, combination_id=first.pk, reason="new lamp")
    assert qualify().pk != first.pk


def test_the_database_itself_refuses_what_no_service_should_write(shop: Shop) -> None:
    """Constraints hold without the services."""

    def broken(write: Callable[[], Any]) -> None:
        with pytest.raises(IntegrityError), transaction.atomic():
            write()

    user = shop.tech.user
    broken(lambda: Hold.objects.create(reason="of nothing", placed_at=shop.at(), placed_by=user))
    broken(
        lambda: EquipmentEvent.objects.create(
            equipment=shop.tank, kind="moved", occurred_at=shop.at(), by=user
        )
    )
    broken(lambda: Printer.objects.filter(pk=shop.printer.pk).update(vat="none"))
    broken(lambda: Printer.objects.filter(pk=shop.printer.pk).update(platform_x_mm=0))
    broken(lambda: Lot.objects.filter(pk=shop.model_lot.pk).update(quarantined_at=shop.at()))
