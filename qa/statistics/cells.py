"""What one cell of an imported table says: numbers, dates, answers. Certain, or refused in words.

A cell is read only where one reading is possible; everything else raises :class:`CellRefused` with the
reason that the person who made the file is shown.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

import numpy as np
import numpy.typing as npt

LONGEST_CELL = 500
LARGEST_NUMBER = 1e12
_PLAIN = re.compile(r"[A-Za-z0-9](?:[\w ./#\-]{0,198}[\w./#\-])?", re.ASCII)
_PLAIN_LINES = re.compile(r"(?:[A-Za-z0-9](?:[\w ./#\-]{0,198}[\w./#\-])?\n)+", re.ASCII)
_PLAIN_NUMERALS = b"0123456789.-\n"
_ISO = re.compile(r"\d{4}-\d{2}-\d{2}(?:[T ]\d{2}:\d{2}(?::\d{2})?(?:Z|[+\-]\d{2}:\d{2})?)?")
_FORMULA = re.compile(r"^[=@\t\r]|^[+\-].*[A-Za-z(!:]")
_INTEGER = re.compile(r"^[+\-]?\d+$")
_POINT = re.compile(r"^[+\-]?\d*\.\d+(?:[eE][+\-]?\d+)?$|^[+\-]?\d+\.$|^[+\-]?\d+[eE][+\-]?\d+$")
_COMMA = re.compile(r"^[+\-]?\d*,\d+$")
_GROUPED = re.compile(r"^[+\-]?[1-9]\d{0,2}[.,]\d{3}$")
_POINT_GROUPS = re.compile(r"^[+\-]?\d{1,3}(?:\.\d{3})+,\d+$")
_COMMA_GROUPS = re.compile(r"^[+\-]?\d{1,3}(?:,\d{3})+\.\d+$")
_YEAR_FIRST = re.compile(r"^(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})$")
_YEAR_LAST = re.compile(r"^(\d{1,2})([-/.])(\d{1,2})\2(\d{4})$")
_TIME = re.compile(r"^(\d{1,2}):(\d{2})(?::(\d{2})(?:[.,]\d{1,6})?)?\s*(Z|[+\-]\d{2}:?\d{2})?$")
_YES = {"yes", "y", "true"}
_NO = {"no", "n", "false"}
_NA = {"na", "n/a", "n.a.", "not applicable"}


class CellRefused(ValueError):
    """The cell has no certain reading; the message says why."""


class DayOrder(StrEnum):
    """Which comes first in a date such as 03/04/2025; ``UNKNOWN`` until a cell of the file settles it."""

    UNKNOWN = "unknown"
    DAY_FIRST = "day first"
    MONTH_FIRST = "month first"
    MIXED = "mixed"


@dataclass(slots=True)
class Conventions:
    """What the file has settled so far: decimal commas, and the order of day and month."""

    decimal_comma: bool = False
    day_order: DayOrder = DayOrder.UNKNOWN


def refuse_formula(text: str) -> None:
    """Refuse a cell that a spreadsheet would run."""
    if _FORMULA.match(text):
        raise CellRefused("looks like a spreadsheet formula; write the value itself")


def read_text(text: str) -> str | None:
    """A plain text cell, stripped; ``None`` when empty.

    Raises :class:`CellRefused` where it is too long, holds a control character or looks like a formula.
    """
    if _PLAIN.fullmatch(text):
        return text
    cell = text.strip()
    if not cell:
        return None
    if len(cell) > LONGEST_CELL:
        raise CellRefused(f"is longer than {LONGEST_CELL} characters")
    if any(ord(letter) < 32 for letter in cell):
        raise CellRefused("holds a control character; write one line of plain text")
    refuse_formula(cell)
    return cell


def are_plain_texts(cells: Sequence[str], *, longest: int | None = None) -> bool:
    """Whether :func:`read_text` would give every one of ``cells`` as it is, none above ``longest``."""
    if longest is not None and max(map(len, cells), default=0) > longest:
        return False
    return bool(_PLAIN_LINES.fullmatch("\n".join([*cells, ""])))


def read_plain_numbers(
    cells: Sequence[str], conventions: Conventions, *, smallest: float, largest: float
) -> npt.NDArray[np.float64] | None:
    """The cells as numbers, where each is empty or written plainly and lies within the limits.

    ``None`` where any needs :func:`read_number`. Not-a-number stands for an empty cell.
    """
    text = "\n".join(cells)
    if conventions.decimal_comma:
        if "." in text or ",\n" in text or text.endswith(","):
            return None
        text = text.replace(",", ".")
        cells = [cell.replace(",", ".") for cell in cells]
    try:
        if text.encode("ascii").translate(None, delete=_PLAIN_NUMERALS):
            return None
        if "" in cells:
            cells = [cell or "nan" for cell in cells]
        numbers = np.array(list(map(float, cells)))
    except ValueError:
        return None
    known = numbers[~np.isnan(numbers)]
    if len(known) and not smallest <= known.min() <= known.max() <= largest:
        return None
    return numbers


def read_number(text: str, conventions: Conventions) -> float | None:
    """A number with decimal point, or decimal comma where that is certain; ``None`` when empty.

    Raises :class:`CellRefused` where it is no number, or may be two.
    """
    cell = text.strip().replace("\u2212", "-").replace("\u00a0", "")
    if not cell:
        return None
    if _INTEGER.match(cell):
        return _finite(cell)
    if _POINT.match(cell):
        if conventions.decimal_comma and _GROUPED.match(cell):
            raise CellRefused(f"'{cell}' may mean {cell.replace('.', '')} or {cell.replace('.', ',')}")
        return _finite(cell)
    if _COMMA.match(cell):
        if _GROUPED.match(cell) and not conventions.decimal_comma:
            raise CellRefused(f"'{cell}' may mean {cell.replace(',', '')} or {cell.replace(',', '.')}")
        conventions.decimal_comma = True
        return _finite(cell.replace(",", "."))
    if _POINT_GROUPS.match(cell):
        conventions.decimal_comma = True
        return _finite(cell.replace(".", "").replace(",", "."))
    if _COMMA_GROUPS.match(cell):
        return _finite(cell.replace(",", ""))
    refuse_formula(cell)
    raise CellRefused(f"'{_short(cell)}' is not a number")


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value) or abs(value) > LARGEST_NUMBER:
        raise CellRefused(f"'{_short(text)}' is too large to be a measurement")
    return value


def is_decimal_comma(text: str) -> bool:
    """Whether the cell is a number whose comma can only be a decimal one."""
    cell = text.strip()
    return bool(_COMMA.match(cell) and not _GROUPED.match(cell)) or bool(_POINT_GROUPS.match(cell))


def read_answer(text: str, conventions: Conventions) -> str | float | None:
    """A step's answer: ``yes``, ``no``, ``na``, a number, or ``None`` when not recorded.

    Raises :class:`CellRefused` where it is none of the answers known.
    """
    cell = text.strip().lower()
    if not cell:
        return None
    for word, spellings in (("yes", _YES), ("no", _NO), ("na", _NA)):
        if cell in spellings:
            return word
    try:
        return read_number(cell, conventions)
    except CellRefused as refused:
        if "is not a number" in str(refused):
            raise CellRefused(f"'{_short(cell)}' is none of yes, no, na or a number") from None
        raise


def read_yes_no(text: str) -> str | None:
    """Text, with every spelling of yes and no made one.

    Raises :class:`CellRefused` where it is neither yes nor no.
    """
    cell = read_text(text)
    if cell is None:
        return None
    low = cell.lower()
    return "yes" if low in _YES or low == "1" else "no" if low in _NO or low == "0" else cell


def day_order_of(text: str) -> DayOrder:
    """What one date cell tells about the order of day and month."""
    match = _YEAR_LAST.match(text.strip().replace("T", " ").split(" ")[0])
    if match is None or match[2] == ".":
        return DayOrder.UNKNOWN
    first, second = int(match[1]), int(match[3])
    if first > 12 >= second:
        return DayOrder.DAY_FIRST
    return DayOrder.MONTH_FIRST if second > 12 >= first else DayOrder.UNKNOWN


def read_moment(text: str, conventions: Conventions) -> datetime | None:
    """A date, with a time of day or without: ISO 8601, 31.12.2025, or 31/12/2025 where certain.

    Dates with dots are day first. With strokes or dashes the order must be settled by the cell or by
    the file. A moment without an offset is the lab's own time and stays without one.

    Raises :class:`CellRefused` where it is no moment, or may be two.
    """
    cell = text.strip()
    if not cell:
        return None
    if _ISO.fullmatch(cell):
        try:
            return datetime.fromisoformat(cell)
        except ValueError:
            raise CellRefused(f"'{cell}' is no day of the calendar") from None
    parts = re.split(r"[T\s]+", cell, maxsplit=1)
    year, month, day = _date(parts[0], conventions)
    hour = minute = second = 0
    offset = None
    if len(parts) == 2:
        time = _TIME.match(parts[1])
        if time is None:
            raise CellRefused(f"'{_short(cell)}' has no readable time of day; write it as 14:30")
        hour, minute, second = int(time[1]), int(time[2]), int(time[3] or 0)
        offset = time[4]
    try:
        moment = datetime(year, month, day, hour, minute, second)
        if offset is None:
            return moment
        return moment.replace(tzinfo=datetime.strptime(offset, "%z").tzinfo)
    except ValueError:
        raise CellRefused(f"'{_short(cell)}' is no day of the calendar") from None


def _date(cell: str, conventions: Conventions) -> tuple[int, int, int]:
    match = _YEAR_FIRST.match(cell)
    if match:
        return int(match[1]), int(match[2]), int(match[3])
    match = _YEAR_LAST.match(cell)
    if match is None:
        refuse_formula(cell)
        raise CellRefused(f"'{_short(cell)}' is not a date; write it as 2025-12-31")
    first, mark, second, year = int(match[1]), match[2], int(match[3]), int(match[4])
    order = DayOrder.DAY_FIRST if mark == "." else day_order_of(cell)
    if order is DayOrder.UNKNOWN and first == second:
        order = DayOrder.DAY_FIRST
    if order is DayOrder.UNKNOWN:
        order = conventions.day_order
    if order is DayOrder.DAY_FIRST:
        return year, second, first
    if order is DayOrder.MONTH_FIRST:
        return year, first, second
    raise CellRefused(f"'{_short(cell)}' may be read day first or month first; write it as 2025-12-31")


def _short(cell: str) -> str:
    return cell if len(cell) <= 40 else cell[:37] + "..."
