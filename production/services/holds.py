"""Holds: anybody at the bench may place one, quality lifts it."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from cases.moments import settled_moment
from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.services.record import record_created
from labtrack.audit.services.submissions import Outcome as Submitted
from labtrack.audit.services.submissions import once
from labtrack.constraints import constraint_messages
from labtrack.errors import Refused
from labtrack.usecase import use_case
from production.models import Build, Equipment, Hold, Lot, Part, Piece
from production.models.hold import HELD
from production.services.rules import found, guarded_change, in_order, required_text

TABLES: dict[str, Any] = {"equipment": Equipment, "lot": Lot, "build": Build, "part": Part, "piece": Piece}


def place_hold(
    *,
    actor: Actor,
    key: str = "",
    held: str,
    held_id: int,
    reason: str,
    occurred_at: datetime | None = None,
) -> Submitted[Hold]:
    """Stop all use of one thing (``held``: equipment, lot, build, part or piece) until the hold is lifted."""
    actor.require(Capability.SHOP_WRITE)
    at = settled_moment(occurred_at)
    reason = required_text(reason, "Say why it is on hold.", field="reason")
    if held not in HELD:
        raise Refused("held-unknown", "A hold is on equipment, a lot, a build, a part or a piece.")
    thing = found(TABLES[held], held_id, "There is nothing there to hold.")

    def make() -> Hold:
        with constraint_messages(Hold):
            hold = Hold.objects.create(**{held: thing}, reason=reason, placed_at=at, placed_by=actor.user)
        record_created(actor=actor, action="hold.placed", subject=hold, reason=reason)
        return hold

    return once(
        actor=actor,
        key=key,
        use_case="place-hold",
        payload=[held, held_id, reason, occurred_at],
        model=Hold,
        make=make,
    )


def lift_hold(*, actor: Actor, hold_id: int, reason: str, occurred_at: datetime | None = None) -> Hold:
    """Let the held thing be used again, with the reason."""
    actor.require(Capability.RELEASE)
    at = settled_moment(occurred_at)
    reason = required_text(reason, "Say why the hold is lifted.", field="reason")
    hold = found(Hold, hold_id, "There is no such hold.")
    in_order(hold.placed_at, at, what="hold", field="occurred_at")
    with use_case():
        guarded_change(
            actor=actor,
            action="hold.lifted",
            subject=hold,
            only_while={"lifted_at__isnull": True},
            changes={"lifted_at": at, "lifted_by_id": actor.user.pk, "lift_reason": reason},
            otherwise="This hold is lifted already.",
            reason=reason,
        )
    return hold
