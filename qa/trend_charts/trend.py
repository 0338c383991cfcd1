"""What a trend is, and the words that every one of them uses."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from labtrack.charts import Chart
from qa.queries.tally import TallyView
from qa.statistics.results import count_words

CANNOT_TELL = "cannot tell yet"


@dataclass(frozen=True)
class Trend:
    """One chart with what the API says of it. ``question`` is what it answers, ``sentence`` its finding."""

    question: str
    chart: Chart
    sentence: str
    method: str
    data: list[dict[str, Any]] = field(default_factory=list)


def things(view: TallyView) -> str:
    return view.unit.things


def n_note(view: TallyView, n: int) -> str:
    effect = view.spread.design_effect
    text = f"n = {count_words(n, things(view))}."
    if effect > 1.005:
        text += (
            f" Those of one build share causes, so they count for {n / effect:.0f} (design "
            f"effect {effect:.2f})."
        )
    return text


def share_title(view: TallyView) -> str:
    return f"{view.measure.label}, per 100"


# Above the plot, where no axis title is.
LEGEND_ABOVE = {"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom"}
