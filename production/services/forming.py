"""Forming batches and their cycles: one sheet over one model gives one piece."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from decimal import Decimal

from django.db.models import Max

from cases.choices import Tissue
from cases.moments import settled_moment
from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.services.numbers import next_number
from labtrack.audit.services.record import record_all_created, record_created
from labtrack.audit.services.submissions import Outcome as Submitted
from labtrack.audit.services.submissions import once
from labtrack.constraints import constraint_messages
from labtrack.errors import Refused
from production.choices import ContactPurpose, EquipmentKind, MaterialKind, PartPurpose
from production.hooks import part_changed, piece_changed
from production.models import Equipment, FormingBatch, FormingCycle, Lot, Part, Piece
from production.queries.ages import seconds_since_last_cycle
from production.services.rules import (
    all_found,
    found,
    guarded_change,
    in_order,
    once_many,
    require_in_service,
    require_not_held,
    require_not_scrapped,
    require_printed,
    require_purpose,
    require_usable_lot,
    said,
)

NO_BATCH = "There is no forming batch under that number."


@dataclass(frozen=True)
class Formed:
    """One cycle: the model's part, the sheet's lot, the settings, and when."""

    part_id: int
    sheet_lot_id: int
    heat_s: int
    occurred_at: datetime
    sheet_temp_c: Decimal | None = None
    pressure_bar: Decimal | None = None
    hold_s: int | None = None
    cool_s: int | None = None


def open_forming_batch(
    *,
    actor: Actor,
    key: str = "",
    machine_id: int,
    started_at: datetime | None = None,
    note: str = "",
) -> Submitted[FormingBatch]:
    """Begin a run at one forming machine; a machine has one open batch."""
    actor.require(Capability.SHOP_WRITE)
    at = settled_moment(started_at, field="started_at")
    machine = found(Equipment, machine_id, "There is no equipment under that number.")
    if machine.kind != EquipmentKind.FORMING_MACHINE:
        raise Refused("equipment-of-another-kind", f"{machine.name} is no forming machine.", field="machine")

    def make() -> FormingBatch:
        require_in_service(machine, at, field="machine")
        require_not_held(at, equipment=[machine], field="machine")
        with constraint_messages(FormingBatch):
            batch = FormingBatch.objects.create(
                number=next_number("forming-batch"),
                machine=machine,
                started_at=at,
                operator=actor.user,
                note=note.strip(),
            )
        record_created(actor=actor, action="forming.batch-opened", subject=batch)
        return batch

    return once(
        actor=actor,
        key=key,
        use_case="open-forming-batch",
        payload=[machine_id, started_at, note],
        model=FormingBatch,
        make=make,
    )


def record_cycles(
    *, actor: Actor, key: str = "", batch_id: int, cycles: Sequence[Formed]
) -> list[FormingCycle]:
    """Record cycles of an open batch, in the order they were done; each gives a piece.

    The count of formings over the model and the interval since the machine's last cycle are derived.
    Refused: a closed batch; a model that is scrapped, held, or no working model; a sheet lot that is
    expired, quarantined, held, no sheet, or for models where the appliance is worn by the patient.
    """
    actor.require(Capability.SHOP_WRITE)
    batch = found(FormingBatch, batch_id, NO_BATCH, related=("machine",))
    part_ids = [cycle.part_id for cycle in cycles]
    for cycle in cycles:
        settled_moment(cycle.occurred_at)

    def make() -> list[FormingCycle]:
        if not cycles:
            raise Refused("nothing-chosen", "There is no cycle to record.")
        if batch.finished_at is not None:
            raise Refused("batch-closed", f"{batch.label} is closed. Open a new batch.")
        rows = Part.objects.filter(pk__in=part_ids).select_related("build", "appliance__line")
        parts = {
            part.pk: part
            for part in all_found(rows, list(dict.fromkeys(part_ids)), "One of the models is not there.")
        }
        lots = Lot.objects.select_related("material").in_bulk({cycle.sheet_lot_id for cycle in cycles})
        for cycle in cycles:
            _check_cycle(batch, cycle, parts[cycle.part_id], lots.get(cycle.sheet_lot_id))
        made = _write_cycles(actor, batch, cycles, parts, lots)
        pieces = _write_pieces(made)
        record_all_created(actor=actor, action="forming.cycle", subjects=made)
        record_all_created(actor=actor, action="piece.made", subjects=pieces)
        for part in parts.values():
            part_changed.fire(part)
        for piece in pieces:
            piece_changed.fire(piece)
        return made

    def again() -> list[FormingCycle]:
        rows = FormingCycle.objects.filter(
            batch=batch, part__in=part_ids, occurred_at__in=[cycle.occurred_at for cycle in cycles]
        )
        return list(rows.order_by("position"))

    return once_many(
        actor=actor,
        key=key,
        use_case="record-cycles",
        payload=[batch_id, [asdict(cycle) for cycle in cycles]],
        model=FormingCycle,
        make=make,
        again=again,
    )


def _check_cycle(batch: FormingBatch, cycle: Formed, part: Part, lot: Lot | None) -> None:
    at = cycle.occurred_at
    if at < batch.started_at:
        raise Refused(
            "end-before-start",
            f"{batch.label} began only on {said(batch.started_at, time=True)}. Check the time.",
            field="occurred_at",
        )
    if part.purpose != PartPurpose.WORKING_MODEL:
        raise Refused(
            "not-a-working-model",
            f"{part.mark} is the appliance itself; no sheet is formed over it.",
            field="part",
        )
    require_printed([part], at)
    require_not_scrapped([part], at)
    require_in_service(batch.machine, at, field="machine")
    if lot is None or lot.material.kind != MaterialKind.SHEET:
        raise Refused("lot-not-sheet", "Choose a lot of sheets.", field="sheet_lot")
    require_usable_lot(lot, at, field="sheet_lot", check_hold=False)
    require_not_held(at, equipment=[batch.machine], parts=[part], lots=[lot])
    line = part.appliance.line
    if line.tissue != Tissue.NONE:
        require_purpose(
            lot.material,
            ContactPurpose.PATIENT_CONTACT,
            at,
            holder=f"{part.appliance.label}",
            field="sheet_lot",
        )


def _write_cycles(
    actor: Actor,
    batch: FormingBatch,
    cycles: Sequence[Formed],
    parts: dict[int, Part],
    lots: dict[int, Lot],
) -> list[FormingCycle]:
    position = batch.cycles.aggregate(last=Max("position"))["last"] or 0
    counted = dict(
        FormingCycle.objects.filter(part__in=parts)
        .values("part")
        .annotate(times=Max("forming"))
        .values_list("part", "times")
        .order_by()
    )
    since_last = seconds_since_last_cycle(batch.machine_id, cycles[0].occurred_at)
    rows = []
    for offset, cycle in enumerate(cycles):
        if offset:
            earlier = cycles[offset - 1].occurred_at
            in_order(earlier, cycle.occurred_at, what="cycles", field="occurred_at")
            since_last = int((cycle.occurred_at - earlier).total_seconds())
        counted[cycle.part_id] = counted.get(cycle.part_id, 0) + 1
        rows.append(
            FormingCycle(
                batch=batch,
                position=position + offset + 1,
                part=parts[cycle.part_id],
                forming=counted[cycle.part_id],
                sheet_lot=lots[cycle.sheet_lot_id],
                heat_s=cycle.heat_s,
                sheet_temp_c=cycle.sheet_temp_c,
                pressure_bar=cycle.pressure_bar,
                hold_s=cycle.hold_s,
                cool_s=cycle.cool_s,
                interval_s=since_last,
                occurred_at=cycle.occurred_at,
                by=actor.user,
            )
        )
    with constraint_messages(FormingCycle):
        return FormingCycle.objects.bulk_create(rows)


def _write_pieces(cycles: Sequence[FormingCycle]) -> list[Piece]:
    number = next_number("piece", count=len(cycles))
    return Piece.objects.bulk_create(
        Piece(
            number=number + offset,
            appliance=cycle.part.appliance,
            cycle=cycle,
            occurred_at=cycle.occurred_at,
        )
        for offset, cycle in enumerate(cycles)
    )


def close_forming_batch(
    *, actor: Actor, key: str = "", batch_id: int, finished_at: datetime | None = None
) -> Submitted[FormingBatch]:
    """End a run at a forming machine."""
    actor.require(Capability.SHOP_WRITE)
    at = settled_moment(finished_at, field="finished_at")
    batch = found(FormingBatch, batch_id, NO_BATCH, related=("machine",))

    def make() -> FormingBatch:
        last = batch.cycles.aggregate(last=Max("occurred_at"))["last"]
        in_order(max(batch.started_at, last or batch.started_at), at, what="batch")
        guarded_change(
            actor=actor,
            action="forming.batch-closed",
            subject=batch,
            only_while={"finished_at__isnull": True},
            changes={"finished_at": at},
            otherwise=f"{batch.label} is closed already.",
        )
        return batch

    return once(
        actor=actor,
        key=key,
        use_case="close-forming-batch",
        payload=[batch_id, finished_at],
        model=FormingBatch,
        make=make,
    )
