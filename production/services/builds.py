"""Builds: planned, started, ended (ISO/ASTM 52900)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from decimal import Decimal

from django.utils import timezone

from cases.choices import MODEL_KINDS, Tissue
from cases.moments import settled_moment
from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.services.numbers import next_number
from labtrack.audit.services.record import record_all_created, record_created
from labtrack.audit.services.submissions import Outcome as Submitted
from labtrack.audit.services.submissions import once
from labtrack.constraints import constraint_messages
from labtrack.errors import Conflict, Refused
from production.choices import BuildState, ContactPurpose, MaterialKind, Outcome, PartPurpose, Step
from production.hooks import build_changed, part_changed
from production.models import Build, Lot, Part, Preparation, Printer, Tank
from production.queries.ages import tank_age, tank_ages
from production.services.outcomes import PartResult, write_part_outcomes
from production.services.rules import (
    all_found,
    found,
    guarded_change,
    in_order,
    require_in_service,
    require_not_held,
    require_purpose,
    require_usable_lot,
    required_text,
    said,
)

NO_BUILD = "There is no build under that number."
BUILD_RELATED = ("printer__equipment", "tank__equipment", "filament_lot__material")


@dataclass(frozen=True)
class PlannedPart:
    """One part of a build. ``x`` and ``y`` are measured from the platform's centre (ISO/ASTM 52921)."""

    preparation_id: int
    platform_x_mm: Decimal | None = None
    platform_y_mm: Decimal | None = None
    rotation_deg: Decimal = Decimal(0)


def plan_build(
    *,
    actor: Actor,
    key: str = "",
    printer_id: int,
    parts: Sequence[PlannedPart],
    tank_id: int | None = None,
    filament_lot_id: int | None = None,
    occurred_at: datetime | None = None,
) -> Submitted[Build]:
    """Plan one run of a printer with its parts; profile and layer come from their preparations.

    Refused: a retired or held printer, tank or lot; a tank that is not in that printer, is empty, holds
    an expired lot, or owes filtering or film inspection after a failed build; parts of different
    profiles or layers; parts that reach off the platform; a part that touches a patient in model resin.
    """
    actor.require(Capability.SHOP_WRITE)
    at = settled_moment(occurred_at)
    printer = found(Printer, printer_id, "There is no printer under that number.", related=("equipment",))
    payload = [printer_id, [asdict(part) for part in parts], tank_id, filament_lot_id, occurred_at]

    def make() -> Build:
        tank, lot = _source(printer, tank_id, filament_lot_id)
        purpose = require_ready(printer, tank, lot, at)
        preparations = _preparations(parts, at)
        _check_platform(printer, parts, preparations)
        _check_contact(preparations, purpose, tank, lot)
        first = preparations[0]
        with constraint_messages(Build, Part):
            build = Build.objects.create(
                number=next_number("build"),
                printer=printer,
                tank=tank,
                filament_lot=lot,
                profile_name=first.profile_name,
                profile_revision=first.profile_revision,
                layer_um=first.layer_um,
                operator=actor.user,
                occurred_at=at,
            )
            made = _add_parts(build, parts, preparations)
        record_created(actor=actor, action="build.planned", subject=build)
        record_all_created(actor=actor, action="part.planned", subjects=made)
        build_changed.fire(build)
        for part in made:
            part_changed.fire(part)
        return build

    return once(actor=actor, key=key, use_case="plan-build", payload=payload, model=Build, make=make)


def _source(
    printer: Printer, tank_id: int | None, filament_lot_id: int | None
) -> tuple[Tank | None, Lot | None]:
    if printer.needs_tank:
        if filament_lot_id is not None:
            raise Refused("no-filament", f"{printer} prints from a tank, not filament.", field="filament_lot")
        if tank_id is None:
            raise Refused("tank-missing", f"{printer} prints from a tank. Choose it.", field="tank")
        return found(Tank, tank_id, "There is no tank under that number.", related=("equipment",)), None
    if tank_id is not None:
        raise Refused("no-tank", f"{printer} prints filament and takes no tank.", field="tank")
    if filament_lot_id is None:
        raise Refused("filament-missing", f"{printer} prints filament. Choose its lot.", field="filament_lot")
    lot = found(Lot, filament_lot_id, "There is no lot under that number.", related=("material",))
    if lot.material.kind != MaterialKind.FILAMENT:
        raise Refused("lot-not-filament", f"{lot} is no filament.", field="filament_lot")
    return None, lot


