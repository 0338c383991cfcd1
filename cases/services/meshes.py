"""Attaching meshes to a case, restating what an attached one is, and withdrawing a wrong one."""

from __future__ import annotations

import hmac
import re
import unicodedata
from dataclasses import dataclass, replace
from datetime import datetime

from django.db.models import Q, QuerySet

from cases.choices import LAB_MESH_ROLES, MeshOrigin, MeshRole, Unit
from cases.hooks import MeshDescription, mesh_attached, mesh_reader, mesh_withdrawing
from cases.models import Appliance, Blob, MeshUse
from cases.moments import settled_moment
from cases.queries import appliance_for, case_for, mesh_for
from cases.services.file_store import Received, blob_row, land
from cases.services.order import given_reason, locked_case
from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.services.record import record_created, save_recorded
from labtrack.audit.services.submissions import Outcome, once
from labtrack.constraints import constraint_messages
from labtrack.errors import Conflict, NotAllowed, NotFound, Refused
from labtrack.usecase import use_case

LONGEST_NAME = 200
# What says whether a mesh is in use still.
_STANDING = ("replaced_by", "withdrawn_at")
_SHA256 = re.compile(r"[0-9a-fA-F]{64}")


@dataclass(frozen=True)
class _Use:
    """A mesh use before it is stored, but for its blob."""

    case_id: int
    appliance_id: int | None
    role: str
    unit: str
    name: str
    origin: str
    occurred_at: datetime
    description: MeshDescription

    def current(self) -> QuerySet[MeshUse]:
        """What is attached in the same place in the same role now."""
        place = Q(appliance__isnull=True) if self.appliance_id is None else Q(appliance_id=self.appliance_id)
        return MeshUse.objects.in_use().filter(place, case_id=self.case_id, role=self.role)


def attach_mesh(
    *,
    actor: Actor,
    key: str,
    case_number: int,
    role: str,
    unit: str,
    source: Received,
    original_name: str,
    appliance_id: int | None = None,
    origin: str = MeshOrigin.PAGE,
    stated_sha256: str = "",
    occurred_at: datetime | None = None,
) -> Outcome[MeshUse]:
    """Attach a received file to a case, or find it attached already.

    ``repeated`` is true when the same key, or the same file in the same place, came before. Raises
    ``Refused`` for a wrong unit or role, a digest that does not match and a file that is no sound mesh;
    nothing is stored then.
    """
    actor.require(Capability.CASES_WRITE)
    moment = settled_moment(occurred_at)
    _check_role(actor, role)
    check_unit(unit)
    case = case_for(actor, case_number)
    if appliance_id is not None:
        _appliance_in(actor, case.pk, appliance_id)
    _check_digest(source, stated_sha256)
    use = _Use(
        case_id=case.pk,
        appliance_id=appliance_id,
        role=role,
        unit=unit,
        name=clean_name(original_name),
        origin=origin,
        occurred_at=moment,
        description=_describe(source, unit),
    )
    is_new = False

    def make() -> MeshUse:
        nonlocal is_new
        locked_case(actor, case_number)
        mesh, is_new = _found_or_created(actor, use, source)
        return mesh

    payload = {
        "case": case_number,
        "role": role,
        "unit": unit,
        "appliance": appliance_id,
        "sha256": source.sha256,
    }
    outcome = once(actor=actor, key=key, use_case="attach_mesh", payload=payload, model=MeshUse, make=make)
    return replace(outcome, repeated=not is_new)


def replace_mesh(
    *,
    actor: Actor,
    key: str,
    mesh_id: int,
    source: Received,
    original_name: str,
    unit: str,
    origin: str = MeshOrigin.PAGE,
    occurred_at: datetime | None = None,
) -> Outcome[MeshUse]:
    """Put another file in an attached one's place; the old use and its checks stay readable."""
    actor.require(Capability.CASES_WRITE)
    check_unit(unit)
    old = mesh_for(actor, mesh_id)
    use = replace(
        _same_place(old),
        unit=unit,
        name=clean_name(original_name),
        origin=origin,
        occurred_at=settled_moment(occurred_at),
        description=_describe(source, unit),
    )

    def make() -> MeshUse:
        blob = _stored_row(actor, source)
        mesh = _succeed(actor, old, use, blob, action="mesh.replaced")
        land(blob, source)
        return mesh

    payload = {"mesh": mesh_id, "unit": unit, "sha256": source.sha256}
    return once(actor=actor, key=key, use_case="replace_mesh", payload=payload, model=MeshUse, make=make)


