"""Kinds of defects by the step they come from."""

from __future__ import annotations

from labtrack.charts import SERIES, Cell, Chart
from production.choices import WORK_STEPS, Step
from qa.queries.tally import TallyView
from qa.queries.trend_names import Names
from qa.trend_charts.addresses import csv_url, records_url
from qa.trend_charts.trend import LEGEND_ABOVE, Trend, things

STACKED = 5


def origins(view: TallyView, names: Names) -> Trend:
    """Each kind of defect by its step of origin; a part with two kinds counts at both."""
    counts: dict[tuple[str, str], int] = {}
    late: dict[tuple[str, str], int] = {}
    for level, counted in view.axis("defect").items():
        kind, origin, found = ([*level.split("|"), "", ""])[:3]
        counts[kind, origin] = counts.get((kind, origin), 0) + counted.n
        if _came_through(origin, found):
            late[kind, origin] = late.get((kind, origin), 0) + counted.n
    order = [step.value for step in Step]
    present = sorted({origin for _, origin in counts}, key=lambda origin: _place(order, origin))
    totals: dict[str, int] = {}
    for (kind, _), n in counts.items():
        totals[kind] = totals.get(kind, 0) + n
    kinds = sorted(totals, key=lambda kind: -totals[kind])
    drawn = [([kind], names.kinds.get(kind, kind)) for kind in kinds[:STACKED]]
    if kinds[STACKED:]:
        drawn.append((kinds[STACKED:], "Other kinds"))
    data = [
        {
            "type": "bar",
            "name": name,
            "x": [_step_word(origin) for origin in present],
            "y": [sum(counts.get((kind, origin), 0) for kind in group) for origin in present],
            "customdata": [
                records_url(view, "defect", f"{group[0]}|{origin}|") if len(group) == 1 else ""
                for origin in present
            ],
            "marker": {"color": SERIES[index], "pattern": {"shape": ("", "/", "x", ".", "-", "+")[index]}},
        }
        for index, (group, name) in enumerate(drawn)
    ]
    rows = []
    for (kind, origin), n in sorted(counts.items(), key=lambda item: (-item[1], item[0])):
        url = records_url(view, "defect", f"{kind}|{origin}|")
        share = round(100 * n / view.total.n, 2) if view.total.n else None
        rows.append(
            [
                Cell(names.kinds.get(kind, kind), url),
                _step_word(origin),
                n,
                share,
                late.get((kind, origin), 0),
            ]
        )
    return Trend(
        question="What goes wrong, and where does it come from?",
        chart=Chart(
            name="origins",
            title="Kinds of defects by the step they come from",
            figure={
                "data": data,
                "layout": {
                    "barmode": "stack",
                    "legend": LEGEND_ABOVE,
                    "xaxis": {"title": {"text": "Step of origin"}, "type": "category"},
                    "yaxis": {"title": {"text": f"{things(view)} with it"}},
                },
            },
            columns=(
                "kind",
                "step of origin",
                f"{things(view)} with it",
                "per 100",
                "found later than inspection",
            ),
            rows=rows,
            csv_url=csv_url(view, "origins"),
            note=f"n = {view.total.n} {things(view)}; one with two kinds counts at both.",
        ),
        sentence=_origin_sentence(view, counts, names),
        method="Counts of mature records; no interval.",
        data=[
            {"kind": kind, "origin": origin, "n": n, "found_late": late.get((kind, origin), 0)}
            for (kind, origin), n in sorted(counts.items())
        ],
    )


def _came_through(origin: str, found: str) -> bool:
    """Whether a flaw was there when the part was inspected and was found only after."""
    order = [step.value for step in WORK_STEPS]
    inspected = order.index(Step.INSPECT)
    made_before = origin not in order or order.index(origin) < inspected
    return made_before and found in order and order.index(found) > inspected


def _place(order: list[str], origin: str) -> int:
    return order.index(origin) if origin in order else len(order)


def _step_word(value: str) -> str:
    return str(Step(value).label) if value in Step.values else value


def _origin_sentence(view: TallyView, counts: dict[tuple[str, str], int], names: Names) -> str:
    if not counts:
        return f"No defect was recorded on {view.total.n} {things(view)}."
    (kind, origin), n = max(counts.items(), key=lambda item: item[1])
    return (
        f"Most often: {names.kinds.get(kind, kind).lower()}, from {_step_word(origin).lower()} "
        f"({n} {things(view)})."
    )