def tank_in(printer: Printer) -> Tank:
    """The one tank that is in the printer now. Raises ``Refused`` when none or several are recorded there."""
    candidates = Tank.objects.filter(equipment__retired_at__isnull=True).select_related("equipment").in_bulk()
    ages = tank_ages(list(candidates), timezone.now())
    inside = [pk for pk, age in ages.items() if age.printer is not None and age.printer.pk == printer.pk]
    if not inside:
        raise Refused(
            "tank-missing", f"No tank is recorded in {printer}. Record the tank's move first.", field="tank"
        )
    if len(inside) > 1:
        raise Refused("tank-unclear", f"Several tanks are recorded in {printer}. Choose one.", field="tank")
    return candidates[inside[0]]


def require_ready(printer: Printer, tank: Tank | None, lot: Lot | None, at: datetime) -> str:
    """What the build's material is for; ``Refused`` unless printer and tank or lot may be used then."""
    require_in_service(printer.equipment, at, field="printer")
    require_not_held(at, equipment=[printer.equipment], field="printer")
    if tank is not None:
        _require_tank_ready(printer, tank, at)
        return tank.purpose
    assert lot is not None
    require_usable_lot(lot, at, field="filament_lot")
    require_purpose(lot.material, ContactPurpose.MODEL, at, holder="a filament printer", field="filament_lot")
    return ContactPurpose.MODEL


def _require_tank_ready(printer: Printer, tank: Tank, at: datetime) -> None:
    require_in_service(tank.equipment, at, field="tank")
    age = tank_age(tank.pk, at)
    if age.printer is None or age.printer.pk != printer.pk:
        where = f"in {age.printer}" if age.printer else "in no printer"
        raise Refused(
            "tank-elsewhere",
            f"{tank} is {where}. Record that it was moved to {printer}, or choose the tank that is there.",
            field="tank",
        )
    if age.empty:
        raise Refused("tank-empty", f"{tank} is empty. Record which lot it is filled with.", field="tank")
    if age.owes:
        raise Refused(
            "tank-owes-care",
            f"The last build in {tank} failed. It needs {age.owes} before it is used again: cured scraps "
            "on the film spoil the next build. Record that first.",
            field="tank",
        )
    require_not_held(at, equipment=[tank.equipment], lots=age.contents, field="tank")
    for lot in age.contents:
        require_usable_lot(lot, at, field="tank", check_hold=False)


def _preparations(parts: Sequence[PlannedPart], at: datetime) -> list[Preparation]:
    rows = Preparation.objects.filter(pk__in=[part.preparation_id for part in parts]).select_related(
        "appliance__line", "appliance__case", "design"
    )
    if not parts:
        raise Refused("no-parts", "A build needs at least one part. Choose what to print.", field="parts")
    distinct = list(dict.fromkeys(part.preparation_id for part in parts))
    by_id = {row.pk: row for row in all_found(rows, distinct, "One of the preparations is not there.")}
    preparations = [by_id[part.preparation_id] for part in parts]
    first = preparations[0]
    for row in preparations:
        if (row.profile_name, row.profile_revision, row.layer_um) != (
            first.profile_name,
            first.profile_revision,
            first.layer_um,
        ):
            raise Refused(
                "profiles-differ",
                f"{first} and {row} are prepared for different profiles or layers. "
                "One build has one profile: plan two builds, or prepare one of them again.",
                field="parts",
            )
        if row.appliance.cancelled_at is not None or row.appliance.case.voided_at is not None:
            raise Refused("appliance-cancelled", f"{row.appliance.label} is cancelled. Leave it out.")
        if row.occurred_at > at:
            raise Refused(
                "end-before-start",
                f"{row.appliance.label} was prepared only on {said(row.occurred_at, time=True)}. "
                "Check the time.",
                field="occurred_at",
            )
    return preparations


