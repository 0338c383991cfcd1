"""The rate against the age of the tank."""

from __future__ import annotations

import math

import numpy as np

from labtrack.charts import Cell, Chart
from qa.queries.tally import Tally, TallyView
from qa.queries.trend_names import Names
from qa.statistics.binned import sensible_edges
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

ENOUGH_FOR_EDGES = 5_000


def _age_trend(view: TallyView, *, name: str, axis: str, question: str, title: str, unit_word: str) -> Trend:
    counts = {int(level): counted for level, counted in view.axis(axis).items()}
    n = sum(counted.n for counted in counts.values())
    missing = view.total.n - n
    bins = _age_bins(counts)
    shares = [rate_of(view, counted) for _, _, counted in bins]
    words = [doubt(share, view) for share in shares]
    labels = [_span(low, high) for low, high, _ in bins]
    urls = [records_url(view, axis, str(low), str(high)) for low, high, _ in bins]
    figure = {"data": [points(shares, labels, urls)], "layout": rate_layout(view, title, type="category")}
    note = n_note(view, n) + (f" {missing} without this age are left out." if missing else "")
    rows = [
        rate_row(Cell(label, url), counted, share, word)
        for label, url, (_, _, counted), share, word in zip(labels, urls, bins, shares, words, strict=True)
    ]
    return Trend(
        question=question,
        chart=Chart(
            name=name,
            title=f"{view.measure.label} against {unit_word}",
            figure=figure,
            columns=(unit_word, *RATE_HEADS),
            rows=rows,
            csv_url=csv_url(view, name),
            note=note,
        ),
        sentence=_age_sentence(view, bins, unit_word),
        method=(
            "Bins by quantiles of the ages seen; Wilson score interval on the effective n "
            "(Wilson 1927; Newcombe "
            "1998, Stat Med 17:857-872). Oldest bin against all younger ones: Newcombe hybrid score interval "
            "(1998, method 10)."
        ),
        data=[
            rate_datum(label, counted, share, word)
            for label, (_, _, counted), share, word in zip(labels, bins, shares, words, strict=True)
        ],
    )


def _age_bins(counts: dict[int, Tally]) -> list[tuple[int, int, Tally]]:
    """Whole ages from ``low`` to ``high``, both counted, each bin with parts enough where there are any."""
    if not counts:
        return []
    ages = sorted(counts)
    # Edges need the shape of the ages, not every part: a few thousand of them give it.
    thinning = max(1, sum(counted.n for counted in counts.values()) // ENOUGH_FOR_EDGES)
    weights = [math.ceil(counts[age].n / thinning) for age in ages]
    edges = sensible_edges(np.repeat(ages, weights), min_parts=MIN_BIN)
    bins: list[tuple[int, int, Tally]] = []
    for index in range(len(edges) - 1):
        low, last = int(edges[index]), index == len(edges) - 2
        high = int(edges[index + 1]) if last else int(edges[index + 1]) - 1
        inside = [counts[age] for age in ages if low <= age <= high]
        counted = Tally(sum(one.n for one in inside), sum(one.bad for one in inside))
        if counted.n:
            bins.append((low, min(high, ages[-1]), counted))
    return bins


def _span(low: int, high: int) -> str:
    return str(low) if low == high else f"{low} to {high}"


def _oldest_apart(bins: list[tuple[int, int, Tally]]) -> list[tuple[str, Tally]]:
    """All younger bins together, and the oldest: the comparison is settled before the data are seen."""
    return [
        (
            _span(group[0][0], group[-1][1]),
            Tally(sum(counted.n for *_, counted in group), sum(counted.bad for *_, counted in group)),
        )
        for group in (bins[:-1], bins[-1:])
        if group
    ]


def _age_sentence(view: TallyView, bins: list[tuple[int, int, Tally]], unit_word: str) -> str:
    groups = _oldest_apart(bins)
    if len(groups) < 2:
        return f"{CANNOT_TELL.capitalize()}: too few {things(view)} with a recorded tank age to compare."
    (young_label, young), (old_label, old) = groups
    gap = newcombe(
        old.bad,
        old.n,
        young.bad,
        young.n,
        n_effective_a=view.spread.effective(old.n),
        n_effective_b=view.spread.effective(young.n),
    )
    low, high = 100 * (gap.interval.low or 0.0), 100 * (gap.interval.high or 0.0)
    told = (
        f"{100 * gap.difference:+.1f} per 100 at {old_label} against {young_label} {unit_word} "
        f"(95 % {low:.1f} to {high:.1f})"
    )
    if gap.verdict == Verdict.SHOWN:
        return f"The oldest tanks differ from the others: {told}."
    return (
        f"{CANNOT_TELL.capitalize()} whether tank age matters: "
        f"{told}{more(gap.rate_a, gap.rate_b, old.n, young.n, view)}."
    )


def tank_days(view: TallyView, names: Names) -> Trend:
    return _age_trend(
        view,
        name="tank-days",
        axis="tank-days",
        question="When does a tank go bad, by days?",
        title="Whole days since the tank was filled or filtered",
        unit_word="days since filter",
    )


def tank_builds(view: TallyView, names: Names) -> Trend:
    return _age_trend(
        view,
        name="tank-builds",
        axis="tank-builds",
        question="When does a tank go bad, by builds?",
        title="Builds since the tank was filled or filtered",
        unit_word="builds since filter",
    )
