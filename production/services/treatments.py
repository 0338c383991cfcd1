"""Drip, wash, dry, remove supports and cure: one run, many parts."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal

from django.db.models import Count

from cases.moments import settled_moment
from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.services.record import record_created
from labtrack.audit.services.submissions import Outcome as Submitted
from labtrack.audit.services.submissions import once
from labtrack.constraints import constraint_messages
from labtrack.errors import Refused
from production.choices import TREATMENT_STEPS, ContactPurpose, EquipmentKind, Step
from production.hooks import part_changed, treatment_recorded
from production.models import Equipment, Part, TreatedPart, TreatmentRun
from production.queries.ages import bath_age
from production.services.rules import (
    all_found,
    found,
    in_order,
    require_in_service,
    require_not_held,
    require_not_scrapped,
    require_printed,
    require_usable_lot,
    said,
)

EQUIPMENT_OF_STEP: dict[str, EquipmentKind] = {
    Step.WASH: EquipmentKind.WASH_BATH,
    Step.CURE: EquipmentKind.CURING_UNIT,
}


def record_treatment(
    *,
    actor: Actor,
    key: str = "",
    step: str,
    part_ids: Sequence[int],
    started_at: datetime,
    finished_at: datetime,
    equipment_id: int | None = None,
    program: str = "",
    temperature_c: Decimal | None = None,
    note: str = "",
) -> Submitted[TreatmentRun]:
    """Record one run of several parts through one step. A second run of the same part is counted as such.

    Refused: a run that ends before it starts or before the print ended; a part that is scrapped or held;
    a wash in an empty bath or in one for the other purpose; a retired or held bath or unit.
    """
    actor.require(Capability.SHOP_WRITE)
    settled_moment(started_at, field="started_at")
    settled_moment(finished_at, field="finished_at")
    in_order(started_at, finished_at, what="run")
    if step not in TREATMENT_STEPS:
        raise Refused("step-unknown", "Choose drip, wash, dry, remove supports or cure.", field="step")

    def make() -> TreatmentRun:
        rows = Part.objects.filter(pk__in=part_ids).select_related("build__tank")
        parts = all_found(rows, part_ids, "One of the parts is not there.")
        require_printed(parts, started_at)
        require_not_scrapped(parts, started_at)
        require_not_held(started_at, parts=parts)
        equipment = _equipment_for(step, equipment_id, started_at)
        if step == Step.WASH and equipment is not None:
            _check_bath(equipment, parts, started_at)
        with constraint_messages(TreatmentRun, TreatedPart):
            run = TreatmentRun.objects.create(
                step=step,
                equipment=equipment,
                program=program.strip(),
                started_at=started_at,
                finished_at=finished_at,
                temperature_c=temperature_c,
                note=note.strip(),
                by=actor.user,
            )
            turns = _turns(part_ids, step)
            TreatedPart.objects.bulk_create(
                TreatedPart(run=run, part=part, turn=turns.get(part.pk, 0) + 1) for part in parts
            )
        marks = ", ".join(part.mark for part in parts)
        record_created(actor=actor, action="treatment.recorded", subject=run, reason=f"Parts: {marks}")
        for part in parts:
            part_changed.fire(part)
        treatment_recorded.fire(run)
        return run

    return once(
        actor=actor,
        key=key,
        use_case="record-treatment",
        payload=[
            step,
            list(part_ids),
            started_at,
            finished_at,
            equipment_id,
            program,
            temperature_c,
            note,
        ],
        model=TreatmentRun,
        make=make,
    )


def _turns(part_ids: Sequence[int], step: str) -> dict[int, int]:
    """How often each part has been through the step so far."""
    rows = TreatedPart.objects.filter(part__in=part_ids, run__step=step).values("part")
    return dict(rows.annotate(times=Count("id")).values_list("part", "times").order_by())


def _equipment_for(step: str, equipment_id: int | None, at: datetime) -> Equipment | None:
    wanted = EQUIPMENT_OF_STEP.get(step)
    if equipment_id is None:
        if wanted is not None:
            raise Refused(
                "equipment-missing", f"Say which {wanted.label.lower()} was used.", field="equipment"
            )
        return None
    equipment = found(
        Equipment, equipment_id, "There is no equipment under that number.", related=("wash_bath",)
    )
    if wanted is None or equipment.kind != wanted:
        needed = wanted.label.lower() if wanted else "no machine"
        raise Refused(
            "equipment-of-another-kind",
            f"{equipment.name} is a {equipment.get_kind_display().lower()}; this step takes {needed}.",
            field="equipment",
        )
    require_in_service(equipment, at, field="equipment")
    require_not_held(at, equipment=[equipment], field="equipment")
    return equipment


def _check_bath(equipment: Equipment, parts: Sequence[Part], at: datetime) -> None:
    age = bath_age(equipment.pk, at)
    if age.empty:
        when = said(at, time=True)
        raise Refused(
            "bath-empty",
            f"{equipment.name} was empty on {when}. Record when it was filled, or check the time.",
            field="equipment",
        )
    for lot in age.contents:
        require_usable_lot(lot, at, field="equipment")
    purpose = equipment.wash_bath.purpose
    for part in parts:
        printed_for = part.build.tank.purpose if part.build.tank else ContactPurpose.MODEL
        if printed_for != purpose:
            raise Refused(
                "purpose-differs",
                f"{part.mark} is of a material for {ContactPurpose(printed_for).label.lower()}, "
                f"{equipment.name} is for {ContactPurpose(purpose).label.lower()}. "
                "The two never share a bath.",
                field="equipment",
            )
