"""The rows of a CSV file in batches: by column where its text allows it, else one by one.

Most batches hold no quotation mark and a cell of each row for every column. There all marks between cells are
found at once, and cells are compared as numbers of eight bytes each, so that only those that differ are made
into text.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from qa.statistics.columns import IntArray, combined, spread
from qa.statistics.lines import Lines

if TYPE_CHECKING:
    import _csv

_LONGEST_LINE = 100_000  # longer ones are left to the reader of rows, which has a limit for a cell
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"
_WORD = 8  # bytes compared at once
_LONGEST_CELL = 16 * _WORD  # longer ones are made into text one by one
# What is kept of a word of which the first 0 to 8 bytes belong to the cell.
_KEPT = np.array([(1 << 8 * size) - 1 for size in range(_WORD + 1)], dtype="<u8")

Words = npt.NDArray[np.uint64]


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """The cells of one column: ``codes`` (n) index the ``distinct``; without codes these are the cells."""

    distinct: Sequence[str]
    codes: IntArray | None = None

    def __len__(self) -> int:
        return len(self.distinct) if self.codes is None else len(self.codes)

    def each(self) -> Sequence[str]:
        """The cell of each row."""
        return self.distinct if self.codes is None else spread(self.distinct, self.codes)

    def factorized(self) -> tuple[list[str], IntArray]:
        """The distinct cells in order of their first row, and their codes."""
        import pandas as pd

        if self.codes is None:
            codes, found = pd.factorize(np.fromiter(self.distinct, dtype=object, count=len(self)))
            return found.tolist(), codes
        codes, places = pd.factorize(self.codes)
        return [self.distinct[place] for place in places.tolist()], codes


@dataclass(frozen=True, slots=True)
class Batch:
    """``size`` consecutive rows: ``cells`` by place of the column, or where that is None the ``rows``."""

    size: int
    cells: dict[int, Cells] | None
    rows: list[list[str]]

    @property
    def filled(self) -> int:
        """Rows with text in any cell."""
        return self.size if self.cells is not None else sum(map(any, self.rows))


class Table:
    """The rows of ``lines``: ``width`` cells parted by ``delimiter``, of which the ``wanted`` are read."""

    def __init__(self, lines: Lines, delimiter: str, width: int, wanted: Sequence[int]) -> None:
        self._delimiter, self._width, self._wanted = delimiter, width, wanted
        self._lines = lines
        self._rows: _csv.Reader = csv.reader(lines, delimiter=delimiter, strict=True)
        self._unlike: set[int] = set()  # columns that hardly repeat a cell

    def batches(self, size: int) -> Iterator[Batch]:
        """All rows in order; empty ones are among them. Raises ``csv.Error`` and ``UnicodeDecodeError``."""
        while lines := self._lines.take(size):
            batch = self._cut(lines)
            if batch is None:
                self._lines.give_back(lines)
                yield from self._read(size)
            else:
                yield batch

    def _read(self, size: int) -> Iterator[Batch]:
        rows: list[list[str]] = []
        try:
            for row in islice(self._rows, size):
                rows.append(row)  # kept where a later row raises
        except (csv.Error, UnicodeDecodeError):
            if rows:
                yield Batch(len(rows), None, rows)
            raise
        yield Batch(len(rows), None, rows)

    def _cut(self, lines: bytes) -> Batch | None:
        """Cells by column, or None where a quotation mark, a short or an empty row needs a closer look."""
        text = lines if lines.endswith(b"\n") else lines + b"\n"
        if b"\r" in text:
            text = text.replace(b"\r\n", b"\n")
        if any(sign in text for sign in (b'"', b"\r", b"\0")) or text.startswith(_BYTE_ORDER_MARK):
            return None
        places = self._places(text)
        if places is None:
            return None
        starts, ends = places
        # What stands at a sign and the seven after it, as one number.
        room = text + bytes(_LONGEST_CELL + _WORD)
        words = np.ndarray(len(text) + _LONGEST_CELL, dtype="<u8", buffer=room, strides=(1,))
        cells = {at: self._column(at, text, words, starts[:, at], ends[:, at]) for at in self._wanted}
        return Batch(len(starts), cells, [])

    def _places(self, text: bytes) -> tuple[IntArray, IntArray] | None:
        """Where each cell starts and ends, rows x width, where every row is whole and none empty or huge."""
        signs, width = np.frombuffer(text, dtype=np.uint8), self._width
        marks = np.flatnonzero((signs == ord(self._delimiter)) | (signs == ord("\n")))
        count = text.count(b"\n")
        if len(marks) != count * width or (signs[marks[width - 1 :: width]] != ord("\n")).any():
            return None
        starts = np.concatenate([[0], marks[:-1] + 1]).reshape(count, width)
        ends = marks.reshape(count, width)
        length = ends[:, -1] - starts[:, 0]
        empty = width - 1
        return (starts, ends) if empty < length.min() and length.max() <= _LONGEST_LINE else None

    def _column(self, place: int, text: bytes, words: Words, starts: IntArray, ends: IntArray) -> Cells:
        import pandas as pd

        lengths = ends - starts
        longest = int(lengths.max())
        if longest > _LONGEST_CELL:
            return Cells([text[a:b].decode() for a, b in zip(starts.tolist(), ends.tolist(), strict=True)])
        told = np.empty((len(starts), max(1, -(-longest // _WORD))), dtype="<u8")
        for number in range(told.shape[1]):
            kept = _KEPT[np.clip(lengths - number * _WORD, 0, _WORD)]
            told[:, number] = words[starts + number * _WORD] & kept
        if place in self._unlike:
            return Cells(_texts(told))
        words_of = [pd.factorize(column) for column in told.T]
        codes, first = combined([(codes, len(found)) for codes, found in words_of])
        if 2 * len(first) > len(codes):
            self._unlike.add(place)
        return Cells(_texts(told[first]), codes)


def _texts(told: Words) -> list[str]:
    """The text of each row; the zero bytes behind it are none of it."""
    raw = np.ascontiguousarray(told).view(f"S{told.shape[1] * _WORD}").ravel()
    return list(map(bytes.decode, raw.tolist()))
