"""How the columns of imported rows are kept: numbers and codes as packed binary, the rest as plain JSON.

A hundred thousand rows hold some million numbers and twice as many words; packed, they are written and
read as blocks.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, cast

import numpy as np
import numpy.typing as npt
import pandas as pd

from qa.statistics.columns import Column, FloatArray, IntArray, Levels, levels_of, spread
from qa.statistics.history import NUMBERS

PACKED = "f8"  # little-endian doubles in base64; not-a-number where nothing was recorded
# Distinct values, and little-endian unsigned integers of as many bytes as they need, which index them.
LEVELS, CODES = "levels", ("u1", "u2", "u4")


def packed(columns: Mapping[str, Column]) -> dict[str, Any]:
    """The columns of a chunk as they are stored."""
    return {name: _kept(name, column) for name, column in columns.items()}


def _kept(name: str, column: Column) -> Any:
    if not isinstance(column, Levels):
        return _kept_numbers(column)
    levels: Sequence[Any] = column.levels
    if name == "printed_at":
        levels = [cast("datetime", level).isoformat() for level in levels]
    if 2 * len(levels) > len(column):
        # Hardly any value comes twice, as in the names of parts.
        return spread(levels, column.codes)
    return {LEVELS: levels, **_codes(column.codes, len(levels))}


def _kept_numbers(column: FloatArray) -> dict[str, str]:
    codes, distinct = pd.factorize(column, use_na_sentinel=False)
    if 2 * len(distinct) > len(column):
        return {PACKED: _text(column.astype("<f8"))}
    return {PACKED: _text(distinct.astype("<f8")), **_codes(codes, len(distinct))}


def _codes(codes: IntArray, levels: int) -> dict[str, str]:
    size = next(size for size in CODES if levels <= np.iinfo(size).max + 1)
    return {size: _text(codes.astype(f"<{size}"))}


def _text(numbers: npt.NDArray[Any]) -> str:
    return base64.b64encode(numbers.tobytes()).decode("ascii")


def _indexed(column: Mapping[str, Any]) -> IntArray | None:
    """The codes of a stored column, where it has any."""
    for size in CODES:
        if size in column:
            codes: IntArray = np.frombuffer(base64.b64decode(column[size]), dtype=f"<{size}").astype(np.int64)
            return codes
    return None


def numbers(column: Any) -> FloatArray:
    """A stored column of numbers."""
    values = np.frombuffer(base64.b64decode(column[PACKED]), dtype="<f8").astype(np.float64)
    codes = _indexed(column)
    return values if codes is None else values[codes]


def unpacked(kept: Mapping[str, Any]) -> dict[str, Column]:
    """The columns as the reader gave them."""
    return {
        name: numbers(column) if name in NUMBERS else _levels(name, column) for name, column in kept.items()
    }


def _levels(name: str, column: Any) -> Levels:
    codes = _indexed(column) if isinstance(column, dict) else None
    if codes is None:
        return levels_of([_value(name, level) for level in column])
    return Levels([_value(name, level) for level in column[LEVELS]], codes)


def _value(name: str, level: Any) -> Any:
    if name == "printed_at":
        return datetime.fromisoformat(level)
    return tuple(level) if isinstance(level, list) else level
