"""Read a lab's history from a table of one row per part: typed rows, or every problem by its place.

Pure: a binary file object in, chunks of typed columns out, in bounded memory. Nothing is stored here;
the caller keeps the chunks only when the reader ends without a problem (whole file or nothing).
"""

from __future__ import annotations

import csv
import difflib
import io
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import IO, TYPE_CHECKING, Any, cast

import numpy as np

from qa.statistics.cells import (
    LARGEST_NUMBER,
    CellRefused,
    Conventions,
    DayOrder,
    are_plain_texts,
    day_order_of,
    is_decimal_comma,
    read_answer,
    read_moment,
    read_number,
    read_plain_numbers,
    read_text,
    read_yes_no,
)
from qa.statistics.columns import Column, FloatArray, Levels, Value
from qa.statistics.lines import Hashed, Lines, encoding_of, seekable, utf_8
from qa.statistics.table import Batch, Cells, Table

if TYPE_CHECKING:
    import pandas as pd

MAX_ROWS = 1_000_000
CHUNK_ROWS = 5_000
MAX_PROBLEMS = 1_000  # kept with their place; the rest are counted
MAX_COLUMNS = 500
OUTCOMES = ("good", "rework", "scrapped")
REQUIRED = ("part", "printed_at", "printer", "outcome")
TEXTS = (
    "part", "printer", "build", "process", "material", "lot", "colour", "translucency", "profile", "tank",
    "operator", "orientation", "sheet", "sheet_lot", "forming_machine", "step_of_origin", "step_found",
    "case", "appliance",
)  # fmt: skip
YES_NO = ("supports", "hollow")
NOT_NEGATIVE = (
    "days_since_filter", "builds_since_filter", "layer_um", "bath_parts", "lamp_hours", "model_age_days",
    "formings", "rms_deviation_um", "material_cost", "labour_min", "machine_h",
)  # fmt: skip
NUMBERS = (*NOT_NEGATIVE, "platform_x_mm", "platform_y_mm", "resin_temp_c", "mean_deviation_um")
KNOWN = frozenset((*TEXTS, *YES_NO, *NUMBERS, "printed_at", "outcome", "defects"))
STEP = "step:"
LONGEST_NAME = 100
FIRST_YEAR, LAST_YEAR = 1980, 2200
CACHED_CELLS = 20_000  # cells of one column whose reading is remembered

Convert = Callable[[str], Value]


@dataclass(frozen=True, slots=True)
class Problem:
    """What is wrong and where: ``row`` as a spreadsheet numbers it (the header is row 1)."""

    row: int | None
    column: str | None
    reason: str

    def __str__(self) -> str:
        place = [f"row {self.row}" if self.row else "", f"column '{self.column}'" if self.column else ""]
        where = ", ".join(part for part in place if part)
        return f"{where}: {self.reason}" if where else self.reason


@dataclass(frozen=True, slots=True)
class HistoryChunk:
    """Typed columns of consecutive rows, all of one length; ``first_row`` numbers the first of them."""

    first_row: int
    columns: dict[str, Column]

    def __len__(self) -> int:
        return len(self.columns["part"])


@dataclass(slots=True)
class _Place:
    """One known column: its place in the row, how to read a cell, and cells already read."""

    name: str
    place: int
    convert: Convert
    cache: dict[str, Value] = field(default_factory=dict)


