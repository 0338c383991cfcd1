"""Preparing, planning, starting and ending builds, and what is done with the parts after."""

from __future__ import annotations

import threading
from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.db import IntegrityError, connection, transaction

from cases.services.meshes import withdraw_mesh
from labtrack.audit.models import AuditRecord
from labtrack.errors import Conflict, DomainError, NotFound
from production.models import Build, Part, PartOutcome, Preparation, TreatmentRun
from production.services import builds, equipment, holds, materials, outcomes, preparations
from tests.production.refusals import refused
from tests.production.shop import Shop


def test_many_designs_are_prepared_at_once_and_only_once(shop: Shop) -> None:
    appliances = [shop.appliance() for _ in range(3)]
    designs = [shop.design(appliance) for appliance in appliances]

    def prepare() -> list[Preparation]:
        return preparations.record_preparations(
            actor=shop.tech,
            key="p1",
            prepared=[preparations.Prepared(a.pk, d.pk) for a, d in zip(appliances, designs, strict=True)],
            settings=preparations.PreparationSettings("grey-50", "3", 50),
        )

    first, again = prepare(), prepare()
    assert [row.pk for row in first] == [row.pk for row in again]
    assert Preparation.objects.count() == 3


def test_a_preparation_uses_the_appliances_own_design(shop: Shop) -> None:
    mine, other = shop.appliance(), shop.appliance()
    scan = shop.design(mine, role="patient-scan")

    def prepare(design_id: int, **values: Any) -> Any:
        settings: dict[str, Any] = {
            "profile_name": "grey-50",
            "profile_revision": "3",
            "layer_um": 50,
        } | values
        return preparations.record_preparations(
            actor=shop.tech,
            prepared=[preparations.Prepared(mine.pk, design_id)],
            settings=preparations.PreparationSettings(**settings),
        )

    refused(lambda: prepare(shop.design(other).pk), "mesh-not-of-appliance")
    refused(lambda: prepare(scan.pk), "mesh-of-another-role", "Patient scan".lower())
    wrong = shop.design(mine)
    withdraw_mesh(actor=shop.tech, key="", mesh_id=wrong.pk, reason="of another patient")
    refused(lambda: prepare(wrong.pk), "mesh-withdrawn", "of another patient")
    refused(lambda: prepare(shop.design(mine).pk, hollow=True), "wall-missing")
    refused(lambda: prepare(shop.design(mine).pk, layer_um=2), "preparation-layer-plausible", kind=Conflict)
    assert not Preparation.objects.exists()


def test_a_file_that_was_made_ready_for_printing_is_not_withdrawn(shop: Shop) -> None:
    design = shop.preparation().design
    refused(
        lambda: withdraw_mesh(actor=shop.tech, key="", mesh_id=design.pk, reason="of another patient"),
        "mesh-prepared",
        "Put the right file in its place",
    )
    design.refresh_from_db()
    assert design.is_in_use


def test_a_build_numbers_its_parts_and_takes_the_profile_of_its_preparations(shop: Shop) -> None:
    build = shop.plan([shop.preparation() for _ in range(3)])
    parts = list(build.parts.order_by("number"))
    assert [part.number - parts[0].number for part in parts] == [0, 1, 2]
    assert (build.profile_name, build.profile_revision, build.layer_um) == ("grey-50", "3", 50)
    assert {part.purpose for part in parts} == {"working-model"}
    assert AuditRecord.objects.filter(action="part.planned").count() == 3


def test_the_same_submission_plans_one_build(shop: Shop) -> None:
    preps = [shop.preparation()]
    assert shop.plan(preps, key="k").pk == shop.plan(preps, key="k").pk
    assert Build.objects.count() == 1
    other = [shop.preparation()]
    refused(lambda: shop.plan(other, key="k"), "key-reused", kind=Conflict)


