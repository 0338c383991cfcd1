"""The way from a suspected cause to the records behind it."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from django.urls import reverse

from production.choices import AnswerStatus
from qa.evidence_pages.asking import Asking
from qa.evidence_pages.words import BY_RANGE
from qa.statistics.factors import STEP

# Factors whose records are found by a column of the rows.
BY_COLUMN = (
    "printer", "process", "tank", "material", "lot", "colour", "translucency", "profile", "orientation",
    "forming_machine", "sheet", "sheet_lot",
)  # fmt: skip


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
    asked = [
        ("unit", asking.unit.value),
        ("axis", axis),
        ("level", level),
        ("high", high),
        ("from", result["first_day"] or ""),
        ("to", result["last_day"] or ""),
    ]
    return f"{reverse('qa:trend-records')}?{urlencode(asked + asking.of)}"
