"""When tanks go bad, when to filter them, and what each one's next build risks."""

from __future__ import annotations

from typing import Any

from labtrack.charts import SERIES, Cell, Chart
from qa.evidence_pages.addresses import cause_records
from qa.evidence_pages.asking import Asking, Section
from qa.evidence_pages.rates import per_100, rate_bars, rate_cells
from qa.evidence_pages.words import filter_words, interval_words, today_words, told
from qa.statistics.binned import BINNED
from qa.statistics.results import count_words
from qa.statistics.survival import KAPLAN_MEIER
from qa.statistics.tanks import FILTER, HAZARD
from qa.trend_charts.trend import CANNOT_TELL, LEGEND_ABOVE


def tanks(asking: Asking) -> list[Section]:
    return [_hazard(asking), _first(asking), _filter(asking), _next(asking)]


def _hazard(asking: Asking) -> Section:
    found, more = asking.report["tanks"], asking.result["tanks"]
    kind = next((one for one in more["kinds"] if one["age"] == found["age"]), None)
    bins = more["bins"]
    middle = [(one["low"] + one["high"]) / 2 for one in bins]
    data: list[dict[str, Any]] = [rate_bars(middle, bins, name="Seen", showlegend=True)]
    if kind is not None:
        ages = [point[0] for point in kind["curve"]]
        for place, name, dash in ((1, "Fitted", "solid"), (2, "95 % band", "dash"), (3, "", "dash")):
            data.append(
                {
                    "type": "scatter",
                    "mode": "lines",
                    "name": name,
                    "showlegend": bool(name),
                    "x": ages,
                    "y": [100 * point[place] for point in kind["curve"]],
                    "line": {"color": SERIES[1], "width": 2, "dash": dash},
                    "hoverinfo": "skip",
                }
            )
    unit = found["age"] or "age"
    others = "; ".join(
        f"by {one['age']} {one['ratio']:.2f} times {one['span']} "
        f"({interval_words(one['ci95'][0], one['ci95'][1], 2)}, n = {one['n']})"
        for one in more["kinds"]
    )
    verdict = told(found["verdict"], more["parts_needed"], asking.things)
    return Section(
        question="When does a tank go bad?",
        sentence=more["sentence"]
        + _young_and_old(kind, asking)
        + (f" {verdict[0].upper()}{verdict[1:]}." if verdict.startswith(CANNOT_TELL + ":") else ""),
        method=(
            f"{BINNED.name} ({BINNED.source}). {HAZARD.name} ({HAZARD.source}). All builds count, not only "
            "those up to the first loss: shedding goes on until the tank is filtered."
        ),
        chart=Chart(
            name="tank-hazard",
            title=f"Lost per 100 against {unit} since filtering",
            figure={
                "data": data,
                "layout": {
                    "xaxis": {"title": {"text": f"{unit} since the tank was filled or filtered"}},
                    "yaxis": {"title": {"text": "Lost, per 100"}, "rangemode": "tozero"},
                    "legend": LEGEND_ABOVE,
                },
            },
            columns=(f"{unit} from", "to", "n", "lost", "per 100", "95 % from", "95 % to"),
            rows=[[one["low"], one["high"], one["n"], one["lost"], *rate_cells(one)] for one in bins],
            csv_url=asking.csv_url("tank-hazard"),
            note=f"Counted: {more['counted']}. n = {more['n']}. Odds of loss {others}." if others else "",
        ),
    )


def _young_and_old(kind: dict[str, Any] | None, asking: Asking) -> str:
    """Odds in words that need no statistics: the fitted loss of the youngest and the oldest tank seen."""
    if kind is None:
        return ""
    unit = kind["age"]
    ends = [
        f"{per_100(share):.1f} of 100 ({per_100(low):.1f} to {per_100(high):.1f}) at {round(age, 1):g} {unit}"
        for age, share, low, high in (kind["curve"][0], kind["curve"][-1])
    ]
    return f" Of {asking.things} that is {ends[0]}, and {ends[1]}, the oldest seen."


def _first(asking: Asking) -> Section:
    found = asking.result["tanks"]["first"]
    curve = found["curve"]
    lines = [
        {
            "type": "scatter",
            "mode": "lines",
            "name": name,
            "showlegend": bool(name),
            "x": [0, *(row[0] for row in curve)],
            "y": [100, *(None if row[place] is None else 100 * row[place] for row in curve)],
            "line": {
                "color": SERIES[0] if place == 2 else SERIES[1],
                "width": 2,
                "dash": dash,
                "shape": "hv",
            },
        }
        for place, name, dash in ((2, "Seen", "solid"), (3, "95 % interval", "dash"), (4, "", "dash"))
    ]
    late = f" {found['late']} of them came into the record already used." if found.get("late") else ""
    few = curve and found["verdict"] != "shown"
    return Section(
        question="How many builds does a tank last until its first contaminated part?",
        sentence=found["sentence"]
        + (f" {CANNOT_TELL.capitalize()} more exactly: fewer than five spells ended so." if few else ""),
        method=(
            f"{found.get('method') or KAPLAN_MEIER.name}. A spell is what a tank prints from one filtering "
            "to the next; one that is filtered first, or still goes on, is censored. Filtering is best timed "
            "by the hazard above: a tank goes on losing parts after the first."
        ),
        chart=Chart(
            name="first-loss",
            title="Tanks without a contaminated part yet, per 100",
            figure={
                "data": lines if curve else [],
                "layout": {
                    "xaxis": {"title": {"text": "Builds since the tank was filled or filtered"}},
                    "yaxis": {"title": {"text": "Without one, per 100"}, "range": [0, 105]},
                    "legend": LEGEND_ABOVE,
                },
            },
            columns=("builds", "spells at risk", "per 100", "95 % from", "95 % to"),
            rows=[[row[0], row[1], *(per_100(row[place]) for place in (2, 3, 4))] for row in curve],
            csv_url=asking.csv_url("first-loss"),
            note=f"n = {count_words(found['n'], 'spells')}, {found['events']} ended in a first loss.{late}"
            if curve
            else "",
        ),
    )


