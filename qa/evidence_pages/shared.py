"""What the pages share: what is asked, sections, words for factors, the way to the records."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any
from urllib.parse import urlencode

from django.conf import settings
from django.urls import reverse

from labtrack.charts import SERIES, Chart
from production.choices import AnswerStatus
from qa.choices import EvidenceUnit
from qa.statistics.factors import STEP
from qa.trend_charts.shared import CANNOT_TELL, Names

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
# Factors whose records are found by a column of the rows, and those found by a range of it.
BY_COLUMN = (
    "printer", "process", "tank", "material", "lot", "colour", "translucency", "profile", "orientation",
    "forming_machine", "sheet", "sheet_lot",
)  # fmt: skip
BY_RANGE = (
    "days_since_filter", "builds_since_filter", "layers_since_filter", "ml_since_filter", "bath_parts",
    "lamp_hours", "resin_temp_c", "layer_um", "model_age_days", "formings",
)  # fmt: skip
WHOLE_FROM = 100.0  # from here on a fraction of a number says nothing
SOMEBODY, OTHERS = "one person", "the others"


@dataclass(frozen=True)
class Asking:
    """One page's question: of which unit, from when on, and what was found."""

    unit: EvidenceUnit
    since: date | None
    result: dict[str, Any]
    names: Names
    place: str = ""

    @property
    def query(self) -> str:
        asked = {"unit": self.unit.value}
        if self.since:
            asked["since"] = self.since.isoformat()
        return urlencode(asked)

    @property
    def report(self) -> dict[str, Any]:
        report: dict[str, Any] = self.result["report"]
        return report

    @property
    def things(self) -> str:
        return "parts" if self.unit == EvidenceUnit.PART else "pieces"

    @property
    def currency(self) -> str:
        return str(self.result["currency"] or "")

    def csv_url(self, chart: str) -> str:
        return f"{reverse('qa:evidence-csv', args=[self.place, chart])}?{self.query}"


@dataclass(frozen=True)
class Section:
    """A question, its answer in a sentence, the figures, and how they came about."""

    question: str
    sentence: str
    method: str
    chart: Chart | None = None


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


def contrast_words(cause: dict[str, Any], names: Names) -> str:
    """What is compared with what."""
    factor = cause["factor"]
    level, reference = (level_words(factor, cause[name]) for name in ("level", "reference"))
    if factor == "operator" and level == SOMEBODY:
        reference = OTHERS
    words = factor_words(factor, names)
    words = f"{words[0].upper()}{words[1:]}"
    if factor.startswith(STEP) and cause["reference"] == "yes":
        return f"{words}: {level}"
    return f"{words}: {level} against {reference}"


def interval_words(low: float | None, high: float | None, digits: int = 1) -> str:
    """An interval in words; an open end says so."""
    ends = ["no bound" if end is None else f"{end:.{digits}f}" for end in (low, high)]
    return f"95 % {ends[0]} to {ends[1]}"


def per_month(asking: Asking, cause: dict[str, Any]) -> list[float] | None:
    """Parts a month: estimate and interval; None where no time is known."""
    months = asking.result["months"]
    if not months:
        return None
    scale = asking.report["parts"] / months / 100
    low, high = cause["ci95"]
    return [cause["saved_per_100"] * scale, (low or 0.0) * scale, (high or 0.0) * scale]


def cause_records(asking: Asking, cause: dict[str, Any]) -> str:
    """The address of the records behind a cause; empty where they cannot be listed by it."""
    factor, level = cause["factor"], cause["level"]
    if factor.startswith(STEP) and level == "no":
        return _records(asking, factor, AnswerStatus.NOT_DONE.value, AnswerStatus.OUT_OF_LIMITS.value)
    if factor in BY_RANGE:
        return _records(asking, factor, *_range(cause))
    if factor in ("supports", "hollow") and level in ("yes", "no"):
        return _records(asking, factor, level)
    return _records(asking, factor, level) if factor in BY_COLUMN else ""


def _range(cause: dict[str, Any]) -> tuple[str, str]:
    """From the judged level on: upwards where it is the higher one, else downwards."""
    try:
        level, reference = float(cause["level"]), float(cause["reference"])
    except ValueError:
        return str(cause["level"]), str(cause["level"])
    return (str(cause["level"]), "") if level >= reference else ("", str(cause["level"]))


def _records(asking: Asking, axis: str, level: str, high: str = "") -> str:
    result = asking.result
    asked = {
        "unit": asking.unit.value,
        "axis": axis,
        "level": level,
        "high": high,
        "from": result["first_day"] or "",
        "to": result["last_day"] or "",
    }
    return f"{reverse('qa:trend-records')}?{urlencode(asked)}"


def rate_bars(x: list[Any], rows: list[dict[str, Any]], **extra: Any) -> dict[str, Any]:
    """Rates per 100 with their intervals, from ``rate`` and ``ci95`` of each row."""
    rates = [100 * (row["rate"] or 0.0) for row in rows]
    low = [100 * ((row["ci95"] or [0, 0])[0] or 0.0) for row in rows]
    high = [100 * (1.0 if row["ci95"] is None or row["ci95"][1] is None else row["ci95"][1]) for row in rows]
    return {
        "type": "scatter",
        "mode": "markers",
        "x": x,
        "y": rates,
        "marker": {"size": 11, "color": SERIES[0]},
        "error_y": {
            "type": "data",
            "symmetric": False,
            "array": [h - r for h, r in zip(high, rates, strict=True)],
            "arrayminus": [r - one for one, r in zip(low, rates, strict=True)],
            "color": SERIES[0],
            "thickness": 2,
        },
        "hovertemplate": "%{x}: %{y:.1f} per 100<extra></extra>",
        "showlegend": False,
    } | extra


def rate_cells(row: dict[str, Any]) -> list[Any]:
    """per 100, 95 % from, 95 % to."""
    ends = row["ci95"] or [None, None]
    return [per_100(row["rate"]), per_100(ends[0]), per_100(ends[1])]


def per_100(value: float | None) -> float | None:
    return None if value is None else round(100 * value, 2)


def told(verdict: str, needed: int | None, things: str) -> str:
    """Whether it can be told, and how many more it takes where not."""
    if verdict != "unknown":
        return "yes"
    return f"{CANNOT_TELL}: about {needed} more {things}" if needed else CANNOT_TELL
