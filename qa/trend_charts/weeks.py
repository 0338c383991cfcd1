"""The rate week by week, as a control chart."""

from __future__ import annotations

import math
from datetime import date, timedelta
from typing import Any

from labtrack.charts import SERIES, Cell, Chart
from qa.control_lines import limit_line, signal_markers
from qa.queries.tally import Range, TallyView
from qa.statistics.charts import Chart as ControlChart
from qa.statistics.charts import fit_p, p_chart
from qa.trend_charts.shared import (
    LEGEND_ABOVE,
    Names,
    Trend,
    csv_url,
    per_100,
    rate_layout,
    records_url,
    records_url_of,
    things,
)

FALSE_ALARM_RUNS = 400
MOST_EVENTS_TOLD = 12
MOST_TICKS = 8


def weeks(view: TallyView, names: Names) -> Trend:
    """p chart with varying n; with Laney's correction where weeks vary more than counts would."""
    mondays = sorted(view.weeks)
    counted = [view.weeks[monday] for monday in mondays]
    title = f"{view.measure.label}, week by week"
    method = (
        "p chart with varying n (ISO 7870-2), with Laney's p' limits where weeks vary more than "
        "counts alone would "
        "(Laney 2002). Signals: one point beyond the limits; eight in a row on one side."
    )
    columns = ("week from", "n", "count", "per 100", "lower limit", "centre", "upper limit", "signal")
    if not counted:
        empty = Chart(
            name="weeks",
            title=title,
            figure={"data": [], "layout": {}},
            columns=columns,
            note="No weeks yet.",
        )
        return Trend("Has it changed?", empty, "No weeks with finished outcomes yet.", method)
    held = list(view.baseline_weeks.values())
    frozen = fit_p([one.bad for one in held], [one.n for one in held], laney=True) if held else None
    chart = p_chart(
        [one.bad for one in counted],
        [one.n for one in counted],
        baseline=frozen,
        laney=True,
        false_alarm_runs=FALSE_ALARM_RUNS,
    )
    signalled = {signal.index: signal.words for signal in chart.signals}
    x = [monday.isoformat() for monday in mondays]
    urls = [_week_url(view, monday) for monday in mondays]
    figure = {
        "data": [
            limit_line(x, [100 * point.upper for point in chart.points], "Limits", shape="hvh"),
            limit_line(x, [100 * point.lower for point in chart.points], "", shape="hvh"),
            limit_line(x, [100 * point.centre for point in chart.points], "Centre", middle=True, shape="hvh"),
            {
                "type": "scatter",
                "mode": "lines+markers",
                "name": "Week",
                "x": x,
                "y": [100 * point.value for point in chart.points],
                "customdata": urls,
                "line": {"color": SERIES[0]},
                "marker": signal_markers([i in signalled for i in range(len(x))]),
                "hovertemplate": "week of %{x}: %{y:.1f} per 100<extra></extra>",
            },
        ],
        "layout": {
            **rate_layout(view, "Week, by its Monday", **_mondays(mondays)),
            "legend": LEGEND_ABOVE,
            "shapes": [_event_line(event.day) for event in view.events],
        },
    }
    rows = [
        [
            Cell(monday.isoformat(), url),
            one.n,
            one.bad,
            per_100(point.value),
            per_100(point.lower),
            per_100(point.centre),
            per_100(point.upper),
            signalled.get(index, ""),
        ]
        for index, (monday, url, one, point) in enumerate(
            zip(mondays, urls, counted, chart.points, strict=True)
        )
    ]
    return Trend(
        question="Has it changed?",
        chart=Chart(
            name="weeks",
            title=title,
            figure=figure,
            columns=columns,
            rows=rows,
            csv_url=csv_url(view, "weeks"),
            note=(
                f"n = {view.total.n} {things(view)} in {len(counted)} weeks. {_baseline_words(view)} "
                f"A large diamond is a week that signals. {_alarm_words(chart)}{_event_words(view)}"
            ),
        ),
        sentence=chart.sentence,
        method=method,
        data=[
            {
                "week": monday.isoformat(),
                "n": one.n,
                "count": one.bad,
                "per_100": per_100(point.value),
                "limits": [per_100(point.lower), per_100(point.upper)],
                "centre": per_100(point.centre),
                "signal": signalled.get(index),
            }
            for index, (monday, one, point) in enumerate(zip(mondays, counted, chart.points, strict=True))
        ],
    )


def _baseline_words(view: TallyView) -> str:
    if view.baseline is None or not view.baseline_weeks:
        return "Baseline: the average of these weeks themselves; none is frozen."
    one = view.baseline
    return (
        f"Baseline: frozen, {one.start:%-d %b %Y} to {one.end:%-d %b %Y}, {len(view.baseline_weeks)} weeks."
    )


def _alarm_words(chart: ControlChart) -> str:
    """How often so long a chart signals although nothing changed."""
    if chart.false_alarms is None:
        return ""
    return (
        f"With nothing changed, {100 * chart.false_alarms.per_chart:.0f} of 100 such charts signal somewhere."
    )


def _event_words(view: TallyView) -> str:
    if not view.events:
        return ""
    told = "; ".join(f"{event.day:%-d %b}: {event.words}" for event in view.events[-MOST_EVENTS_TOLD:])
    return f" Upright lines: {told}."


def _event_line(day: date) -> dict[str, Any]:
    return {
        "type": "line",
        "yref": "paper",
        "y0": 0,
        "y1": 1,
        "x0": day.isoformat(),
        "x1": day.isoformat(),
        "line": {"width": 1, "dash": "dot", "color": SERIES[5]},
    }


def _mondays(mondays: list[date]) -> dict[str, Any]:
    """A time axis whose ticks are Mondays, as many as are legible."""
    weeks = (mondays[-1] - mondays[0]).days // 7 + 1
    step = max(1, math.ceil(weeks / MOST_TICKS))
    return {
        "type": "date",
        "tick0": mondays[0].isoformat(),
        "dtick": step * 7 * 86_400_000,
        "tickformat": "%-d %b\n%Y",
    }


def _week_url(view: TallyView, monday: date) -> str:
    if view.only.is_all:
        return records_url(view, "week", monday.isoformat())
    sunday = monday + timedelta(days=6)
    return records_url_of(view, Range(max(monday, view.range.start), min(sunday, view.range.end)))