def restate_mesh(
    *, actor: Actor, key: str, mesh_id: int, unit: str | None = None, role: str | None = None
) -> Outcome[MeshUse]:
    """Correct an attached mesh's unit or role: a new use of the same file replaces the old one."""
    actor.require(Capability.CASES_WRITE)
    old = mesh_for(actor, mesh_id)
    unit, role = unit or old.unit, role or old.role
    check_unit(unit)
    _check_role(actor, role)
    if (unit, role) == (old.unit, old.role):
        raise Conflict("nothing-to-change", "The mesh already has that unit and role.")
    use = replace(_same_place(old), unit=unit, role=role)
    return once(
        actor=actor,
        key=key,
        use_case="restate_mesh",
        payload={"mesh": mesh_id, "unit": unit, "role": role},
        model=MeshUse,
        make=lambda: _succeed(actor, old, use, old.blob, action="mesh.restated"),
    )


def withdraw_mesh(
    *, actor: Actor, key: str, mesh_id: int, reason: str, occurred_at: datetime | None = None
) -> Outcome[MeshUse]:
    """Take a file that does not belong here out of use. It and its checks stay readable, with the reason."""
    actor.require(Capability.CASES_WRITE)
    reason = given_reason(reason, "Say why the file is withdrawn.")
    moment = settled_moment(occurred_at)
    mesh = mesh_for(actor, mesh_id)

    def make() -> MeshUse:
        locked_case(actor, mesh.case.number)
        mesh.refresh_from_db(fields=_STANDING, from_queryset=MeshUse.objects.select_for_update(of=("self",)))
        _require_current(mesh)
        mesh_withdrawing.fire(mesh)
        with constraint_messages(MeshUse):
            save_recorded(
                actor=actor,
                action="mesh.withdrawn",
                subject=mesh,
                changes={"withdrawn_at": moment, "withdrawal_reason": reason},
                reason=reason,
            )
        return mesh

    payload = {"mesh": mesh_id, "reason": reason}
    return once(actor=actor, key=key, use_case="withdraw_mesh", payload=payload, model=MeshUse, make=make)


def assign_mesh(*, actor: Actor, mesh_id: int, appliance_id: int) -> MeshUse:
    """Say which appliance a mesh of the whole case is for. Once said, it is changed by replacing."""
    actor.require(Capability.CASES_WRITE)
    mesh = mesh_for(actor, mesh_id)
    appliance = _appliance_in(actor, mesh.case_id, appliance_id)
    if mesh.appliance_id == appliance.pk:
        return mesh

    with use_case(), constraint_messages(MeshUse):
        locked_case(actor, mesh.case.number)
        mesh.refresh_from_db(fields=["appliance", *_STANDING])
        _require_current(mesh)
        if mesh.appliance_id is not None:
            raise Conflict("mesh-assigned", "That mesh already belongs to another appliance.")
        save_recorded(actor=actor, action="mesh.assigned", subject=mesh, changes={"appliance": appliance})
    return mesh


def reuse_mesh(
    *,
    actor: Actor,
    key: str,
    mesh_id: int,
    case_number: int,
    appliance_id: int | None = None,
    role: str | None = None,
    occurred_at: datetime | None = None,
) -> Outcome[MeshUse]:
    """Use a mesh that is attached somewhere in another place too, without sending it again."""
    actor.require(Capability.CASES_WRITE)
    moment = settled_moment(occurred_at)
    old = mesh_for(actor, mesh_id)
    case = case_for(actor, case_number)
    if appliance_id is not None:
        _appliance_in(actor, case.pk, appliance_id)
    use = replace(
        _same_place(old),
        case_id=case.pk,
        appliance_id=appliance_id,
        role=role or old.role,
        occurred_at=moment,
    )
    _check_role(actor, use.role)
    is_new = False

    def make() -> MeshUse:
        nonlocal is_new
        locked_case(actor, case_number)
        mesh = _existing(use, old.blob.sha256)
        if mesh is None:
            mesh = _created(actor, use, old.blob, action="mesh.reused")
            is_new = True
        return mesh

    payload = {"mesh": mesh_id, "case": case_number, "appliance": appliance_id, "role": use.role}
    outcome = once(actor=actor, key=key, use_case="reuse_mesh", payload=payload, model=MeshUse, make=make)
    return replace(outcome, repeated=not is_new)


def check_unit(unit: str) -> None:
    """Raises ``Refused`` for a unit that is missing or none of ours: it is never guessed."""
    words = ", ".join(Unit.values)
    if not unit:
        raise Refused("unit-missing", f"Say which unit the file's numbers are in: {words}.", field="unit")
    if unit not in Unit.values:
        raise Refused(
            "unit-unknown", f"'{unit[:20]}' is none of the units known here: {words}.", field="unit"
        )


def clean_name(name: str) -> str:
    """A file's own name without folders, control characters or surprises of direction."""
    bare = re.split(r"[\\/]", unicodedata.normalize("NFC", name))[-1]
    shown = "".join(letter for letter in bare if unicodedata.category(letter)[0] != "C").strip()
    if len(shown) > LONGEST_NAME:
        stem, dot, ending = shown.rpartition(".")
        tail = f"{dot}{ending}" if stem and len(ending) <= 10 else ""
        shown = shown[: LONGEST_NAME - len(tail)] + tail
    return shown or "unnamed"