def _check_platform(
    printer: Printer, parts: Sequence[PlannedPart], preparations: Sequence[Preparation]
) -> None:
    for part, preparation in zip(parts, preparations, strict=True):
        for name, place, size in (
            ("x", part.platform_x_mm, printer.platform_x_mm),
            ("y", part.platform_y_mm, printer.platform_y_mm),
        ):
            if place is not None and abs(place) > size / 2:
                raise Refused(
                    "off-platform",
                    f"{preparation.appliance.label} stands off the platform: {name} is {place} mm from the "
                    f"centre, and {printer} has {size / 2} mm on each side.",
                    field="parts",
                )


def part_purpose(preparation: Preparation) -> PartPurpose:
    """The appliance itself when it is printed directly or is a model; else what a sheet is formed over."""
    line = preparation.appliance.line
    direct = line.direct_print or line.kind in MODEL_KINDS
    return PartPurpose.APPLIANCE if direct else PartPurpose.WORKING_MODEL


def _check_contact(
    preparations: Sequence[Preparation], purpose: str, tank: Tank | None, lot: Lot | None
) -> None:
    if purpose == ContactPurpose.PATIENT_CONTACT:
        return
    for preparation in preparations:
        line = preparation.appliance.line
        touches = line.tissue != Tissue.NONE and line.kind not in MODEL_KINDS
        if touches and part_purpose(preparation) == PartPurpose.APPLIANCE:
            raise Refused(
                "contact-in-model-material",
                f"{preparation.appliance.label} is worn by the patient, and {tank or lot} holds material for "
                "models only. Choose a tank for patient contact.",
                field="tank",
            )


def _add_parts(build: Build, parts: Sequence[PlannedPart], preparations: Sequence[Preparation]) -> list[Part]:
    number = next_number("part", count=len(parts))
    rows = [
        Part(
            number=number + offset,
            build=build,
            preparation=preparation,
            appliance=preparation.appliance,
            purpose=part_purpose(preparation),
            platform_x_mm=planned.platform_x_mm,
            platform_y_mm=planned.platform_y_mm,
            rotation_deg=planned.rotation_deg,
        )
        for offset, (planned, preparation) in enumerate(zip(parts, preparations, strict=True))
    ]
    return Part.objects.bulk_create(rows)


def start_build(
    *,
    actor: Actor,
    key: str = "",
    build_id: int,
    started_at: datetime | None = None,
    resin_temp_c: Decimal | None = None,
) -> Submitted[Build]:
    """Start a planned build; printer and tank are judged again as they are now."""
    actor.require(Capability.SHOP_WRITE)
    at = settled_moment(started_at, field="started_at")
    build = found(Build, build_id, NO_BUILD, related=BUILD_RELATED)

    def make() -> Build:
        in_order(build.occurred_at, at, what="planning", field="started_at")
        _check_free(build, at)
        require_ready(build.printer, build.tank, build.filament_lot, at)
        require_not_held(at, parts=list(build.parts.all()))
        with constraint_messages(Build):
            guarded_change(
                actor=actor,
                action="build.started",
                subject=build,
                only_while={"state": BuildState.PLANNED},
                changes={"state": BuildState.RUNNING, "started_at": at, "resin_temp_c": resin_temp_c},
                otherwise=f"{build.label} is not waiting to start.",
            )
        build_changed.fire(build)
        return build

    return once(
        actor=actor,
        key=key,
        use_case="start-build",
        payload=[build_id, started_at, resin_temp_c],
        model=Build,
        make=make,
    )


def _check_free(build: Build, at: datetime) -> None:
    """Refuse a start while another build runs on the printer, or inside the time of one that ran there.

    Of two starts in the same moment the database's constraint stops the second.
    """
    running = build.printer.builds.filter(state=BuildState.RUNNING).exclude(pk=build.pk).first()
    if running is not None:
        raise Conflict(
            "printer-runs-one-build",
            f"{build.printer} is already running {running.label}. End that one first.",
        )
    other = (
        Build.objects.filter(printer=build.printer, started_at__lte=at, finished_at__gt=at)
        .exclude(pk=build.pk)
        .first()
    )
    if other is not None:
        raise Refused(
            "printer-was-busy",
            f"{build.printer} was running {other.label} at that time. Check the time.",
            field="started_at",
        )


