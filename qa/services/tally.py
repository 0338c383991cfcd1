"""Keeping the counts behind the trends: by difference, in the transaction of the change.

A row counts in its cells only while it is mature. A change takes the row's old cells away and adds
its new ones; what stays the same touches nothing.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from datetime import date
from typing import Protocol

from django.db import connection

from qa.choices import COLUMN_AXES, STEP_AXIS, EvidenceUnit
from qa.models import EvidenceTally, FormedPieceRow, PrintAttempt

Cell = tuple[str, date, str, str]
Counts = tuple[int, int, int, int]

LEVEL_LENGTH = 120


class Counted(Protocol):
    """What is counted of a row: a row of the tables, or the same read without the rest of it."""

    @property
    def build(self) -> str: ...
    @property
    def days_since_filter(self) -> float | None: ...
    @property
    def builds_since_filter(self) -> int | None: ...
    @property
    def steps(self) -> Mapping[str, str]: ...
    @property
    def defects(self) -> Iterable[str]: ...


class TallyChange:
    """What rows of the lab add to and take from the cells; ``apply`` writes it in one go."""

    def __init__(self) -> None:
        self._cells: dict[Cell, list[int]] = {}
        self.rows = 0  # written, whether they count or not

    def add(self, row: PrintAttempt | FormedPieceRow) -> None:
        self._count(row, 1)

    def take(self, row: PrintAttempt | FormedPieceRow) -> None:
        self._count(row, -1)

    def _count(self, row: PrintAttempt | FormedPieceRow, sign: int) -> None:
        if not row.mature:
            return
        unit = EvidenceUnit.PART if isinstance(row, PrintAttempt) else EvidenceUnit.PIECE
        counts = (1, int(row.lost), int(row.defective), int(row.contaminated))
        for axis, level in levels_of(row):
            sums = self._cells.setdefault((unit.value, row.day, axis, level), [0, 0, 0, 0])
            for place, count in enumerate(counts):
                sums[place] += sign * count

    @property
    def cells(self) -> dict[Cell, Counts]:
        """Cells that change, with the differences of parts, lost, defective and contaminated."""
        return {cell: (sums[0], sums[1], sums[2], sums[3]) for cell, sums in self._cells.items() if any(sums)}

    def apply(self) -> None:
        """Add the differences to the stored cells; call inside the transaction of the change.

        Missing cells are opened at zero first, then every cell is raised or lowered in one order, so
        that two transactions that touch the same cells wait for each other instead of blocking for ever.
        """
        changes = sorted(self.cells.items())
        if not changes:
            return
        EvidenceTally.objects.bulk_create(
            [
                EvidenceTally(unit=unit, day=day, axis=axis, level=level)
                for (unit, day, axis, level), _ in changes
            ],
            ignore_conflicts=True,
            batch_size=500,
        )
        # The table's name is the model's own; every value is a parameter.
        statement = (
            f"UPDATE {EvidenceTally._meta.db_table} SET parts = parts + %s, lost = lost + %s, "  # noqa: S608
            "defective = defective + %s, contaminated = contaminated + %s "
            "WHERE history_id IS NULL AND unit = %s AND day = %s AND axis = %s AND level = %s"
        )
        with connection.cursor() as cursor:
            cursor.executemany(
                statement,
                [
                    (*counts, unit, connection.ops.adapt_datefield_value(day), axis, level)
                    for (unit, day, axis, level), counts in changes
                ],
            )


def levels_of(row: Counted) -> list[tuple[str, str]]:
    """The axes a row counts on, with its level on each; a factor that is not known counts on none.

    ``COLUMN_AXES`` are read by name.
    """
    levels = [("all", "")]
    if row.build:
        levels.append(("build", row.build))
    levels += [(axis, str(getattr(row, axis))) for axis in COLUMN_AXES if getattr(row, axis)]
    if row.days_since_filter is not None:
        levels.append(("tank-days", str(math.floor(row.days_since_filter))))
    if row.builds_since_filter is not None:
        levels.append(("tank-builds", str(row.builds_since_filter)))
    levels += [(STEP_AXIS + code, status) for code, status in row.steps.items()]
    levels += [("defect", label) for label in set(row.defects)]
    return [(axis, level[:LEVEL_LENGTH]) for axis, level in levels]
