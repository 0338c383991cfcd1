"""The lab's machines, materials and holds with what is derived of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import Count, Max, Q, QuerySet

from labtrack.errors import Refused
from production.choices import EVENTS_OF_KIND, EquipmentKind, EventKind
from production.models import Equipment, FormingBatch, FormingCycle, Hold, Lot, Material, Printer
from production.queries.ages import (
    BathAge,
    CareAge,
    LampAge,
    TankAge,
    bath_ages,
    care_ages,
    lamp_age,
    tank_ages,
)
from production.queries.materials import instructions_in_force

# Care that a machine's list entry names, with the days since.
SHOWN_CARE = (
    EventKind.CALIBRATED,
    EventKind.LEVELLED,
    EventKind.SCREEN_CHANGED,
    EventKind.LAMP_MEASURED,
    EventKind.LAMP_CHANGED,
    EventKind.CLEANED,
)


@dataclass(frozen=True)
class EquipmentRow:
    equipment: Equipment
    tank: TankAge | None
    bath: BathAge | None
    lamp: LampAge | None
    care: list[tuple[str, float]]
    held: str


def tanks_that_owe(at: datetime) -> list[tuple[Equipment, TankAge]]:
    """Tanks in service whose last failed build left care to be done."""
    tanks = Equipment.objects.filter(kind=EquipmentKind.TANK, retired_at__isnull=True).in_bulk()
    ages = tank_ages(list(tanks), at)
    return [(tanks[pk], age) for pk, age in ages.items() if age.owes]


def printers_in_service() -> QuerySet[Printer]:
    return Printer.objects.filter(equipment__retired_at__isnull=True).select_related("equipment")


def equipment_rows(at: datetime, *, retired: bool = False) -> list[EquipmentRow]:
    """Every machine, tank and device with its ages; a handful of queries however many there are."""
    machines = list(
        Equipment.objects.filter(retired_at__isnull=not retired)
        .select_related("printer", "tank", "wash_bath")
        .order_by("kind", "code")
    )
    ids = {kind: [m.pk for m in machines if m.kind == kind] for kind in EquipmentKind.values}
    tanks = tank_ages(ids[EquipmentKind.TANK], at)
    baths = bath_ages(ids[EquipmentKind.WASH_BATH], at)
    care = care_ages([machine.pk for machine in machines], at)
    holds = held_reasons("equipment", [machine.pk for machine in machines])
    return [
        EquipmentRow(
            equipment=machine,
            tank=tanks.get(machine.pk),
            bath=baths.get(machine.pk),
            lamp=lamp_age(machine.pk, at) if machine.kind == EquipmentKind.CURING_UNIT else None,
            care=_shown_care(machine, care[machine.pk]),
            held=holds.get(machine.pk, ""),
        )
        for machine in machines
    ]


def _shown_care(machine: Equipment, age: CareAge) -> list[tuple[str, float]]:
    usual = EVENTS_OF_KIND[machine.kind]
    return [
        (kind.label, days)
        for kind in SHOWN_CARE
        if kind in usual and (days := age.days_since(kind)) is not None
    ]


def held_reasons(held: str, ids: Sequence[int]) -> dict[int, str]:
    """Why each of the things is on hold now; those that are not are left out."""
    rows = Hold.objects.filter(**{f"{held}__in": ids}, lifted_at__isnull=True)
    return dict(rows.values_list(f"{held}_id", "reason"))


def open_holds() -> list[Hold]:
    return list(
        Hold.objects.filter(lifted_at__isnull=True).select_related(
            "equipment", "lot__material", "build", "part", "piece", "placed_by"
        )
    )


def lifted_holds(limit: int = 50) -> list[Hold]:
    rows = Hold.objects.filter(lifted_at__isnull=False).order_by("-lifted_at")
    return list(
        rows.select_related("equipment", "lot__material", "build", "part", "piece", "placed_by", "lifted_by")[
            :limit
        ]
    )


def material_rows(at: datetime) -> list[dict[str, Any]]:
    """Materials with what they are approved for and how many lots are at hand."""
    materials = list(
        Material.objects.annotate(
            usable=Count(
                "lots",
                filter=Q(lots__quarantined_at__isnull=True)
                & (Q(lots__expires_on__isnull=True) | Q(lots__expires_on__gte=at.date())),
                distinct=True,
            ),
            unapproved=Count("instructions", filter=Q(instructions__approved_at__isnull=True), distinct=True),
        )
    )
    in_force = instructions_in_force([material.pk for material in materials], at)
    return [{"material": material, "instruction": in_force.get(material.pk)} for material in materials]


def events_of(equipment: Equipment) -> Any:
    return equipment.events.select_related("by", "lot__material", "moved_to__equipment")


def last_settings_of_batch(batch: FormingBatch) -> FormingCycle | None:
    """The batch's last cycle, or its machine's, to fill the next one's settings in."""
    cycles = FormingCycle.objects.select_related("sheet_lot").order_by("-occurred_at", "-pk")
    return cycles.filter(batch=batch).first() or cycles.filter(batch__machine=batch.machine_id).first()


def labelled(text: str) -> Equipment | Lot | None:
    """What bears this code or lot number, in any letters; ``Refused`` when lots of several materials do."""
    equipment = Equipment.objects.filter(code__iexact=text).first()
    if equipment is not None:
        return equipment
    lots = list(Lot.objects.filter(number__iexact=text).select_related("material")[:2])
    if len(lots) > 1:
        raise Refused(
            "lot-unclear", f"Several materials have a lot “{text[:40]}”. Open it from its material's page."
        )
    return lots[0] if lots else None


def lots_of(material: Material) -> list[Any]:
    return list(Lot.objects.filter(material=material).annotate(last_used=Max("events__occurred_at")))
