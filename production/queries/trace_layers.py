"""The lines of a trace, layer by layer, for a bounded list of parts.

A layer is one stretch of a part's life: its order and design, what went into its build, the build, the
part's own record, forming, the pieces, and delivery. Each function takes the direction to write.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, time
from typing import Any

from django.db.models import Q
from django.utils import timezone

from cases.models import Appliance
from production.choices import AnswerStatus, EventKind, Step
from production.hooks import TraceEvent, part_trace_sources, piece_trace_sources
from production.links import url_of
from production.models import (
    Answer,
    Build,
    EquipmentEvent,
    FitAnswer,
    FormingCycle,
    Hold,
    Lot,
    Part,
    PartOutcome,
    Piece,
    PieceStep,
    TreatedPart,
)
from production.queries.ages import tank_records

CARE_BEFORE_BUILD = (EventKind.LEVELLED, EventKind.CALIBRATED, EventKind.SCREEN_CHANGED, EventKind.FIRMWARE)


@dataclass(frozen=True)
class Slice:
    """Some parts, and which of their runs, cycles and pieces are meant."""

    parts: Sequence[Part]
    runs: Q = field(default_factory=Q)
    cycles: Q = field(default_factory=Q)
    pieces: Q = field(default_factory=Q)

    @property
    def part_ids(self) -> list[int]:
        return [part.pk for part in self.parts]

    def builds(self) -> list[Build]:
        rows = Build.objects.filter(pk__in={part.build_id for part in self.parts})
        return list(
            rows.select_related(
                "printer__equipment", "tank__equipment", "filament_lot__material", "operator"
            ).order_by("number")
        )

    def found_pieces(self) -> list[Piece]:
        mine = Q(part__in=self.part_ids) | Q(cycle__part__in=self.part_ids)
        rows = Piece.objects.filter(mine).filter(self.pieces)
        return list(
            rows.select_related("appliance__case", "cycle__batch", "part").distinct().order_by("number")
        )


def event_line(event: EquipmentEvent, direction: str) -> TraceEvent:
    """One equipment event as a line."""
    details = []
    if event.lot is not None:
        details.append(str(event.lot))
    if event.quantity_ml:
        details.append(f"{event.quantity_ml} ml")
    if event.moved_to is not None:
        details.append(f"to {event.moved_to}")
    if event.value is not None:
        details.append(f"{event.value.normalize():f} {event.unit}".strip())
    if event.note:
        details.append(event.note)
    return TraceEvent(
        event.occurred_at,
        event.get_kind_display(),
        f"{event.equipment.name} ({event.equipment.code})",
        url_of(event.equipment),
        direction,
        "; ".join(details),
        event.by.name,
        event.equipment.get_kind_display(),
    )


def lot_lines(lots: Iterable[Lot], direction: str) -> Iterator[TraceEvent]:
    """Receipt (at noon of its day), opening and quarantine of lots."""
    for lot in lots:
        received = timezone.make_aware(datetime.combine(lot.received_on, time(12)))
        expiry = f"expires {lot.expires_on:%-d %b %Y}" if lot.expires_on else ""
        yield TraceEvent(received, "Received", str(lot), url_of(lot), direction, expiry, "", "Material")
        if lot.opened_at:
            yield TraceEvent(lot.opened_at, "Opened", str(lot), url_of(lot), direction, "", "", "Material")
        if lot.quarantined_at:
            reason = lot.quarantine_reason
            yield TraceEvent(
                lot.quarantined_at, "Quarantined", str(lot), url_of(lot), direction, reason, "", "Material"
            )


def order_layer(chosen: Slice, direction: str) -> Iterator[TraceEvent]:
    """Case, design and preparation of the parts."""
    seen: set[tuple[str, int]] = set()
    rows = Part.objects.filter(pk__in=chosen.part_ids).select_related(
        "appliance__case__clinic",
        "appliance__case__logged_by",
        "appliance__line",
        "preparation__by",
        "preparation__design__uploaded_by",
        "preparation__prepared__uploaded_by",
    )
    for part in rows:
        case, prep = part.appliance.case, part.preparation
        if ("case", case.pk) not in seen:
            seen.add(("case", case.pk))
            detail = (
                f"{case.clinic.name}, patient {case.patient_code}, {part.appliance.line.get_kind_display()}"
            )
            yield TraceEvent(
                case.occurred_at,
                "Ordered",
                case.label,
                url_of(case),
                direction,
                detail,
                case.logged_by.name,
                "Order",
            )
        for mesh in (prep.design, prep.prepared):
            if mesh is not None and ("mesh", mesh.pk) not in seen:
                seen.add(("mesh", mesh.pk))
                yield TraceEvent(
                    mesh.occurred_at,
                    f"{mesh.get_role_display()} attached",
                    part.appliance.label,
                    url_of(case),
                    direction,
                    f"{mesh.original_name}, {mesh.triangles} triangles",
                    mesh.uploaded_by.name,
                    "Design",
                )
        if ("prep", prep.pk) not in seen:
            seen.add(("prep", prep.pk))
            detail = f"{prep.profile_name} rev. {prep.profile_revision}, {prep.layer_um} µm, "
            detail += prep.get_orientation_display().lower()
            yield TraceEvent(
                prep.occurred_at,
                "Prepared",
                part.appliance.label,
                url_of(part.appliance),
                direction,
                detail,
                prep.by.name,
                "Prepare",
            )
    yield from _answer_lines("preparation", [prep for kind, prep in seen if kind == "prep"], direction)


def input_layer(chosen: Slice, direction: str) -> Iterator[TraceEvent]:
    """What went into the builds: contents of the tank then, what was done to it since it was filtered, the
    printer's last care before each build, or the filament's lot."""
    builds = chosen.builds()
    records = tank_records([build.tank_id for build in builds if build.tank_id])
    events: dict[int, EquipmentEvent] = {}
    lots: dict[int, Lot] = {}
    for build in builds:
        if build.filament_lot is not None:
            lots[build.filament_lot.pk] = build.filament_lot
        record = records.get(build.tank_id or 0)
        if record is None or build.started_at is None:
            continue
        age = record.age_at(build.started_at)
        lots |= {lot.pk: lot for lot in age.contents}
        since = age.since_filter.since
        for event in record.events:
            fills = event.lot_id is not None and event.lot_id in {lot.pk for lot in age.contents}
            within = since is not None and since <= event.occurred_at
            if event.occurred_at <= build.started_at and (fills or within):
                events[event.pk] = event
        moved = [e for e in record.events if e.kind == EventKind.MOVED and e.occurred_at <= build.started_at]
        if moved:
            events[moved[-1].pk] = moved[-1]
    rows = EquipmentEvent.objects.filter(pk__in=events).select_related(
        "equipment", "by", "lot__material", "moved_to__equipment"
    )
    for event in rows:
        yield event_line(event, direction)
    yield from _printer_care(builds, direction)
    yield from lot_lines(lots.values(), direction)


def _printer_care(builds: Sequence[Build], direction: str) -> Iterator[TraceEvent]:
    rows = EquipmentEvent.objects.filter(
        equipment__in={build.printer_id for build in builds}, kind__in=CARE_BEFORE_BUILD
    ).select_related("equipment", "by", "lot__material", "moved_to__equipment")
    by_machine: dict[int, list[EquipmentEvent]] = defaultdict(list)
    for event in rows.order_by("occurred_at", "id"):
        by_machine[event.equipment_id].append(event)
    kept: dict[int, EquipmentEvent] = {}
    for build in builds:
        latest: dict[str, EquipmentEvent] = {}
        for event in by_machine[build.printer_id]:
            if build.started_at is not None and event.occurred_at <= build.started_at:
                latest[event.kind] = event
        kept |= {event.pk: event for event in latest.values()}
    for event in kept.values():
        yield event_line(event, direction)


def build_layer(chosen: Slice, direction: str) -> Iterator[TraceEvent]:
    builds = chosen.builds()
    for build in builds:
        yield from build_lines(build, direction)
    ids = [build.pk for build in builds]
    yield from _answer_lines("build", ids, direction)
    yield from hold_lines(Q(build__in=ids), direction)


def build_lines(build: Build, direction: str) -> Iterator[TraceEvent]:
    source = build.tank or build.filament_lot
    where = (
        f"{build.printer}, {source}, {build.profile_name} rev. {build.profile_revision}, {build.layer_um} µm"
    )
    by, url = build.operator.name, url_of(build)
    yield TraceEvent(build.occurred_at, "Build planned", build.label, url, direction, where, by, "Build")
    if build.started_at:
        temperature = f"resin {build.resin_temp_c} °C" if build.resin_temp_c is not None else ""
        yield TraceEvent(
            build.started_at, "Build started", build.label, url, direction, temperature, by, "Build"
        )
    if build.finished_at:
        details = [build.failure] if build.failure else []
        if build.layers:
            details.append(f"{build.layers} layers")
        if build.resin_ml is not None:
            details.append(f"{build.resin_ml} ml")
        yield TraceEvent(
            build.finished_at,
            f"Build {build.get_state_display().lower()}",
            build.label,
            url,
            direction,
            ", ".join(details),
            by,
            "Build",
        )


def part_layer(chosen: Slice, direction: str) -> Iterator[TraceEvent]:
    """Outcomes, runs, answers, holds, and what upper apps know of the parts."""
    outcomes = PartOutcome.objects.filter(part__in=chosen.part_ids).select_related("part", "by")
    for row in outcomes:
        yield TraceEvent(
            row.occurred_at,
            f"{row.get_outcome_display()} after {row.get_step_display().lower()}",
            row.part.mark,
            url_of(row.part),
            direction,
            row.reason,
            row.by.name,
            "Part",
        )
    yield from _run_lines(chosen, direction)
    yield from _answer_lines("part", chosen.part_ids, direction)
    yield from hold_lines(Q(part__in=chosen.part_ids), direction)
    yield from part_trace_sources.events(chosen.parts, direction)


def _run_lines(chosen: Slice, direction: str) -> Iterator[TraceEvent]:
    rows = (
        TreatedPart.objects.filter(part__in=chosen.part_ids)
        .filter(chosen.runs)
        .select_related("run__equipment", "run__by", "part")
        .order_by("run", "part")
    )
    runs: dict[int, list[TreatedPart]] = defaultdict(list)
    for row in rows:
        runs[row.run_id].append(row)
    for treated in runs.values():
        run = treated[0].run
        minutes = (run.finished_at - run.started_at).total_seconds() / 60
        details = [f"{minutes:.0f} min"]
        if run.equipment is not None:
            details.append(run.equipment.name)
        if run.program:
            details.append(run.program)
        again = [row.part.mark for row in treated if row.turn > 1]
        if again:
            details.append(f"again: {', '.join(again)}")
        marks = ", ".join(row.part.mark for row in treated)
        yield TraceEvent(
            run.started_at,
            run.get_step_display(),
            marks,
            url_of(run),
            direction,
            ", ".join(details),
            run.by.name,
            "Post-processing",
        )
    yield from _answer_lines("treatment", list(runs), direction)


def forming_layer(chosen: Slice, direction: str) -> Iterator[TraceEvent]:
    rows = (
        FormingCycle.objects.filter(part__in=chosen.part_ids)
        .filter(chosen.cycles)
        .select_related("batch__machine", "part", "sheet_lot__material", "by")
    )
    cycles = list(rows)
    for cycle in cycles:
        details = [cycle.batch.machine.name, str(cycle.sheet_lot), f"heated {cycle.heat_s} s"]
        if cycle.pressure_bar is not None:
            details.append(f"{cycle.pressure_bar.normalize():f} bar")
        if cycle.forming > 1:
            details.append(f"forming {cycle.forming} over this model")
        yield TraceEvent(
            cycle.occurred_at,
            "Formed over",
            cycle.part.mark,
            url_of(cycle),
            direction,
            ", ".join(details),
            cycle.by.name,
            "Forming",
        )
    yield from _answer_lines("cycle", [cycle.pk for cycle in cycles], direction)


def sheet_layer(chosen: Slice, direction: str) -> Iterator[TraceEvent]:
    """The lots of the sheets that were formed."""
    cycles = FormingCycle.objects.filter(part__in=chosen.part_ids).filter(chosen.cycles)
    yield from lot_lines(
        Lot.objects.filter(pk__in=cycles.values("sheet_lot")).select_related("material"), direction
    )


def piece_layer(chosen: Slice, direction: str) -> Iterator[TraceEvent]:
    pieces = chosen.found_pieces()
    ids = [piece.pk for piece in pieces]
    for piece in pieces:
        url = url_of(piece)
        yield TraceEvent(
            piece.occurred_at, "Piece made", piece.mark, url, direction, piece.appliance.label, "", "Piece"
        )
        if piece.outcome_at:
            yield TraceEvent(
                piece.outcome_at, piece.get_outcome_display(), piece.mark, url, direction, "", "", "Piece"
            )
    for step in PieceStep.objects.filter(piece__in=ids).select_related("piece", "by"):
        yield TraceEvent(
            step.occurred_at,
            step.get_step_display(),
            step.piece.mark,
            url_of(step.piece),
            direction,
            step.note,
            step.by.name,
            "Piece",
        )
    yield from _answer_lines("piece", ids, direction)
    yield from hold_lines(Q(piece__in=ids), direction)
    yield from piece_trace_sources.events(pieces, direction)


def delivery_layer(chosen: Slice, direction: str) -> Iterator[TraceEvent]:
    """Deliveries, fit answers, and the remakes of appliances."""
    pieces = chosen.found_pieces()
    ids = [piece.pk for piece in pieces]
    delivered = Piece.objects.filter(pk__in=ids, delivered__isnull=False).select_related(
        "delivered__delivery__case", "delivered__delivery__by"
    )
    for piece in delivered:
        delivery = piece.delivered.delivery
        yield TraceEvent(
            delivery.occurred_at,
            f"Handed over in {delivery.label}",
            piece.mark,
            url_of(delivery),
            direction,
            f"{delivery.case.label}, to {delivery.handed_to}",
            delivery.by.name,
            "Delivery",
        )
    for answer in FitAnswer.objects.filter(piece__in=ids).select_related("piece", "by"):
        harmed = "somebody was harmed" if answer.harmed else "nobody harmed"
        detail = "; ".join(word for word in (harmed, answer.note) if word)
        yield TraceEvent(
            answer.occurred_at,
            answer.get_result_display(),
            answer.piece.mark,
            url_of(answer.piece),
            direction,
            detail,
            answer.by.name,
            "Clinic",
        )
    yield from _remakes(pieces, direction)


def _remakes(pieces: Sequence[Piece], direction: str) -> Iterator[TraceEvent]:
    appliance_ids = {piece.appliance_id for piece in pieces}
    for appliance in Appliance.objects.filter(remake_of__in=appliance_ids).select_related("case"):
        yield TraceEvent(
            appliance.recorded_at,
            "Made again",
            appliance.label,
            url_of(appliance),
            direction,
            appliance.remake_reason,
            "",
            "Remake",
        )


def hold_lines(which: Q, direction: str) -> Iterator[TraceEvent]:
    rows = Hold.objects.filter(which).select_related(
        "equipment", "lot__material", "build", "part", "piece", "placed_by", "lifted_by"
    )
    for hold in rows:
        thing = hold.equipment or hold.lot or hold.build or hold.part or hold.piece
        label, url = str(thing), url_of(thing)
        yield TraceEvent(
            hold.placed_at, "Put on hold", label, url, direction, hold.reason, hold.placed_by.name, "Hold"
        )
        if hold.lifted_at and hold.lifted_by:
            yield TraceEvent(
                hold.lifted_at,
                "Hold lifted",
                label,
                url,
                direction,
                hold.lift_reason,
                hold.lifted_by.name,
                "Hold",
            )


def _answer_lines(subject: str, ids: Sequence[int], direction: str) -> Iterator[TraceEvent]:
    """One line per thing, step and person: how many items, and in words those that were not within limits."""
    if not ids:
        return
    rows = Answer.objects.filter(**{f"{subject}__in": ids}, replaced_by__isnull=True).select_related(
        "item__instruction", "by", subject, *_LABEL_NEEDS.get(subject, ())
    )
    groups: dict[tuple[int, str, int], list[Answer]] = defaultdict(list)
    for answer in rows:
        groups[(getattr(answer, f"{subject}_id"), answer.item.instruction.step, answer.by_id)].append(answer)
    for answers in groups.values():
        first = min(answers, key=lambda answer: answer.occurred_at)
        thing: Any = getattr(first, subject)
        counted = Counter(AnswerStatus(answer.status).label.lower() for answer in answers)
        words = [f"{count} {label}" for label, count in counted.items()]
        words += [
            f"{answer.item.text}: {answer.get_status_display().lower()}"
            for answer in answers
            if answer.status in (AnswerStatus.OUT_OF_LIMITS, AnswerStatus.NOT_DONE)
        ]
        yield TraceEvent(
            first.occurred_at,
            f"Work instruction answered: {Step(first.item.instruction.step).label.lower()}",
            str(thing),
            url_of(thing),
            direction,
            "; ".join(words),
            first.by.name,
            "Work instruction",
        )


_LABEL_NEEDS = {
    "preparation": ("preparation__appliance__case",),
    "cycle": ("cycle__batch",),
}
