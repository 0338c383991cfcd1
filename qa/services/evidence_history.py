"""Evidence rows and counts of imported history, made from its source rows.

Rows are written with one prepared statement for a whole chunk, and the counts are summed by column:
a history of a hundred thousand parts is no more than seconds of work.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date, datetime
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from django.db import connection, transaction
from django.utils import timezone

from production.choices import NOT_RECORDED, AnswerStatus
from qa.choices import EvidenceSource, EvidenceUnit
from qa.models import EvidenceTally, FormedPieceRow, HistoryImport, HistoryRows, PrintAttempt
from qa.services.tally import COLUMN_AXES, LEVEL_LENGTH, STEP_AXIS
from qa.statistics.evidence import is_contamination
from qa.statistics.history import STEP

Columns = Mapping[str, Sequence[Any]]
Counts = npt.NDArray[np.float64]

# What a column of the evidence tables can hold; the reader refuses more, by its place.
LONGEST = {
    **dict.fromkeys(
        (
            "part", "printer", "build", "material", "lot", "colour", "profile", "tank", "operator", "sheet",
            "sheet_lot", "forming_machine", "case", "appliance",
        ),
        80,
    ),
    **dict.fromkeys(("process", "translucency", "orientation", "step_of_origin", "step_found"), 40),
}  # fmt: skip
LARGEST = {
    "layer_um": 32_000.0,
    "formings": 32_000.0,
    "builds_since_filter": 2e9,
    "bath_parts": 2e9,
}
STATUSES = {"yes": AnswerStatus.WITHIN, "no": AnswerStatus.NOT_DONE, "na": AnswerStatus.NOT_APPLICABLE}
FORMING = ("sheet", "sheet_lot", "forming_machine")
TALLY_CHUNK = 2_000
_SHARED = (
    "source", "history_id", "label", "occurred_at", "day", "build", "printer", "process", "grade",
    "material", "lot", "colour", "translucency", "profile", "tank", "days_since_filter",
    "builds_since_filter", "operator", "steps", "defects", "outcome", "lost", "defective", "contaminated",
    "mature", "case_label", "clinic", "appliance_kind",
)  # fmt: skip
_OF_PART = (
    "layer_um", "orientation", "platform_x_mm", "platform_y_mm", "supports", "hollow", "resin_temp_c",
    "bath_parts", "lamp_hours",
)  # fmt: skip
_OF_PIECE = ("forming_machine", "sheet", "sheet_lot", "formings", "model_age_days", "remade", "returned")


class HistoryEvidence:
    """Makes the evidence of one imported file, chunk by chunk, and its counts at the end."""

    def __init__(self, history: HistoryImport) -> None:
        self._history = history
        self._moments: dict[Any, tuple[Any, date]] = {}
        self._steps: dict[tuple[Any, ...], str] = {}
        self._cells: dict[tuple[str, date, str, str], Counts] = {}

    def add(self, columns: Columns) -> None:
        """Write the rows of one chunk and add them to the counts; inside the caller's transaction."""
        n = len(columns["part"])
        if n == 0:
            return
        days = self._days(columns)
        made = self._values(columns, n, days)
        _insert(PrintAttempt, (*_SHARED, *_OF_PART), made)
        self._count(EvidenceUnit.PART, columns, made, days, np.arange(n))
        formed = _formed(columns, n)
        if len(formed):
            picked = {name: [values[i] for i in formed] for name, values in made.items()}
            _insert(FormedPieceRow, (*_SHARED, *_OF_PIECE), picked)
            self._count(EvidenceUnit.PIECE, columns, made, days, formed)

    def tally(self) -> Iterator[list[EvidenceTally]]:
        """The counts of everything added, in batches to be stored."""
        batch: list[EvidenceTally] = []
        for (unit, day, axis, level), counts in sorted(self._cells.items(), key=lambda item: item[0]):
            parts, lost, defective, contaminated = (int(count) for count in counts)
            batch.append(
                EvidenceTally(
                    unit=unit,
                    history=self._history,
                    day=day,
                    axis=axis,
                    level=level,
                    parts=parts,
                    lost=lost,
                    defective=defective,
                    contaminated=contaminated,
                )
            )
            if len(batch) == TALLY_CHUNK:
                yield batch
                batch = []
        if batch:
            yield batch

    def _days(self, columns: Columns) -> list[date]:
        for value in set(columns["printed_at"]) - self._moments.keys():
            moment = _aware(value)
            stored = connection.ops.adapt_datetimefield_value(moment)
            self._moments[value] = (stored, timezone.localtime(moment).date())
        return [self._moments[value][1] for value in columns["printed_at"]]

    def _values(self, columns: Columns, n: int, days: list[date]) -> dict[str, list[Any]]:
        text = {name: [value or "" for value in columns.get(name, [None] * n)] for name in _TEXTS}
        number = {name: columns.get(name, [None] * n) for name in _NUMBERS}
        defects = [_labels(*row) for row in zip(
            columns.get("defects", [None] * n), text["step_of_origin"], text["step_found"], strict=True
        )]  # fmt: skip
        outcome = columns["outcome"]
        adapt_day = {day: connection.ops.adapt_datefield_value(day) for day in set(days)}
        return {
            "source": [EvidenceSource.IMPORT.value] * n,
            "history_id": [self._history.pk] * n,
            "label": list(columns["part"]),
            "occurred_at": [self._moments[value][0] for value in columns["printed_at"]],
            "day": [adapt_day[day] for day in days],
            **{name: text[name] for name in (
                "build", "printer", "process", "material", "lot", "colour", "translucency", "profile", "tank",
                "operator", "orientation", "forming_machine", "sheet", "sheet_lot",
            )},
            "grade": [""] * n,
            "clinic": [""] * n,
            "case_label": text["case"],
            "appliance_kind": text["appliance"],
            "steps": self._step_texts(columns, n),
            "defects": [json.dumps(labels) for labels in defects],
            "outcome": list(outcome),
            "lost": [value == "scrapped" for value in outcome],
            "defective": [bool(labels) for labels in defects],
            "contaminated": [any(map(_is_dirty, labels)) for labels in defects],
            "mature": [True] * n,
            **{name: list(number[name]) for name in (
                "days_since_filter", "platform_x_mm", "platform_y_mm", "resin_temp_c", "lamp_hours",
                "model_age_days",
            )},
            **{name: [_whole(value) for value in number[name]] for name in (
                "builds_since_filter", "layer_um", "bath_parts", "formings",
            )},
            "supports": [_truth(value) for value in columns.get("supports", [None] * n)],
            "hollow": [_truth(value) for value in columns.get("hollow", [None] * n)],
            "remade": [False] * n,
            "returned": [False] * n,
        }  # fmt: skip

    def _step_texts(self, columns: Columns, n: int) -> list[str]:
        names = [name for name in columns if name.startswith(STEP)]
        if not names:
            return ["{}"] * n
        rows = list(zip(*(columns[name] for name in names), strict=True))
        for row in set(rows) - self._steps.keys():
            statuses = {
                name.removeprefix(STEP): status
                for name, answer in zip(names, row, strict=True)
                if (status := _status(answer))
            }
            self._steps[row] = json.dumps(statuses)
        return [self._steps[row] for row in rows]

    def _count(
        self,
        unit: EvidenceUnit,
        columns: Columns,
        made: dict[str, list[Any]],
        days: list[date],
        at: npt.NDArray[np.int64],
    ) -> None:
        day_codes, day_names = pd.factorize(np.array(days, dtype=object)[at])
        marks = np.stack(
            [np.ones(len(at)), *(np.array(made[name], dtype=float)[at] for name in _MARKS)], axis=1
        )
        for axis, levels in self._axes(columns, made):
            codes, names = pd.factorize(np.array(levels, dtype=object)[at])
            known = codes >= 0
            key = (day_codes * max(1, len(names)) + codes)[known]
            if len(key) == 0:
                continue
            used, place = np.unique(key, return_inverse=True)
            sums = np.stack([np.bincount(place, column[known]) for column in marks.T], axis=1)
            for cell, counts in zip(used, sums, strict=True):
                where = (
                    unit.value,
                    day_names[cell // len(names)],
                    axis,
                    str(names[cell % len(names)])[:LEVEL_LENGTH],
                )
                self._cells[where] = self._cells.get(where, 0) + counts
        self._count_defects(unit, made, days, at, marks)

    def _axes(self, columns: Columns, made: dict[str, list[Any]]) -> Iterator[tuple[str, list[Any]]]:
        """Axes with the level of every row, None where it counts on none."""
        yield "all", [""] * len(made["label"])
        # Builds of different files are different builds, whatever they are called.
        yield "build", [f"{self._history.pk}:{name}" if name else None for name in made["build"]]
        for axis in COLUMN_AXES:
            if any(made[axis]):
                yield axis, [value or None for value in made[axis]]
        days, builds = made["days_since_filter"], made["builds_since_filter"]
        yield "tank-days", [None if value is None else str(math.floor(value)) for value in days]
        yield "tank-builds", [None if value is None else str(value) for value in builds]
        for name in columns:
            if name.startswith(STEP):
                yield (
                    STEP_AXIS + name.removeprefix(STEP),
                    [_status(answer) or None for answer in columns[name]],
                )

    def _count_defects(
        self,
        unit: EvidenceUnit,
        made: dict[str, list[Any]],
        days: list[date],
        at: npt.NDArray[np.int64],
        marks: Counts,
    ) -> None:
        for place, row in enumerate(at):
            if made["defective"][row]:
                for label in json.loads(made["defects"][row]):
                    where = (unit.value, days[row], "defect", label[:LEVEL_LENGTH])
                    self._cells[where] = self._cells.get(where, 0) + marks[place]


_TEXTS = (*LONGEST, "step_of_origin", "step_found")
_NUMBERS = (
    "days_since_filter", "builds_since_filter", "layer_um", "platform_x_mm", "platform_y_mm", "resin_temp_c",
    "bath_parts", "lamp_hours", "model_age_days", "formings",
)  # fmt: skip
_MARKS = ("lost", "defective", "contaminated")


def rebuild_histories(report: Callable[[str], None] = lambda line: None) -> None:
    """Make the evidence of every published file again from its source rows; in the caller's transaction."""
    for history in HistoryImport.objects.filter(published_at__isnull=False).order_by("pk"):
        for model in (PrintAttempt, FormedPieceRow, EvidenceTally):
            model.objects.filter(history=history).delete()
        evidence = HistoryEvidence(history)
        for rows in HistoryRows.objects.filter(history=history).order_by("first_row").iterator(chunk_size=1):
            evidence.add(stored_columns(rows))
            report(f"{history}: up to row {rows.first_row + rows.count - 1}")
        for batch in evidence.tally():
            EvidenceTally.objects.bulk_create(batch)


def stored_columns(rows: HistoryRows) -> dict[str, list[Any]]:
    """The columns of a stored chunk as the reader gave them."""
    columns: dict[str, list[Any]] = dict(rows.columns)
    columns["printed_at"] = [datetime.fromisoformat(value) for value in columns["printed_at"]]
    return columns


def clear_history(history: HistoryImport) -> None:
    """Remove what was staged of a file, in transactions short enough for other writers."""
    for model in (PrintAttempt, FormedPieceRow, EvidenceTally, HistoryRows):
        size = 20 if model is HistoryRows else 5_000
        while some := list(model.objects.filter(history=history).values_list("pk", flat=True)[:size]):
            with transaction.atomic():
                model.objects.filter(pk__in=some).delete()
    history.delete()


def _insert(model: type[Any], names: tuple[str, ...], values: dict[str, list[Any]]) -> None:
    # Names are the model's own; every value is a parameter.
    statement = (
        f"INSERT INTO {model._meta.db_table} ({', '.join(names)}) "  # noqa: S608
        f"VALUES ({', '.join(['%s'] * len(names))})"
    )
    with connection.cursor() as cursor:
        cursor.executemany(statement, list(zip(*(values[name] for name in names), strict=True)))


def _aware(value: datetime) -> datetime:
    return timezone.make_aware(value) if timezone.is_naive(value) else value


def _status(answer: Any) -> str:
    """The status an answer stands for; a number was given under limits that are not known: none."""
    if answer is None:
        return NOT_RECORDED
    return str(STATUSES[answer]) if isinstance(answer, str) else ""


def _labels(defects: Sequence[str] | None, origin: str, found: str) -> list[str]:
    return sorted({f"{name.replace('|', '/')[:60]}|{origin}|{found}" for name in defects or ()})


def _is_dirty(label: str) -> bool:
    return is_contamination(label.split("|")[0])


def _whole(value: float | None) -> int | None:
    return None if value is None else math.floor(value)


def _truth(value: Any) -> bool | None:
    return {"yes": True, "no": False}.get(value) if isinstance(value, str) else value


def _formed(columns: Columns, n: int) -> npt.NDArray[np.int64]:
    """Rows whose part was formed over: a sheet, its lot or a forming machine is named."""
    at = np.zeros(n, dtype=bool)
    for name in FORMING:
        if name in columns:
            at |= np.array([bool(value) for value in columns[name]])
    return np.flatnonzero(at)
