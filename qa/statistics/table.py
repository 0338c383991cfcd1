"""The rows of a CSV file in batches: by column where its text allows it, else one by one.

Most batches hold no quotation mark: such text is cut by pandas' parser, which sees at once which cells of
a column are alike, and is taken only where every row then has a cell for each column.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import TYPE_CHECKING, Any

import numpy as np

from qa.statistics.columns import IntArray, spread
from qa.statistics.lines import Lines

if TYPE_CHECKING:
    import _csv

_LONGEST_LINE = 100_000  # longer ones are left to the reader of rows, which has a limit for a cell
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"
_LOOKED_AT = 1_000  # rows that tell which columns hardly repeat a cell


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
        mark = delimiter.encode()
        self._whole = mark * (width - 1) + b"\n"
        self._between = bytes(byte for byte in range(256) if byte not in self._whole)
        self._unlike: set[int] | None = None  # columns that hardly repeat a cell

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
        count, empty = text.count(b"\n"), self._whole
        if any(sign in text for sign in (b'"', b"\r", b"\0")) or text.startswith(_BYTE_ORDER_MARK):
            return None
        if text.startswith(empty) or b"\n" + empty in text or _longest_line(text) > _LONGEST_LINE:
            return None
        if text.translate(None, delete=self._between) != self._whole * count:
            return None
        return Batch(count, self._parsed(text, count), [])

    def _parsed(self, text: bytes, count: int) -> dict[int, Cells]:
        if self._unlike is None:
            head = self._frame(text, set(self._wanted), min(count, _LOOKED_AT))
            self._unlike = {place for place in self._wanted if 2 * head[place].nunique() > len(head)}
        frame = self._frame(text, self._unlike, count)
        cells = {}
        for place in self._wanted:
            column = frame[place]
            if place in self._unlike:
                cells[place] = Cells(column.tolist())
                continue
            distinct = column.cat.categories.tolist()
            cells[place] = Cells(distinct, column.cat.codes.to_numpy().astype(np.int64))
            if 2 * len(distinct) > count:
                self._unlike.add(place)
        return cells

    def _frame(self, text: bytes, unlike: set[int], count: int) -> Any:
        """``count`` rows of text known to be whole, every cell as it is written."""
        import pandas as pd

        return pd.read_csv(
            io.BytesIO(text),
            sep=self._delimiter,
            header=None,
            names=range(self._width),
            index_col=False,
            usecols=self._wanted,
            dtype={place: "object" if place in unlike else "category" for place in self._wanted},
            nrows=count,
            quoting=csv.QUOTE_NONE,
            na_filter=False,
            skip_blank_lines=False,
            low_memory=False,
            engine="c",
        )


def _longest_line(text: bytes) -> int:
    if len(text) <= _LONGEST_LINE:
        return len(text)
    ends = np.flatnonzero(np.frombuffer(text, dtype=np.uint8) == ord("\n"))
    return int(np.diff(ends, prepend=-1).max())
