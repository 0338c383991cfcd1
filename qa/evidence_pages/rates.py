"""Rates per 100 with their intervals, and a saving by the month."""

from __future__ import annotations

from typing import Any

from labtrack.charts import SERIES
from qa.evidence_pages.asking import Asking


def per_month(asking: Asking, cause: dict[str, Any]) -> list[float] | None:
    """Parts a month: estimate and interval; None where no time is known."""
    months = asking.result["months"]
    if not months:
        return None
    scale = asking.report["parts"] / months / 100
    low, high = cause["ci95"]
    return [cause["saved_per_100"] * scale, (low or 0.0) * scale, (high or 0.0) * scale]


def rate_bars(x: list[Any], rows: list[dict[str, Any]], **extra: Any) -> dict[str, Any]:
    """Rates per 100 with their intervals, from ``rate`` and ``ci95`` of each row."""
    rates = [100 * (row["rate"] or 0.0) for row in rows]
    low = [100 * ((row["ci95"] or [0, 0])[0] or 0.0) for row in rows]
    high = [100 * (1.0 if row["ci95"] is None or row["ci95"][1] is None else row["ci95"][1]) for row in rows]
    return {
        "type": "scatter",
        "mode": "markers",
        "x": x,
        "y": rates,
        "marker": {"size": 11, "color": SERIES[0]},
        "error_y": {
            "type": "data",
            "symmetric": False,
            "array": [h - r for h, r in zip(high, rates, strict=True)],
            "arrayminus": [r - one for one, r in zip(low, rates, strict=True)],
            "color": SERIES[0],
            "thickness": 2,
        },
        "hovertemplate": "%{x}: %{y:.1f} per 100<extra></extra>",
        "showlegend": False,
    } | extra


def rate_cells(row: dict[str, Any]) -> list[Any]:
    """per 100, 95 % from, 95 % to."""
    ends = row["ci95"] or [None, None]
    return [per_100(row["rate"]), per_100(ends[0]), per_100(ends[1])]


def per_100(value: float | None) -> float | None:
    return None if value is None else round(100 * value, 2)
