"""Everything upstream and downstream of one thing, in time order and in bounded pages.

The thing decides which parts it concerns and how each layer of their lives lies to it: a lot's builds
are downstream of it, a piece's build is upstream. Lines are made for one page of parts at a time, so a
lot that touched thousands of parts is as quick as one that touched ten.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.db.models import Q, QuerySet

from cases.models import Appliance, Case
from labtrack.errors import NotFound
from labtrack.whole_numbers import whole_number
from production.choices import LOT_EVENTS, EquipmentKind, EventKind, MaterialKind
from production.hooks import TraceEvent
from production.links import url_of
from production.models import (
    Build,
    Equipment,
    EquipmentEvent,
    FormingBatch,
    Lot,
    Part,
    Piece,
    TreatmentRun,
)
from production.queries import trace_layers as layers

UPSTREAM, OWN, DOWNSTREAM = "upstream", "own", "downstream"
PARTS_PER_PAGE = 25

LAYERS: dict[str, Callable[[layers.Slice, str], Iterator[TraceEvent]]] = {
    "order": layers.order_layer,
    "inputs": layers.input_layer,
    "build": layers.build_layer,
    "part": layers.part_layer,
    "sheet": layers.sheet_layer,
    "forming": layers.forming_layer,
    "piece": layers.piece_layer,
    "delivery": layers.delivery_layer,
}


@dataclass(frozen=True)
class Subject:
    """What is traced: its parts, how each layer lies to it, and the lines that are its alone."""

    kind: str
    ref: str
    label: str
    url: str
    parts: QuerySet[Part]
    directions: dict[str, str]
    own: Callable[[], Iterator[TraceEvent]] = field(default=lambda: iter(()))
    runs: Q = field(default_factory=Q)
    cycles: Q = field(default_factory=Q)
    pieces: Q = field(default_factory=Q)

    def events(self, parts: Sequence[Part]) -> list[TraceEvent]:
        """The lines about those parts, oldest first."""
        if not parts:
            return []
        chosen = layers.Slice(parts, self.runs, self.cycles, self.pieces)
        lines = [
            line for layer, direction in self.directions.items() for line in LAYERS[layer](chosen, direction)
        ]
        return in_time_order(lines)

    def own_events(self) -> list[TraceEvent]:
        return in_time_order(self.own())

    def ordered_parts(self) -> QuerySet[Part]:
        return self.parts.select_related("build", "appliance__case").order_by("number")


def in_time_order(lines: Any) -> list[TraceEvent]:
    return sorted(lines, key=lambda line: (line.occurred_at, line.group, line.thing))


def subject_of(kind: str, ref: str) -> Subject:
    """The thing to trace, by kind and number, code or id. ``NotFound`` when it is not there."""
    make = SUBJECTS.get(kind)
    subject = make(ref) if make is not None else None
    if subject is None:
        raise NotFound("There is nothing to trace under that mark.")
    return subject


def _number(ref: str) -> int:
    return whole_number(ref) or 0


def _piece(ref: str) -> Subject | None:
    piece = Piece.objects.select_related("cycle__part", "part").filter(number=_number(ref)).first()
    if piece is None:
        return None
    behind = piece.part if piece.cycle is None else piece.cycle.part
    return Subject(
        "piece",
        ref,
        f"piece {piece.mark}",
        url_of(piece),
        Part.objects.filter(pk__in=[behind.pk] if behind else []),
        dict.fromkeys(("order", "inputs", "build", "part", "sheet", "forming"), UPSTREAM)
        | {"piece": OWN, "delivery": DOWNSTREAM},
        cycles=Q(pk__in=[piece.cycle.pk] if piece.cycle else []),
        pieces=Q(pk=piece.pk),
    )


def _part(ref: str) -> Subject | None:
    part = Part.objects.filter(number=_number(ref)).first()
    if part is None:
        return None
    return Subject(
        "part",
        ref,
        f"part {part.mark}",
        url_of(part),
        Part.objects.filter(pk=part.pk),
        dict.fromkeys(("order", "inputs", "build"), UPSTREAM)
        | {"part": OWN}
        | dict.fromkeys(("forming", "piece", "delivery"), DOWNSTREAM),
    )


def _build(ref: str) -> Subject | None:
    build = Build.objects.filter(number=_number(ref)).first()
    if build is None:
        return None
    return Subject(
        "build",
        ref,
        f"build {build.label}",
        url_of(build),
        build.parts.all(),
        {"order": UPSTREAM, "inputs": UPSTREAM, "build": OWN}
        | dict.fromkeys(("part", "forming", "piece", "delivery"), DOWNSTREAM),
    )


def _batch(ref: str) -> Subject | None:
    batch = FormingBatch.objects.filter(number=_number(ref)).first()
    if batch is None:
        return None
    return Subject(
        "batch",
        ref,
        f"forming batch {batch.label}",
        url_of(batch),
        Part.objects.filter(cycles__batch=batch).distinct(),
        dict.fromkeys(("order", "build", "part", "sheet"), UPSTREAM)
        | {"forming": OWN}
        | dict.fromkeys(("piece", "delivery"), DOWNSTREAM),
        cycles=Q(batch=batch),
        pieces=Q(cycle__batch=batch),
    )


def _case(ref: str) -> Subject | None:
    case = Case.objects.filter(number=_number(ref)).first()
    if case is None:
        return None
    return _of_appliances("case", ref, f"case {case.label}", url_of(case), Q(appliance__case=case), case)


def _appliance(ref: str) -> Subject | None:
    appliance = Appliance.objects.select_related("case").filter(pk=_number(ref)).first()
    if appliance is None:
        return None
    case, label = appliance.case, f"appliance {appliance.label}"
    return _of_appliances("appliance", ref, label, url_of(appliance), Q(appliance=appliance), case)


def _of_appliances(kind: str, ref: str, label: str, url: str, which: Q, case: Case) -> Subject:
    def own() -> Iterator[TraceEvent]:
        yield TraceEvent(
            case.occurred_at, "Ordered", case.label, url_of(case), OWN, "", case.logged_by.name, "Order"
        )

    parts = Part.objects.filter(which)
    return Subject(
        kind,
        ref,
        label,
        url,
        parts,
        {"order": OWN, "inputs": UPSTREAM, "sheet": UPSTREAM}
        | dict.fromkeys(("build", "part", "forming", "piece", "delivery"), DOWNSTREAM),
        # With parts the order layer says it already.
        own=(lambda: iter(())) if parts.exists() else own,
    )


AFTER_PRINT = dict.fromkeys(("part", "forming", "piece", "delivery"), DOWNSTREAM)


def _lot(ref: str) -> Subject | None:
    lot = Lot.objects.select_related("material").filter(pk=_number(ref)).first()
    if lot is None:
        return None

    def own() -> Iterator[TraceEvent]:
        yield from layers.lot_lines([lot], OWN)
        yield from layers.hold_lines(Q(lot=lot), OWN)
        events = lot.events.select_related("equipment", "by", "lot__material", "moved_to__equipment")
        for event in events:
            yield layers.event_line(event, DOWNSTREAM)
        for instruction in lot.material.instructions.select_related("approved_by"):
            if instruction.approved_at and instruction.approved_by:
                yield TraceEvent(
                    instruction.approved_at,
                    f"Instructions version {instruction.version} approved",
                    str(lot.material),
                    url_of(lot),
                    UPSTREAM,
                    f"{instruction.document}: {instruction.get_intended_use_display().lower()}",
                    instruction.approved_by.name,
                    "Material",
                )

    parts, directions, cycles = _parts_of_lot(lot)
    pieces = Q(cycle__sheet_lot=lot) if lot.material.kind == MaterialKind.SHEET else Q()
    runs = Q(run__equipment__in=_vessels(lot)) if lot.material.kind == MaterialKind.SOLVENT else Q()
    return Subject(
        "lot", ref, f"lot {lot}", url_of(lot), parts, directions, own, runs=runs, cycles=cycles, pieces=pieces
    )


def _parts_of_lot(lot: Lot) -> tuple[QuerySet[Part], dict[str, str], Q]:
    """Whatever was made while the lot was in the tank, in the bath, or under the heater."""
    kind = lot.material.kind
    if kind == MaterialKind.SHEET:
        after = dict.fromkeys(("forming", "piece", "delivery"), DOWNSTREAM)
        return Part.objects.filter(cycles__sheet_lot=lot).distinct(), after, Q(sheet_lot=lot)
    if kind == MaterialKind.FILAMENT:
        return Part.objects.filter(build__filament_lot=lot), {"build": DOWNSTREAM} | AFTER_PRINT, Q()
    if kind == MaterialKind.SOLVENT:
        runs = TreatmentRun.objects.filter(_while_inside(lot, "equipment", "started_at"))
        return Part.objects.filter(treated__run__in=runs).distinct(), AFTER_PRINT, Q()
    builds = Build.objects.filter(_while_inside(lot, "tank", "started_at"))
    return Part.objects.filter(build__in=builds), {"build": DOWNSTREAM} | AFTER_PRINT, Q()


def _vessels(lot: Lot) -> QuerySet[Any, Any]:
    return lot.events.filter(kind__in=LOT_EVENTS).values("equipment")


def _while_inside(lot: Lot, vessel: str, moment: str) -> Q:
    """Builds or runs in a tank or bath from when the lot went in until it was next emptied."""
    inside = Q(pk__in=[])
    for equipment_id, since, until in stays_of(lot):
        stay = Q(**{vessel: equipment_id, f"{moment}__gte": since})
        inside |= stay if until is None else stay & Q(**{f"{moment}__lt": until})
    return inside


def stays_of(lot: Lot) -> list[tuple[int, datetime, datetime | None]]:
    """In which tank or bath the lot was, from when, until when (None: still)."""
    vessels = EquipmentEvent.objects.filter(
        equipment__in=_vessels(lot), kind__in=(*LOT_EVENTS, EventKind.EMPTIED)
    ).order_by("equipment", "occurred_at", "id")
    stays: list[tuple[int, datetime, datetime | None]] = []
    since: dict[int, datetime] = {}
    for event in vessels:
        if event.kind == EventKind.EMPTIED:
            if event.equipment_id in since:
                stays.append((event.equipment_id, since.pop(event.equipment_id), event.occurred_at))
        elif event.lot_id == lot.pk:
            since.setdefault(event.equipment_id, event.occurred_at)
    return stays + [(equipment_id, moment, None) for equipment_id, moment in since.items()]


def _equipment(ref: str) -> Subject | None:
    equipment = Equipment.objects.filter(code=ref).first()
    if equipment is None:
        return None

    def own() -> Iterator[TraceEvent]:
        events = equipment.events.select_related("equipment", "by", "lot__material", "moved_to__equipment")
        for event in events:
            yield layers.event_line(event, OWN)
        lots = Lot.objects.filter(events__equipment=equipment).select_related("material").distinct()
        yield from layers.lot_lines(lots, UPSTREAM)
        yield from layers.hold_lines(Q(equipment=equipment), OWN)

    parts, directions, runs, cycles = _parts_of_equipment(equipment)
    machine = Q(cycle__batch__machine=equipment) if equipment.kind == EquipmentKind.FORMING_MACHINE else Q()
    return Subject(
        "equipment",
        ref,
        f"{equipment.name} ({equipment.code})",
        url_of(equipment),
        parts,
        directions,
        own,
        runs=runs,
        cycles=cycles,
        pieces=machine,
    )


def _parts_of_equipment(equipment: Equipment) -> tuple[QuerySet[Part], dict[str, str], Q, Q]:
    """The parts it worked on, the layers after that, and which runs and cycles are its own."""
    match equipment.kind:
        case EquipmentKind.PRINTER:
            parts = Part.objects.filter(build__printer=equipment.pk)
            return parts, {"build": DOWNSTREAM} | AFTER_PRINT, Q(), Q()
        case EquipmentKind.TANK:
            parts = Part.objects.filter(build__tank=equipment.pk)
            return parts, {"build": DOWNSTREAM} | AFTER_PRINT, Q(), Q()
        case EquipmentKind.WASH_BATH | EquipmentKind.CURING_UNIT:
            parts = Part.objects.filter(treated__run__equipment=equipment).distinct()
            return parts, AFTER_PRINT, Q(run__equipment=equipment), Q()
        case EquipmentKind.FORMING_MACHINE:
            parts = Part.objects.filter(cycles__batch__machine=equipment).distinct()
            after = dict.fromkeys(("forming", "piece", "delivery"), DOWNSTREAM)
            return parts, after, Q(), Q(batch__machine=equipment)
    return Part.objects.none(), {}, Q(), Q()


SUBJECTS: dict[str, Callable[[str], Subject | None]] = {
    "piece": _piece,
    "part": _part,
    "build": _build,
    "batch": _batch,
    "case": _case,
    "appliance": _appliance,
    "lot": _lot,
    "equipment": _equipment,
}


def touched(subject: Subject) -> dict[str, int]:
    """How many builds, parts, pieces, cases and delivered pieces the thing concerns."""
    part_ids = subject.parts.order_by().values("pk")
    pieces = Piece.objects.filter(Q(part__in=part_ids) | Q(cycle__part__in=part_ids)).filter(subject.pieces)
    parts = Part.objects.filter(pk__in=part_ids)
    return {
        "builds": parts.order_by().values("build").distinct().count(),
        "parts": parts.count(),
        "pieces": pieces.count(),
        "delivered": pieces.filter(delivered__isnull=False).count(),
        "cases": parts.order_by().values("appliance__case").distinct().count(),
    }
