"""The rate week by week, as a control chart."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from typing import Any

from labtrack.charts import SERIES, Cell, Chart, supported_digits
from qa.control_lines import SIGNALS, alarm_words, limit_line, signal_markers
from qa.queries.tally import Tally, TallyView
from qa.queries.trend_names import Names
from qa.statistics.charts import LANEY, P_CHART, ChartPoint, fit_p, p_chart
from qa.statistics.charts import Chart as ControlChart
from qa.statistics.results import count_words, rounded
from qa.trend_charts.addresses import csv_url, records_url
from qa.trend_charts.rates import per_100, rate_layout
from qa.trend_charts.trend import LEGEND_ABOVE, Trend, things

FALSE_ALARM_RUNS = 400
MOST_EVENTS_TOLD = 12
MOST_TICKS = 8


QUESTION = "Has it changed?"
METHOD = (
    f"{P_CHART.name} with varying n ({P_CHART.source}), with Laney's p' limits where weeks vary more than "
    f"counts alone would ({LANEY.source}). {SIGNALS}"
)
COLUMNS = ("week from", "n", "count", "per 100", "lower limit", "centre", "upper limit", "signal")


@dataclass(frozen=True)
class _Week:
    """One week on the chart, with the address of its records and the words of its signal, if it has one."""

    monday: date
    counted: Tally
    point: ChartPoint
    url: str
    signal: str


def weeks(view: TallyView, names: Names) -> Trend:
    """p chart with varying n; with Laney's correction where weeks vary more than counts would."""
    title = f"{view.measure.label}, week by week"
    if not view.weeks:
        figure: dict[str, Any] = {"data": [], "layout": {}}
        empty = Chart(name="weeks", title=title, figure=figure, columns=COLUMNS, note="No weeks yet.")
        return Trend(QUESTION, empty, "No weeks with finished outcomes yet.", METHOD)
    chart = _judged(view)
    signalled = {signal.index: signal.words for signal in chart.signals}
    drawn = [
        _Week(
            monday,
            view.weeks[monday],
            point,
            records_url(view, "week", monday.isoformat()),
            signalled.get(index, ""),
        )
        for index, (monday, point) in enumerate(zip(sorted(view.weeks), chart.points, strict=True))
    ]
    return Trend(
        question=QUESTION,
        chart=Chart(
            name="weeks",
            title=title,
            figure=_figure(view, drawn),
            columns=COLUMNS,
            rows=[_row(week) for week in drawn],
            csv_url=csv_url(view, "weeks"),
            note=(
                f"n = {count_words(view.total.n, things(view))} in {count_words(len(drawn), 'weeks')}. "
                f"{_baseline_words(view)} A large diamond is a week that signals. "
                f"{alarm_words(chart)}{_event_words(view)}"
            ),
        ),
        sentence=chart.sentence,
        method=METHOD,
        data=[_datum(week) for week in drawn],
    )


def _judged(view: TallyView) -> ControlChart:
    """The weeks against the frozen baseline, or against their own average where none is frozen."""
    counted, held = [view.weeks[monday] for monday in sorted(view.weeks)], list(view.baseline_weeks.values())
    return p_chart(
        [one.bad for one in counted],
        [one.n for one in counted],
        baseline=fit_p([one.bad for one in held], [one.n for one in held], laney=True) if held else None,
        laney=True,
        false_alarm_runs=FALSE_ALARM_RUNS,
    )


def _figure(view: TallyView, drawn: list[_Week]) -> dict[str, Any]:
    x = [week.monday.isoformat() for week in drawn]
    return {
        "data": [
            limit_line(x, [100 * week.point.upper for week in drawn], "Limits", shape="hvh"),
            limit_line(x, [100 * week.point.lower for week in drawn], "", shape="hvh"),
            limit_line(x, [100 * week.point.centre for week in drawn], "Centre", middle=True, shape="hvh"),
            {
                "type": "scatter",
                "mode": "lines+markers",
                "name": "Week",
                "x": x,
                "y": [100 * week.point.value for week in drawn],
                "customdata": [week.url for week in drawn],
                "line": {"color": SERIES[0]},
                "marker": signal_markers([bool(week.signal) for week in drawn]),
                "hovertemplate": "week of %{x}: %{y:.1f} per 100<extra></extra>",
            },
        ],
        "layout": {
            **rate_layout(view, "Week, by its Monday", **_mondays([week.monday for week in drawn])),
            "legend": LEGEND_ABOVE,
            "shapes": [_event_line(event.day) for event in view.events],
        },
    }


def _row(week: _Week) -> list[Any]:
    point = week.point
    digits = supported_digits(100 * (point.lower or 0.0), 100 * (point.upper or 0.0))
    figures = (
        rounded(100 * value, digits) for value in (point.value, point.lower, point.centre, point.upper)
    )
    return [
        Cell(week.monday.isoformat(), week.url),
        week.counted.n,
        week.counted.bad,
        *figures,
        week.signal,
    ]


def _datum(week: _Week) -> dict[str, Any]:
    return {
        "week": week.monday.isoformat(),
        "n": week.counted.n,
        "count": week.counted.bad,
        "per_100": per_100(week.point.value),
        "limits": [per_100(week.point.lower), per_100(week.point.upper)],
        "centre": per_100(week.point.centre),
        "signal": week.signal or None,
    }


def _baseline_words(view: TallyView) -> str:
    if view.baseline is None or not view.baseline_weeks:
        return "Baseline: the average of these weeks themselves; none is frozen."
    one = view.baseline
    return (
        f"Baseline: frozen, {one.start:%-d %b %Y} to {one.end:%-d %b %Y}, {len(view.baseline_weeks)} weeks."
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