def _filter(asking: Asking) -> Section:
    found, more = asking.report["tanks"], asking.result["tanks"]
    costs, unit = more["interval_costs"], found["age"] or "age"
    by = f"number of {unit}" if found["age"] else "age"
    every = [row[0] for row in costs]
    lines = [
        {
            "type": "scatter",
            "mode": "lines",
            "name": name,
            "showlegend": bool(name),
            "x": every,
            "y": [row[place] for row in costs],
            "line": {"color": SERIES[0] if place == 1 else SERIES[1], "width": 2, "dash": dash},
        }
        for place, name, dash in ((1, "Cost", "solid"), (2, "95 % band", "dash"), (3, "", "dash"))
    ]
    shapes = [
        {
            "type": "line",
            "yref": "paper",
            "y0": 0,
            "y1": 1,
            "x0": at,
            "x1": at,
            "line": {"dash": dash, "width": 2, "color": colour},
        }
        for at, dash, colour in (
            (found["filter_every"], "solid", SERIES[2]),
            (more["now_every"], "dot", SERIES[3]),
        )
        if at is not None
    ]
    return Section(
        question="How often should tanks be filtered?",
        sentence=_filter_sentence(asking),
        method=(
            f"{FILTER.name} ({FILTER.source}). Cost of an interval: filtering once, and "
            "the parts lost since, "
            "over its length. Intervals beyond the ages seen are not guessed."
        ),
        chart=Chart(
            name="filter-costs",
            title=f"What filtering costs, by the {by} it is done at",
            figure={
                "data": lines if costs else [],
                "layout": {
                    "xaxis": {"title": {"text": f"Filtered after so many {unit}"}},
                    "yaxis": {"title": {"text": asking.currency or "Cost"}, "rangemode": "tozero"},
                    "legend": LEGEND_ABOVE,
                    "shapes": shapes,
                },
            },
            columns=(
                f"filtered after, {unit}",
                f"cost, {asking.currency or 'money'}",
                "95 % from",
                "95 % to",
            ),
            rows=costs,
            csv_url=asking.csv_url("filter-costs"),
            note="Full upright line: the best interval. Dotted: how tanks are filtered today."
            if costs
            else "",
        ),
    )


def _filter_sentence(asking: Asking) -> str:
    found, more = asking.report["tanks"], asking.result["tanks"]
    now = today_words(asking)
    if found["verdict"] != "shown":
        return f"{CANNOT_TELL.capitalize()}: it is not shown that older tanks lose more.{now}"
    if not more["filter_sentence"]:
        return (
            "Say on the page Cost what filtering a tank and a lost part cost; then the best interval is told "
            f"here.{now}"
        )
    return f"{filter_words(asking)}{now}{_change(asking)}"


def _change(asking: Asking) -> str:
    """What filtering costs at today's interval and at the best one."""
    found, more = asking.report["tanks"], asking.result["tanks"]
    costs, best, now = more["interval_costs"], found["filter_every"], more["now_every"]
    if not costs or best is None or not now:
        return ""
    at = {
        name: min(costs, key=lambda row: abs(row[0] - value))
        for name, value in (("best", best), ("now", now))
    }
    saved = at["now"][1] - at["best"][1]
    unit = {"days": "a day", "builds": "a build"}.get(found["age"], "for each")
    if saved <= 0:
        return ""
    costs_at = [f"{row[1]:.2f} {asking.currency} ({row[2]:.2f} to {row[3]:.2f})" for row in at.values()]
    return f" With the parts lost, that costs {costs_at[0]} {unit} and tank; today it is {costs_at[1]}."


def _next(asking: Asking) -> Section:
    found, rows = asking.report["tanks"], asking.result["tanks"]["next_build"]
    unit = found["age"] or "age"
    shown = found["verdict"] == "shown"
    return Section(
        question="What does each tank's next build risk?",
        sentence=(
            "No tank has a recorded age to look ahead from."
            if not rows
            else f"{rows[0]['tank']} risks most: {per_100(rows[0]['risk']):.1f} of 100 {asking.things} "
            f"({interval_words(per_100(rows[0]['ci95'][0]), per_100(rows[0]['ci95'][1]))})."
            + ("" if shown else f" {CANNOT_TELL.capitalize()} whether age matters: a first guess.")
        ),
        method=f"The fitted curve at each tank's age at its next build ({HAZARD.source}).",
        chart=Chart(
            name="next-build",
            title="Chance of loss in the next build",
            figure={
                "data": [
                    rate_bars(
                        [row["tank"] for row in rows],
                        [{"rate": row["risk"], "ci95": row["ci95"]} for row in rows],
                    )
                ],
                "layout": {
                    "xaxis": {"type": "category", "automargin": True},
                    "yaxis": {"title": {"text": "Lost, per 100"}, "rangemode": "tozero"},
                },
            },
            columns=("tank", f"age, {unit}", "per 100", "95 % from", "95 % to", "note"),
            rows=[
                [
                    _tank(asking, row["tank"]),
                    row["age"],
                    *rate_cells({"rate": row["risk"], "ci95": row["ci95"]}),
                    "older than any seen: extended, not measured" if row["beyond_seen"] else "",
                ]
                for row in rows
            ],
            csv_url=asking.csv_url("next-build"),
        ),
    )


def _tank(asking: Asking, tank: str) -> Any:
    url = cause_records(asking, {"factor": "tank", "level": tank})
    return Cell(tank, url)
