"""One period against another."""

from __future__ import annotations

from labtrack.charts import Cell, Chart
from qa.queries.tally import Range, TallyView
from qa.queries.trend_names import Names
from qa.statistics.proportions import newcombe
from qa.statistics.results import Verdict
from qa.trend_charts.addresses import csv_url, records_url_of
from qa.trend_charts.rates import RATE_HEADS, doubt, more, points, rate_datum, rate_layout, rate_of, rate_row
from qa.trend_charts.trend import CANNOT_TELL, Trend, n_note


def periods(view: TallyView, names: Names) -> Trend:
    """The range shown against the period it is compared with."""
    both = [(view.compared_with, view.earlier), (view.range, view.total)]
    known = [(days, counted) for days, counted in both if counted.n]
    shares = [rate_of(view, counted) for _, counted in known]
    words = [doubt(share, view) for share in shares]
    labels = [_span(days) for days, _ in known]
    urls = [records_url_of(view, days) for days, _ in known]
    return Trend(
        question="Is it better than before?",
        chart=Chart(
            name="periods",
            title=f"{view.measure.label}, one period against the other",
            figure={
                "data": [points(shares, labels, urls)],
                "layout": rate_layout(view, "Period", type="category"),
            },
            columns=("period", *RATE_HEADS),
            rows=[
                rate_row(Cell(label, url), counted, share, word)
                for label, url, (_, counted), share, word in zip(
                    labels, urls, known, shares, words, strict=True
                )
            ],
            csv_url=csv_url(view, "periods"),
            note=n_note(view, sum(counted.n for _, counted in known)),
        ),
        sentence=_sentence(view),
        method=(
            "Wilson score intervals on the effective n; difference by Newcombe's hybrid score interval "
            "(1998, Stat Med 17:873-890, method 10). The design effect is that of the range shown."
        ),
        data=[
            rate_datum(label, counted, share, word)
            for label, (_, counted), share, word in zip(labels, known, shares, words, strict=True)
        ],
    )


def _span(days: Range) -> str:
    return f"{days.start:%d %b %Y} to {days.end:%d %b %Y}"


def _sentence(view: TallyView) -> str:
    now, then = view.total, view.earlier
    if not now.n or not then.n:
        return f"{CANNOT_TELL.capitalize()}: one of the two periods has nothing with a settled outcome."
    gap = newcombe(
        now.bad,
        now.n,
        then.bad,
        then.n,
        n_effective_a=view.spread.effective(now.n),
        n_effective_b=view.spread.effective(then.n),
    )
    low, high = 100 * (gap.interval.low or 0.0), 100 * (gap.interval.high or 0.0)
    told = (
        f"{100 * gap.difference:+.1f} per 100 against {_span(view.compared_with)} "
        f"(95 % {low:.1f} to {high:.1f})"
    )
    if gap.verdict == Verdict.SHOWN:
        return f"It is {'worse' if gap.difference > 0 else 'better'}: {told}."
    return (
        f"{CANNOT_TELL.capitalize()} whether it changed: {told}"
        f"{more(gap.rate_a, gap.rate_b, now.n, then.n, view)}."
    )
