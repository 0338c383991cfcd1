"""The rate by printer and by resin."""

from __future__ import annotations

from labtrack.charts import SERIES, Cell, Chart
from qa.queries.tally import Tally, TallyView
from qa.queries.trend_names import Names
from qa.statistics.proportions import newcombe
from qa.statistics.results import Verdict
from qa.trend_charts.addresses import csv_url, records_url
from qa.trend_charts.rates import (
    MIN_BIN,
    RATE_HEADS,
    doubt,
    more,
    points,
    rate_datum,
    rate_layout,
    rate_of,
    rate_row,
)
from qa.trend_charts.trend import CANNOT_TELL, Trend, n_note, things


def _level_trend(view: TallyView, *, name: str, axis: str, question: str, title: str, head: str) -> Trend:
    levels = sorted(view.axis(axis).items(), key=lambda item: -item[1].n)
    shares = [rate_of(view, counted) for _, counted in levels]
    words = [doubt(share, view) for share in shares]
    urls = [records_url(view, axis, level) for level, _ in levels]
    layout = rate_layout(view, head, type="category")
    data = [points(shares, [level for level, _ in levels], urls)]
    overall = view.total
    if overall.n and levels:
        average = 100 * overall.bad / overall.n
        layout["shapes"] = [
            {
                "type": "line",
                "xref": "paper",
                "x0": 0,
                "x1": 1,
                "y0": average,
                "y1": average,
                "line": {"dash": "dot", "width": 2, "color": SERIES[1]},
            }
        ]
    return Trend(
        question=question,
        chart=Chart(
            name=name,
            title=title,
            figure={"data": data, "layout": layout},
            columns=(head, *RATE_HEADS),
            rows=[
                rate_row(Cell(level, url), counted, share, word)
                for (level, counted), url, share, word in zip(levels, urls, shares, words, strict=True)
            ],
            csv_url=csv_url(view, name),
            note=n_note(view, sum(counted.n for _, counted in levels))
            + " The dotted line is the overall rate.",
        ),
        sentence=_level_sentence(view, levels),
        method=(
            "Wilson score interval on the effective n (Wilson 1927; Newcombe 1998, Stat Med "
            "17:857-872). Highest against all others together: Newcombe hybrid score interval, "
            "method 10. The highest is picked after seeing the rates, so its interval is widened "
            "by Bonferroni's inequality: with k that could have been picked, at 1 - 0.05 / k "
            "(Dunn 1961, J Am Stat Assoc 56:52-64)."
        ),
        data=[
            rate_datum(level, counted, share, word)
            for (level, counted), share, word in zip(levels, shares, words, strict=True)
        ],
    )


def _level_sentence(view: TallyView, levels: list[tuple[str, Tally]]) -> str:
    if len(levels) < 2:
        return "Only one is in use in these days, so there is nothing to compare."
    known = [(level, counted) for level, counted in levels if counted.n >= MIN_BIN]
    if len(known) < 2:
        return f"{CANNOT_TELL.capitalize()}: fewer than two have {MIN_BIN} {things(view)} or more."
    name, worst = max(known, key=lambda item: item[1].bad / item[1].n)
    rest = Tally(
        sum(counted.n for other, counted in levels if other != name),
        sum(counted.bad for other, counted in levels if other != name),
    )
    # Of two, each against the other is one comparison.
    choices = 1 if len(levels) == 2 else len(known)
    level = 1 - 0.05 / choices
    gap = newcombe(
        worst.bad,
        worst.n,
        rest.bad,
        rest.n,
        level=level,
        n_effective_a=view.spread.effective(worst.n),
        n_effective_b=view.spread.effective(rest.n),
    )
    low, high = 100 * (gap.interval.low or 0.0), 100 * (gap.interval.high or 0.0)
    allowed = f", allowing for the highest of {choices} being picked" if choices > 1 else ""
    told = (
        f"{name} against the others: {100 * gap.difference:+.1f} per 100 "
        f"(95 %{allowed}: {low:.1f} to {high:.1f})"
    )
    if gap.verdict == Verdict.SHOWN and low > 0:
        return f"{told}. What else differs between them is not weighed here."
    return (
        f"{CANNOT_TELL.capitalize()} whether they differ. "
        f"{told}{more(gap.rate_a, gap.rate_b, worst.n, rest.n, view, level=level)}."
    )


def printers(view: TallyView, names: Names) -> Trend:
    return _level_trend(
        view,
        name="printers",
        axis="printer",
        question="Do the printers differ?",
        title=f"{view.measure.label} by printer",
        head="printer",
    )


def resins(view: TallyView, names: Names) -> Trend:
    return _level_trend(
        view,
        name="resins",
        axis="material",
        question="Do the resins differ?",
        title=f"{view.measure.label} by resin",
        head="resin",
    )
