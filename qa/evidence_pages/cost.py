"""What a good part costs, what a remake costs, and how many to print."""

from __future__ import annotations

from labtrack.charts import SERIES, Chart
from qa.evidence_pages.asking import Asking, Section
from qa.statistics.cost import HOW_MANY, PER_GOOD_PART
from qa.statistics.results import count_words
from qa.trend_charts.trend import CANNOT_TELL


def cost(asking: Asking) -> list[Section]:
    return [_per_good(asking), _to_print(asking)]


def _per_good(asking: Asking) -> Section:
    found = asking.result["cost"]
    rows = []
    if found["cost"] is not None:
        low, high = found["ci95"]
        rows = [
            ["one attempt", found["n"], found["per_attempt"], *found["attempt_ci95"]],
            ["one good one, all attempts in it", found["good"], found["cost"], low, high],
        ]
    left = (
        f" {found['without_cost']} attempts have no known cost and are left out."
        if found["without_cost"]
        else ""
    )
    money = f" In {asking.currency}." if asking.currency and rows else ""
    advice = "" if rows else " Record resin and machine time, or say below what labour and machines cost."
    return Section(
        question=f"What does a good {asking.things[:-1]} cost?",
        sentence=f"{found['sentence']}{money}{left}{advice}",
        method=(
            f"{PER_GOOD_PART.name} ({PER_GOOD_PART.source}). Resin by the build's use and "
            "the material's price, "
            "machine time by the build's length, each shared by its parts; handling as the lab states it."
        ),
        chart=Chart(
            name="per-good",
            title="Cost of an attempt and of a good one",
            figure={
                "data": [
                    {
                        "type": "bar",
                        "x": [row[0] for row in rows],
                        "y": [row[2] for row in rows],
                        "marker": {"color": SERIES[0]},
                        "error_y": {
                            "type": "data",
                            "symmetric": False,
                            "array": [0 if row[4] is None else row[4] - (row[2] or 0) for row in rows],
                            "arrayminus": [0 if row[3] is None else (row[2] or 0) - row[3] for row in rows],
                        },
                        "showlegend": False,
                    }
                ],
                "layout": {"yaxis": {"title": {"text": asking.currency or "Cost"}, "rangemode": "tozero"}},
            },
            columns=("of", "n", f"cost, {asking.currency or 'money'}", "95 % from", "95 % to"),
            rows=rows,
            csv_url=asking.csv_url("per-good"),
        )
        if rows
        else None,
    )


def _to_print(asking: Asking) -> Section:
    found = asking.result["cost"]
    rows = [[one["good"], one["to_print"], one["expected"]] for one in found["to_print"]]
    known = [row for row in rows if row[1] is not None]
    if not found["parts"]:
        sentence = f"{CANNOT_TELL.capitalize()}: there are no {asking.things} with a settled outcome."
    elif not known:
        sentence = "The record shows too few good ones to say how many would do."
    else:
        ten = next((row for row in known if row[0] == 10), known[-1])
        sentence = f"Print {ten[1]} to have {ten[0]} good ones in 95 of 100 cases."
    return Section(
        question="How many must we print?",
        sentence=sentence,
        method=f"{HOW_MANY.name} ({HOW_MANY.source}).",
        chart=Chart(
            name="to-print",
            title="Print so many for so many good ones",
            figure={
                "data": [
                    {
                        "type": "scatter",
                        "mode": "lines+markers",
                        "x": [row[0] for row in known],
                        "y": [row[1] for row in known],
                        "line": {"color": SERIES[0]},
                        "showlegend": False,
                    }
                ],
                "layout": {
                    "xaxis": {"title": {"text": "Good ones wanted"}},
                    "yaxis": {"title": {"text": "To print, enough in 95 of 100 cases"}},
                },
            },
            columns=("good ones wanted", "to print, enough in 95 of 100 cases", "needed on average"),
            rows=rows,
            csv_url=asking.csv_url("to-print"),
            note=(
                f"n = {count_words(found['parts'], asking.things)}, {found['lost']} lost; those of "
                "one build share causes, so they "
                f"count for {found['n_effective']:.0f}."
            ),
        ),
    )
