"""Adding equipment, and recording what is done to it."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import datetime
from decimal import Decimal

from django.db.models import Max, Q

from cases.moments import settled_moment
from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.services.record import record_all_created, record_change, record_created, snapshot
from labtrack.audit.services.submissions import Outcome, once
from labtrack.constraints import constraint_messages
from labtrack.errors import Refused
from production.choices import (
    EVENTS_OF_KIND,
    LOT_EVENTS,
    BuildState,
    ContactPurpose,
    EquipmentKind,
    EventKind,
    MaterialKind,
    PrinterGrade,
    PrintProcess,
    VatKind,
)
from production.hooks import equipment_changed, tank_changed
from production.models import Build, Equipment, EquipmentEvent, Lot, Printer, Tank, WashBath
from production.services.rules import (
    found,
    require_in_service,
    require_purpose,
    require_usable_lot,
    required_text,
)

NO_EQUIPMENT = "There is no equipment under that number."
# An expanded uncertainty above this is a slip of the unit: no such device measures a dental model.
LARGEST_UNCERTAINTY_MM = Decimal(5)
LEVEL_EVENTS = (*LOT_EVENTS, EventKind.EMPTIED)


@dataclass(frozen=True)
class PrinterDetails:
    process: str
    vat: str
    grade: str
    platform_x_mm: Decimal
    platform_y_mm: Decimal
    build_height_mm: Decimal


@dataclass(frozen=True)
class VesselDetails:
    """Of a tank or a wash bath."""

    purpose: str
    capacity_ml: int


def add_equipment(
    *,
    actor: Actor,
    key: str = "",
    code: str,
    kind: str,
    name: str,
    note: str = "",
    in_service_from: datetime | None = None,
    printer: PrinterDetails | None = None,
    vessel: VesselDetails | None = None,
) -> Outcome[Equipment]:
    """Add one machine, tank, bath or device. A printer needs ``printer``, a tank or bath ``vessel``."""
    actor.require(Capability.EQUIPMENT)
    since = settled_moment(in_service_from, field="in_service_from")
    code = required_text(code, "Give it a code, as on its label.", field="code", most=20).lower()
    name = required_text(name, "Give it a name.", field="name", most=80)
    _check_details(kind, printer, vessel)
    payload: list[object] = [code, kind, name, note, in_service_from]
    payload += [asdict(details) for details in (printer, vessel) if details is not None]

    def make() -> Equipment:
        with constraint_messages(Equipment, Printer, Tank, WashBath):
            equipment = Equipment.objects.create(
                code=code, kind=kind, name=name, note=note.strip(), in_service_from=since
            )
            details = _add_details(equipment, printer, vessel)
        record_created(actor=actor, action="equipment.added", subject=equipment)
        record_all_created(actor=actor, action="equipment.detailed", subjects=details)
        return equipment

    return once(actor=actor, key=key, use_case="add-equipment", payload=payload, model=Equipment, make=make)


def _check_details(kind: str, printer: PrinterDetails | None, vessel: VesselDetails | None) -> None:
    if kind not in EquipmentKind.values:
        raise Refused("kind-unknown", "Choose one of the kinds of equipment.", field="kind")
    if (kind == EquipmentKind.PRINTER) != (printer is not None):
        raise Refused(
            "printer-details", "A printer, and only a printer, needs its process and platform.", field="kind"
        )
    if (kind in (EquipmentKind.TANK, EquipmentKind.WASH_BATH)) != (vessel is not None):
        raise Refused(
            "vessel-details",
            "A tank or a wash bath, and nothing else, needs its purpose and capacity.",
            field="kind",
        )
    if vessel is not None and (vessel.purpose not in ContactPurpose.values or vessel.capacity_ml <= 0):
        raise Refused("vessel-details", "Say what it is for, and a capacity above zero.", field="capacity_ml")
    if printer is not None and (
        printer.process not in PrintProcess.values
        or printer.vat not in VatKind.values
        or printer.grade not in PrinterGrade.values
    ):
        raise Refused("printer-details", "Choose the printer's process, vat and grade.", field="process")


def _add_details(
    equipment: Equipment, printer: PrinterDetails | None, vessel: VesselDetails | None
) -> list[Printer | Tank | WashBath]:
    if printer is not None:
        return [Printer.objects.create(equipment=equipment, **asdict(printer))]
    if vessel is not None:
        table = Tank if equipment.kind == EquipmentKind.TANK else WashBath
        return [table.objects.create(equipment=equipment, **asdict(vessel))]
    return []


def record_event(
    *,
    actor: Actor,
    key: str = "",
    equipment_id: int,
    kind: str,
    occurred_at: datetime | None = None,
    lot_id: int | None = None,
    quantity_ml: int | None = None,
    moved_to_id: int | None = None,
    value: Decimal | None = None,
    unit: str = "",
    note: str = "",
) -> Outcome[EquipmentEvent]:
    """Record one thing done to one machine, tank or device; every age follows from these.

    Filling or topping up a tank names the lot, whose material must be approved for the tank's own
    purpose. Retiring and returning are events too, by their own functions.
    """
    actor.require(Capability.SHOP_WRITE)
    at = settled_moment(occurred_at)
    equipment = found(Equipment, equipment_id, NO_EQUIPMENT, related=("tank", "wash_bath"))
    if kind in (EventKind.RETIRED, EventKind.RETURNED):
        raise Refused("own-function", "Use retire or put back in service for that.", field="kind")
    _check_kind(equipment, kind)
    lot = None
    if lot_id is not None:
        lot = found(Lot, lot_id, "There is no lot under that number.", related=("material",))
    moved_to = _printer_for(kind, moved_to_id, at)
    if kind == EventKind.STUDIED:
        unit = _uncertainty_unit(value, unit)
    payload = [equipment_id, kind, occurred_at, lot_id, quantity_ml, moved_to_id, value, unit, note]

    def make() -> EquipmentEvent:
        require_in_service(equipment, at)
        if kind in LEVEL_EVENTS:
            _check_level(equipment, kind, at)
        _check_lot(equipment, kind, lot, at)
        with constraint_messages(EquipmentEvent):
            event = EquipmentEvent.objects.create(
                equipment=equipment,
                kind=kind,
                occurred_at=at,
                by=actor.user,
                lot=lot,
                quantity_ml=quantity_ml,
                moved_to=moved_to,
                value=value,
                unit=unit.strip(),
                note=note.strip(),
            )
        record_created(actor=actor, action="equipment.event", subject=event)
        announce(event)
        return event

    return once(
        actor=actor, key=key, use_case="record-event", payload=payload, model=EquipmentEvent, make=make
    )


def announce(event: EquipmentEvent) -> None:
    hook = tank_changed if event.equipment.kind == EquipmentKind.TANK else equipment_changed
    hook.fire(event)


def _check_kind(equipment: Equipment, kind: str) -> None:
    allowed = EVENTS_OF_KIND[equipment.kind]
    if kind not in allowed:
        words = ", ".join(event.label.lower() for event in allowed)
        raise Refused(
            "event-not-for-kind",
            f"That does not happen to a {equipment.get_kind_display().lower()}. Choose one of: {words}.",
            field="kind",
        )


def _uncertainty_unit(value: Decimal | None, unit: str) -> str:
    """A study of a measuring device states its expanded uncertainty U (k = 2) in mm."""
    if value is None or not 0 < value <= LARGEST_UNCERTAINTY_MM:
        raise Refused(
            "uncertainty-missing",
            "State the device's expanded uncertainty U (k = 2) in mm: above 0, at most 5.",
            field="value",
        )
    if unit.strip().lower() not in ("", "mm"):
        raise Refused("uncertainty-unit", "State the expanded uncertainty in mm.", field="unit")
    return "mm"


def _printer_for(kind: str, moved_to_id: int | None, at: datetime) -> Printer | None:
    if kind != EventKind.MOVED:
        if moved_to_id is not None:
            raise Refused("printer-not-asked", "Only a move names a printer.", field="moved_to")
        return None
    if moved_to_id is None:
        raise Refused("printer-missing", "Say which printer the tank moved to.", field="moved_to")
    printer = found(Printer, moved_to_id, "There is no printer under that number.", related=("equipment",))
    if not printer.needs_tank:
        raise Refused("printer-has-no-vat", f"{printer} prints filament and takes no tank.", field="moved_to")
    require_in_service(printer.equipment, at, field="moved_to")
    return printer


def _check_level(equipment: Equipment, kind: str, at: datetime) -> None:
    """Filled when empty, topped up when not: so the contents are known at every moment."""
    levels = EquipmentEvent.objects.filter(equipment=equipment, kind__in=LEVEL_EVENTS)
    before = levels.filter(occurred_at__lte=at).order_by("-occurred_at", "-id").first()
    after = levels.filter(occurred_at__gt=at).order_by("occurred_at", "id").first()
    empty = before is None or before.kind == EventKind.EMPTIED
    what = equipment.get_kind_display().lower()
    if kind == EventKind.FILLED and not empty:
        raise Refused(
            "not-empty",
            f"This {what} is not empty. Record that it was emptied, or record a top-up instead.",
            field="kind",
        )
    if kind == EventKind.TOPPED_UP and empty:
        raise Refused("is-empty", f"This {what} is empty. Record it as filled.", field="kind")
    if kind == EventKind.EMPTIED and empty:
        raise Refused("is-empty", f"This {what} is empty already.", field="kind")
    leaves_empty = kind == EventKind.EMPTIED
    if after is not None and leaves_empty != (after.kind == EventKind.FILLED):
        raise Refused(
            "clashes-with-later",
            f"A later record says {after.get_kind_display().lower()}, which cannot follow. Check the time.",
            field="occurred_at",
        )


def _check_lot(equipment: Equipment, kind: str, lot: Lot | None, at: datetime) -> None:
    if kind not in LOT_EVENTS:
        if lot is not None:
            raise Refused("lot-not-asked", "Only filling and topping up name a lot.", field="lot")
        return
    if equipment.kind == EquipmentKind.TANK:
        if lot is None:
            raise Refused("lot-missing", "Say which lot of resin went in.", field="lot")
        if lot.material.kind != MaterialKind.RESIN:
            raise Refused("lot-not-resin", f"{lot} is no resin. A tank holds resin.", field="lot")
        require_purpose(lot.material, equipment.tank.purpose, at, holder=equipment.name)
    elif lot is not None and lot.material.kind != MaterialKind.SOLVENT:
        raise Refused("lot-not-solvent", f"{lot} is no wash solvent.", field="lot")
    if lot is not None:
        require_usable_lot(lot, at)


def retire_equipment(
    *, actor: Actor, key: str = "", equipment_id: int, reason: str, occurred_at: datetime | None = None
) -> Outcome[EquipmentEvent]:
    """Take it out of service: from then on it takes no work and no events."""
    actor.require(Capability.EQUIPMENT)
    at = settled_moment(occurred_at)
    reason = required_text(reason, "Say why it is retired.", field="reason")
    equipment = found(Equipment, equipment_id, NO_EQUIPMENT)
    return _change_service(
        actor=actor,
        key=key,
        equipment=equipment,
        kind=EventKind.RETIRED,
        at=at,
        retired_at=at,
        note=reason,
        payload=[equipment_id, reason, occurred_at],
    )


def return_equipment(
    *, actor: Actor, key: str = "", equipment_id: int, reason: str, occurred_at: datetime | None = None
) -> Outcome[EquipmentEvent]:
    """Put retired equipment back in service."""
    actor.require(Capability.EQUIPMENT)
    at = settled_moment(occurred_at)
    reason = required_text(reason, "Say why it is back in service.", field="reason")
    equipment = found(Equipment, equipment_id, NO_EQUIPMENT)
    return _change_service(
        actor=actor,
        key=key,
        equipment=equipment,
        kind=EventKind.RETURNED,
        at=at,
        retired_at=None,
        note=reason,
        payload=[equipment_id, reason, occurred_at],
    )


def _check_service(equipment: Equipment, kind: EventKind, at: datetime) -> None:
    retired = equipment.retired_at is not None
    if kind == EventKind.RETIRED and retired:
        raise Refused("already-retired", f"{equipment.name} is retired already.")
    if kind == EventKind.RETURNED and not retired:
        raise Refused("not-retired", f"{equipment.name} is in service already.")
    busy = Build.objects.filter(Q(printer=equipment.pk) | Q(tank=equipment.pk), state=BuildState.RUNNING)
    if busy.exists():
        raise Refused("in-a-build", f"{equipment.name} is in a running build. End the build first.")
    latest = EquipmentEvent.objects.filter(equipment=equipment).aggregate(at=Max("occurred_at"))["at"]
    if latest is not None and at < latest:
        raise Refused(
            "clashes-with-later",
            "Something was recorded for it after that moment. Check the time.",
            field="occurred_at",
        )


def _change_service(
    *,
    actor: Actor,
    key: str,
    equipment: Equipment,
    kind: EventKind,
    at: datetime,
    retired_at: datetime | None,
    note: str,
    payload: list[object],
) -> Outcome[EquipmentEvent]:
    def make() -> EquipmentEvent:
        _check_service(equipment, kind, at)
        before = snapshot(equipment)
        equipment.retired_at = retired_at
        equipment.save(update_fields=["retired_at"])
        event = EquipmentEvent.objects.create(
            equipment=equipment, kind=kind, occurred_at=at, by=actor.user, note=note
        )
        record_change(
            actor=actor,
            action=f"equipment.{kind.value}",
            subject=equipment,
            before=before,
            after=snapshot(equipment),
            reason=note,
        )
        record_created(actor=actor, action="equipment.event", subject=event)
        announce(event)
        return event

    return once(
        actor=actor,
        key=key,
        use_case=f"equipment-{kind.value}",
        payload=payload,
        model=EquipmentEvent,
        make=make,
    )
