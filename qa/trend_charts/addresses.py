"""Where a chart leads: the records behind a figure, and its numbers as CSV."""

from __future__ import annotations

from urllib.parse import urlencode

from django.urls import reverse

from qa.queries.tally import Range, TallyView


def records_url(view: TallyView, axis: str, level: str, high: str = "") -> str:
    asked = {"unit": view.unit.value, "axis": axis, "level": level, "measure": view.measure.value}
    if high:
        asked["high"] = high
    return f"{reverse('qa:trend-records')}?{urlencode(asked)}&{view.range.query}"


def records_url_of(view: TallyView, days: Range) -> str:
    """Everything of other days, or what is shown of them alone."""
    asked = {"unit": view.unit.value, "axis": view.only.axis, "measure": view.measure.value}
    if view.only.level:
        asked["level"] = view.only.level
    return f"{reverse('qa:trend-records')}?{urlencode(asked)}&{days.query}"


def csv_url(view: TallyView, name: str) -> str:
    than = {"than_from": view.compared_with.start.isoformat(), "than_to": view.compared_with.end.isoformat()}
    of = {} if view.only.is_all else {"of": f"{view.only.axis}|{view.only.level}"}
    asked = urlencode({"unit": view.unit.value, "measure": view.measure.value} | than | of)
    return f"{reverse('qa:trend-csv', args=[name])}?{asked}&{view.range.query}"
