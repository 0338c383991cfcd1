"""Adding to the vocabulary of defects, and changing it."""

from __future__ import annotations

from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.services.record import record_created, save_recorded
from labtrack.constraints import constraint_messages
from labtrack.errors import NotFound, Refused
from labtrack.usecase import use_case
from qa.models import DefectKind


def save_kind(
    *,
    actor: Actor,
    pk: int | None,
    code: str,
    name: str,
    scope: str,
    usual_origin: str,
    contamination: bool,
    hint: str = "",
    active: bool = True,
) -> DefectKind:
    """Add a kind, or change the one with ``pk``; its code never changes, the evidence follows it.

    Whether a dirty tank makes it cannot change once it was recorded: the trends have counted it so.
    """
    actor.require(Capability.LIMITS)
    changes = {
        "name": name.strip(),
        "scope": scope,
        "usual_origin": usual_origin,
        "contamination": contamination,
        "hint": hint.strip(),
        "active": active,
    }
    with use_case(), constraint_messages(DefectKind):
        if pk is None:
            made = DefectKind.objects.create(code=code, **changes)
            record_created(actor=actor, action="defect-kind.add", subject=made)
            return made
        kind = DefectKind.objects.filter(pk=pk).first()
        if kind is None:
            raise NotFound("There is no such kind of defect.")
        if kind.contamination != contamination and kind.defects.exists():
            raise Refused(
                "kind-counted",
                f"“{kind.name}” was recorded already, so it stays as it was counted. Retire it "
                "and add a new kind.",
                field="contamination",
            )
        save_recorded(actor=actor, action="defect-kind.change", subject=kind, changes=changes)
        return kind