class HistoryReader:
    """Iterate over the chunks of an import file, then look at ``problems``.

    ``stream`` is a binary file object; one that cannot seek is first copied to a temporary file.
    After the iteration: ``rows`` read, ``digest`` (sha256 of the file, to know it again), ``problems``
    (empty means the whole file is sound) with ``more_problems`` beyond the first thousand,
    ``unknown_columns`` that were not read, and ``notes`` for a person about what was recognised.
    """

    def __init__(
        self,
        stream: IO[bytes],
        *,
        max_rows: int = MAX_ROWS,
        chunk_rows: int = CHUNK_ROWS,
        longest: Mapping[str, int] | None = None,
        largest: Mapping[str, float] | None = None,
    ) -> None:
        """``longest``: characters a text column may hold; ``largest``: the largest number of a column."""
        self._longest, self._largest = dict(longest or {}), dict(largest or {})
        self._stream = seekable(stream)
        self._copied = self._stream is not stream
        self._max_rows, self._chunk_rows = max_rows, chunk_rows
        self._conventions = Conventions()
        self._parts: dict[str, int] = {}
        self._row = 1  # that is read next
        self.rows = 0
        self.digest = ""
        self.problems: list[Problem] = []
        self.more_problems = 0
        self.unknown_columns: tuple[str, ...] = ()
        self.step_items: tuple[str, ...] = ()
        self.notes: list[str] = []

    def row_of(self, part: str) -> int | None:
        """The row that holds ``part``, of those read so far."""
        return self._parts.get(part)

    def refuse(self, row: int | None, column: str | None, reason: str) -> None:
        """Add a problem that only the caller can see."""
        self._problem(row, column, reason)

    def __iter__(self) -> Iterator[HistoryChunk]:
        encoding, newline = encoding_of(self._stream)
        self._settle_conventions(encoding)
        hashed = Hashed(self._stream)
        try:
            yield from self._chunks(Lines(utf_8(hashed, encoding, newline)))
            while hashed.read(1 << 20):
                pass
        except UnicodeDecodeError:
            self._problem(self._row, None, "is not UTF-8 text; save the file as CSV in UTF-8")
        except csv.Error as error:
            self._problem(self._row, None, f"cannot be read as CSV ({error})")
        finally:
            if self._copied:
                self._stream.close()
        self.digest = hashed.digest.hexdigest()

    def _settle_conventions(self, encoding: str) -> None:
        """Look ahead for what one cell alone may leave open: the order of dates, decimal commas."""
        start = self._stream.tell()
        text = io.TextIOWrapper(self._stream, encoding=encoding, newline="", errors="replace")
        try:
            delimiter, header = _header(text)
            date = header.index("printed_at") if "printed_at" in header else -1
            # A comma inside a number is common only where another mark parts the columns.
            marked = delimiter != ","
            numbers = [at for at, name in enumerate(header) if name in NUMBERS] if marked else []
            self._look_ahead(csv.reader(text, delimiter=delimiter, strict=True), date, numbers)
        except csv.Error:
            pass  # said with its row by the reading proper
        finally:
            text.detach()
            self._stream.seek(start)

    def _look_ahead(self, rows: Iterable[list[str]], date: int, numbers: list[int]) -> None:
        seen: set[DayOrder] = set()
        dates_open, commas_open = True, bool(numbers)
        for index, row in enumerate(rows):
            cell = row[date] if 0 <= date < len(row) else ""
            if index == 0:
                dates_open = "/" in cell or "-" in cell[1:3]
            if dates_open:
                seen.add(day_order_of(cell))
            if commas_open and any(is_decimal_comma(row[at]) for at in numbers if at < len(row)):
                self._conventions.decimal_comma, commas_open = True, False
            if not (dates_open or commas_open):
                break
        seen.discard(DayOrder.UNKNOWN)
        if len(seen) == 1:
            self._conventions.day_order = seen.pop()
            self.notes.append(f"Dates such as 03/04/2025 are read {self._conventions.day_order.value}.")
        elif seen:
            self._conventions.day_order = DayOrder.MIXED
        if self._conventions.decimal_comma:
            self.notes.append("Numbers are read with a decimal comma.")

    def _chunks(self, lines: Lines) -> Iterator[HistoryChunk]:
        delimiter, header = _header(lines)
        if not header:
            self._problem(None, None, "The file is empty; its first row must name the columns.")
            return
        columns = self._columns(header)
        if self.problems:
            return
        self._row = 2
        table = Table(lines, delimiter, len(header), [column.place for column in columns])
        for batch in table.batches(self._chunk_rows):
            if self.rows + batch.size > self._max_rows and self.rows + batch.filled > self._max_rows:
                row = self._max_rows + 2
                self._problem(row, None, f"The file holds more than {self._max_rows:,} rows; split it.")
                return
            chunk = self._chunk(batch, self._row, len(header), columns)
            self._row += batch.size
            if len(chunk):
                self.rows += len(chunk)
                yield chunk
        if self.rows == 0 and not self.problems:
            self._problem(None, None, "The file names its columns but holds no parts.")

    def _columns(self, header: list[str]) -> list[_Place]:
        unknown, columns, steps = [], [], []
        for place, name in enumerate(header):
            if name and name in header[:place]:
                self._problem(1, name, "stands twice in the header")
            elif name in KNOWN or (name.startswith(STEP) and len(name) > len(STEP)):
                columns.append(_Place(name, place, self._bounded(name, self._converter(name))))
                if len(name) > LONGEST_NAME:
                    self._problem(1, name[:40], f"is longer than {LONGEST_NAME} characters")
                if name.startswith(STEP):
                    steps.append(name[len(STEP) :])
            elif name:
                unknown.append(name)
        for name in REQUIRED:
            if name not in header:
                near = difflib.get_close_matches(name, unknown, n=1)
                hint = f"; the file has '{near[0]}'" if near else ""
                self._problem(1, name, f"is missing, and every part needs it{hint}")
        if len(header) > MAX_COLUMNS:
            self._problem(1, None, f"The file has more than {MAX_COLUMNS} columns.")
        self.unknown_columns, self.step_items = tuple(unknown), tuple(steps)
        for name in unknown:
            near = difflib.get_close_matches(name, [k for k in KNOWN if k not in header], n=1)
            hint = f"; is '{near[0]}' meant?" if near else ""
            self.notes.append(f"Column '{name}' is unknown and was not read{hint}")
        return columns

    def _bounded(self, name: str, convert: Convert) -> Convert:
        """``convert``, refusing what is longer or larger than the caller keeps."""
        longest, largest = self._longest.get(name), self._largest.get(name)
        if longest is None and largest is None:
            return convert

        def bounded(cell: str) -> Value:
            value = convert(cell)
            if longest is not None and isinstance(value, str) and len(value) > longest:
                raise CellRefused(f"is longer than {longest} characters")
            if largest is not None and isinstance(value, float) and value > largest:
                raise CellRefused(f"is {value:g}; at most {largest:g} can be")
            return value

        return bounded

    def _converter(self, name: str) -> Convert:
        conventions = self._conventions
        if name == "printed_at":
            return _needed(lambda cell: _likely(read_moment(cell, conventions)))
        if name == "outcome":
            return _outcome
        if name == "defects":
            return _defects
        if name.startswith(STEP):
            return lambda cell: read_answer(cell, conventions)
        if name in NOT_NEGATIVE:
            return lambda cell: _not_negative(read_number(cell, conventions))
        if name in NUMBERS:
            return lambda cell: read_number(cell, conventions)
        if name in YES_NO:
            return read_yes_no
        return _needed(read_text) if name in REQUIRED else read_text

    def _chunk(self, batch: Batch, number: int, width: int, columns: list[_Place]) -> HistoryChunk:
        cells, numbers = batch.cells, cast("Sequence[int]", range(number, number + batch.size))
        if cells is None:
            kept, numbers = self._whole_rows(batch.rows, number, width)
            some: Iterable[Sequence[str]] = zip(*kept, strict=True) if kept else [()] * width
            cells = dict(enumerate(map(Cells, some)))
        before = len(self.problems)
        result = {column.name: self._read(column, cells[column.place], numbers) for column in columns}
        self._check_parts(cast("Levels", result["part"]), numbers)
        self.problems[before:] = sorted(self.problems[before:], key=lambda problem: problem.row or 0)
        return HistoryChunk(numbers[0] if numbers else number, result)

    def _whole_rows(
        self, batch: list[list[str]], number: int, width: int
    ) -> tuple[list[list[str]], Sequence[int]]:
        """The rows with a cell for every column and their numbers; empty rows are passed over."""
        if set(map(len, batch)) == {width} and all(map(any, batch)):
            return batch, range(number, number + len(batch))
        kept, numbers = [], []
        for row_number, row in enumerate(batch, start=number):
            if len(row) == width and any(row):
                kept.append(row)
                numbers.append(row_number)
            elif any(row):
                count = f"{len(row)} cells, but the header names {width} columns"
                self._problem(row_number, None, f"has {count}; a cell may hold an unquoted separator")
        return kept, numbers

    def _read(self, column: _Place, cells: Cells, numbers: Sequence[int]) -> Column:
        if column.name not in NUMBERS:
            return self._levels(column, cells, numbers)
        largest = self._largest.get(column.name, LARGEST_NUMBER)
        smallest = 0.0 if column.name in NOT_NEGATIVE else -largest
        plain = read_plain_numbers(cells.distinct, self._conventions, smallest=smallest, largest=largest)
        if plain is not None:
            return plain if cells.codes is None else plain[cells.codes]
        values = self._levels(column, cells, numbers).values()
        return np.array([np.nan if value is None else value for value in values], dtype=np.float64)

    def _levels(self, column: _Place, cells: Cells, numbers: Sequence[int]) -> Levels:
        distinct, codes = cells.distinct, cells.codes
        if column.name in TEXTS and are_plain_texts(distinct, longest=self._longest.get(column.name)):
            return Levels(distinct, np.arange(len(distinct)) if codes is None else codes)
        distinct, codes = cells.factorized()
        cache = column.cache
        if len(cache) > CACHED_CELLS:
            cache.clear()
        refused: dict[str, str] = {}
        for cell in distinct:
            if cell not in cache:
                try:
                    cache[cell] = column.convert(cell)
                except CellRefused as error:
                    refused[cell] = str(error)
        if refused:
            for cell, row_number in zip(cells.each(), numbers, strict=True):
                if cell in refused:
                    self._problem(row_number, column.name, refused[cell])
        return Levels([cache.get(cell) for cell in distinct], codes)

    def _check_parts(self, parts: Levels, numbers: Sequence[int]) -> None:
        known, values = self._parts, parts.values()
        fresh = dict(zip(cast("list[str]", values), numbers, strict=True))
        if len(fresh) == len(parts) and None not in fresh and known.keys().isdisjoint(fresh):
            known.update(fresh)
            return
        for part, number in zip(values, numbers, strict=True):
            if not isinstance(part, str):
                continue
            first = known.setdefault(part, number)
            if first != number:
                self._problem(number, "part", f"'{part}' is already in row {first}; each part has one row")

    def _problem(self, row: int | None, column: str | None, reason: str) -> None:
        if len(self.problems) < MAX_PROBLEMS:
            self.problems.append(Problem(row, column, reason))
        else:
            self.more_problems += 1