def planning(shop: Shop, printer: Any, *, tank: Any = None, lot: Any = None, **values: Any) -> Any:
    """A plan of one freshly prepared part, to be tried."""
    preparation = shop.preparation(values.pop("appliance", None))
    return lambda: (
        builds.plan_build(
            actor=shop.tech,
            printer_id=printer.pk,
            tank_id=tank.pk if tank else None,
            filament_lot_id=lot.pk if lot else None,
            parts=[builds.PlannedPart(preparation.pk, **values)],
            occurred_at=shop.at(10),
        ).thing
    )


def test_vat_printers_take_tanks_and_filament_printers_lots(shop: Shop) -> None:
    refused(planning(shop, shop.printer), "tank-missing")
    refused(planning(shop, shop.printer, lot=shop.filament_lot), "no-filament")
    refused(planning(shop, shop.filament_printer), "filament-missing")
    refused(planning(shop, shop.filament_printer, tank=shop.tank), "no-tank")
    refused(planning(shop, shop.filament_printer, lot=shop.model_lot), "lot-not-filament")
    assert planning(shop, shop.filament_printer, lot=shop.filament_lot)().tank_id is None
    assert Build.objects.count() == 1


def test_a_tank_elsewhere_is_refused(shop: Shop) -> None:
    refused(planning(shop, shop.printer, tank=shop.guide_tank), "tank-elsewhere", "Printer 2")
    spare = shop.machine("tank-7", "tank", vessel=equipment.VesselDetails("model", 500))
    refused(planning(shop, shop.printer, tank=spare), "tank-elsewhere", "in no printer")


def test_a_retired_tank_or_printer_is_refused(shop: Shop) -> None:
    for thing in (shop.tank, shop.printer):
        equipment.retire_equipment(
            actor=shop.tech, equipment_id=thing.pk, reason="worn", occurred_at=shop.at(1)
        )
        refused(planning(shop, shop.printer, tank=shop.tank), "equipment-retired", "retired on")
        equipment.return_equipment(
            actor=shop.tech, equipment_id=thing.pk, reason="mended", occurred_at=shop.at(2)
        )
    assert planning(shop, shop.printer, tank=shop.tank)()


def test_an_empty_tank_is_refused(shop: Shop) -> None:
    shop.event(shop.tank, "emptied", shop.at(1))
    refused(planning(shop, shop.printer, tank=shop.tank), "tank-empty", "filled")


def test_a_tank_with_an_expired_lot_in_it_is_refused(shop: Shop) -> None:
    short = shop.lot(shop.model_resin, "short", expires_days=9)
    shop.event(shop.tank, "topped-up", shop.at(1), lot_id=short.pk)
    refused(planning(shop, shop.printer, tank=shop.tank), "lot-expired", "short")


def test_quarantine_of_a_lot_stops_the_tank_it_is_in(shop: Shop) -> None:
    materials.quarantine_lot(
        actor=shop.tech, lot_id=shop.model_lot.pk, reason="recall", occurred_at=shop.at(5)
    )
    refused(planning(shop, shop.printer, tank=shop.tank), "lot-quarantined")


def test_a_held_tank_printer_or_lot_is_refused(shop: Shop) -> None:
    for held, pk in (
        ("equipment", shop.tank.pk),
        ("equipment", shop.printer.pk),
        ("lot", shop.model_lot.pk),
    ):
        hold = holds.place_hold(
            actor=shop.tech, held=held, held_id=pk, reason="look first", occurred_at=shop.at(5)
        ).thing
        refused(planning(shop, shop.printer, tank=shop.tank), "held", "look first")
        holds.lift_hold(actor=shop.actors.quality, hold_id=hold.pk, reason="fine", occurred_at=shop.at(6))


