"""What costs good parts: ranked causes, equipment against practice, and whose share it is."""

from __future__ import annotations

import textwrap
from typing import Any

from labtrack.charts import SERIES, Cell, Chart
from qa.evidence_pages.addresses import cause_records
from qa.evidence_pages.asking import Asking, Section
from qa.evidence_pages.by_hand import anchor, by_hand, short_words
from qa.evidence_pages.rates import rate_bars, rate_cells
from qa.evidence_pages.words import contrast_words, factor_words, reason_words, told, upper_first
from qa.statistics.causes import FALSE_DISCOVERY, STANDARDISED, suspected
from qa.statistics.interaction import CELLS
from qa.statistics.results import count_words, rounded
from qa.statistics.shares import SHAPLEY

MOST_BARS = 20
ROW_PX, LABEL_LETTERS = 38, 40


def causes(asking: Asking) -> list[Section]:
    return [_ranked(asking), by_hand(asking), _cells(asking), _shares(asking), _left_out(asking)]


def _ranked(asking: Asking) -> Section:
    rows = asking.report["causes"]
    more = {one["factor"]: one for one in asking.result["causes"]}
    return Section(
        question="What costs us good work?",
        sentence=asking.result["sentence"],
        method=(
            f"{STANDARDISED.name} ({STANDARDISED.source}). {FALSE_DISCOVERY.name} "
            f"({FALSE_DISCOVERY.source}). Each factor is adjusted for the others that go with loss; builds "
            "are clusters. An age is compared at its upper quartile against its lower one. It is an "
            "association in the record, no proof."
        ),
        chart=Chart(
            name="causes",
            title=f"{asking.things.capitalize()} saved per 100, adjusted",
            figure=_bars(asking, list(reversed(rows[:MOST_BARS]))),
            columns=(
                "what against what",
                "belongs to",
                "lost there and at the reference",
                "saved per 100",
                "95 % from",
                "95 % to",
                f"{asking.currency} a month" if asking.currency else "money a month",
                "95 % from ",
                "95 % to ",
                "cannot be told apart from",
                "adjusted for",
                "can it be told?",
            ),
            rows=[
                _cause_row(asking, row, more.get(row["factor"], {}), place)
                for place, row in enumerate(rows, 1)
            ],
            csv_url=asking.csv_url("causes"),
            note=_note(asking),
        ),
    )


def _note(asking: Asking) -> str:
    note = (
        f"n = {count_words(asking.report['parts'], asking.things)} in "
        f"{count_words(asking.result['builds'], 'builds')}. A filled mark is "
        "shown, an open one cannot be told yet."
    )
    if asking.result["cost_per_lost_part"] is not None and asking.currency:
        return note
    return f"{note} A month has no money in it until it is said what a lost part costs."


def _bars(asking: Asking, shown: list[dict[str, Any]]) -> dict[str, Any]:
    words = [contrast_words(row, asking.names) for row in shown]
    return {
        "data": [
            {
                "type": "scatter",
                "mode": "markers",
                "x": [row["saved_per_100"] for row in shown],
                "y": list(range(len(shown))),
                "text": words,
                "customdata": [cause_records(asking, row) for row in shown],
                "marker": {
                    "size": 11,
                    "color": SERIES[0],
                    "symbol": ["circle" if row["verdict"] == "shown" else "circle-open" for row in shown],
                },
                "error_x": {
                    "type": "data",
                    "symmetric": False,
                    "array": [(row["ci95"][1] or 0.0) - row["saved_per_100"] for row in shown],
                    "arrayminus": [row["saved_per_100"] - (row["ci95"][0] or 0.0) for row in shown],
                    "color": SERIES[0],
                    "thickness": 2,
                },
                "hovertemplate": "%{text}: %{x:.1f} per 100<extra></extra>",
                "showlegend": False,
            }
        ],
        "layout": {
            "height": max(260, 90 + ROW_PX * len(shown)),
            "xaxis": {"title": {"text": "Saved per 100 if it were otherwise"}, "zeroline": True},
            "yaxis": {
                "automargin": True,
                "zeroline": False,
                "tickvals": list(range(len(shown))),
                "ticktext": [_folded(one) for one in words],
            },
        },
    }


def _folded(words: str) -> str:
    """A label in two lines at most, so that it leaves the drawing its room on a narrow screen."""
    return "<br>".join(textwrap.wrap(words, LABEL_LETTERS, max_lines=2, placeholder=" …"))


