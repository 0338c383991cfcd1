"""Materials, the maker's instructions for them, and lots."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal

from django.db.models import Max
from django.utils import timezone

from cases.choices import Tissue
from cases.moments import settled_moment
from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.services.record import record_created
from labtrack.audit.services.submissions import Outcome, once
from labtrack.constraints import constraint_messages
from labtrack.errors import Refused
from labtrack.usecase import use_case
from production.choices import ContactPurpose, MaterialKind, Translucency
from production.models import Lot, Material, MaterialInstruction
from production.services.rules import found, guarded_change, required_text

NO_MATERIAL = "There is no material under that number."
NO_LOT = "There is no lot under that number."


def add_material(
    *,
    actor: Actor,
    key: str = "",
    code: str,
    kind: str,
    name: str,
    colour: str = "",
    translucency: str = "",
    density_g_per_ml: Decimal | None = None,
    price: Decimal | None = None,
    consumption_factor: Decimal = Decimal(1),
    thickness_mm: Decimal | None = None,
) -> Outcome[Material]:
    """Add a resin, filament, sheet or solvent. What it may be used for comes with its instructions."""
    actor.require(Capability.EQUIPMENT)
    code = required_text(code, "Give the material a short code.", field="code", most=30).lower()
    name = required_text(name, "Give the material a name.", field="name", most=80)
    if kind not in MaterialKind.values:
        raise Refused("kind-unknown", "Choose one of the kinds of material.", field="kind")
    if translucency and translucency not in Translucency.values:
        raise Refused("translucency-unknown", "Choose opaque, tinted or clear.", field="translucency")
    values = {
        "code": code,
        "kind": kind,
        "name": name,
        "colour": colour.strip(),
        "translucency": translucency,
        "density_g_per_ml": density_g_per_ml,
        "price": price,
        "consumption_factor": consumption_factor,
        "thickness_mm": thickness_mm,
    }

    def make() -> Material:
        with constraint_messages(Material):
            material = Material.objects.create(**values)
        record_created(actor=actor, action="material.added", subject=material)
        return material

    return once(actor=actor, key=key, use_case="add-material", payload=values, model=Material, make=make)


def record_material_instruction(
    *,
    actor: Actor,
    key: str = "",
    material_id: int,
    document: str,
    intended_use: str,
    tissue: str = Tissue.NONE,
    contact_hours_max: int | None = None,
) -> Outcome[MaterialInstruction]:
    """Store what one edition of the maker's instructions allows. It counts once quality approves it."""
    actor.require(Capability.EQUIPMENT)
    material = found(Material, material_id, NO_MATERIAL)
    document = required_text(document, "Name the document, its edition and date.", field="document")
    if intended_use not in ContactPurpose.values or tissue not in Tissue.values:
        raise Refused("use-unknown", "Choose what it is for, and which tissue.", field="intended_use")
    payload = [material_id, document, intended_use, tissue, contact_hours_max]

    def make() -> MaterialInstruction:
        latest = material.instructions.aggregate(latest=Max("version"))["latest"] or 0
        with constraint_messages(MaterialInstruction):
            instruction = MaterialInstruction.objects.create(
                material=material,
                version=latest + 1,
                document=document,
                intended_use=intended_use,
                tissue=tissue,
                contact_hours_max=contact_hours_max,
                recorded_by=actor.user,
            )
        record_created(actor=actor, action="material.instruction-recorded", subject=instruction)
        return instruction

    return once(
        actor=actor,
        key=key,
        use_case="record-material-instruction",
        payload=payload,
        model=MaterialInstruction,
        make=make,
    )


def approve_material_instruction(
    *, actor: Actor, instruction_id: int, approved_at: datetime | None = None
) -> MaterialInstruction:
    """Put a recorded version in force; the latest approved one counts from then on."""
    actor.require(Capability.LIMITS)
    at = settled_moment(approved_at, field="approved_at")
    instruction = found(
        MaterialInstruction, instruction_id, "There are no such instructions.", related=("material",)
    )
    with use_case():
        guarded_change(
            actor=actor,
            action="material.instruction-approved",
            subject=instruction,
            only_while={"approved_at__isnull": True},
            changes={"approved_at": at, "approved_by_id": actor.user.pk},
            otherwise="This version is approved already.",
        )
    return instruction


def receive_lot(
    *,
    actor: Actor,
    key: str = "",
    material_id: int,
    number: str,
    received_on: date,
    expires_on: date | None = None,
) -> Outcome[Lot]:
    """Book a delivered lot, as its label says."""
    actor.require(Capability.EQUIPMENT)
    material = found(Material, material_id, NO_MATERIAL)
    number = required_text(number, "Give the lot number on the label.", field="number", most=60)
    if received_on > timezone.localdate():
        raise Refused("moment-in-future", "That day has not come yet.", field="received_on")

    def make() -> Lot:
        with constraint_messages(Lot):
            lot = Lot.objects.create(
                material=material, number=number, received_on=received_on, expires_on=expires_on
            )
        record_created(actor=actor, action="lot.received", subject=lot)
        return lot

    return once(
        actor=actor,
        key=key,
        use_case="receive-lot",
        payload=[material_id, number, received_on, expires_on],
        model=Lot,
        make=make,
    )


def open_lot(*, actor: Actor, lot_id: int, occurred_at: datetime | None = None) -> Lot:
    """Record when the bottle, spool or box was opened."""
    actor.require(Capability.SHOP_WRITE)
    at = settled_moment(occurred_at)
    lot = found(Lot, lot_id, NO_LOT, related=("material",))
    if timezone.localdate(at) < lot.received_on:
        raise Refused("end-before-start", "It cannot be opened before it was received.", field="occurred_at")
    with use_case():
        guarded_change(
            actor=actor,
            action="lot.opened",
            subject=lot,
            only_while={"opened_at__isnull": True},
            changes={"opened_at": at},
            otherwise="This lot is recorded as opened already.",
        )
    return lot


def quarantine_lot(*, actor: Actor, lot_id: int, reason: str, occurred_at: datetime | None = None) -> Lot:
    """Put a lot aside: nothing more may be made from it. What it touched is on its trace."""
    actor.require(Capability.SHOP_WRITE)
    at = settled_moment(occurred_at)
    reason = required_text(reason, "Say why the lot is quarantined.", field="reason")
    lot = found(Lot, lot_id, NO_LOT, related=("material",))
    with use_case():
        guarded_change(
            actor=actor,
            action="lot.quarantined",
            subject=lot,
            only_while={"quarantined_at__isnull": True},
            changes={"quarantined_at": at, "quarantine_reason": reason},
            otherwise="This lot is quarantined already.",
            reason=reason,
        )
    return lot


def lift_quarantine(*, actor: Actor, lot_id: int, reason: str) -> Lot:
    """Let a quarantined lot be used again, with the reason in the record of changes."""
    actor.require(Capability.RELEASE)
    reason = required_text(reason, "Say why the lot may be used again.", field="reason")
    lot = found(Lot, lot_id, NO_LOT, related=("material",))
    with use_case():
        guarded_change(
            actor=actor,
            action="lot.quarantine-lifted",
            subject=lot,
            only_while={"quarantined_at__isnull": False},
            changes={"quarantined_at": None, "quarantine_reason": ""},
            otherwise="This lot is not quarantined.",
            reason=reason,
        )
    return lot
