"""When something happened, as a person states it."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.utils import timezone

from labtrack.errors import Refused

# Clocks of scanners and tablets run a little fast.
CLOCK_ALLOWANCE = timedelta(minutes=5)


def settled_moment(stated: datetime | None, *, field: str = "occurred_at") -> datetime:
    """The stated moment, or now. Raises ``Refused`` for one in the future or without a time zone."""
    now = timezone.now()
    if stated is None:
        return now
    if timezone.is_naive(stated):
        raise Refused("moment-without-zone", "State the time zone with the time.", field=field)
    if stated > now + CLOCK_ALLOWANCE:
        raise Refused("moment-in-future", "That lies in the future. Enter when it happened.", field=field)
    return stated
