"""Clinics, and who belongs to which."""

from __future__ import annotations

from cases.choices import ToothNotation
from cases.models import Clinic, ClinicMembership
from cases.queries import clinic_for
from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability, Role
from labtrack.accounts.models import User
from labtrack.audit.services.record import record_change, record_created, save_recorded, snapshot
from labtrack.audit.services.submissions import Outcome, once
from labtrack.constraints import constraint_messages
from labtrack.errors import Refused
from labtrack.usecase import use_case


def add_clinic(
    *, actor: Actor, key: str, code: str, name: str, tooth_notation: str = ToothNotation.FDI
) -> Outcome[Clinic]:
    """Open a clinic. Raises ``Conflict`` when its code or name is taken."""
    actor.require(Capability.CLINICS)
    code, name = _checked(code, name, tooth_notation)

    def make() -> Clinic:
        with constraint_messages(Clinic):
            clinic = Clinic.objects.create(code=code, name=name, tooth_notation=tooth_notation)
        record_created(actor=actor, action="clinic.added", subject=clinic)
        return clinic

    payload = {"code": code, "name": name, "tooth_notation": tooth_notation}
    return once(actor=actor, key=key, use_case="add_clinic", payload=payload, model=Clinic, make=make)


def change_clinic(
    *, actor: Actor, clinic_id: int, code: str, name: str, tooth_notation: str, active: bool
) -> Clinic:
    """Change a clinic's words, or close it: a closed clinic's cases stay, new ones are refused."""
    actor.require(Capability.CLINICS)
    code, name = _checked(code, name, tooth_notation)
    clinic = clinic_for(actor, clinic_id)
    wanted = {"code": code, "name": name, "tooth_notation": tooth_notation, "active": active}
    changes = {field: value for field, value in wanted.items() if getattr(clinic, field) != value}
    if changes:
        with use_case(), constraint_messages(Clinic):
            save_recorded(actor=actor, action="clinic.changed", subject=clinic, changes=changes)
    return clinic


def set_membership(*, actor: Actor, user: User, clinic_id: int | None) -> ClinicMembership | None:
    """Say which clinic a person belongs to: exactly one for clinic staff, none for the lab."""
    actor.require(Capability.PEOPLE)
    if user.role != Role.CLINIC:
        if clinic_id is not None:
            raise Refused("lab-has-no-clinic", "Only clinic staff belong to a clinic.", field="clinic")
    elif clinic_id is None:
        raise Refused("clinic-missing", "Choose the clinic this person works for.", field="clinic")
    clinic = clinic_for(actor, clinic_id) if clinic_id is not None else None
    with use_case():
        current = ClinicMembership.objects.select_related("clinic", "user").filter(user=user).first()
        if clinic is None:
            if current is not None:
                _end(actor, current)
            return None
        if current is None:
            made = ClinicMembership.objects.create(user=user, clinic=clinic)
            record_created(actor=actor, action="membership.made", subject=made)
            return made
        if current.clinic_id != clinic.pk:
            save_recorded(
                actor=actor, action="membership.changed", subject=current, changes={"clinic": clinic}
            )
        return current


def _end(actor: Actor, membership: ClinicMembership) -> None:
    record_change(
        actor=actor, action="membership.ended", subject=membership, before=snapshot(membership), after=None
    )
    membership.delete()


def _checked(code: str, name: str, tooth_notation: str) -> tuple[str, str]:
    code, name = code.strip().lower(), name.strip()
    if not code or not code.replace("-", "").isalnum() or not code.isascii() or len(code) > 20:
        raise Refused("code-unusable", "A code is up to 20 letters, digits and hyphens.", field="code")
    if not name or len(name) > 120:
        raise Refused("name-unusable", "Give the clinic a name of up to 120 characters.", field="name")
    if tooth_notation not in ToothNotation.values:
        raise Refused("notation-unknown", "Choose one of the tooth notations.", field="tooth_notation")
    return code, name