@dataclass(frozen=True, slots=True)
class History:
    """A whole file read into memory: for small files, studies and tests."""

    frame: pd.DataFrame
    problems: tuple[Problem, ...]
    more_problems: int
    unknown_columns: tuple[str, ...]
    notes: tuple[str, ...]
    digest: str


def read_history(stream: IO[bytes], *, max_rows: int = MAX_ROWS) -> History:
    """Read an import file whole; ``frame`` has no rows where there is any problem."""
    reader = HistoryReader(stream, max_rows=max_rows)
    chunks = list(reader)
    frame = history_frame([] if reader.problems else chunks)
    return History(
        frame, tuple(reader.problems), reader.more_problems, reader.unknown_columns, tuple(reader.notes),
        reader.digest,
    )  # fmt: skip


def history_frame(chunks: list[HistoryChunk]) -> pd.DataFrame:
    """One data frame of the chunks: numbers as floats, moments in UTC or the lab's own time, naive."""
    import pandas as pd

    if not chunks:
        return pd.DataFrame({name: [] for name in REQUIRED})
    columns: dict[str, Any] = {}
    for name in chunks[0].columns:
        parts = [chunk.columns[name] for chunk in chunks]
        if name in NUMBERS:
            columns[name] = pd.Series(np.concatenate(cast("list[FloatArray]", parts)), dtype="float64")
            continue
        told = cast("list[Levels]", parts)
        if name == "printed_at":
            moments = [value for part in told for value in part.mapped(_naive)]
            columns[name] = pd.to_datetime(pd.Series(moments))
        else:
            values = [value for part in told for value in part.values()]
            columns[name] = pd.Series(values, dtype="object")
    return pd.DataFrame(columns)


