"""Evidence rows and counts of imported history, made from its source rows.

Rows are written by one prepared statement or one stream for a whole chunk, and the counts are summed by
column: a history of a hundred thousand parts is no more than seconds of work.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from itertools import repeat
from typing import Any, cast

import numpy as np
import numpy.typing as npt
import pandas as pd
from django.db import connection, transaction
from django.utils import timezone

from production.choices import NOT_RECORDED, AnswerStatus
from qa.choices import COLUMN_AXES, STEP_AXIS, EvidenceSource, EvidenceUnit
from qa.history_columns import unpacked
from qa.models import EvidenceTally, FormedPieceRow, HistoryImport, HistoryRows, PrintAttempt
from qa.services.tally import LEVEL_LENGTH
from qa.statistics.columns import Column, FloatArray, IntArray, Levels, combined, levels_of
from qa.statistics.evidence import is_contamination
from qa.statistics.history import NUMBERS, STEP

Columns = Mapping[str, Column]
Counts = npt.NDArray[np.float64]
Values = npt.NDArray[np.object_]
Made = Levels | Values  # what a column of a table is to hold, a row

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
TALLY_CHUNK = 10_000
MOST_REMEMBERED = 50_000
MOST_UNSUMMED = 400  # some chunks' axes
_DENSE = 8  # cells a row up to which all possible ones are counted
# A statement stores this many rows at most: SQLite lets go of the interpreter while it runs, so that the next
# chunk is made meanwhile, and a short one leaves no time for that.
ROWS_A_STATEMENT = 500
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
_QUOTE = "'"
_EMPTY, _FALSE = 2 * _QUOTE, "FALSE"
# What PostgreSQL's stream of text takes for nothing, and for its own marks.
_NOTHING, _ESCAPED = "\\N", str.maketrans({"\\": "\\\\", "\t": "\\t", "\n": "\\n", "\r": "\\r"})
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
_CELL, _COUNTS = ("unit", "day", "axis", "level"), ("parts", *_MARKS)
_DEFECT_COLUMNS = ("defects", "step_of_origin", "step_found")


@dataclass(frozen=True, slots=True)
class _Axis:
    """One axis of the counts: a code for every row, -1 where it counts on none, and what codes stand for."""

    name: str
    codes: IntArray
    levels: Sequence[str | None]


class HistoryEvidence:
    """Makes the evidence of one imported file, chunk by chunk, and its counts at the end."""

    def __init__(self, history: HistoryImport) -> None:
        self._history = history
        self._zone = timezone.get_current_timezone()
        self._moments: dict[Any, tuple[Any, date, Any]] = {}
        self._steps: dict[tuple[Any, ...], str] = {}
        self._cells: list[pd.DataFrame] = []  # of a chunk and an axis each, summed up now and then

    def add(self, columns: Columns) -> Callable[[], None]:
        """Add the rows of one chunk to the counts; what is returned writes them, in a transaction."""
        n = len(columns["part"])
        if n == 0:
            return lambda: None
        days = self._days(_told(columns, "printed_at"))
        made = self._values(columns)
        stores = [_insertion(PrintAttempt, (*_SHARED, *_OF_PART), made, self._history.pk)]
        marks = np.ones((n, 1 + len(_MARKS)))
        for column, name in enumerate(_MARKS, start=1):
            marks[:, column] = _each(made[name]) if name in made else 0.0
        axes = list(self._axes(columns))
        self._count(EvidenceUnit.PART, axes, days, marks)
        self._count_defects(EvidenceUnit.PART, made, days, marks, range(n))
        formed = _formed(columns, n)
        if len(formed):
            picked = {name: _picked(values, formed) for name, values in made.items()}
            stores.append(_insertion(FormedPieceRow, (*_SHARED, *_OF_PIECE), picked, self._history.pk))
            few = [_Axis(axis.name, axis.codes[formed], axis.levels) for axis in axes]
            self._count(EvidenceUnit.PIECE, few, Levels(days.levels, days.codes[formed]), marks[formed])
            self._count_defects(EvidenceUnit.PIECE, made, days, marks, formed)

        def store() -> None:
            for one in stores:
                one()

        return store

    def tally(self) -> Iterator[Callable[[], None]]:
        """What stores the counts of everything added, in batches; each is called in a transaction."""
        self._sum_up()
        cells = self._cells[0] if self._cells else pd.DataFrame()
        columns = {name: _factorized(cells[name]) for name in cells}
        if "day" in columns:
            columns["day"] = columns["day"].changed(connection.ops.adapt_datefield_value)
        for start in range(0, len(cells), TALLY_CHUNK):
            rows = np.arange(start, min(start + TALLY_CHUNK, len(cells)))
            some = {name: column.picked(rows) for name, column in columns.items()}
            yield _insertion(EvidenceTally, ("history_id", *some), some, self._history.pk)

    def _sum_up(self) -> None:
        """Bring the counts of the same cells together, in the order of the cells."""
        if self._cells:
            counts = pd.concat(self._cells, ignore_index=True)
            self._cells = [counts.groupby(list(_CELL), as_index=False, observed=True).sum()]

    def _days(self, moments: Levels) -> Levels:
        """The day of each row; afterwards ``_moments`` knows every moment of the chunk."""
        _bound(self._moments)
        operations, zone = connection.ops, self._zone
        for value in set(moments.levels) - self._moments.keys():
            told = cast("datetime", value)
            moment = timezone.make_aware(told, zone) if timezone.is_naive(told) else told
            day = moment.astimezone(zone).date()
            # As text, made once for a moment and not once a row.
            stored = str(operations.adapt_datetimefield_value(moment))
            self._moments[value] = (stored, day, str(operations.adapt_datefield_value(day)))
        codes, days = pd.factorize(
            np.fromiter((self._moments[value][1] for value in moments.levels), dtype=object)
        )
        return Levels(list(days), codes[moments.codes])

    def _values(self, columns: Columns) -> dict[str, Made]:
        """Values of the table's columns, where the file has something to say of them."""
        moments, outcome = _told(columns, "printed_at"), _told(columns, "outcome")
        made: dict[str, Made] = {
            "label": _told(columns, "part"),
            "occurred_at": moments.changed(lambda value: self._moments[value][0]),
            "day": moments.changed(lambda value: self._moments[value][2]),
            "outcome": outcome,
            "lost": outcome.changed(lambda value: _truth(value == "scrapped")),
        }
        texts = {name: name for name in (*_TEXTS, *_PART_TEXTS, *_PIECE_TEXTS)} | _RENAMED
        for name, source in texts.items():
            if source in columns:
                made[name] = _told(columns, source).changed(lambda value: value or "")
        for name in (*_NUMBERS, *_PART_NUMBERS, *_PIECE_NUMBERS):
            if name in columns:
                made[name] = _recorded(_numbers(columns, name))
        for name in (*_WHOLE, *_PART_WHOLE, *_PIECE_WHOLE):
            if name in columns:
                made[name] = _recorded(_numbers(columns, name), whole=True)
        for name in _PART_TRUTHS:
            if name in columns:
                made[name] = _told(columns, name).changed(lambda value: _truth(_TRUTHS.get(value)))
        self._add_steps(made, columns)
        _add_defects(made, columns)
        return made

    def _add_steps(self, made: dict[str, Made], columns: Columns) -> None:
        names = [name for name in columns if name.startswith(STEP)]
        if not names:
            return
        answers = [_told(columns, name) for name in names]
        codes, first = combined([(one.codes, len(one.levels)) for one in answers])
        _bound(self._steps)
        texts = [
            self._step_text(names, tuple(one.levels[one.codes[row]] for one in answers)) for row in first
        ]
        made["steps"] = Levels(texts, codes)

    def _step_text(self, names: list[str], answers: tuple[Any, ...]) -> str:
        text = self._steps.get(answers)
        if text is None:
            statuses = {
                name.removeprefix(STEP): status
                for name, answer in zip(names, answers, strict=True)
                if (status := _status(answer))
            }
            text = self._steps[answers] = json.dumps(statuses)
        return text

    def _count(self, unit: EvidenceUnit, axes: list[_Axis], days: Levels, marks: Counts) -> None:
        """Add rows with their ``marks`` to the cells of every axis."""
        weights = [column if column.any() else None for column in marks.T]
        for axis in axes:
            width = max(1, len(axis.levels))
            on = axis.codes >= 0
            key = days.codes * width + axis.codes
            if not on.all():
                key = key[on]
            size = len(days.levels) * width
            place, used = (key, None) if size <= _DENSE * len(key) else pd.factorize(key)
            sums = np.zeros((size if used is None else len(used), len(weights)))
            for column, weight in enumerate(weights):
                if weight is not None:
                    sums[:, column] = np.bincount(place, weight[on], len(sums))
            if used is None:
                used = np.flatnonzero(sums[:, 0])
                sums = sums[used]
            levels = [None if level is None else level[:LEVEL_LENGTH] for level in axis.levels]
            self._add(unit, axis.name, Levels(days.levels, used // width), Levels(levels, used % width), sums)

    def _add(self, unit: EvidenceUnit, axis: str, days: Levels, levels: Levels, sums: Counts) -> None:
        """Add cells with their ``sums`` (cells x marks); a level of None counts on none."""
        named = levels.array()
        kept = pd.notna(named)
        if not kept.any():
            return
        cells = {"unit": unit.value, "day": days.array()[kept], "axis": axis, "level": named[kept]}
        told = dict(zip(_COUNTS, sums[kept].astype(np.int64).T, strict=True))
        self._cells.append(pd.DataFrame({**cells, **told}))
        if len(self._cells) > MOST_UNSUMMED:
            self._sum_up()

    def _axes(self, columns: Columns) -> Iterator[_Axis]:
        """Axes with a code for every row, and the level each code stands for: None counts on none."""
        yield _Axis("all", np.zeros(len(columns["part"]), dtype=np.int64), [""])
        if "build" in columns:
            # Builds of different files are different builds, whatever they are called.
            build = _told(columns, "build")
            names = [f"{self._history.pk}:{name}" if name else None for name in build.levels]
            yield _Axis("build", build.codes, names)
        for axis in COLUMN_AXES:
            if axis in columns:
                told = _told(columns, axis)
                yield _Axis(axis, told.codes, [str(level) if level else None for level in told.levels])
        for axis, name in (("tank-days", "days_since_filter"), ("tank-builds", "builds_since_filter")):
            if name in columns:
                codes, ages = pd.factorize(np.floor(_numbers(columns, name)))
                yield _Axis(axis, codes, [str(int(age)) for age in ages])
        for name in columns:
            if name.startswith(STEP):
                # No answer is a level too, so that it must not look missing.
                answers = _told(columns, name)
                levels = [_status(answer) or None for answer in answers.levels]
                yield _Axis(STEP_AXIS + name.removeprefix(STEP), answers.codes, levels)

    def _count_defects(
        self,
        unit: EvidenceUnit,
        made: dict[str, Made],
        days: Levels,
        marks: Counts,
        rows: Iterable[int],
    ) -> None:
        if "defects" not in made:
            return
        defective, defects = _each(made["defective"]), _each(made["defects"])
        found = [(row, label) for row in rows if defective[row] for label in json.loads(defects[row])]
        if found:
            at = np.array([row for row, _ in found])
            labels = levels_of([label[:LEVEL_LENGTH] for _, label in found])
            self._add(unit, "defect", Levels(days.levels, days.codes[at]), labels, marks[at])


def _bound(remembered: dict[Any, Any]) -> None:
    """Forget everything once it is much, so that a file of any length needs no more memory."""
    if len(remembered) > MOST_REMEMBERED:
        remembered.clear()


def _truth(value: object) -> Any:
    """The value as the database takes it soonest: SQLite's driver looks up how to store every boolean."""
    return int(value) if isinstance(value, bool) and connection.vendor == "sqlite" else value


def _told(columns: Columns, name: str) -> Levels:
    column = columns[name]
    assert isinstance(column, Levels), name
    return column


def _numbers(columns: Columns, name: str) -> FloatArray:
    column = columns[name]
    assert name in NUMBERS and not isinstance(column, Levels), name
    return column


def _recorded(numbers: FloatArray, *, whole: bool = False) -> Values:
    """The numbers, on request rounded down to integers; ``None`` where not recorded."""
    missing = np.isnan(numbers)
    if whole:
        values = np.floor(np.where(missing, 0.0, numbers)).astype(np.int64).astype(object)
    else:
        values = numbers.astype(object)
    values[missing] = None
    return values


def _add_defects(made: dict[str, Made], columns: Columns) -> None:
    if "defects" not in columns:
        return
    some = [_told(columns, name) if name in columns else None for name in _DEFECT_COLUMNS]
    codes, first = combined([(one.codes, len(one.levels)) for one in some if one is not None])
    labels = []
    for row in first:
        names, origin, found = (one.levels[one.codes[row]] if one is not None else None for one in some)
        labels.append(_labels(cast("tuple[str, ...] | None", names), str(origin or ""), str(found or "")))
    made["defects"] = Levels([json.dumps(found) if found else "[]" for found in labels], codes)
    made["defective"] = Levels([_truth(bool(found)) for found in labels], codes)
    made["contaminated"] = Levels([_truth(any(map(_is_dirty, found))) for found in labels], codes)


def rebuild_histories(report: Callable[[str], None] = lambda line: None) -> None:
    """Make the evidence of every published file again from its source rows; in the caller's transaction."""
    for history in HistoryImport.objects.filter(published_at__isnull=False).order_by("pk"):
        for model in (PrintAttempt, FormedPieceRow, EvidenceTally):
            model.objects.filter(history=history).delete()
        evidence = HistoryEvidence(history)
        for rows in HistoryRows.objects.filter(history=history).order_by("first_row").iterator(chunk_size=1):
            evidence.add(unpacked(rows.columns))()
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


def _insertion(
    model: type[Any], names: tuple[str, ...], values: Mapping[str, Made], history_id: int
) -> Callable[[], None]:
    """What stores all rows; a column that the file has nothing for takes the value it has when absent."""
    given = [name for name in names if name in values]
    rest = [name for name in names if name not in values and (name in _ABSENT or name == "history_id")]
    fixed = [str(int(history_id)) if name == "history_id" else _ABSENT[name] for name in rest]
    columns = [values[name] for name in given]
    into = f"{model._meta.db_table} ({', '.join([*given, *rest])})"
    if connection.vendor == "postgresql":
        return _copying(f"COPY {into} FROM STDIN", columns, fixed)
    return _inserting(f"INSERT INTO {into} VALUES ", columns, fixed)  # noqa: S608


def _inserting(start: str, columns: Sequence[Made], fixed: list[str]) -> Callable[[], None]:
    """One prepared statement for all rows.

    Names are the model's own and fixed values are ours; every value of the file is a parameter.
    """
    rows = np.empty((len(columns[0]), len(columns)), dtype=object)
    for place, column in enumerate(columns):
        rows[:, place] = _each(column)
    width = rows.shape[1]
    one = f"({', '.join([*(['%s'] * width), *fixed])})"

    def insert() -> None:
        with connection.cursor() as cursor:
            at_once = min(ROWS_A_STATEMENT, _most_parameters() // width)
            whole = len(rows) - len(rows) % at_once
            many = rows[:whole].reshape(-1, at_once * width).tolist()
            for shape, some in ((", ".join([one] * at_once), many), (one, rows[whole:].tolist())):
                if some:
                    cursor.executemany(start + shape, some)

    return insert


def _most_parameters() -> int:
    """How many the SQLite at hand takes in one statement."""
    return int(connection.connection.getlimit(sqlite3.SQLITE_LIMIT_VARIABLE_NUMBER))


def _copying(statement: str, columns: Sequence[Made], fixed: list[str]) -> Callable[[], None]:
    """One stream of rows as text, which PostgreSQL takes many times faster than statements."""
    same = "\t".join(value.strip(_QUOTE) for value in fixed)
    rows = zip(*(_written(column) for column in columns), repeat(same))
    text = "\n".join(map("\t".join, rows)) + "\n"

    def copy() -> None:
        with connection.cursor() as cursor, cursor.copy(statement) as stream:
            stream.write(text)

    return copy


def _written(column: Made) -> list[str]:
    """Each row's value as PostgreSQL's stream of text takes it."""
    return column.mapped(_cell) if isinstance(column, Levels) else list(map(_cell, column.tolist()))


def _cell(value: object) -> str:
    if value is None:
        return _NOTHING
    return value.translate(_ESCAPED) if isinstance(value, str) else str(value)


def _each(column: Made) -> Values:
    return column.array() if isinstance(column, Levels) else column


def _factorized(values: pd.Series[Any]) -> Levels:
    codes, distinct = pd.factorize(values)
    return Levels(distinct.tolist(), codes)


def _picked(column: Made, rows: IntArray) -> Made:
    return column.picked(rows) if isinstance(column, Levels) else column[rows]


def _status(answer: Any) -> str:
    """The status an answer stands for; a number was given under limits that are not known: none."""
    if answer is None:
        return NOT_RECORDED
    return str(STATUSES[answer]) if isinstance(answer, str) else ""


def _labels(defects: Sequence[str] | None, origin: str, found: str) -> list[str]:
    return sorted({f"{name.replace('|', '/')[:60]}|{origin}|{found}" for name in defects or ()})


def _is_dirty(label: str) -> bool:
    return is_contamination(label.split("|")[0])


def _formed(columns: Columns, n: int) -> IntArray:
    """Rows whose part was formed over: a sheet, its lot or a forming machine is named."""
    at = np.zeros(n, dtype=bool)
    for name in FORMING:
        if name in columns:
            at |= np.array(_told(columns, name).mapped(bool), dtype=bool)
    return np.flatnonzero(at)