def finish_build(
    *,
    actor: Actor,
    key: str = "",
    build_id: int,
    finished_at: datetime | None = None,
    outcomes: Sequence[PartResult] = (),
    layers: int | None = None,
    resin_ml: Decimal | None = None,
) -> Submitted[Build]:
    """End a running build; ``outcomes`` say how parts came off the printer (left out: not yet said)."""
    return _end_build(
        actor=actor,
        key=key,
        build_id=build_id,
        state=BuildState.FINISHED,
        finished_at=finished_at,
        outcomes=outcomes,
        layers=layers,
        resin_ml=resin_ml,
    )


def fail_build(
    *,
    actor: Actor,
    key: str = "",
    build_id: int,
    failure: str,
    finished_at: datetime | None = None,
    outcomes: Sequence[PartResult] | None = None,
    layers: int | None = None,
    resin_ml: Decimal | None = None,
) -> Submitted[Build]:
    """End a running build that failed. Parts not named in ``outcomes`` are scrapped.

    Its tank then owes filtering and film inspection before its next use.
    """
    reason = required_text(failure, "Say what went wrong.", field="failure")
    return _end_build(
        actor=actor,
        key=key,
        build_id=build_id,
        state=BuildState.FAILED,
        finished_at=finished_at,
        outcomes=outcomes or (),
        layers=layers,
        resin_ml=resin_ml,
        failure=reason,
    )


def _end_build(
    *,
    actor: Actor,
    key: str,
    build_id: int,
    state: BuildState,
    finished_at: datetime | None,
    outcomes: Sequence[PartResult],
    layers: int | None,
    resin_ml: Decimal | None,
    failure: str = "",
) -> Submitted[Build]:
    actor.require(Capability.SHOP_WRITE)
    at = settled_moment(finished_at, field="finished_at")
    build = found(Build, build_id, NO_BUILD, related=BUILD_RELATED)

    def make() -> Build:
        if build.started_at is not None:
            in_order(build.started_at, at, what="build")
        changes = {"state": state, "finished_at": at, "layers": layers, "resin_ml": resin_ml}
        if failure:
            changes["failure"] = failure
        with constraint_messages(Build):
            guarded_change(
                actor=actor,
                action=f"build.{state.value}",
                subject=build,
                only_while={"state": BuildState.RUNNING},
                changes=changes,
                otherwise=f"{build.label} is not running.",
                reason=failure,
            )
        parts = list(build.parts.all())
        results = list(outcomes)
        if state == BuildState.FAILED:
            named = {result.part_id for result in results}
            results += [
                PartResult(part.pk, Outcome.SCRAPPED, failure) for part in parts if part.pk not in named
            ]
        write_part_outcomes(actor=actor, parts=parts, results=results, step=Step.PRINT, at=at)
        build_changed.fire(build)
        return build

    return once(
        actor=actor,
        key=key,
        use_case=f"build-{state.value}",
        payload=[
            build_id,
            finished_at,
            [asdict(result) for result in outcomes],
            layers,
            resin_ml,
            failure,
        ],
        model=Build,
        make=make,
    )


def cancel_build(
    *, actor: Actor, key: str = "", build_id: int, reason: str, occurred_at: datetime | None = None
) -> Submitted[Build]:
    """Drop a planned build that never started; its appliances wait to be printed again."""
    actor.require(Capability.SHOP_WRITE)
    at = settled_moment(occurred_at)
    reason = required_text(reason, "Say why it is cancelled.", field="reason")
    build = found(Build, build_id, NO_BUILD, related=BUILD_RELATED)

    def make() -> Build:
        in_order(build.occurred_at, at, what="build", field="occurred_at")
        guarded_change(
            actor=actor,
            action="build.cancelled",
            subject=build,
            only_while={"state": BuildState.PLANNED},
            changes={"state": BuildState.CANCELLED, "finished_at": at, "failure": reason},
            otherwise=f"{build.label} is not waiting to start, so it cannot be cancelled.",
            reason=reason,
        )
        build_changed.fire(build)
        return build

    return once(
        actor=actor,
        key=key,
        use_case="cancel-build",
        payload=[build_id, reason, occurred_at],
        model=Build,
        make=make,
    )
