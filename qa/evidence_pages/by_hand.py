"""Each suspected cause as plain counts: what a manager can recompute by hand, beside the adjusted figure."""

from __future__ import annotations

from typing import Any

from labtrack.charts import Chart
from qa.evidence_pages.asking import Asking, Detail, Section
from qa.evidence_pages.words import contrast_words, figure_words, p_words, side_words
from qa.statistics.by_hand import MID_P
from qa.statistics.proportions import DESIGN_EFFECT, MANTEL_HAENSZEL, NEWCOMBE, WILSON
from qa.statistics.results import count_words, of_words, rounded
from qa.trend_charts.trend import CANNOT_TELL

ALIKE = 1.05  # a design effect from which on builds are said to be alike
STRATA = {"printer": "printers", "material": "materials"}
COLUMNS = (
    "what against what", "lost at it", "n at it", "per 100", "95 % from", "95 % to",
    "lost at the reference", "n at the reference", "per 100 ", "95 % from ", "95 % to ",
    "difference per 100", "95 % from  ", "95 % to  ", "Fisher's mid-p", "design effect",
    "within", "of them tell", "common difference per 100", "95 % from   ", "95 % to   ",
    "common odds ratio", "95 % from    ", "95 % to    ", "p of one odds ratio for all", "do they disagree?",
)  # fmt: skip


def by_hand(asking: Asking) -> Section:
    """Every factor examined, not adjusted."""
    plain = {one["factor"]: one["by_hand"] for one in asking.result["causes"] if one["by_hand"]}
    causes = [
        (place, cause, plain[cause["factor"]])
        for place, cause in enumerate(asking.report["causes"], 1)
        if cause["factor"] in plain
    ]
    return Section(
        question="What do the plain counts say, without adjusting?",
        sentence=(
            "Each comparison again as counts that can be recomputed by hand, nothing adjusted. Where the "
            "plain difference and the adjusted saving point different ways, the factor goes along with "
            "something else that costs good work."
            if causes
            else "No factor could be compared."
        ),
        method=(
            f"{WILSON.name} ({WILSON.source}) and {NEWCOMBE.name} ({NEWCOMBE.source}) on the effective n "
            f"({DESIGN_EFFECT.name}, pooled within both sides: {DESIGN_EFFECT.source}). {MID_P.name} "
            f"({MID_P.source}), which takes parts as independent. {MANTEL_HAENSZEL.name} "
            f"({MANTEL_HAENSZEL.source}), variances times the design effect (Rao and Scott 1992). Of twenty "
            "factors one may show disagreeing strata by chance."
        ),
        chart=Chart(
            name="by-hand",
            title="Every comparison without adjusting",
            figure={"data": [], "layout": {}},
            columns=COLUMNS,
            rows=[_row(asking, cause, its) for _, cause, its in causes],
            csv_url=asking.csv_url("by-hand"),
        )
        if causes
        else None,
        details=[_detail(asking, cause, its, place) for place, cause, its in causes],
    )


def anchor(place: int) -> str:
    """Where the comparison of the cause at ``place`` (from 1) stands on its page."""
    return f"by-hand-{place}"


def short_words(plain: dict[str, Any] | None) -> str:
    """Lost of n on both sides."""
    if plain is None:
        return ""
    at, rest = plain["level"], plain["reference"]
    return f"{at['count']} of {at['n']} against {rest['count']} of {rest['n']}"


def _row(asking: Asking, cause: dict[str, Any], plain: dict[str, Any]) -> list[Any]:
    within = plain["within"] or {}
    common, odds = within.get("ci95") or [None, None], within.get("odds_ci95") or [None, None]
    return [
        contrast_words(cause, asking.names),
        *_side_cells(plain["level"]),
        *_side_cells(plain["reference"]),
        *(rounded(value, 2) for value in (plain["per_100"], *plain["ci95"])),
        rounded(plain["mid_p"], 4),
        rounded(plain["design_effect"], 2),
        STRATA[within["factor"]] if within else "",
        len(within["strata"]) if within else None,
        *(rounded(value, 2) for value in (within.get("per_100"), *common)),
        *(rounded(value, 2) for value in (within.get("odds"), *odds)),
        rounded(within.get("homogeneity_p"), 4),
        _disagree_word(within),
    ]


def _side_cells(side: dict[str, Any]) -> list[Any]:
    low, high = side["ci95"]
    return [side["count"], side["n"], *(rounded(100 * value, 2) for value in (side["rate"], low, high))]


def _disagree_word(within: dict[str, Any]) -> str:
    if not within or within["homogeneity_p"] is None:
        return CANNOT_TELL
    return "yes" if within["disagree"] else "not shown"


def _detail(asking: Asking, cause: dict[str, Any], plain: dict[str, Any], place: int) -> Detail:
    tables = [_sides_table(cause, plain, place)]
    if plain["within"] and plain["within"]["strata"]:
        tables.append(_strata_table(cause, plain["within"], place))
    return Detail(
        anchor=anchor(place),
        title=contrast_words(cause, asking.names),
        short=f"lost {short_words(plain)}",
        tables=tables,
        sentences=[
            _difference(plain),
            _mid_p(plain),
            _adjusted(asking, cause, plain),
            *_within(asking, plain["within"]),
            *_left_out(asking, plain),
        ],
    )


