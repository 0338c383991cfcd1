"""How a case stands and when it is due, in the same words everywhere: ``{% load cases %}``."""

from __future__ import annotations

from datetime import date, timedelta

from django import template
from django.utils.formats import date_format
from django.utils.html import format_html
from django.utils.safestring import SafeString

from cases.case_page import MeshRow
from cases.choices import CaseState
from labtrack.templatetags.labtrack import verdict

register = template.Library()

_SHAPES = {CaseState.WAITING: "review", CaseState.DELIVERED: "pass"}


@register.simple_tag
def case_state(value: str) -> SafeString | str:
    """The state as a word, with a shape when it asks for something or is done."""
    state = CaseState(value)
    shape = _SHAPES.get(state)
    return verdict(shape, state.label) if shape else state.label


@register.simple_tag
def due(day: date | None, today: date, state: str) -> SafeString | str:
    """The day, and for an open case how far off it is."""
    if day is None:
        return "–"
    shown = format_html('<time datetime="{}">{}</time>', day.isoformat(), date_format(day, "j M Y"))
    if state != CaseState.OPEN:
        return shown
    days = (day - today).days
    if days < 0:
        late = f"{-days} day{'' if days == -1 else 's'} late"
        return format_html("{} {}", shown, verdict("fail", late))
    if days == 0:
        return format_html("{} {}", shown, verdict("review", "today"))
    ahead = "tomorrow" if days == 1 else f"in {days} days"
    return format_html('{} <span class="unit">{}</span>', shown, ahead)


@register.filter
def spell(span: timedelta) -> str:
    """A length of time in days and hours."""
    hours = int(span.total_seconds()) // 3600
    days, rest = divmod(hours, 24)
    if days >= 3 or (days and not rest):
        return f"{days} day{'' if days == 1 else 's'}"
    if days:
        return f"{days} d {rest} h"
    return f"{hours} h" if hours else "less than an hour"


@register.filter
def offered(rows: list[MeshRow]) -> list[MeshRow]:
    """The meshes whose names spell an appliance that they are not yet said to be for."""
    return [row for row in rows if row.offer is not None]


@register.filter
def filesize(size_bytes: int) -> str:
    """Bytes in kB or MB of the SI, as limits are stated."""
    if size_bytes >= 1_000_000:
        return f"{size_bytes / 1e6:,.1f} MB".replace(".0 MB", " MB")
    return f"{size_bytes / 1e3:,.1f} kB"
