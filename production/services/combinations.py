"""Which ways of making are shown to work: printer, material, profile, wash and cure together."""

from __future__ import annotations

from datetime import datetime

from cases.moments import settled_moment
from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.services.record import record_created
from labtrack.audit.services.submissions import Outcome, once
from labtrack.constraints import constraint_messages
from labtrack.usecase import use_case
from production.models import Material, Printer, ProcessCombination
from production.services.rules import found, guarded_change, required_text


def qualify_combination(
    *,
    actor: Actor,
    key: str = "",
    printer_id: int,
    material_id: int,
    profile_name: str,
    wash_program: str,
    cure_program: str,
    basis: str,
    qualified_at: datetime | None = None,
) -> Outcome[ProcessCombination]:
    """Record that this way of making is shown to work, and by what."""
    actor.require(Capability.LIMITS)
    at = settled_moment(qualified_at, field="qualified_at")
    printer = found(Printer, printer_id, "There is no printer under that number.", related=("equipment",))
    material = found(Material, material_id, "There is no material under that number.")
    profile = required_text(profile_name, "Name the exposure profile.", field="profile_name", most=60)
    wash = required_text(wash_program, "Name the wash programme.", field="wash_program", most=60)
    cure = required_text(cure_program, "Name the curing programme.", field="cure_program", most=60)
    basis = required_text(basis, "Say what shows that it works: report and date.", field="basis", most=300)

    def make() -> ProcessCombination:
        with constraint_messages(ProcessCombination):
            combination = ProcessCombination.objects.create(
                printer=printer,
                material=material,
                profile_name=profile,
                wash_program=wash,
                cure_program=cure,
                basis=basis,
                qualified_at=at,
                qualified_by=actor.user,
            )
        record_created(actor=actor, action="combination.qualified", subject=combination)
        return combination

    return once(
        actor=actor,
        key=key,
        use_case="qualify-combination",
        payload=[printer_id, material_id, profile, wash, cure, basis, qualified_at],
        model=ProcessCombination,
        make=make,
    )


def withdraw_combination(
    *, actor: Actor, combination_id: int, reason: str, occurred_at: datetime | None = None
) -> ProcessCombination:
    """End a qualification; what was made before keeps it."""
    actor.require(Capability.LIMITS)
    at = settled_moment(occurred_at)
    reason = required_text(reason, "Say why it is withdrawn.", field="reason")
    combination = found(ProcessCombination, combination_id, "There is no such combination.")
    with use_case():
        guarded_change(
            actor=actor,
            action="combination.withdrawn",
            subject=combination,
            only_while={"withdrawn_at__isnull": True},
            changes={"withdrawn_at": at, "withdraw_reason": reason},
            otherwise="This qualification is withdrawn already.",
            reason=reason,
        )
    return combination
