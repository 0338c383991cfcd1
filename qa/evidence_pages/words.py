"""Factors, levels, intervals and doubts of the evidence as people say them."""

from __future__ import annotations

from typing import Any

from django.conf import settings

from labtrack.charts import supported_digits
from qa.evidence_pages.asking import Asking
from qa.queries.trend_names import Names
from qa.statistics.factors import STEP
from qa.statistics.results import more_words
from qa.trend_charts.trend import CANNOT_TELL

FACTORS = {
    "printer": "printer",
    "process": "printing process",
    "tank": "tank",
    "forming_machine": "forming machine",
    "material": "material",
    "lot": "resin lot",
    "colour": "colour",
    "translucency": "translucency",
    "sheet": "sheet",
    "sheet_lot": "sheet lot",
    "operator": "operator",
    "profile": "exposure profile",
    "layer_um": "layer thickness in µm",
    "orientation": "orientation",
    "supports": "supports",
    "hollow": "hollow",
    "resin_temp_c": "resin temperature in °C",
    "model_age_days": "days from print to forming",
    "formings": "times formed over",
    "days_since_filter": "days since the tank was filtered",
    "builds_since_filter": "builds since the tank was filtered",
    "layers_since_filter": "layers since the tank was filtered",
    "ml_since_filter": "ml of resin since the tank was filtered",
    "bath_parts": "parts washed in the bath",
    "lamp_hours": "hours of the lamp",
}
ANSWERS = {"yes": "done as instructed", "no": "not done as instructed", "na": "does not apply"}
# Factors that are numbers: their records are found by a range of them.
BY_RANGE = (
    "days_since_filter", "builds_since_filter", "layers_since_filter", "ml_since_filter", "bath_parts",
    "lamp_hours", "resin_temp_c", "layer_um", "model_age_days", "formings",
)  # fmt: skip
# Units of the numbers whose factor's name holds none.
UNITS = {
    "days_since_filter": "days",
    "builds_since_filter": "builds",
    "layers_since_filter": "layers",
    "ml_since_filter": "ml",
    "bath_parts": "parts",
    "lamp_hours": "hours",
    "model_age_days": "days",
    "formings": "times",
}
WHOLE_FROM = 100.0  # from here on a fraction of a number says nothing
SOMEBODY, OTHERS = "one person", "the others"


def factor_words(name: str, names: Names) -> str:
    """A factor as people say it."""
    if name.startswith(STEP):
        code = name.removeprefix(STEP)
        return f"“{names.items.get(code, code)}”"
    return FACTORS.get(name, name)


def level_words(factor: str, level: str) -> str:
    """A level as people say it; a person's name only where the lab compares people."""
    if factor == "operator" and not settings.COMPARE_PEOPLE:
        return OTHERS if level == OTHERS else SOMEBODY
    if factor.startswith(STEP):
        return ANSWERS.get(level, level)
    return _plain(level) if factor in BY_RANGE else level


def _plain(level: str) -> str:
    """A number with no more digits than anybody reads; everything else as it is."""
    try:
        value = float(level)
    except ValueError:
        return level
    return f"{value:.0f}" if abs(value) >= WHOLE_FROM else f"{round(value, 1):g}"


def without_names(report: dict[str, Any]) -> dict[str, Any]:
    """The report with people's names left out, unless the lab compares people."""
    causes = [
        cause | {name: level_words("operator", cause[name]) for name in ("level", "reference")}
        if cause["factor"] == "operator"
        else cause
        for cause in report["causes"]
    ]
    return report | {"causes": causes}


def upper_first(words: str) -> str:
    return f"{words[:1].upper()}{words[1:]}"


def contrast_words(cause: dict[str, Any], names: Names) -> str:
    """What is compared with what."""
    factor = cause["factor"]
    level, reference = (level_words(factor, cause[name]) for name in ("level", "reference"))
    if factor == "operator" and level == SOMEBODY:
        reference = OTHERS
    words = upper_first(factor_words(factor, names))
    if factor.startswith(STEP) and cause["reference"] == "yes":
        return f"{words}: {level}"
    return f"{words}: {_with_unit(factor, level)} against {reference}"


def side_words(cause: dict[str, Any]) -> tuple[str, str]:
    """The parts at the level and at the reference, each by itself; of a number, from where on."""
    factor = cause["factor"]
    level, reference = (level_words(factor, cause[name]) for name in ("level", "reference"))
    if factor == "operator" and level == SOMEBODY:
        return level, OTHERS
    try:
        above = float(cause["level"]) >= float(cause["reference"])
    except ValueError:
        return _with_unit(factor, level), _with_unit(factor, reference)
    return _from_on(factor, level, up=above), _from_on(factor, reference, up=not above)


def _from_on(factor: str, level: str, *, up: bool) -> str:
    """A number and all beyond it; of none there is no less."""
    words = _with_unit(factor, level)
    return f"{words} or more" if up else f"{words} or less" if float(level) else words


def _with_unit(factor: str, level: str) -> str:
    """A number with its unit; everything else as it is."""
    try:
        value = float(level)
    except ValueError:
        return level
    unit = UNITS.get(factor, "")
    return f"{level} {unit.removesuffix('s') if value == 1 else unit}".strip()


def interval_words(low: float | None, high: float | None, digits: int = 1) -> str:
    """An interval in words; an open end says so."""
    ends = ["no bound" if end is None else _signed(end, digits) for end in (low, high)]
    return f"95 % {ends[0]} to {ends[1]}"


def figure_words(value: float, low: float | None, high: float | None) -> str:
    """A figure with its interval, as many decimals as that supports."""
    digits = supported_digits(low, high)
    return f"{_signed(value, digits)} ({interval_words(low, high, digits)})"


def _signed(value: float, digits: int) -> str:
    """A number with a real minus, as tables have it."""
    return f"{value:.{digits}f}".replace("-", "\u2212")


def p_words(p: float) -> str:
    """A p-value with the digits that anybody reads."""
    return "below 0.001" if p < 0.001 else f"{p:.3f}" if p < 0.1 else f"{p:.2f}"


def filter_words(asking: Asking) -> str:
    """When filtering pays, with its interval; empty where the costs or the hazard do not say."""
    sentence = str(asking.result["tanks"]["filter_sentence"])
    ends = asking.report["tanks"]["filter_ci95"]
    if not sentence or ends is None:
        return sentence
    low, high = ("beyond what was seen" if end is None else f"{end:.0f}" for end in ends)
    return f"{sentence.removesuffix('.')} (95 % {low} to {high})."


def today_words(asking: Asking) -> str:
    """At what age tanks are filtered today, and the oldest seen; empty where no filtering is recorded."""
    found, more = asking.report["tanks"], asking.result["tanks"]
    kind = next((one for one in more["kinds"] if one["age"] == found["age"]), None)
    if not more["now_every"] or kind is None:
        return ""
    oldest = f"{round(kind['curve'][-1][0], 1):g}"
    return (
        f" Today half of the fillings are filtered by {more['now_every']:g} {found['age']}; the oldest seen "
        f"reached {oldest}."
    )


def reason_words(factor: str, reason: str) -> str:
    """Why a factor was not examined, its level as people say it."""
    level = reason.removeprefix("always '").removesuffix("'")
    return reason if level == reason else f"always {level_words(factor, level)}"


def told(verdict: str, needed: int | None, things: str) -> str:
    """Whether it can be told, and how many more it takes where not."""
    if verdict != "unknown":
        return "yes"
    return f"{CANNOT_TELL}: {more_words(needed, things)}" if needed else CANNOT_TELL
