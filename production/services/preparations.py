"""Making designs ready for printing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from decimal import Decimal

from cases.choices import MeshRole
from cases.models import Appliance, MeshUse
from cases.moments import settled_moment
from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.services.record import record_all_created
from labtrack.constraints import constraint_messages
from labtrack.errors import Refused
from production.choices import Orientation
from production.hooks import preparation_made
from production.models import Preparation
from production.services.rules import all_found, once_many, required_text, written_then


@dataclass(frozen=True)
class Prepared:
    """One appliance's design, and the prepared file made from it if the lab keeps it."""

    appliance_id: int
    design_id: int
    prepared_id: int | None = None


@dataclass(frozen=True)
class PreparationSettings:
    """How the designs were made ready; the same for all of one submission."""

    profile_name: str
    profile_revision: str
    layer_um: int
    orientation: str = Orientation.FLAT
    tilt_deg: Decimal = Decimal(0)
    hollow: bool = False
    wall_mm: Decimal | None = None
    supports: bool = False
    compensation_percent: Decimal = Decimal(0)


def record_preparations(
    *,
    actor: Actor,
    key: str = "",
    prepared: Sequence[Prepared],
    settings: PreparationSettings,
    occurred_at: datetime | None = None,
) -> list[Preparation]:
    """Record how the designs of several appliances were made ready, all in the same way."""
    actor.require(Capability.SHOP_WRITE)
    at = settled_moment(occurred_at)
    required_text(settings.profile_name, "Name the exposure profile.", field="profile_name", most=60)
    required_text(
        settings.profile_revision, "Give the profile's revision.", field="profile_revision", most=20
    )
    if settings.orientation not in Orientation.values:
        raise Refused("orientation-unknown", "Choose flat, tilted or upright.", field="orientation")
    if settings.hollow and not settings.wall_mm:
        raise Refused("wall-missing", "A hollow part needs its wall thickness.", field="wall_mm")
    appliance_ids = [one.appliance_id for one in prepared]

    def make() -> list[Preparation]:
        _check_meshes(prepared, at)
        rows = [
            Preparation(
                appliance_id=one.appliance_id,
                design_id=one.design_id,
                prepared_id=one.prepared_id,
                occurred_at=at,
                by=actor.user,
                **asdict(settings),
            )
            for one in prepared
        ]
        with constraint_messages(Preparation):
            Preparation.objects.bulk_create(rows)
        made = list(
            Preparation.objects.filter(pk__in=[row.pk for row in rows])
            .select_related("appliance__case")
            .order_by("pk")
        )
        record_all_created(actor=actor, action="preparation.recorded", subjects=made)
        for row in made:
            preparation_made.fire(row)
        return made

    def again() -> list[Preparation]:
        rows = Preparation.objects.filter(appliance__in=appliance_ids, by=actor.user)
        return written_then(rows.select_related("appliance__case"), occurred_at, len(prepared))

    return once_many(
        actor=actor,
        key=key,
        use_case="record-preparations",
        payload=[[asdict(one) for one in prepared], asdict(settings), occurred_at],
        model=Preparation,
        make=make,
        again=again,
    )


def _check_meshes(prepared: Sequence[Prepared], at: datetime) -> None:
    appliances = Appliance.objects.filter(pk__in=[one.appliance_id for one in prepared]).select_related(
        "case"
    )
    by_id = {
        appliance.pk: appliance
        for appliance in all_found(
            appliances, [one.appliance_id for one in prepared], "One of the appliances is not there."
        )
    }
    wanted = {one.design_id for one in prepared} | {one.prepared_id for one in prepared if one.prepared_id}
    # Held, so that none is withdrawn meanwhile.
    meshes = MeshUse.objects.select_for_update(of=("self",)).in_bulk(wanted)
    for one in prepared:
        appliance = by_id[one.appliance_id]
        if appliance.cancelled_at is not None or appliance.case.voided_at is not None:
            raise Refused("appliance-cancelled", f"{appliance.label} is cancelled. Leave it out.")
        _check_mesh(meshes.get(one.design_id), appliance, MeshRole.DESIGN, at)
        if one.prepared_id is not None:
            _check_mesh(meshes.get(one.prepared_id), appliance, MeshRole.PREPARED, at)


def _check_mesh(mesh: MeshUse | None, appliance: Appliance, role: MeshRole, at: datetime) -> None:
    if mesh is None or mesh.case_id != appliance.case_id or mesh.appliance_id not in (None, appliance.pk):
        raise Refused(
            "mesh-not-of-appliance", f"That {role.label.lower()} does not belong to {appliance.label}."
        )
    if mesh.withdrawn_at is not None:
        raise Refused(
            "mesh-withdrawn",
            f"{mesh.original_name} was withdrawn: {mesh.withdrawal_reason}. Choose the file that is in use.",
        )
    if mesh.role != role:
        raise Refused(
            "mesh-of-another-role",
            f"{mesh.original_name} is attached as {mesh.get_role_display().lower()}, not as "
            f"{role.label.lower()}.",
        )
    if mesh.occurred_at > at:
        raise Refused(
            "end-before-start", f"{mesh.original_name} was made only after that moment. Check the time."
        )