def test_after_a_failed_build_the_tank_is_filtered_and_its_film_looked_at_first(shop: Shop) -> None:
    shop.failed(at=shop.at(1))
    refused(planning(shop, shop.printer, tank=shop.tank), "tank-owes-care", "filtering and film inspection")
    shop.event(shop.tank, "filtered", shop.at(2))
    refused(planning(shop, shop.printer, tank=shop.tank), "tank-owes-care", "film inspection")
    shop.event(shop.tank, "film-inspected", shop.at(2))
    assert planning(shop, shop.printer, tank=shop.tank)()


def test_parts_stand_on_the_platform_and_share_one_profile(shop: Shop) -> None:
    tank = shop.tank
    corner = {"platform_x_mm": Decimal(100), "platform_y_mm": Decimal(-60)}
    assert planning(shop, shop.printer, tank=tank, **corner)()
    refused(planning(shop, shop.printer, tank=tank, platform_x_mm=Decimal("100.1")), "off-platform", "x is")
    refused(planning(shop, shop.printer, tank=tank, platform_y_mm=Decimal(-61)), "off-platform", "y is")
    mixed = [shop.preparation(), shop.preparation(layer_um=100)]
    refused(lambda: shop.plan(mixed), "profiles-differ", "one profile")
    refused(lambda: shop.plan([]), "no-parts")


def test_what_a_patient_wears_is_not_printed_from_model_resin(shop: Shop) -> None:
    guide = shop.appliance(kind="drill-guide", direct=True)
    refused(
        planning(shop, shop.printer, tank=shop.tank, appliance=guide),
        "contact-in-model-material",
        "patient",
    )
    build = planning(shop, shop.other_printer, tank=shop.guide_tank, appliance=guide)()
    assert build.parts.get().purpose == "appliance"
    study = shop.appliance(kind="study-model", tissue="none")
    assert planning(shop, shop.printer, tank=shop.tank, appliance=study)().parts.get().purpose == "appliance"


def test_a_build_starts_once_and_ends_once(shop: Shop) -> None:
    build = shop.plan()
    start = {"actor": shop.tech, "build_id": build.pk, "started_at": shop.at(0, hours=1)}
    refused(
        lambda: builds.start_build(**(start | {"started_at": shop.at(-1)})), "end-before-start", "planning"
    )
    builds.start_build(key="s", **start)
    builds.start_build(key="s", **start)
    refused(lambda: builds.start_build(**start), "already-changed", kind=Conflict)
    refused(
        lambda: builds.finish_build(actor=shop.tech, build_id=build.pk, finished_at=shop.at(0)),
        "end-before-start",
        "cannot end before it started",
    )
    builds.finish_build(actor=shop.tech, build_id=build.pk, finished_at=shop.at(0, hours=3))
    refused(
        lambda: builds.finish_build(actor=shop.tech, build_id=build.pk, finished_at=shop.at(0, hours=4)),
        "already-changed",
        "not running",
        kind=Conflict,
    )
    refused(
        lambda: builds.cancel_build(actor=shop.tech, build_id=build.pk, reason="late"),
        "already-changed",
        kind=Conflict,
    )


def test_a_second_build_waits_for_the_printer(shop: Shop) -> None:
    first, second = shop.plan(), shop.plan()
    builds.start_build(actor=shop.tech, build_id=first.pk, started_at=shop.at())
    refused(
        lambda: builds.start_build(actor=shop.tech, build_id=second.pk, started_at=shop.at(0, hours=1)),
        "printer-runs-one-build",
        "already running",
        kind=Conflict,
    )
    builds.finish_build(actor=shop.tech, build_id=first.pk, finished_at=shop.at(0, hours=2))
    refused(
        lambda: builds.start_build(actor=shop.tech, build_id=second.pk, started_at=shop.at(0, hours=1)),
        "printer-was-busy",
    )
    builds.start_build(actor=shop.tech, build_id=second.pk, started_at=shop.at(0, hours=2))


