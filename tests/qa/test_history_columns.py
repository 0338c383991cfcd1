"""Columns of imported history come back from their packed form as they were, however many values repeat."""

from __future__ import annotations

import base64
import json
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest

from qa.history_columns import packed, unpacked
from qa.statistics.columns import Column, Levels

ROWS = 140_000


def kept(columns: dict[str, Column]) -> dict[str, Column]:
    return unpacked(json.loads(json.dumps(packed(columns), allow_nan=False)))


@pytest.mark.parametrize(
    ("levels", "size"), [(1, "u1"), (256, "u1"), (257, "u2"), (65_536, "u2"), (65_537, "u4")]
)
def test_codes_take_as_many_bytes_as_their_number_of_levels_needs(levels: int, size: str) -> None:
    codes = np.arange(ROWS) % levels
    names = Levels([f"L{place}" for place in range(levels)], codes)
    figures = np.where(codes == 0, np.nan, codes / 3)
    stored = packed({"printer": names, "lamp_hours": figures})
    assert size in stored["printer"] and size in stored["lamp_hours"]
    back = kept({"printer": names, "lamp_hours": figures})
    assert isinstance(back["printer"], Levels) and back["printer"].values() == names.values()
    assert isinstance(back["lamp_hours"], np.ndarray)
    np.testing.assert_array_equal(back["lamp_hours"], figures)


def test_what_hardly_repeats_is_kept_one_value_a_row() -> None:
    figures = np.sqrt(np.arange(50.0))
    figures[7] = np.nan
    names = Levels([f"part {place}" for place in range(50)], np.arange(50))
    moments = Levels([datetime(2025, 3, 1, 10, tzinfo=UTC), datetime(2025, 3, 2)], np.arange(50) % 2)
    defects = Levels([None, ("bubble", "flake")], np.arange(50) % 2)
    columns: dict[str, Column] = {
        "part": names, "platform_x_mm": figures, "printed_at": moments, "defects": defects,
    }  # fmt: skip
    back: dict[str, Any] = kept(columns)
    np.testing.assert_array_equal(back["platform_x_mm"], figures)
    for name in ("part", "printed_at", "defects"):
        assert back[name].values() == columns[name].values()  # type: ignore[union-attr]


def test_columns_stored_by_earlier_versions_are_read() -> None:
    codes = base64.b64encode(np.array([0, 1, 0], dtype="<u4").tobytes()).decode()
    doubles = base64.b64encode(np.array([1.5, np.nan, 2.0], dtype="<f8").tobytes()).decode()
    back: dict[str, Any] = unpacked(
        {
            "printer": {"levels": ["P1", None], "u4": codes},
            "lamp_hours": {"f8": doubles},
            "part": ["A", "B", "C"],
        }
    )
    assert back["printer"].values() == ["P1", None, "P1"]
    np.testing.assert_array_equal(back["lamp_hours"], [1.5, np.nan, 2.0])
    assert back["part"].values() == ["A", "B", "C"]
