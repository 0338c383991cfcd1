"""What control charts share: limits, their middle, marks that tell a signal, words for rules and alarms."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from labtrack.charts import SERIES
from qa.statistics.charts import Chart as ControlChart
from qa.statistics.run_rules import RUN_RULES, Rule

SIGNALS = f"Signals: {Rule.BEYOND}; {Rule.EIGHT} ({RUN_RULES.source})."


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


def alarm_words(chart: ControlChart) -> str:
    """How often so long a chart signals although nothing changed."""
    if chart.false_alarms is None:
        return ""
    return (
        f"With nothing changed, {100 * chart.false_alarms.per_chart:.0f} of 100 such charts signal somewhere."
    )
