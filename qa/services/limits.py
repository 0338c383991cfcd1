"""The lab's limits: dated versions, the latest in force; a change is a new version, old results stay."""

from __future__ import annotations

from collections.abc import Mapping

from django.db import IntegrityError, transaction
from django.utils import timezone

from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.services.record import record_created
from labtrack.audit.services.submissions import Outcome, once
from labtrack.errors import Conflict, Refused
from qa.geometry.errors import GeometryError
from qa.geometry.limits import LimitSet
from qa.models import LimitVersion
from qa.queries.limits import limit_set, limits_in_force

LAB_SET = "lab"
MOST_SOURCE = 200


def change_limits(
    *,
    actor: Actor,
    key: str,
    based_on: int,
    values: Mapping[str, float],
    source: str,
    note: str,
    sources: Mapping[str, str] | None = None,
) -> Outcome[LimitVersion]:
    """Put a new version in force with ``values`` replaced; their source is named beside each.

    ``sources`` names a limit's own source, also where its value stays; a changed value without one gets
    ``source``. ``based_on`` is the version the person saw; when another has come into force since,
    nothing is changed.
    """
    actor.require(Capability.LIMITS)
    source, note = source.strip(), note.strip()
    if not note:
        raise Refused("note-missing", "Say why the limits change.", field="note")
    own = {name: text.strip()[:MOST_SOURCE] for name, text in (sources or {}).items() if text.strip()}

    def make() -> LimitVersion:
        current = limits_in_force()
        if current.version != based_on:
            raise Conflict(
                "limits-changed",
                f"Version {current.version} of the limits came into force meanwhile. Look at it, "
                "then change it.",
            )
        changed = _changed(limit_set(current), values, own, version=str(current.version + 1), source=source)
        made = LimitVersion(
            version=current.version + 1,
            content=changed.to_json(),
            note=note[:200],
            active_from=timezone.now(),
            recorded_by=actor.user,
        )
        try:
            with transaction.atomic():
                made.save()
        except IntegrityError:
            raise Conflict(
                "limits-changed", "Somebody else changed the limits in this moment. Look at theirs first."
            ) from None
        record_created(actor=actor, action="change-limits", subject=made, reason=note)
        return made

    return once(
        actor=actor,
        key=key,
        use_case="change-limits",
        payload={
            "based_on": based_on,
            "values": dict(values),
            "sources": own,
            "source": source,
            "note": note,
        },
        model=LimitVersion,
        make=make,
    )


def _changed(
    current: LimitSet, values: Mapping[str, float], own: Mapping[str, str], *, version: str, source: str
) -> LimitSet:
    """The set with every differing value, and every differing source of its own, replaced."""
    try:
        changed = current
        for name in {**values, **own}:
            before = current[name]
            value = values.get(name, before.value)
            stated = own.get(name, "")
            if value == before.value and stated in ("", before.source):
                continue
            # A source that was there before does not speak for the new value.
            named = stated if stated and stated != before.source else source
            if not named:
                raise Refused("source-missing", "Say where the new values come from.", field="source")
            new = named[:MOST_SOURCE]
            changed = changed.changed({name: value}, name=LAB_SET, version=version, source=new)
        if changed is current:
            raise Refused("nothing-changed", "No limit differs from the version in force.")
        return LimitSet.from_json(changed.to_json())
    except GeometryError as error:
        raise Refused(f"limit-{error.code}", error.sentence) from error
