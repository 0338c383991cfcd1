"""The rate week by week, as a control chart."""

from __future__ import annotations

from typing import Any

from labtrack.charts import SERIES, Cell, Chart
from qa.queries.tally import TallyView
from qa.statistics.charts import p_chart
from qa.trend_charts.shared import (
    LEGEND_ABOVE,
    Names,
    Trend,
    csv_url,
    per_100,
    rate_layout,
    records_url,
    things,
)


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
    chart = p_chart([one.bad for one in counted], [one.n for one in counted], laney=True)
    signalled = {signal.index: signal.words for signal in chart.signals}
    x = [monday.isoformat() for monday in mondays]
    urls = [_week_url(view, monday) for monday in mondays]
    figure = {
        "data": [
            _limit_line(x, [100 * point.upper for point in chart.points], "Limits", SERIES[2]),
            _limit_line(x, [100 * point.lower for point in chart.points], "", SERIES[2]),
            _limit_line(x, [100 * point.centre for point in chart.points], "Centre", SERIES[1]),
            {
                "type": "scatter",
                "mode": "lines+markers",
                "name": "Week",
                "x": x,
                "y": [100 * point.value for point in chart.points],
                "customdata": urls,
                "line": {"color": SERIES[0]},
                "marker": {
                    "size": [13 if i in signalled else 8 for i in range(len(x))],
                    "symbol": ["diamond" if i in signalled else "circle" for i in range(len(x))],
                    "color": SERIES[0],
                },
                "hovertemplate": "week of %{x}: %{y:.1f} per 100<extra></extra>",
            },
        ],
        "layout": {**rate_layout(view, "Week, by its Monday", type="date"), "legend": LEGEND_ABOVE},
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
                f"n = {view.total.n} {things(view)} in {len(counted)} weeks. Baseline: the "
                "average of these weeks "
                "themselves. A large diamond is a week that signals."
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


def _week_url(view: TallyView, monday: Any) -> str:
    return records_url(view, "week", monday.isoformat())


def _limit_line(x: list[str], y: list[float], name: str, colour: str) -> dict[str, Any]:
    return {
        "type": "scatter",
        "mode": "lines",
        "name": name,
        "showlegend": bool(name),
        "x": x,
        "y": y,
        "line": {"color": colour, "width": 2, "shape": "hvh", "dash": "dash" if name != "Centre" else "dot"},
        "hoverinfo": "skip",
    }