def _sides_table(cause: dict[str, Any], plain: dict[str, Any], place: int) -> Chart:
    return Chart(
        name=f"by-hand-{place}-sides",
        title="Both sides",
        figure={},
        columns=("", "lost", "n", "counts for", "per 100", "95 % from", "95 % to"),
        rows=[
            [words, side["count"], side["n"], round(side["counts_for"]), *_side_cells(side)[2:]]
            for words, side in zip(side_words(cause), (plain["level"], plain["reference"]), strict=True)
        ],
    )


def _strata_table(cause: dict[str, Any], within: dict[str, Any], place: int) -> Chart:
    at, rest = side_words(cause)
    return Chart(
        name=f"by-hand-{place}-strata",
        title=f"Within {STRATA[within['factor']]}",
        figure={},
        columns=(within["factor"], f"lost: {at}", "n", f"lost: {rest}", "n ", "difference per 100"),
        rows=[
            [name, lost, n, lost_rest, n_rest, rounded(100 * (lost / n - lost_rest / n_rest), 1)]
            for name, lost, n, lost_rest, n_rest in within["strata"]
        ],
    )


def _difference(plain: dict[str, Any]) -> str:
    low, high = plain["ci95"]
    words = f"Difference per 100: {figure_words(plain['per_100'], low, high)}, by Newcombe's interval"
    return f"{words}." if low > 0 or high < 0 else f"{words}: {CANNOT_TELL}."


def _mid_p(plain: dict[str, Any]) -> str:
    words = f"Fisher's mid-p of the four counts: {p_words(plain['mid_p'])}. It takes parts as independent"
    effect = plain["design_effect"]
    if effect < ALIKE:
        return f"{words}; those of one build are hardly alike here (design effect {effect:.2f})."
    return (
        f"{words}, which those of one build are not: they are alike (design effect {effect:.2f}), so it "
        "claims too much. The intervals allow for it."
    )


def _adjusted(asking: Asking, cause: dict[str, Any], plain: dict[str, Any]) -> str:
    figures = figure_words(cause["saved_per_100"], *cause["ci95"])
    adjusted = f"the adjusted figure above is {figures} per 100 of all {asking.things}"
    if plain["left_out"] > plain["unrecorded"]:
        return f"For comparison, {adjusted}; it follows the age through, and not only its two ends."
    low, high = plain["ci95"]
    share = plain["level"]["n"] / asking.report["parts"]
    digits = figure_words(plain["per_100"] * share, low * share, high * share)
    return f"Spread over all {asking.things} the difference is {digits} per 100; {adjusted}."


def _within(asking: Asking, within: dict[str, Any] | None) -> list[str]:
    """The common difference, and whether the strata agree; that it cannot be told where they do not say."""
    if within is None:
        return ["Cannot tell within printers: none is recorded."]
    many, few = STRATA[within["factor"]], within["factor"]
    tell, alone = len(within["strata"]), within["silent"]
    if not tell:
        return [f"Cannot tell within {many}: no {few} has {asking.things} on both sides."]
    from_which = f"from {of_words(tell, tell + alone, many)}"
    if alone:
        from_which += f"; the others have {asking.things} on one side alone"
    if within["per_100"] is None:
        return [
            f"Cannot tell within {many}: nothing to compare was lost, or nothing was good ({from_which})."
        ]
    common = figure_words(within["per_100"], *within["ci95"])
    return [
        f"Within {many} the common difference per 100 is {common}{_odds(within)} (Mantel-Haenszel, "
        f"{from_which}).",
        _agreement(within, many, few),
    ]


def _odds(within: dict[str, Any]) -> str:
    odds, ends = within["odds"], within["odds_ci95"]
    if odds is None or None in ends:
        return "; cannot tell the ratio of the odds"
    return f", the odds of loss {odds:.2f} times ({ends[0]:.2f} to {ends[1]:.2f})"


def _agreement(within: dict[str, Any], many: str, few: str) -> str:
    p = within["homogeneity_p"]
    if p is None:
        return f"Cannot tell whether {many} agree: fewer than two of them have lost and good ones to compare."
    tested = f"(Breslow and Day's test with Tarone's correction, p = {p_words(p)})"
    if within["disagree"]:
        return f"The {many} disagree {tested}: the common figure hides that, so look at each {few}."
    return f"The {many} are not shown to disagree {tested}."


def _left_out(asking: Asking, plain: dict[str, Any]) -> list[str]:
    neither = []
    if between := plain["left_out"] - plain["unrecorded"]:
        neither.append(f"{count_words(between, asking.things)} between the two")
    if plain["unrecorded"]:
        neither.append(f"{count_words(plain['unrecorded'], asking.things)} with nothing recorded")
    words = [f"On neither side: {' and '.join(neither)}."] if neither else []
    within = plain["within"] or {}
    if within.get("unplaced"):
        few = within["factor"]
        unplaced = count_words(within["unplaced"], asking.things)
        words.append(f"Not within {STRATA[few]}: {unplaced} of no recorded {few}.")
    return words
