"""The rows of a CSV file in batches: by column where its text allows it, else one by one.

Most batches hold no quotation mark: such text is cut at every separator at once, which takes a third of
the time of reading row by row, and is taken only where every row then has a cell for each column.
"""

from __future__ import annotations

import csv
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import IO, TYPE_CHECKING

if TYPE_CHECKING:
    import _csv

_LONGEST_LINE = 100_000  # longer ones are left to the reader of rows, which has a limit for a cell


@dataclass(frozen=True, slots=True)
class Batch:
    """``size`` consecutive rows: ``cells`` by column, or where that is None the ``rows`` as they are."""

    size: int
    cells: Sequence[Sequence[str]] | None
    rows: list[list[str]]

    @property
    def filled(self) -> int:
        """Rows with text in any cell."""
        return self.size if self.cells is not None else sum(map(any, self.rows))


class Table:
    """The rows of ``text`` from where it stands, cells parted by ``delimiter``, ``width`` columns."""

    def __init__(self, text: IO[str], delimiter: str, width: int) -> None:
        self.delimiter, self.width = delimiter, width
        self._lines = _Lines(text)
        self.rows: _csv.Reader = csv.reader(self._lines, delimiter=delimiter, strict=True)

    def batches(self, size: int) -> Iterator[Batch]:
        """All rows in order; empty ones are among them. Raises ``csv.Error`` and ``UnicodeDecodeError``."""
        while lines := self._lines.take(size):
            cells = self._cut(lines)
            if cells is not None:
                yield Batch(len(lines), cells, [])
                continue
            self._lines.give_back(lines)
            rows = list(islice(self.rows, size))
            yield Batch(len(rows), None, rows)

    def _cut(self, lines: list[str]) -> list[list[str]] | None:
        """Cells by column, or None where a quotation mark, a short or an empty row needs a closer look."""
        text = "".join(lines)
        if not text.endswith("\n"):
            text += "\n"
        if "\r" in text:
            text = text.replace("\r\n", "\n")
        mark, step = self.delimiter, self.width + 1
        empty = mark * (self.width - 1)
        if any(sign in text for sign in '"\r\0') or f"\n{empty}\n" in f"\n{text}":
            return None
        if max(map(len, lines)) > _LONGEST_LINE:
            return None
        # Every end of a line becomes a cell of its own: in whole rows each stands in its place.
        cells = text.replace("\n", f"{mark}\n{mark}").split(mark)
        ends = cells[self.width :: step]
        if len(cells) != len(lines) * step + 1 or ends.count("\n") != len(lines):
            return None
        del cells[-1]
        return [cells[place::step] for place in range(self.width)]


class _Lines:
    """Lines of a text, some of which can be given back."""

    def __init__(self, text: IO[str]) -> None:
        self._text, self._back = text, deque[str]()

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        return self._back.popleft() if self._back else next(self._text)

    def take(self, size: int) -> list[str]:
        if self._back:
            return list(islice(self, size))
        return list(islice(self._text, size))

    def give_back(self, lines: list[str]) -> None:
        self._back.extendleft(reversed(lines))
