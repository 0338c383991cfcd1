"""Where flaws slip through: from which step, found at which, and what that costs."""

from __future__ import annotations

from typing import Any

from labtrack.charts import Chart
from qa.evidence_pages.asking import Asking, Section
from qa.evidence_pages.rates import rate_bars, rate_cells
from qa.statistics.late import LATE
from qa.statistics.results import count_words
from qa.trend_charts.trend import CANNOT_TELL

BY = (
    ("by_point", "late-points", "Which inspection lets most through?", "inspection at"),
    ("by_colour", "late-colours", "Does a colour hide flaws?", "colour"),
    ("by_translucency", "late-translucency", "Does clear material hide flaws?", "translucency"),
)
FEWEST_FLAWS = 5  # a group of fewer says nothing for or against another
METHOD = (
    f"{LATE.name} ({LATE.source}). A flaw is late at an inspection where it was there to "
    "be seen and was found "
    "only afterwards; only flaws that were found in the end can be counted."
)


def late(asking: Asking) -> list[Section]:
    return [_table(asking), *(_shares(asking, *which) for which in BY)]


def _table(asking: Asking) -> Section:
    found = asking.result["late"]
    origins = list(dict.fromkeys(cell[0] for cell in found["table"]))
    steps = list(dict.fromkeys(cell[1] for cell in sorted(found["table"], key=lambda cell: cell[1])))
    counts = {(origin, step): n for origin, step, n in found["table"]}
    return Section(
        question="Where do flaws begin, and where are they found?",
        sentence=found["sentence"],
        method=METHOD,
        chart=Chart(
            name="late-table",
            title="Flaws by step of origin and step found",
            figure={
                "data": [
                    {
                        "type": "bar",
                        "name": f"found at {step}",
                        "x": origins,
                        "y": [counts.get((origin, step), 0) for origin in origins],
                        "marker": {"color": f"--series-{1 + place % 6}"},
                    }
                    for place, step in enumerate(steps)
                ],
                "layout": {
                    "barmode": "stack",
                    "xaxis": {"title": {"text": "Step of origin"}, "type": "category"},
                    "yaxis": {"title": {"text": "Flaws"}},
                },
            },
            columns=("step of origin", "step found", "flaws"),
            rows=found["table"],
            csv_url=asking.csv_url("late-table"),
            note=(
                f"n = {count_words(found['n'], 'flaws')} with both steps recorded; "
                f"{found['left_out']} without, or found before they began, are left out. Somebody looks at: "
                f"{', '.join(found['points']) or 'no step'}."
            ),
        ),
    )


def _shares(asking: Asking, name: str, chart: str, question: str, head: str) -> Section:
    rows: list[dict[str, Any]] = asking.result["late"][name]
    money = f"cost, {asking.currency}" if asking.currency else "cost"
    return Section(
        question=question,
        sentence=late_sentence(rows),
        method=METHOD,
        chart=Chart(
            name=chart,
            title=f"Found late, by {head}",
            figure={
                "data": [rate_bars([row["name"] for row in rows], rows)],
                "layout": {
                    "xaxis": {"type": "category", "automargin": True},
                    "yaxis": {"title": {"text": "Found late, of 100 flaws"}, "range": [0, 100]},
                },
            },
            columns=(head, "flaws, n", "found late", "per 100", "95 % from", "95 % to", money),
            rows=[[row["name"], row["n"], row["count"], *rate_cells(row), row["cost"]] for row in rows],
            csv_url=asking.csv_url(chart),
            note="No cost: say on the page Cost what one more step on a bad part costs."
            if rows and all(row["cost"] is None for row in rows) else "",
        ),
    )  # fmt: skip


def late_sentence(rows: list[dict[str, Any]]) -> str:
    """The highest share where its interval lies above every other's highest; else that it cannot be told."""
    if not any(row["n"] for row in rows):
        return f"{CANNOT_TELL.capitalize()}: no flaw is recorded with it."
    known = [row for row in rows if row["n"] >= FEWEST_FLAWS] or [max(rows, key=lambda row: row["n"])]
    few = [row["name"] for row in rows if row["n"] > 0 and row not in known]
    beside = f" Too few flaws to compare: {', '.join(few)}." if few else ""
    worst = max(known, key=lambda row: row["rate"] or 0.0)
    low, high = (100 * end for end in worst["ci95"])
    figures = (
        f"{worst['name']}, {worst['count']} of {worst['n']} found late (95 % {low:.0f} to {high:.0f} of 100)"
    )
    if len(known) > 1 and all(row is worst or row["ci95"][1] < worst["ci95"][0] for row in known):
        return f"Most slip through: {figures}.{beside}"
    if len(known) == 1:
        return f"{figures}. There is nothing to compare it with.{beside}"
    return f"{CANNOT_TELL.capitalize()} which is worst: the intervals overlap. Highest is {figures}.{beside}"