def test_a_wrong_outcome_leaves_the_build_running(shop: Shop) -> None:
    build = shop.plan([shop.preparation(), shop.preparation()])
    builds.start_build(actor=shop.tech, build_id=build.pk, started_at=shop.at())
    good, bad = build.parts.order_by("number")

    def finish(*results: outcomes.PartResult) -> Any:
        return builds.finish_build(
            actor=shop.tech, build_id=build.pk, finished_at=shop.at(0, hours=2), outcomes=results
        )

    good_result = outcomes.PartResult(good.pk, "good")
    refused(lambda: finish(good_result, outcomes.PartResult(bad.pk, "scrapped")), "reason-missing")
    refused(lambda: finish(good_result, outcomes.PartResult(bad.pk, "lost", "x")), "outcome-unknown")
    refused(lambda: finish(good_result, outcomes.PartResult(10**9, "good")), "part-not-in-build")
    refused(lambda: finish(good_result, good_result), "chosen-twice")
    build.refresh_from_db()
    assert (build.state, build.finished_at) == ("running", None)
    assert not PartOutcome.objects.exists()
    finish(good_result, outcomes.PartResult(bad.pk, "scrapped", "split"))
    assert dict(Part.objects.values_list("pk", "outcome")) == {good.pk: "good", bad.pk: "scrapped"}


def test_a_failed_build_scraps_what_is_not_named(shop: Shop) -> None:
    build = shop.plan([shop.preparation(), shop.preparation()])
    builds.start_build(actor=shop.tech, build_id=build.pk, started_at=shop.at())
    kept, _ = build.parts.order_by("number")
    refused(lambda: builds.fail_build(actor=shop.tech, build_id=build.pk, failure=" "), "missing")
    builds.fail_build(
        actor=shop.tech,
        build_id=build.pk,
        failure="fell off",
        finished_at=shop.at(0, hours=1),
        outcomes=[outcomes.PartResult(kept.pk, "good")],
    )
    assert list(build.parts.order_by("number").values_list("outcome", flat=True)) == ["good", "scrapped"]


def test_a_late_outcome_does_not_overrule_a_later_one(shop: Shop) -> None:
    part = shop.printed(1).parts.get()
    outcomes.record_part_outcomes(
        actor=shop.tech,
        step="inspect",
        results=[outcomes.PartResult(part.pk, "scrapped", "crack")],
        occurred_at=shop.at(3),
    )
    outcomes.record_part_outcomes(
        actor=shop.tech, step="cure", results=[outcomes.PartResult(part.pk, "good")], occurred_at=shop.at(2)
    )
    part.refresh_from_db()
    assert (part.outcome, part.outcome_at) == ("scrapped", shop.at(3))
    assert part.outcomes.count() == 3


def test_runs_count_loops_and_refuse_what_cannot_be(shop: Shop) -> None:
    build = shop.printed(2)
    first, second = build.parts.order_by("number")
    run = shop.treat("wash", [first, second], shop.at(0, hours=3))
    again = shop.treat("wash", [second], shop.at(0, hours=4))
    assert list(run.treated.order_by("part").values_list("turn", flat=True)) == [1, 1]
    assert again.treated.get().turn == 2
    at = shop.at(0, hours=5)
    refused(lambda: shop.treat("wash", [first], at, minutes=-1), "end-before-start", "cannot end before")
    refused(lambda: shop.treat("wash", [first], shop.at(0, hours=1)), "before-print-ended")
    refused(lambda: shop.treat("wash", [first], at, equipment_id=None), "equipment-missing")
    refused(lambda: shop.treat("wash", [first], at, equipment_id=shop.unit.pk), "equipment-of-another-kind")
    refused(
        lambda: shop.treat("wash", [first], at, equipment_id=shop.guide_bath.pk),
        "purpose-differs",
        "never share a bath",
    )
    refused(lambda: shop.treat("polish", [first], at), "step-unknown")
    refused(lambda: shop.treat("dry", [], at), "nothing-chosen")
    refused(lambda: shop.treat("dry", [first, first], at), "chosen-twice")
    assert TreatmentRun.objects.count() == 2


