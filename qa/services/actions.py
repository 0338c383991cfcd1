"""Opening an action on a suspected cause, and closing it with what its effect was."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

from django.utils import timezone

from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import LAB_ROLES, Capability
from labtrack.accounts.models import User
from labtrack.audit.services.record import record_created, save_recorded
from labtrack.audit.services.submissions import Outcome, once
from labtrack.errors import Conflict, NotFound, Refused
from labtrack.usecase import use_case
from qa.choices import EvidenceUnit
from qa.models import Action
from qa.services.analyses import analysed


def open_action(
    *,
    actor: Actor,
    key: str,
    what: str,
    responsible_id: int,
    starts_on: date,
    check_on: date,
    hoped_per_100: Decimal,
    before_days: int = 90,
    unit: str = EvidenceUnit.PART,
    factor: str = "",
    why: str = "",
) -> Outcome[Action]:
    """Plan an action with the check of its effect: by when, for how much, against which days."""
    actor.require(Capability.IMPROVE)
    if not what.strip():
        raise Refused("what-missing", "Say what is done.", field="what")
    if check_on <= starts_on:
        raise Refused(
            "check-before-start", "Its effect can be looked at only after it started.", field="check_on"
        )
    if not 0 < hoped_per_100 <= 100:
        raise Refused(
            "hope", "Say how many parts per 100 it should save, above 0 and up to 100.", field="hoped_per_100"
        )
    if not User.objects.filter(pk=responsible_id, is_active=True, role__in=LAB_ROLES).exists():
        raise Refused("responsible", "Choose somebody who works here.", field="responsible")

    def make() -> Action:
        action = Action.objects.create(
            what=what.strip()[:200],
            why=why.strip()[:500],
            unit=unit,
            factor=factor[:120],
            responsible_id=responsible_id,
            starts_on=starts_on,
            check_on=check_on,
            hoped_per_100=hoped_per_100,
            before_days=before_days,
            opened_by=actor.user,
        )
        record_created(actor=actor, action="action.open", subject=action)
        return action

    return once(
        actor=actor,
        key=key,
        use_case="open-action",
        payload=[
            what,
            responsible_id,
            starts_on,
            check_on,
            str(hoped_per_100),
            before_days,
            unit,
            factor,
            why,
        ],
        model=Action,
        make=make,
    )


def effect_of(*, actor: Actor, action: Action) -> dict[str, Any] | None:
    """How the latest analysis judges an open action; what was kept of a closed one. None: not judged yet."""
    if action.closed_at is not None:
        return action.effect
    found = analysed(actor=actor, unit=EvidenceUnit(action.unit))
    effects: dict[str, Any] = found.result["actions"] if found.result else {}
    return effects.get(str(action.pk))


def close_action(*, actor: Actor, action_id: int, note: str) -> Action:
    """Close an action, keeping how its effect is judged at that time."""
    actor.require(Capability.IMPROVE)
    seen = Action.objects.filter(pk=action_id).first()
    effect = effect_of(actor=actor, action=seen) if seen else None
    with use_case():
        action = Action.objects.select_for_update().filter(pk=action_id).first()
        if action is None:
            raise NotFound("There is no such action.")
        if action.closed_at is not None:
            raise Conflict("action-closed", "This action is closed already.")
        if not note.strip():
            raise Refused("note-missing", "Say what became of it.", field="note")
        save_recorded(
            actor=actor,
            action="action.close",
            subject=action,
            changes={
                "closed_at": timezone.now(),
                "closed_by": actor.user,
                "closing_note": note.strip()[:300],
                "effect": effect,
            },
        )
        return action
