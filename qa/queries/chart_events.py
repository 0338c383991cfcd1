"""What happened in the shop that a chart over time should show on its axis."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from django.utils import timezone

from production.choices import EventKind
from production.models import EquipmentEvent, WorkInstruction
from qa.models import Action, LimitVersion
from qa.queries.range import Range

# Rare enough to mean something on an axis of weeks; filling and filtering are the tank's own clock.
KINDS = (
    EventKind.FILM_CHANGED,
    EventKind.SCREEN_CHANGED,
    EventKind.LAMP_CHANGED,
    EventKind.FIRMWARE,
    EventKind.CALIBRATED,
    EventKind.REPAIRED,
    EventKind.MOVED,
    EventKind.RETIRED,
    EventKind.RETURNED,
)
MOST = 40


@dataclass(frozen=True)
class ChartEvent:
    day: date
    words: str


def events_in(days: Range) -> tuple[ChartEvent, ...]:
    """Changes of equipment, instructions and limits, and actions that began, in order; the latest 40."""
    found = [
        ChartEvent(
            timezone.localdate(event.occurred_at), f"{event.equipment}: {event.get_kind_display().lower()}"
        )
        for event in EquipmentEvent.objects.filter(
            kind__in=KINDS, occurred_at__date__gte=days.start, occurred_at__date__lte=days.end
        )
        .select_related("equipment")
        .order_by("-occurred_at")[:MOST]
    ]
    found += [
        ChartEvent(
            timezone.localdate(one.active_from),
            f"work instruction {one.get_step_display().lower()}, version {one.version}",
        )
        for one in WorkInstruction.objects.filter(
            version__gt=1, active_from__date__gte=days.start, active_from__date__lte=days.end
        ).order_by("-active_from")[:MOST]
    ]
    found += [
        ChartEvent(timezone.localdate(one.active_from), f"limits, version {one.version}")
        for one in LimitVersion.objects.filter(
            version__gt=1, active_from__date__gte=days.start, active_from__date__lte=days.end
        )[:MOST]
    ]
    found += [
        ChartEvent(one.starts_on, f"action: {one.what}")
        for one in Action.objects.filter(starts_on__gte=days.start, starts_on__lte=days.end)[:MOST]
    ]
    return tuple(sorted(found, key=lambda event: (event.day, event.words))[-MOST:])