def _cause_row(asking: Asking, row: dict[str, Any], more: dict[str, Any], place: int) -> list[Any]:
    url, words = cause_records(asking, row), contrast_words(row, asking.names)
    plain = short_words(more.get("by_hand"))
    money = row["money_ci95"] or [None, None]
    return [
        Cell(words, url) if url else words,
        row["group"],
        Cell(plain, f"#{anchor(place)}") if plain else "",
        *(rounded(value, 1) for value in (row["saved_per_100"], *row["ci95"])),
        *(rounded(value, 0) for value in (row["money_per_month"], *money)),
        _words(row["inseparable_from"], asking),
        _words(more.get("adjusted_for", []), asking),
        _told(asking, row),
    ]


def _told(asking: Asking, row: dict[str, Any]) -> str:
    if row["verdict"] == "unknown" and not suspected(row["saved_per_100"], row["ci95"][1]):
        return "nothing suggests it"
    return told(row["verdict"], row["parts_needed"], asking.things)


def _words(factors: list[str], asking: Asking) -> str:
    return ", ".join(factor_words(name, asking.names) for name in factors)


def _cells(asking: Asking) -> Section:
    table, more = asking.report["equipment_x_practice"], asking.result["interaction"]
    cells = [cell for cell in table["cells"] if cell["n"]]
    step = table["practice"]
    practice = "every step" if step == "every step" else factor_words(step, asking.names)
    labels = [f"{cell['equipment']}, {'followed' if cell['followed'] else 'not followed'}" for cell in cells]
    return Section(
        question="Does one machine do as well as another when the work instruction is followed?",
        sentence=" ".join(more["sentences"]),
        method=f"{CELLS.name} ({CELLS.source}). Followed looks at {practice}.",
        chart=Chart(
            name="equipment-practice",
            title=f"Lost per 100 by machine and practice ({practice})",
            figure={
                "data": [rate_bars(labels, cells)],
                "layout": {
                    "xaxis": {"type": "category", "automargin": True},
                    "yaxis": {"title": {"text": "Lost, per 100"}, "rangemode": "tozero"},
                },
            },
            columns=("machine", "instruction", "n", "lost", "per 100", "95 % from", "95 % to"),
            rows=[
                [
                    cell["equipment"],
                    "followed" if cell["followed"] else "not followed",
                    cell["n"],
                    cell["lost"],
                    *rate_cells(cell),
                ]
                for cell in cells
            ],
            csv_url=asking.csv_url("equipment-practice"),
            note=(
                f"n = {count_words(more['n'], asking.things)} with machine and answer recorded; "
                f"{more['unrecorded']} without are left out."
            ),
        ),
    )


def _shares(asking: Asking) -> Section:
    split = asking.report["split"]
    groups = ("practice", "equipment", "material")
    told_of = [{"name": name, "rate": split[name]["share"], "ci95": split[name]["ci95"]} for name in groups]
    known = [one for one in told_of if one["rate"] is not None]
    rows = [
        [one["name"], *rate_cells(one), "yes" if split["verdict"] == "shown" else "cannot tell yet"]
        for one in known
    ]
    return Section(
        question="Practice, equipment or material?",
        sentence=asking.result["split"],
        method=f"{SHAPLEY.name} ({SHAPLEY.source}).",
        chart=Chart(
            name="shares",
            title="Share of the explained loss",
            figure={
                "data": [
                    rate_bars([one["name"] for one in known], known)
                    | {"hovertemplate": "%{x}: %{y:.0f} of 100<extra></extra>"}
                ],
                "layout": {
                    "xaxis": {"type": "category"},
                    "yaxis": {"title": {"text": "Share, of 100"}, "range": [0, 100]},
                },
            },
            columns=("group", "share of 100", "95 % from", "95 % to", "can it be told?"),
            rows=rows,
            csv_url=asking.csv_url("shares"),
            note=f"n = {count_words(asking.report['parts'], asking.things)}.",
        ),
    )


def _left_out(asking: Asking) -> Section:
    left = asking.report["not_examined"]
    return Section(
        question="What could not be looked at?",
        sentence=(
            f"{len(left)} factors do not vary, or are not recorded, so nothing can be said of them."
            if left
            else "Every factor that is recorded was examined."
        ),
        method="A factor is compared where at least two levels have 10 parts or more from three builds.",
        chart=Chart(
            name="not-examined",
            title="Not examined",
            figure={"data": [], "layout": {}},
            columns=("factor", "why"),
            rows=[
                [
                    upper_first(factor_words(one["factor"], asking.names)),
                    reason_words(one["factor"], one["reason"]),
                ]
                for one in left
            ],
            csv_url=asking.csv_url("not-examined"),
        )
        if left
        else None,
    )
