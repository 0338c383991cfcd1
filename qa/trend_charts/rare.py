"""Where losses are rare: how many good parts come between one and the next.

With less than one loss a week most weeks have none, and a rate by week says nothing for months. The
tally counts days, so the losses of one day are taken to lie evenly among its good parts.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Any

from labtrack.charts import SERIES, Cell, Chart
from qa.control_lines import SIGNALS, alarm_words, limit_line, signal_markers
from qa.queries.tally import Range, TallyView
from qa.queries.trend_names import Names
from qa.statistics.charts import G_CHART, Baseline, ChartPoint, g_chart
from qa.statistics.charts import Chart as ControlChart
from qa.statistics.results import count_words
from qa.trend_charts.addresses import csv_url, records_url_of
from qa.trend_charts.trend import CANNOT_TELL, LEGEND_ABOVE, Trend, things

RARE_A_WEEK = 1.0
FEWEST_LOSSES = 3
FALSE_ALARM_RUNS = 400
QUESTION = "Do losses crowd together?"
METHOD = (
    f"{G_CHART.name} ({G_CHART.source}): the median and the 0.135 % points of the geometric distribution. "
    f"{SIGNALS} Low points: losses crowd together; "
    "high ones: they became rarer. Drawn where less than one a week is counted; within a day losses are "
    "taken to lie evenly."
)


@dataclass(frozen=True)
class Gap:
    """A loss on ``day`` after ``good`` good parts; ``at`` is the day's first or later loss, from 1."""

    day: date
    at: int
    good: int


def is_rare(view: TallyView) -> bool:
    """Whether something was lost, but less than one a week on average."""
    return 0 < view.total.bad < RARE_A_WEEK * max(1, len(view.weeks))


def gaps_of(view: TallyView) -> tuple[list[Gap], int]:
    """The losses in order with the good parts before each, and the good parts since the last."""
    found: list[Gap] = []
    waiting = 0
    for day, counted in view.days:
        good = counted.n - counted.bad
        for at, share in enumerate(_shares(good, counted.bad), start=1):
            waiting += share
            if at <= counted.bad:
                found.append(Gap(day, at, waiting))
                waiting = 0
    return found, waiting


def _shares(good: int, bad: int) -> Iterator[int]:
    """``good`` parted into ``bad`` + 1 pieces as even as whole numbers allow."""
    for place in range(bad + 1):
        yield (place + 1) * good // (bad + 1) - place * good // (bad + 1)


@dataclass(frozen=True)
class _Loss:
    """One loss on the chart: its number in order, its point, and the words of its signal, if it has one."""

    number: int
    gap: Gap
    point: ChartPoint
    signal: str


def rare(view: TallyView, names: Names) -> Trend:
    """g chart with probability limits, against the frozen baseline where one is in force."""
    title = f"Good {things(view)} before each of: {view.measure.label.lower()}"
    gaps, waiting = gaps_of(view)
    if len(gaps) < FEWEST_LOSSES or not is_rare(view):
        empty = Chart(
            name="rare", title=title, figure={"data": [], "layout": {}}, columns=_columns(view),
            csv_url=csv_url(view, "rare"), note=f"n = {count_words(view.total.n, things(view))}.",
        )  # fmt: skip
        return Trend(QUESTION, empty, _too_few(view, len(gaps)), METHOD)
    chart = g_chart([gap.good for gap in gaps], baseline=_frozen(view), false_alarm_runs=FALSE_ALARM_RUNS)
    signalled = {signal.index: signal.words for signal in chart.signals}
    losses = [
        _Loss(index + 1, gap, point, signalled.get(index, ""))
        for index, (gap, point) in enumerate(zip(gaps, chart.points, strict=True))
    ]
    return Trend(
        question=QUESTION,
        chart=Chart(
            name="rare",
            title=title,
            figure=_figure(view, losses),
            columns=_columns(view),
            rows=[_row(view, loss) for loss in losses],
            csv_url=csv_url(view, "rare"),
            note=_note(view, chart),
        ),
        sentence=f"{chart.sentence}{_since(view, waiting, chart)}",
        method=METHOD,
        data=[_datum(loss) for loss in losses],
    )


def _figure(view: TallyView, losses: list[_Loss]) -> dict[str, Any]:
    numbers = [loss.number for loss in losses]
    return {
        "data": [
            limit_line(numbers, [loss.point.upper for loss in losses], "Limits"),
            limit_line(numbers, [loss.point.lower for loss in losses], ""),
            limit_line(numbers, [loss.point.centre for loss in losses], "Median", middle=True),
            {
                "type": "scatter",
                "mode": "lines+markers",
                "name": "Loss",
                "x": numbers,
                "y": [loss.gap.good for loss in losses],
                "text": [f"{loss.gap.day:%d %b %Y}" for loss in losses],
                "line": {"color": SERIES[0]},
                "marker": signal_markers([bool(loss.signal) for loss in losses]),
                "hovertemplate": "%{text}: %{y} good before it<extra></extra>",
            },
        ],
        "layout": {
            "xaxis": {"title": {"text": "Losses in order"}, "rangemode": "tozero"},
            "yaxis": {"title": {"text": f"Good {things(view)} before it"}, "rangemode": "tozero"},
            "legend": LEGEND_ABOVE,
        },
    }


def _row(view: TallyView, loss: _Loss) -> list[Any]:
    day, point = loss.gap.day, loss.point
    return [
        loss.number,
        Cell(day.isoformat(), records_url_of(view, Range(day, day))),
        loss.gap.good,
        point.lower,
        round(point.centre, 1),
        point.upper,
        loss.signal,
    ]


def _datum(loss: _Loss) -> dict[str, Any]:
    return {
        "number": loss.number,
        "day": loss.gap.day.isoformat(),
        "good": loss.gap.good,
        "limits": [loss.point.lower, loss.point.upper],
        "median": round(loss.point.centre, 1),
        "signal": loss.signal or None,
    }


def _since(view: TallyView, waiting: int, chart: ControlChart) -> str:
    words = f" {waiting} good {things(view)} since the last one"
    rarer = waiting > chart.points[0].upper
    return words + (": more than the upper limit, so they have become rarer." if rarer else ".")


def _note(view: TallyView, chart: ControlChart) -> str:
    held = "frozen" if chart.frozen else "these losses themselves; none is frozen"
    note = (
        f"n = {count_words(view.total.n, things(view))}, {len(chart.points)} of them counted here. "
        f"Baseline: {held}. A large diamond signals."
    )
    return f"{note} {alarm_words(chart)}".rstrip()


def _columns(view: TallyView) -> tuple[str, ...]:
    good = f"good {things(view)} before it"
    return ("number", "day", good, "lower limit", "median", "upper limit", "signal")


def _too_few(view: TallyView, losses: int) -> str:
    if losses == 0:
        return f"Nothing was lost among {count_words(view.total.n, things(view))} of these days."
    if not is_rare(view):
        return "Losses are not rare here, one a week or more: the chart of weeks tells a change sooner."
    return (
        f"{CANNOT_TELL.capitalize()}: {losses} of {FEWEST_LOSSES} losses needed to compare the good "
        f"{things(view)} between them, {FEWEST_LOSSES - losses} more."
    )


def _frozen(view: TallyView) -> Baseline | None:
    n = sum(one.n for one in view.baseline_weeks.values())
    bad = sum(one.bad for one in view.baseline_weeks.values())
    return Baseline("g", bad / n, 1.0, 1.0, bad, float(n)) if 0 < bad < n else None
