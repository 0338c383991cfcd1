"""Columns of an imported table: numbers as an array, everything else as distinct values and codes.

A hundred thousand parts have some tens of printers, resins and answers: what is done once for each of
those, and not once a part, takes no time.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Value = str | float | datetime | tuple[str, ...] | None


@dataclass(frozen=True, slots=True, eq=False)
class Levels:
    """``codes`` (n) index ``levels``, which may hold a value more than once."""

    levels: Sequence[Value]
    codes: IntArray

    def __len__(self) -> int:
        return len(self.codes)

    def values(self) -> list[Value]:
        """The value of each row."""
        return spread(self.levels, self.codes)

    def mapped(self, change: Callable[[Any], Any]) -> list[Any]:
        """``change`` of the value of each row, made once a level."""
        values: list[Any] = self.changed(change).array().tolist()
        return values

    def array(self) -> npt.NDArray[np.object_]:
        """The value of each row."""
        return np.fromiter(self.levels, dtype=object, count=len(self.levels))[self.codes]

    def changed(self, change: Callable[[Any], Any]) -> Levels:
        """The column with ``change`` of each level."""
        return Levels([change(level) for level in self.levels], self.codes)

    def picked(self, rows: IntArray) -> Levels:
        """The column of the chosen rows alone."""
        return Levels(self.levels, self.codes[rows])


Column = Levels | FloatArray  # not-a-number where no number is recorded


def spread(levels: Sequence[Any], codes: IntArray) -> list[Any]:
    """The level of each code."""
    values: list[Any] = np.fromiter(levels, dtype=object, count=len(levels))[codes].tolist()
    return values


def combined(columns: Sequence[tuple[IntArray, int]]) -> tuple[IntArray, IntArray]:
    """Codes of the different combinations in rows of ``columns``, each codes (n) and how many there are, and
    the first row of each combination."""
    import pandas as pd

    codes = columns[0][0]
    for more, count in columns[1:]:
        codes = pd.factorize(codes * count + more)[0]
    codes, found = pd.factorize(codes)
    first = np.empty(len(found), dtype=np.int64)
    first[codes[::-1]] = np.arange(len(codes))[::-1]
    return codes, first


def levels_of(values: Sequence[Value]) -> Levels:
    """A column of hashable values, one a row."""
    places = {value: place for place, value in enumerate(dict.fromkeys(values))}
    codes = np.fromiter(map(places.__getitem__, values), dtype=np.int64, count=len(values))
    return Levels(list(places), codes)