def _check_role(actor: Actor, role: str) -> None:
    if role not in MeshRole.values:
        words = ", ".join(MeshRole.values)
        raise Refused("role-unknown", f"Say what the file is: {words}.", field="role")
    if role in LAB_MESH_ROLES and not actor.user.is_lab:
        raise NotAllowed("lab-only", "Prepared files and scans of printed parts come from the lab.")


def _check_digest(source: Received, stated: str) -> None:
    if not stated:
        return
    if not _SHA256.fullmatch(stated):
        raise Refused("digest-unreadable", "The stated digest is no SHA-256.", field="sha256")
    if not hmac.compare_digest(stated.lower(), source.sha256):
        raise Refused(
            "digest-mismatch",
            "The file that arrived is not the file that was sent: its SHA-256 differs from the stated one. "
            "Nothing was stored. Send it again.",
            field="sha256",
        )


def _appliance_in(actor: Actor, case_id: int, appliance_id: int) -> Appliance:
    appliance = appliance_for(actor, appliance_id)
    if appliance.case_id != case_id:
        raise NotFound("This case has no such appliance.")
    if appliance.cancelled_at is not None:
        raise Conflict("appliance-cancelled", f"{appliance.label} is cancelled.", field="appliance")
    return appliance


def _describe(source: Received, unit: str) -> MeshDescription:
    """What the file is; the same bytes in the same unit were described when they first came."""
    earlier = MeshUse.objects.filter(blob__sha256=source.sha256, unit=unit).first()
    if earlier is not None:
        return MeshDescription(earlier.file_format, earlier.triangles)
    return mesh_reader.describe(source.path, unit)


def _same_place(mesh: MeshUse) -> _Use:
    return _Use(
        case_id=mesh.case_id,
        appliance_id=mesh.appliance_id,
        role=mesh.role,
        unit=mesh.unit,
        name=mesh.original_name,
        origin=mesh.origin,
        occurred_at=mesh.occurred_at,
        description=MeshDescription(mesh.file_format, mesh.triangles),
    )


def _found_or_created(actor: Actor, use: _Use, source: Received) -> tuple[MeshUse, bool]:
    found = _existing(use, source.sha256)
    if found is not None:
        return found, False
    blob = _stored_row(actor, source)
    mesh = _created(actor, use, blob, action="mesh.attached")
    land(blob, source)
    return mesh, True


def _existing(use: _Use, sha256: str) -> MeshUse | None:
    """The same file in the same place. Raises ``Conflict`` when it is there in another unit."""
    for mesh in use.current().filter(blob__sha256=sha256).select_related("case", "blob"):
        if mesh.unit == use.unit:
            return mesh
        raise Conflict(
            "unit-differs",
            f"This very file is attached there already, in {mesh.get_unit_display().lower()}s. "
            "Change its unit on the case page instead of sending it again.",
            field="unit",
        )
    return None


def _stored_row(actor: Actor, source: Received) -> Blob:
    blob, is_new = blob_row(source)
    if is_new:
        record_created(actor=actor, action="file.stored", subject=blob)
    return blob


def _created(actor: Actor, use: _Use, blob: Blob, *, action: str) -> MeshUse:
    with constraint_messages(MeshUse):
        mesh = MeshUse.objects.create(
            case_id=use.case_id,
            appliance_id=use.appliance_id,
            role=use.role,
            blob=blob,
            unit=use.unit,
            file_format=use.description.format,
            triangles=use.description.triangles,
            original_name=use.name,
            origin=use.origin,
            uploaded_by=actor.user,
            occurred_at=use.occurred_at,
        )
    record_created(actor=actor, action=action, subject=mesh)
    mesh_attached.fire(mesh)
    return mesh


def _succeed(actor: Actor, old: MeshUse, use: _Use, blob: Blob, *, action: str) -> MeshUse:
    """Create ``use`` and mark ``old`` as replaced by it."""
    locked_case(actor, old.case.number)
    old.refresh_from_db(fields=_STANDING)
    _require_current(old)
    mesh = _created(actor, use, blob, action=action)
    save_recorded(actor=actor, action=action, subject=old, changes={"replaced_by": mesh})
    return mesh


def _require_current(mesh: MeshUse) -> None:
    if mesh.replaced_by_id is not None:
        raise Conflict(
            "mesh-replaced", f"{mesh.original_name} was replaced meanwhile. Look at the case page again."
        )
    if mesh.withdrawn_at is not None:
        raise Conflict("mesh-withdrawn", f"{mesh.original_name} was withdrawn. Attach the right file.")
