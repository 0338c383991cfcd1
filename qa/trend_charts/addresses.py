"""Where a chart leads: the records behind a figure, and its numbers as CSV."""

from __future__ import annotations

from urllib.parse import urlencode

from django.urls import reverse

from qa.queries.selection import PARAMETER
from qa.queries.tally import Range, TallyView


def records_url(view: TallyView, axis: str, level: str, high: str = "") -> str:
    asked = [("unit", view.unit.value), ("axis", axis), ("level", level), ("measure", view.measure.value)]
    if high:
        asked.append(("high", high))
    return f"{reverse('qa:trend-records')}?{urlencode(asked + _of(view))}&{view.range.query}"


def records_url_of(view: TallyView, days: Range) -> str:
    """Everything that is shown, of other days."""
    asked = [("unit", view.unit.value), ("axis", "all"), ("measure", view.measure.value)]
    return f"{reverse('qa:trend-records')}?{urlencode(asked + _of(view))}&{days.query}"


def csv_url(view: TallyView, name: str) -> str:
    asked = [
        ("unit", view.unit.value),
        ("measure", view.measure.value),
        ("than_from", view.compared_with.start.isoformat()),
        ("than_to", view.compared_with.end.isoformat()),
    ]
    return f"{reverse('qa:trend-csv', args=[name])}?{urlencode(asked + _of(view))}&{view.range.query}"


def _of(view: TallyView) -> list[tuple[str, str]]:
    return [(PARAMETER, value) for value in view.selection.values]
