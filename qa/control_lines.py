"""What control charts are drawn from: limits, their middle, marks that tell a signal by shape and size."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from labtrack.charts import SERIES


def limit_line(
    x: Sequence[Any], y: Sequence[float], name: str, *, middle: bool = False, **line: Any
) -> dict[str, Any]:
    """A limit, dashed, or the middle of the limits, dotted; one without a name has no entry in the legend."""
    drawn = {"color": SERIES[1 if middle else 2], "width": 2, "dash": "dot" if middle else "dash"}
    return {
        "type": "scatter",
        "mode": "lines",
        "name": name,
        "showlegend": bool(name),
        "x": x,
        "y": y,
        "line": drawn | line,
        "hoverinfo": "skip",
    }


def signal_markers(signals: Sequence[bool], *, size: int = 8) -> dict[str, Any]:
    """Circles of ``size`` px, and a large diamond for each point that signals."""
    return {
        "size": [13 if signal else size for signal in signals],
        "symbol": ["diamond" if signal else "circle" for signal in signals],
        "color": SERIES[0],
    }