def _naive(value: Value) -> datetime | None:
    if not isinstance(value, datetime):
        return None
    return value if value.tzinfo is None else value.astimezone(UTC).replace(tzinfo=None)


def _needed(convert: Convert) -> Convert:
    def read(cell: str) -> Value:
        value = convert(cell)
        if value is None:
            raise CellRefused("is empty, and every part needs it")
        return value

    return read


def _likely(moment: datetime | None) -> datetime | None:
    if moment is not None and not FIRST_YEAR <= moment.year <= LAST_YEAR:
        raise CellRefused(f"lies in the year {moment.year}; a print is expected after {FIRST_YEAR}")
    return moment


def _outcome(cell: str) -> str:
    word = cell.strip().lower()
    if word not in OUTCOMES:
        shown = f"'{word[:40]}'" if word else "empty"
        raise CellRefused(f"is {shown}; it must be one of {', '.join(OUTCOMES)}")
    return word


def _defects(cell: str) -> tuple[str, ...] | None:
    found = tuple(text for part in cell.split(";") if (text := read_text(part)))
    return found or None


def _not_negative(value: float | None) -> float | None:
    if value is not None and value < 0:
        raise CellRefused(f"is {value:g}; it cannot be below zero")
    return value


def _header(lines: Iterator[str]) -> tuple[str, list[str]]:
    """The mark between columns, and the header's names in lower case without spaces around."""
    line = next(lines, "")
    if line.lower().startswith("sep="):
        line = next(lines, "")
    best: tuple[int, list[str], str] = (-1, [], ",")
    for delimiter in (",", ";", "\t"):
        cells = next(csv.reader([line], delimiter=delimiter), [])
        names = [cell.strip().lower() for cell in cells]
        known = sum(name in KNOWN or name.startswith(STEP) for name in names)
        if known > best[0]:
            best = (known, names, delimiter)
    return best[2], best[1] if any(best[1]) else []
