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

# A table this long is shown open below its chart.
SMALL_TABLE_ROWS = 12
MOST_DIGITS = 6
SERIES = tuple(f"--series-{number}" for number in range(1, 7))


@dataclass(frozen=True)
class Cell:
    """A table cell that leads to the records behind it."""

    value: Any
    url: str


@dataclass(frozen=True)
class Chart:
    """``name`` is unique on the page (letters, digits, hyphens); ``columns`` name their units.

    ``rows`` hold text, numbers, None (shown as a dash) or ``Cell``. ``note`` says n, how the
    uncertainty was found and what the chart cannot tell.
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
        return len(self.rows) <= SMALL_TABLE_ROWS

    @property
    def cells(self) -> list[list[dict[str, Any]]]:
        """Rows for the template: text, link and whether the cell is a figure."""
        digits = [
            _digits(row[index] for row in self.rows if index < len(row)) for index in range(self._width)
        ]
        return [[_shown(cell, digits[index]) for index, cell in enumerate(row)] for row in self.rows]

    @property
    def _width(self) -> int:
        return max((len(row) for row in self.rows), default=0)

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
