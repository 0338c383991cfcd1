"""Saying what things cost: dated versions, the latest in force."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal

from django.db import IntegrityError, transaction
from django.utils import timezone

from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.services.record import record_created
from labtrack.audit.services.submissions import Outcome, once
from labtrack.errors import Conflict, Refused
from qa.models import CostVersion

COSTS = (
    "lost_part", "filter_tank", "failed_build", "remake", "labour_per_h", "machine_per_h", "labour_min",
    "late_step",
)  # fmt: skip


def set_costs(
    *, actor: Actor, key: str, based_on: int, currency: str, values: Mapping[str, Decimal | None], note: str
) -> Outcome[CostVersion]:
    """Put a new version in force. ``based_on`` is the version the person saw, 0 where there was none."""
    actor.require(Capability.COSTS)
    currency, note = currency.strip(), note.strip()
    if not currency:
        raise Refused("currency-missing", "Say in which money, for example EUR.", field="currency")
    if not note:
        raise Refused("note-missing", "Say where the figures come from.", field="note")
    for name in COSTS:
        value = values.get(name)
        if value is not None and value < 0:
            raise Refused("cost-negative", "A cost cannot be below zero.", field=name)

    def make() -> CostVersion:
        latest = CostVersion.objects.order_by("-version").values_list("version", flat=True).first() or 0
        if latest != based_on:
            raise Conflict(
                "costs-changed", "Somebody else changed the costs meanwhile. Look at theirs first."
            )
        made = CostVersion(
            version=latest + 1,
            currency=currency[:8],
            note=note[:200],
            active_from=timezone.now(),
            recorded_by=actor.user,
            **{name: values.get(name) for name in COSTS},
        )
        try:
            with transaction.atomic():
                made.save()
        except IntegrityError:
            raise Conflict(
                "costs-changed", "Somebody else changed the costs in this moment. Look at theirs first."
            ) from None
        record_created(actor=actor, action="set-costs", subject=made, reason=note)
        return made

    return once(
        actor=actor,
        key=key,
        use_case="set-costs",
        payload=[based_on, currency, {name: str(values.get(name)) for name in COSTS}, note],
        model=CostVersion,
        make=make,
    )
