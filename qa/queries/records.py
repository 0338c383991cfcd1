"""The parts or pieces behind one figure of the trends."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django.db.models import Q, QuerySet, Sum, TextField
from django.db.models.fields.json import KeyTextTransform
from django.db.models.functions import Cast

from labtrack.errors import NotFound
from production.choices import NOT_RECORDED, NOT_RECORDED_LABEL, AnswerStatus
from qa.choices import COLUMN_AXES, STEP_AXIS, EvidenceUnit, Measure
from qa.models import EvidenceTally, FormedPieceRow, PrintAttempt
from qa.queries.published import counts
from qa.queries.selection import EVERYTHING, Selection, chosen
from qa.queries.tally import Range
from qa.queries.trend_names import Names

_AGES = {"tank-days": "days_since_filter", "tank-builds": "builds_since_filter"}
# Columns of the rows that a suspected cause may be found by, and those found by a range of them.
_PLAIN = (
    "process", "lot", "profile", "orientation", "forming_machine", "sheet", "sheet_lot",
)  # fmt: skip
_RANGES = (
    "days_since_filter", "builds_since_filter", "layers_since_filter", "ml_since_filter", "bath_parts",
    "lamp_hours", "resin_temp_c", "layer_um", "model_age_days", "formings",
)  # fmt: skip
_YES_NO = {"supports": {"yes": True, "no": False}, "hollow": {"yes": True, "no": False}}
MOST_COUNTED = 10_000
MOST_LEVELS = 400
_COLUMN_WORDS = {
    "printer": "printed on",
    "grade": "printed on a machine of grade",
    "material": "of",
    "colour": "of colour",
    "translucency": "of translucency",
    "tank": "from tank",
}


@dataclass(frozen=True)
class RecordsAsked:
    """``level`` alone, or from ``level`` to ``high`` for ages and for two statuses of a step."""

    unit: EvidenceUnit
    days: Range
    axis: str = "all"
    level: str = ""
    high: str = ""
    only: Measure | None = None
    selection: Selection = EVERYTHING

    def words(self, names: Names) -> str:
        """What is shown, for the head of the page."""
        if self.axis in _AGES:
            unit = "days" if self.axis == "tank-days" else "builds"
            span = self.level if self.level == self.high or not self.high else f"{self.level} to {self.high}"
            return f"{span} {unit} after the tank was filled or filtered"
        if self.axis.startswith(STEP_AXIS):
            code = self.axis.removeprefix(STEP_AXIS)
            return f"“{names.items.get(code, code)}”: {_status_words(self.level, self.high)}"
        if self.axis == "defect":
            kind, origin, _ = [*self.level.split("|"), "", ""][:3]
            return names.flaw(f"{kind}|{origin}")
        if self.axis == "week":
            return f"the week from {self.level}"
        if self.axis in _RANGES:
            name = self.axis.replace("_", " ")
            low, high = (_short(end) for end in (self.level, self.high))
            ends = (f"from {low}" if low else "", f"up to {high}" if high else "")
            return f"{name} {' '.join(end for end in ends if end)}"
        if self.axis in _PLAIN or self.axis in _YES_NO:
            return f"{self.axis.replace('_', ' ')}: {self.level}"
        if self.axis in _COLUMN_WORDS:
            return f"{_COLUMN_WORDS[self.axis]} {self.level}"
        return "everything"


def _short(number: str) -> str:
    """An end of a range with no more digits than anybody reads."""
    return f"{round(_number(number), 1):g}" if number else ""


def _status_words(level: str, high: str) -> str:
    labels = {**dict(AnswerStatus.choices), NOT_RECORDED: NOT_RECORDED_LABEL}
    named = [str(labels.get(status, status)).lower() for status in (level, high) if status]
    return " or ".join(named)


def records_behind(asked: RecordsAsked) -> QuerySet[Any]:
    """Mature rows of the range on that axis and level, the latest first; ``NotFound`` for no such axis."""
    model = PrintAttempt if asked.unit == EvidenceUnit.PART else FormedPieceRow
    rows: QuerySet[Any] = model.objects.filter(
        counts(), mature=True, day__gte=asked.days.start, day__lte=asked.days.end
    )
    rows = chosen(_on_axis(rows, asked), asked.selection)
    if asked.only is not None:
        rows = rows.filter(**{asked.only.value: True})
    # By day first, which is the same order and the one that the index has.
    return rows.order_by("-day", "-occurred_at", "-pk")


def count_records(asked: RecordsAsked) -> int:
    """How many records there are, from the tally where it holds them, else counted up to ``MOST_COUNTED``.

    The tally says it at any number of parts in the same time.
    """
    cells = _cells(asked)
    if cells is None:
        return int(records_behind(asked)[:MOST_COUNTED].count())
    column = asked.only.value if asked.only is not None else "parts"
    return int(cells.order_by().aggregate(sum=Sum(column))["sum"] or 0)


def _cells(asked: RecordsAsked) -> QuerySet[EvidenceTally] | None:
    """The cells of the tally that hold what is asked for, each row in one of them; None where none do."""
    start, end, axis = asked.days.start, asked.days.end, asked.axis
    levels, one = [asked.level], asked.selection.standing
    if one is None or not (one.is_all or axis in ("all", "week")):
        return None  # each cell is of one thing alone
    if axis == "all":
        axis, levels = one.axis, [one.level]
    elif axis == "week":
        monday = _day(asked.level)
        start, end = max(start, monday), min(end, monday + timedelta(days=6))
        axis, levels = one.axis, [one.level]
    elif axis.startswith(STEP_AXIS):
        levels = sorted({status for status in (asked.level, asked.high) if status})
    elif axis in _AGES:
        low, high = _whole(asked.level), _whole(asked.high or asked.level)
        if high - low > MOST_LEVELS:
            return None
        levels = [str(age) for age in range(low, high + 1)]
    elif axis not in COLUMN_AXES:
        return None
    return EvidenceTally.objects.filter(
        counts(), unit=asked.unit, day__gte=start, day__lte=end, axis=axis, level__in=levels
    )


def _on_axis(rows: QuerySet[Any], asked: RecordsAsked) -> QuerySet[Any]:
    if asked.axis == "all":
        return rows
    if asked.axis in COLUMN_AXES:
        return rows.filter(**{asked.axis: asked.level})
    if asked.axis in _AGES:
        low, high = _whole(asked.level), _whole(asked.high or asked.level)
        column = _AGES[asked.axis]
        return rows.filter(**{f"{column}__gte": low, f"{column}__lt": high + 1})
    if asked.axis in _PLAIN and _has(rows, asked.axis):
        return rows.filter(**{asked.axis: asked.level})
    if asked.axis in _RANGES and _has(rows, asked.axis):
        return _in_range(rows, asked)
    if asked.axis in _YES_NO and asked.level in _YES_NO[asked.axis] and _has(rows, asked.axis):
        return rows.filter(**{asked.axis: _YES_NO[asked.axis][asked.level]})
    if asked.axis == "week":
        monday = _day(asked.level)
        return rows.filter(day__gte=monday, day__lt=monday + timedelta(days=7))
    if asked.axis == "defect":
        # The list is stored as JSON text; the quote before the label makes it a whole start of an entry.
        text: QuerySet[Any] = rows.annotate(defect_text=Cast("defects", TextField()))
        return text.filter(defect_text__contains=f'"{asked.level}')
    if asked.axis.startswith(STEP_AXIS):
        code = asked.axis.removeprefix(STEP_AXIS)
        statuses = [status for status in (asked.level, asked.high) if status]
        status = Cast(KeyTextTransform(code, "steps"), TextField())
        with_status: QuerySet[Any] = rows.annotate(step_status=status)
        return with_status.filter(Q(step_status__in=statuses))
    raise NotFound("There is no such figure.")


def _has(rows: QuerySet[Any], name: str) -> bool:
    """Parts and pieces have some columns each of their own."""
    return any(field.name == name for field in rows.model._meta.concrete_fields)


def _in_range(rows: QuerySet[Any], asked: RecordsAsked) -> QuerySet[Any]:
    for text, comparison in ((asked.level, "gte"), (asked.high, "lte")):
        if text:
            rows = rows.filter(**{f"{asked.axis}__{comparison}": _number(text)})
    return rows.filter(**{f"{asked.axis}__isnull": False})


def _number(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        raise NotFound("There is no such figure.") from None
    if not math.isfinite(value) or abs(value) > 1e12:
        raise NotFound("There is no such figure.")
    return value


def _whole(text: str) -> int:
    if not text.isascii() or not text.isdigit() or len(text) > 9:
        raise NotFound("There is no such figure.")
    return int(text)


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise NotFound("There is no such figure.") from None
