"""Kinds of defects by the step they come from."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Any

from labtrack.charts import SERIES, Cell, Chart
from production.choices import Step
from qa.queries.tally import Tally, TallyView
from qa.queries.trend_names import Names
from qa.statistics.late import inspection_points, passed_inspection
from qa.statistics.proportions import WILSON
from qa.statistics.results import count_words, of_words
from qa.trend_charts.addresses import csv_url, records_url
from qa.trend_charts.rates import ends_per_100, per_100, rate_of
from qa.trend_charts.trend import LEGEND_ABOVE, Trend, things

STACKED = 5


COLUMNS = (
    "kind",
    "step of origin",
    "with it",
    "n",
    "per 100",
    "95 % from",
    "95 % to",
    "passed an inspection",
)


@dataclass(frozen=True)
class _Kinds:
    """How many have each kind from each step of origin, and how many of them came through an inspection."""

    with_it: dict[tuple[str, str], int]
    late: dict[tuple[str, str], int]

    @property
    def often(self) -> list[str]:
        """Kinds, the most frequent first."""
        totals = Counter[str]()
        for (kind, _), n in self.with_it.items():
            totals[kind] += n
        return sorted(totals, key=lambda kind: -totals[kind])

    @property
    def steps(self) -> list[str]:
        """Steps of origin in working order."""
        order = [step.value for step in Step]
        return sorted({origin for _, origin in self.with_it}, key=lambda origin: _place(order, origin))


def origins(view: TallyView, names: Names) -> Trend:
    """Each kind of defect by its step of origin; a part with two kinds counts at both."""
    kinds = _counted(view)
    often = sorted(kinds.with_it, key=lambda which: (-kinds.with_it[which], which))
    return Trend(
        question="What goes wrong, and where does it come from?",
        chart=Chart(
            name="origins",
            title="Kinds of defects by the step they come from",
            figure=_figure(view, kinds, names),
            columns=COLUMNS,
            rows=[_row(view, kinds, which, names) for which in often],
            csv_url=csv_url(view, "origins"),
            note=(
                f"n = {count_words(view.total.n, things(view))}; one with two kinds counts at both. Passed "
                "an inspection: there to be seen at a step where somebody looks, and found only after it, as "
                "on the page Found late."
            ),
        ),
        sentence=_origin_sentence(view, kinds, names),
        method=f"Counts of mature records; shares on the effective n ({WILSON.name}: {WILSON.source}).",
        data=[
            {"kind": kind, "origin": origin, "n": n, "found_late": kinds.late.get((kind, origin), 0)}
            for (kind, origin), n in sorted(kinds.with_it.items())
        ],
    )


def _counted(view: TallyView) -> _Kinds:
    levels = [(_steps(level), counted.n) for level, counted in view.axis("defect").items()]
    points = inspection_points(view.looked_at, (found for (_, _, found), _ in levels))
    with_it, late = Counter[tuple[str, str]](), Counter[tuple[str, str]]()
    for (kind, origin, found), n in levels:
        with_it[kind, origin] += n
        if passed_inspection(origin.replace("-", " "), found, points):
            late[kind, origin] += n
    return _Kinds(with_it, late)


def _steps(level: str) -> tuple[str, str, str]:
    """Kind and step of origin as kept, and the step found in the words of the evidence."""
    kind, origin, found = ([*level.split("|"), "", ""])[:3]
    return kind, origin, found.replace("-", " ")


def _figure(view: TallyView, kinds: _Kinds, names: Names) -> dict[str, Any]:
    often, steps = kinds.often, kinds.steps
    drawn = [([kind], names.kinds.get(kind, kind)) for kind in often[:STACKED]]
    if often[STACKED:]:
        drawn.append((often[STACKED:], "Other kinds"))
    data = [
        {
            "type": "bar",
            "name": name,
            "x": [_step_word(origin) for origin in steps],
            "y": [sum(kinds.with_it.get((kind, origin), 0) for kind in group) for origin in steps],
            "customdata": [
                records_url(view, "defect", f"{group[0]}|{origin}|") if len(group) == 1 else ""
                for origin in steps
            ],
            "marker": {"color": SERIES[index], "pattern": {"shape": ("", "/", "x", ".", "-", "+")[index]}},
        }
        for index, (group, name) in enumerate(drawn)
    ]
    layout = {
        "barmode": "stack",
        "legend": LEGEND_ABOVE,
        "xaxis": {"title": {"text": "Step of origin"}, "type": "category"},
        "yaxis": {"title": {"text": f"{things(view)} with it"}},
    }
    return {"data": data, "layout": layout}


def _row(view: TallyView, kinds: _Kinds, which: tuple[str, str], names: Names) -> list[Any]:
    (kind, origin), n = which, kinds.with_it[which]
    share = rate_of(view, Tally(view.total.n, min(n, view.total.n)))
    ends = [round(end, 2) for end in ends_per_100(share)] if view.total.n else [None, None]
    return [
        Cell(names.kinds.get(kind, kind), records_url(view, "defect", f"{kind}|{origin}|")),
        _step_word(origin),
        n,
        view.total.n,
        per_100(share.rate),
        *ends,
        kinds.late.get(which, 0),
    ]


def _place(order: list[str], origin: str) -> int:
    return order.index(origin) if origin in order else len(order)


def _step_word(value: str) -> str:
    return str(Step(value).label) if value in Step.values else value


def _origin_sentence(view: TallyView, kinds: _Kinds, names: Names) -> str:
    counts = kinds.with_it
    if not counts:
        return f"No defect was recorded on {count_words(view.total.n, things(view))}."
    (kind, origin), n = max(counts.items(), key=lambda item: item[1])
    return (
        f"Most often: {names.kinds.get(kind, kind).lower()}, from {_step_word(origin).lower()} "
        f"({count_words(n, things(view))}). "
        f"{of_words(sum(kinds.late.values()), sum(counts.values()), 'flaws')} passed an inspection that "
        "could have shown it."
    )
