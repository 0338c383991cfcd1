"""Where losses are rare: how many good parts come between one and the next.

With less than one loss a week most weeks have none, and a rate by week says nothing for months. The
tally counts days, so the losses of one day are taken to lie evenly among its good parts.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

from labtrack.charts import SERIES, Cell, Chart
from qa.control_lines import limit_line, signal_markers
from qa.queries.tally import Range, TallyView
from qa.statistics.charts import G_CHART, Baseline, g_chart
from qa.trend_charts.shared import CANNOT_TELL, LEGEND_ABOVE, Names, Trend, csv_url, records_url_of, things

RARE_A_WEEK = 1.0
FEWEST_LOSSES = 3
FALSE_ALARM_RUNS = 400
QUESTION = "Do losses crowd together?"
METHOD = (
    f"{G_CHART.name} ({G_CHART.source}): the median and the 0.135 % points of the geometric distribution. "
    "Signals: one point beyond the limits; eight in a row on one side. Low points: losses crowd together; "
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


def rare(view: TallyView, names: Names) -> Trend:
    """g chart with probability limits, against the frozen baseline where one is in force."""
    title = f"Good {things(view)} before each of: {view.measure.label.lower()}"
    gaps, waiting = gaps_of(view)
    if len(gaps) < FEWEST_LOSSES or not is_rare(view):
        empty = Chart(
            name="rare", title=title, figure={"data": [], "layout": {}}, columns=_columns(view),
            csv_url=csv_url(view, "rare"), note=f"n = {view.total.n} {things(view)}.",
        )  # fmt: skip
        return Trend(QUESTION, empty, _too_few(view, len(gaps)), METHOD)
    chart = g_chart([gap.good for gap in gaps], baseline=_frozen(view), false_alarm_runs=FALSE_ALARM_RUNS)
    signalled = {signal.index: signal.words for signal in chart.signals}
    numbers = list(range(1, len(gaps) + 1))
    upper = chart.points[0].upper
    since = f" {waiting} good {things(view)} since the last one"
    since += ": more than the upper limit, so they have become rarer." if waiting > upper else "."
    alarms = ""
    if chart.false_alarms is not None:
        share = 100 * chart.false_alarms.per_chart
        alarms = f" With nothing changed, {share:.0f} of 100 such charts signal somewhere."
    held = "frozen" if chart.frozen else "these losses themselves; none is frozen"
    figure = {
        "data": [
            limit_line(numbers, [point.upper for point in chart.points], "Limits"),
            limit_line(numbers, [point.lower for point in chart.points], ""),
            limit_line(numbers, [point.centre for point in chart.points], "Median", middle=True),
            {
                "type": "scatter",
                "mode": "lines+markers",
                "name": "Loss",
                "x": numbers,
                "y": [gap.good for gap in gaps],
                "text": [f"{gap.day:%d %b %Y}" for gap in gaps],
                "line": {"color": SERIES[0]},
                "marker": signal_markers([i in signalled for i in range(len(gaps))]),
                "hovertemplate": "%{text}: %{y} good before it<extra></extra>",
            },
        ],
        "layout": {
            "xaxis": {"title": {"text": "Losses in order"}, "rangemode": "tozero"},
            "yaxis": {"title": {"text": f"Good {things(view)} before it"}, "rangemode": "tozero"},
            "legend": LEGEND_ABOVE,
        },
    }
    days = [Cell(gap.day.isoformat(), records_url_of(view, Range(gap.day, gap.day))) for gap in gaps]
    rows = [
        [
            number,
            day,
            gap.good,
            point.lower,
            round(point.centre, 1),
            point.upper,
            signalled.get(number - 1, ""),
        ]
        for number, day, gap, point in zip(numbers, days, gaps, chart.points, strict=True)
    ]
    return Trend(
        question=QUESTION,
        chart=Chart(
            name="rare",
            title=title,
            figure=figure,
            columns=_columns(view),
            rows=rows,
            csv_url=csv_url(view, "rare"),
            note=(
                f"n = {view.total.n} {things(view)}, {len(gaps)} of them counted here. Baseline: {held}. "
                f"A large diamond signals.{alarms}"
            ),
        ),
        sentence=f"{chart.sentence}{since}",
        method=METHOD,
        data=[
            {"number": number, "day": gap.day.isoformat(), "good": gap.good,
             "limits": [point.lower, point.upper], "median": round(point.centre, 1),
             "signal": signalled.get(number - 1)}
            for number, gap, point in zip(numbers, gaps, chart.points, strict=True)
        ],
    )  # fmt: skip


def _columns(view: TallyView) -> tuple[str, ...]:
    good = f"good {things(view)} before it"
    return ("number", "day", good, "lower limit", "median", "upper limit", "signal")


def _too_few(view: TallyView, losses: int) -> str:
    if losses == 0:
        return f"Nothing was lost among {view.total.n} {things(view)} of these days."
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
