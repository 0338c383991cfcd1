"""How the columns of imported rows are kept: numbers as packed doubles, the rest as plain JSON.

A hundred thousand rows hold some million numbers; packed, they are written and read as blocks.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

import numpy as np
import numpy.typing as npt

from qa.statistics.history import NUMBERS

PACKED = "f8"  # little-endian doubles in base64; not-a-number where nothing was recorded


def packed(columns: Mapping[str, Sequence[Any]]) -> dict[str, Any]:
    """The columns of a chunk as they are stored."""
    kept: dict[str, Any] = {}
    for name, values in columns.items():
        if name in NUMBERS:
            data = np.array(values, dtype="<f8").tobytes()
            kept[name] = {PACKED: base64.b64encode(data).decode("ascii")}
        elif name == "printed_at":
            kept[name] = [value.isoformat() for value in values]
        else:
            kept[name] = values
    return kept


def numbers(column: Any) -> npt.NDArray[np.float64]:
    """A stored column of numbers."""
    return np.frombuffer(base64.b64decode(column[PACKED]), dtype="<f8").astype(np.float64)


def unpacked(kept: Mapping[str, Any]) -> dict[str, list[Any]]:
    """The columns as the reader gave them."""
    columns: dict[str, list[Any]] = {}
    for name, values in kept.items():
        if name in NUMBERS:
            columns[name] = [None if np.isnan(value) else value for value in numbers(values).tolist()]
        elif name == "printed_at":
            columns[name] = [datetime.fromisoformat(value) for value in values]
        else:
            columns[name] = list(values)
    return columns
