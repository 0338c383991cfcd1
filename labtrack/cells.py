"""Cells of a CSV as spreadsheets take them."""

from __future__ import annotations

from typing import Any


def safe_cell(value: Any) -> Any:
    """A cell that no spreadsheet takes for a formula."""
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r"):
        return "'" + value
    return "" if value is None else value
