"""A chart and its numbers: what every dashboard hands to the ``chart`` tag.

The figure is plain JSON in plotly's own schema, built and tested in Python. Colours are names of the
stylesheet's custom properties (``"--series-1"``, ``"--fail"``), which the page resolves for its theme.
A point whose ``customdata`` is a path (``"/trace/?tank=3"``) opens it when clicked.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from labtrack.cells import safe_cell

# A table this long, and less wide, is shown open below its chart.
SMALL_TABLE_ROWS = 12
MOST_DIGITS = 6
WIDE_TABLE_COLUMNS = 14
BOUNDS = ("95 % from", "95 % to")
SERIES = tuple(f"--series-{number}" for number in range(1, 7))


def supported_digits(low: float | None, high: float | None) -> int:
    """Decimals that an interval supports: one where it is as wide as 1, and one more each time it is ten
    times narrower. An open end supports no more than one.

    Every figure with an interval is written by this rule, in tables and in sentences.
    """
    if low is None or high is None or high - low >= 1:
        return 1
    return min(MOST_DIGITS, 1 - math.floor(math.log10(max(high - low, 10.0**-MOST_DIGITS))))


@dataclass(frozen=True)
class Cell:
    """A table cell that leads to the records behind it."""

    value: Any
    url: str


@dataclass(frozen=True)
class Chart:
    """``name`` is unique on the page (letters, digits, hyphens); ``columns`` name their units.

    ``rows`` hold text, numbers, None (shown as a dash) or ``Cell``. ``note`` says n, how the
    uncertainty was found and what the chart cannot tell. The interval of a figure per 100 stands in the
    two columns after it, headed as in ``BOUNDS``; none of the three shows more than it supports.
    """

    name: str
    title: str
    figure: dict[str, Any]
    columns: Sequence[str]
    rows: Sequence[Sequence[Any]] = field(default_factory=list)
    csv_url: str = ""
    note: str = ""

    @property
    def table_open(self) -> bool:
        return len(self.rows) <= SMALL_TABLE_ROWS and len(self.columns) <= WIDE_TABLE_COLUMNS

    @property
    def cells(self) -> list[list[dict[str, Any]]]:
        """Rows for the template: text, link and whether the cell is a figure."""
        digits = [_digits(self._column(index)) for index in range(self._width)]
        for figure, low, high in self._bounded:
            most = _supported(zip(self._column(low), self._column(high), strict=True))
            for index in (figure, low, high):
                digits[index] = min(digits[index], most)
        return [[_shown(cell, digits[index]) for index, cell in enumerate(row)] for row in self.rows]

    @property
    def _width(self) -> int:
        return max((len(row) for row in self.rows), default=0)

    def _column(self, index: int) -> list[Any]:
        return [_value(row[index]) for row in self.rows if index < len(row)]

    @property
    def _bounded(self) -> list[tuple[int, int, int]]:
        """Columns of a figure per 100 and of the ends of its interval."""
        titles = [title.strip() for title in self.columns[: self._width]]
        return [
            (index, index + 1, index + 2)
            for index in range(len(titles) - 2)
            if "100" in titles[index] and (titles[index + 1], titles[index + 2]) == BOUNDS
        ]

    @property
    def heads(self) -> list[dict[str, Any]]:
        """Column heads; a head is aligned as its first filled cell is."""
        heads = []
        for index, title in enumerate(self.columns):
            values = (_value(row[index]) for row in self.rows if index < len(row))
            first = next((value for value in values if value is not None and value != ""), "")
            heads.append({"title": _headed(title), "numeric": _numeric(first)})
        return heads

    def csv_rows(self) -> list[list[Any]]:
        """The same rows for ``labtrack.web.csv_response``."""
        return [[safe_cell(_value(cell)) for cell in row] for row in self.rows]


def _value(cell: Any) -> Any:
    return cell.value if isinstance(cell, Cell) else cell


def _numeric(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _headed(title: str) -> str:
    """As a column's head is written; a symbol such as n stays as it is."""
    return title if len(title.partition(" ")[0]) == 1 else title[:1].upper() + title[1:]


def _digits(cells: Iterable[Any]) -> int:
    """Decimals that show every figure of a column in full, so that their points stand in one line."""
    values = [value for value in map(_value, cells) if isinstance(value, float) and math.isfinite(value)]
    return max((len(f"{value:.{MOST_DIGITS}f}".rstrip("0").partition(".")[2]) for value in values), default=0)


def _supported(ends: Iterable[tuple[Any, Any]]) -> int:
    """Decimals for a column of intervals: what the widest supports, and more only where a narrow one
    would shrink to nothing."""
    known = [(low, high) for low, high in ends if _numeric(low) and _numeric(high) and high > low]
    if not known:
        return MOST_DIGITS
    widest, narrowest = (choose(known, key=lambda end: end[1] - end[0]) for choose in (max, min))
    vanishing = math.ceil(-math.log10(max(narrowest[1] - narrowest[0], 10.0**-MOST_DIGITS)))
    return max(supported_digits(*widest), vanishing)


def _text(value: Any, digits: int) -> Any:
    if value is None or value == "":
        return "–"
    if not _numeric(value):
        return value
    return f"{value:,.{digits}f}".replace(",", "\u202f").replace("-", "\u2212")


def _shown(cell: Any, digits: int) -> dict[str, Any]:
    value = _value(cell)
    return {
        "text": _text(value, digits),
        "url": cell.url if isinstance(cell, Cell) else "",
        "numeric": _numeric(value),
    }
