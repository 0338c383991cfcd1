"""Evidence rows and counts of imported history, made from its source rows.

Rows are written with one prepared statement for a whole chunk, and the counts are summed by column:
a history of a hundred thousand parts is no more than seconds of work.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date, datetime
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from django.db import connection, transaction
from django.utils import timezone

from production.choices import NOT_RECORDED, AnswerStatus
from qa.choices import EvidenceSource, EvidenceUnit
from qa.history_columns import unpacked
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
_TRUTHS = {"yes": True, "no": False}
FORMING = ("sheet", "sheet_lot", "forming_machine")
TALLY_CHUNK = 2_000
MOST_REMEMBERED = 50_000
# Columns of the file as columns of the tables; texts that a file leaves out are empty there.
_TEXTS = (
    "build", "printer", "process", "material", "lot", "colour", "translucency", "profile", "tank", "operator",
)  # fmt: skip
_RENAMED = {"case_label": "case", "appliance_kind": "appliance"}
_NUMBERS = ("days_since_filter",)
_WHOLE = ("builds_since_filter",)
_SHARED = (
    "source", "history_id", "label", "occurred_at", "day", *_TEXTS, "grade", "clinic", *_RENAMED, *_NUMBERS,
    *_WHOLE, "steps", "defects", "outcome", "lost", "defective", "contaminated", "mature",
)  # fmt: skip
_PART_TEXTS, _PART_WHOLE = ("orientation",), ("layer_um", "bath_parts")
_PART_NUMBERS = ("platform_x_mm", "platform_y_mm", "resin_temp_c", "lamp_hours")
_PART_TRUTHS = ("supports", "hollow")
_OF_PART = (*_PART_TEXTS, *_PART_NUMBERS, *_PART_WHOLE, *_PART_TRUTHS)
_PIECE_TEXTS, _PIECE_WHOLE, _PIECE_NUMBERS = FORMING, ("formings",), ("model_age_days",)
_OF_PIECE = (*_PIECE_TEXTS, *_PIECE_NUMBERS, *_PIECE_WHOLE, "remade", "returned")
_EMPTY, _FALSE = "''", "FALSE"
# What stands in the statement itself for a column that the file does not have.
_ABSENT = {
    **dict.fromkeys((*_TEXTS, *_RENAMED, *_PART_TEXTS, *_PIECE_TEXTS, "grade", "clinic"), _EMPTY),
    **dict.fromkeys(("defective", "contaminated", "remade", "returned"), _FALSE),
    "steps": "'{}'",
    "defects": "'[]'",
    "mature": "TRUE",
    "source": f"'{EvidenceSource.IMPORT.value}'",
}
_MARKS = ("lost", "defective", "contaminated")
Level = Callable[[Any], str | None]


class HistoryEvidence:
    """Makes the evidence of one imported file, chunk by chunk, and its counts at the end."""

    def __init__(self, history: HistoryImport) -> None:
        self._history = history
        self._moments: dict[Any, tuple[Any, date, Any]] = {}
        self._steps: dict[tuple[Any, ...], str] = {}
        self._cells: dict[tuple[str, date, str, str], Counts] = {}

    def add(self, columns: Columns) -> None:
        """Write the rows of one chunk and add them to the counts; inside the caller's transaction."""
        n = len(columns["part"])
        if n == 0:
            return
        days = self._days(columns)
        made = self._values(columns, n)
        _insert(PrintAttempt, (*_SHARED, *_OF_PART), made, self._history.pk)
        self._count(EvidenceUnit.PART, columns, made, days, None)
        formed = _formed(columns, n)
        if len(formed):
            picked = {name: [values[i] for i in formed] for name, values in made.items()}
            _insert(FormedPieceRow, (*_SHARED, *_OF_PIECE), picked, self._history.pk)
            self._count(EvidenceUnit.PIECE, columns, made, days, formed)

    def tally(self) -> Iterator[Callable[[], None]]:
        """What stores the counts of everything added, in batches; each is called in a transaction."""
        cells = sorted(self._cells.items(), key=lambda item: item[0])
        for start in range(0, len(cells), TALLY_CHUNK):
            yield partial(self._store_cells, cells[start : start + TALLY_CHUNK])

    def _store_cells(self, cells: list[tuple[tuple[str, date, str, str], Counts]]) -> None:
        names = ("unit", "day", "axis", "level", "parts", "lost", "defective", "contaminated")
        day = connection.ops.adapt_datefield_value
        rows = [
            (unit, day(one), axis, level, *map(int, counts)) for (unit, one, axis, level), counts in cells
        ]
        values: dict[str, list[Any]] = dict(
            zip(names, (list(column) for column in zip(*rows, strict=True)), strict=True)
        )
        _insert(EvidenceTally, ("history_id", *names), values, self._history.pk)

    def _days(self, columns: Columns) -> list[date]:
        moments = columns["printed_at"]
        _bound(self._moments)
        for value in set(moments) - self._moments.keys():
            moment = _aware(value)
            day = timezone.localtime(moment).date()
            stored = connection.ops.adapt_datetimefield_value(moment)
            self._moments[value] = (stored, day, connection.ops.adapt_datefield_value(day))
        return [self._moments[value][1] for value in moments]

    def _values(self, columns: Columns, n: int) -> dict[str, list[Any]]:
        """Values of the table's columns, where the file has something to say of them."""
        moments = [self._moments[value] for value in columns["printed_at"]]
        made: dict[str, list[Any]] = {
            "label": list(columns["part"]),
            "occurred_at": [moment[0] for moment in moments],
            "day": [moment[2] for moment in moments],
            "outcome": list(columns["outcome"]),
            "lost": [value == "scrapped" for value in columns["outcome"]],
        }
        for name in (*_TEXTS, *_PART_TEXTS, *_PIECE_TEXTS):
            if name in columns:
                made[name] = [value or "" for value in columns[name]]
        for name, source in _RENAMED.items():
            if source in columns:
                made[name] = [value or "" for value in columns[source]]
        for name in (*_NUMBERS, *_PART_NUMBERS, *_PIECE_NUMBERS):
            if name in columns:
                made[name] = list(columns[name])
        for name in (*_WHOLE, *_PART_WHOLE, *_PIECE_WHOLE):
            if name in columns:
                made[name] = [None if value is None else math.floor(value) for value in columns[name]]
        for name in _PART_TRUTHS:
            if name in columns:
                made[name] = [_TRUTHS.get(value) for value in columns[name]]
        self._add_steps(made, columns)
        _add_defects(made, columns, n)
        return made

    def _add_steps(self, made: dict[str, list[Any]], columns: Columns) -> None:
        names = [name for name in columns if name.startswith(STEP)]
        if not names:
            return
        rows = list(zip(*(columns[name] for name in names), strict=True))
        _bound(self._steps)
        for row in set(rows) - self._steps.keys():
            statuses = {
                name.removeprefix(STEP): status
                for name, answer in zip(names, row, strict=True)
                if (status := _status(answer))
            }
            self._steps[row] = json.dumps(statuses)
        made["steps"] = [self._steps[row] for row in rows]

    def _count(
        self,
        unit: EvidenceUnit,
        columns: Columns,
        made: dict[str, list[Any]],
        days: list[date],
        at: npt.NDArray[np.int64] | None,
    ) -> None:
        """Add the rows ``at`` (all where None) to the cells of every axis."""
        day_codes, day_names = pd.factorize(_picked(days, at))
        marks = [np.ones(len(day_codes))]
        marks += [
            _picked(made[name], at).astype(float) if name in made else np.zeros(len(day_codes))
            for name in _MARKS
        ]
        for axis, values, level_of in self._axes(columns, made):
            codes, names = pd.factorize(_picked(values, at))
            key = np.where(codes >= 0, day_codes * max(1, len(names)) + codes, -1)
            used, place = np.unique(key, return_inverse=True)
            sums = np.stack([np.bincount(place, mark) for mark in marks], axis=1)
            levels = [level_of(name) for name in names]
            for cell, counts in zip(used.tolist(), sums, strict=True):
                level = levels[cell % len(names)] if cell >= 0 else None
                if level is not None:
                    where = (unit.value, day_names[cell // len(names)], axis, level[:LEVEL_LENGTH])
                    self._add(where, counts)
        if "defects" in made:
            self._count_defects(unit, made, days, at, np.stack(marks, axis=1))

    def _add(self, where: tuple[str, date, str, str], counts: Counts) -> None:
        seen = self._cells.get(where)
        self._cells[where] = counts if seen is None else seen + counts

    def _axes(
        self, columns: Columns, made: dict[str, list[Any]]
    ) -> Iterator[tuple[str, Sequence[Any] | npt.NDArray[Any], Level]]:
        """Axes with a value for every row, and the level each value stands for: None counts on none."""
        yield "all", [""] * len(made["label"]), str
        # Builds of different files are different builds, whatever they are called.
        build = f"{self._history.pk}:"
        if "build" in made:
            yield "build", made["build"], lambda name: f"{build}{name}" if name else None
        for axis in COLUMN_AXES:
            if axis in made:
                yield axis, made[axis], lambda name: name or None
        if "days_since_filter" in made:
            yield "tank-days", _floors(made["days_since_filter"]), lambda age: str(int(age))
        if "builds_since_filter" in made:
            yield "tank-builds", _floors(made["builds_since_filter"]), lambda age: str(int(age))
        for name in columns:
            if name.startswith(STEP):
                # No answer is a level too, so that it must not look missing.
                answers = ["" if answer is None else answer for answer in columns[name]]
                yield STEP_AXIS + name.removeprefix(STEP), answers, _status_level

    def _count_defects(
        self,
        unit: EvidenceUnit,
        made: dict[str, list[Any]],
        days: list[date],
        at: npt.NDArray[np.int64] | None,
        marks: Counts,
    ) -> None:
        rows = range(len(days)) if at is None else at
        for place, row in enumerate(rows):
            if made["defective"][row]:
                for label in json.loads(made["defects"][row]):
                    self._add((unit.value, days[row], "defect", label[:LEVEL_LENGTH]), marks[place])


def _bound(remembered: dict[Any, Any]) -> None:
    """Forget everything once it is much, so that a file of any length needs no more memory."""
    if len(remembered) > MOST_REMEMBERED:
        remembered.clear()


def _picked(values: Sequence[Any] | npt.NDArray[Any], at: npt.NDArray[np.int64] | None) -> npt.NDArray[Any]:
    array = values if isinstance(values, np.ndarray) else np.array(values, dtype=object)
    return array if at is None else array[at]


def _floors(ages: Sequence[float | None]) -> npt.NDArray[np.float64]:
    return np.floor(np.array(ages, dtype=np.float64))


def _status_level(answer: Any) -> str | None:
    return _status(answer or None) or None


def _add_defects(made: dict[str, list[Any]], columns: Columns, n: int) -> None:
    if "defects" not in columns:
        return
    none: Sequence[Any] = [None] * n
    origins, finds = columns.get("step_of_origin", none), columns.get("step_found", none)
    labels = [
        _labels(names, origin or "", found or "") if names else []
        for names, origin, found in zip(columns["defects"], origins, finds, strict=True)
    ]
    made["defects"] = [json.dumps(some) if some else "[]" for some in labels]
    made["defective"] = [bool(some) for some in labels]
    made["contaminated"] = [any(map(_is_dirty, some)) for some in labels]


def rebuild_histories(report: Callable[[str], None] = lambda line: None) -> None:
    """Make the evidence of every published file again from its source rows; in the caller's transaction."""
    for history in HistoryImport.objects.filter(published_at__isnull=False).order_by("pk"):
        for model in (PrintAttempt, FormedPieceRow, EvidenceTally):
            model.objects.filter(history=history).delete()
        evidence = HistoryEvidence(history)
        for rows in HistoryRows.objects.filter(history=history).order_by("first_row").iterator(chunk_size=1):
            evidence.add(unpacked(rows.columns))
            report(f"{history}: up to row {rows.first_row + rows.count - 1}")
        for store in evidence.tally():
            store()


def clear_history(history: HistoryImport) -> None:
    """Remove what was staged of a file, in transactions short enough for other writers."""
    for model in (PrintAttempt, FormedPieceRow, EvidenceTally, HistoryRows):
        size = 20 if model is HistoryRows else 5_000
        while some := list(model.objects.filter(history=history).values_list("pk", flat=True)[:size]):
            with transaction.atomic():
                model.objects.filter(pk__in=some).delete()
    history.delete()


def _insert(model: type[Any], names: tuple[str, ...], values: dict[str, list[Any]], history_id: int) -> None:
    """One prepared statement for all rows; what the file has no column for stands in it as it is."""
    given = [name for name in names if name in values]
    rest = [name for name in names if name not in values and (name in _ABSENT or name == "history_id")]
    fixed = [str(int(history_id)) if name == "history_id" else _ABSENT[name] for name in rest]
    # Names are the model's own and fixed values are ours; every value of the file is a parameter.
    statement = (
        f"INSERT INTO {model._meta.db_table} ({', '.join([*given, *rest])}) "  # noqa: S608
        f"VALUES ({', '.join([*(['%s'] * len(given)), *fixed])})"
    )
    with connection.cursor() as cursor:
        cursor.executemany(statement, list(zip(*(values[name] for name in given), strict=True)))


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


def _formed(columns: Columns, n: int) -> npt.NDArray[np.int64]:
    """Rows whose part was formed over: a sheet, its lot or a forming machine is named."""
    at = np.zeros(n, dtype=bool)
    for name in FORMING:
        if name in columns:
            at |= np.array([bool(value) for value in columns[name]])
    return np.flatnonzero(at)