def test_an_empty_or_retired_bath_washes_nothing(shop: Shop) -> None:
    part = shop.printed(1).parts.get()
    shop.event(shop.bath, "emptied", shop.at(1))
    refused(lambda: shop.treat("wash", [part], shop.at(2)), "bath-empty", "was empty")
    shop.treat("wash", [part], shop.at(0.5))  # before, entered late
    shop.event(shop.bath, "filled", shop.at(3))
    equipment.retire_equipment(
        actor=shop.tech, equipment_id=shop.bath.pk, reason="leaks", occurred_at=shop.at(4)
    )
    refused(lambda: shop.treat("wash", [part], shop.at(5)), "equipment-retired")


def test_scrapped_held_and_unprinted_parts_go_no_further(shop: Shop) -> None:
    scrapped = shop.printed(1, outcome="scrapped").parts.get()
    refused(lambda: shop.treat("dry", [scrapped], shop.at(1)), "part-scrapped", scrapped.mark)
    planned = shop.plan(at=shop.at(1)).parts.get()
    refused(lambda: shop.treat("dry", [planned], shop.at(2)), "part-not-printed", "has not ended")
    part = shop.printed(1, at=shop.at(3)).parts.get()
    holds.place_hold(
        actor=shop.tech, held="build", held_id=part.build_id, reason="odd smell", occurred_at=shop.at(4)
    )
    refused(lambda: shop.treat("dry", [part], shop.at(5)), "held", "odd smell")
    refused(lambda: shop.treat("dry", [part], shop.at(5), equipment_id=shop.bath.pk), "held")


def test_the_database_holds_the_states_of_a_build(shop: Shop) -> None:
    build = shop.plan()
    for wrong in (
        {"state": "running"},
        {"state": "finished"},
        {"finished_at": shop.at()},
        {"tank": None},
        {"filament_lot": shop.filament_lot.pk},
    ):
        with pytest.raises(IntegrityError), transaction.atomic():
            Build.objects.filter(pk=build.pk).update(**wrong)


def test_an_unknown_build_is_not_there(shop: Shop) -> None:
    refused(
        lambda: builds.start_build(actor=shop.tech, build_id=10**12),
        "not-found",
        "no build",
        kind=NotFound,
    )


@pytest.mark.django_db(transaction=True)
def test_two_people_starting_builds_on_one_printer_start_one(shop: Shop) -> None:
    """Two connections in the same moment: the database lets one through, the other gets a sentence."""
    planned = [shop.plan().pk, shop.plan().pk]
    barrier = threading.Barrier(2)
    said: list[str] = []

    def start(build_id: int) -> None:
        barrier.wait()
        try:
            builds.start_build(actor=shop.tech, build_id=build_id, started_at=shop.at(0, hours=1))
            said.append("started")
        except DomainError as refusal:
            said.append(refusal.code)
        finally:
            connection.close()

    threads = [threading.Thread(target=start, args=(pk,)) for pk in planned]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    # The two share printer and tank: either constraint may speak first.
    assert sum(word == "started" for word in said) == 1
    assert sum(word.endswith("-runs-one-build") for word in said) == 1
    assert Build.objects.filter(state="running").count() == 1
    assert AuditRecord.objects.filter(action="build.started").count() == 1


def test_a_build_of_ten_parts_is_planned_in_a_bounded_number_of_queries(
    shop: Shop, django_assert_max_num_queries: Any
) -> None:
    few, many = [shop.preparation()], [shop.preparation() for _ in range(10)]
    with django_assert_max_num_queries(60):
        shop.plan(few)
    with django_assert_max_num_queries(110):
        build = shop.plan(many)
    builds.start_build(actor=shop.tech, build_id=build.pk, started_at=shop.at() + timedelta(hours=1))
