"""What every trend is made of: the record of one, rates with their intervals, links, words of doubt."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlencode

from django.urls import reverse

from labtrack.charts import SERIES, Chart
from qa.choices import EvidenceUnit
from qa.queries.tally import Range, Tally, TallyView
from qa.statistics.proportions import Proportion, sample_for_difference, wilson

# A rate whose interval is wider than this many per 100 says too little to act on.
TOO_WIDE = 20.0
MIN_BIN = 20
# No lab waits for this many.
HOPELESS = 10_000
CANNOT_TELL = "cannot tell yet"


@dataclass(frozen=True)
class Trend:
    """One chart with what the API says of it. ``question`` is what it answers, ``sentence`` its finding."""

    question: str
    chart: Chart
    sentence: str
    method: str
    data: list[dict[str, Any]] = field(default_factory=list)


@dataclass(frozen=True)
class Names:
    """Words for codes: questions of the work instructions and kinds of defects."""

    items: dict[str, str]
    kinds: dict[str, str]


def records_url(view: TallyView, axis: str, level: str, high: str = "") -> str:
    asked = {"unit": view.unit.value, "axis": axis, "level": level, "measure": view.measure.value}
    if high:
        asked["high"] = high
    return f"{reverse('qa:trend-records')}?{urlencode(asked)}&{view.range.query}"


def records_url_of(view: TallyView, days: Range) -> str:
    """Everything of other days, or what is shown of them alone."""
    asked = {"unit": view.unit.value, "axis": view.only.axis, "measure": view.measure.value}
    if view.only.level:
        asked["level"] = view.only.level
    return f"{reverse('qa:trend-records')}?{urlencode(asked)}&{days.query}"


def csv_url(view: TallyView, name: str) -> str:
    than = {"than_from": view.compared_with.start.isoformat(), "than_to": view.compared_with.end.isoformat()}
    of = {} if view.only.is_all else {"of": f"{view.only.axis}|{view.only.level}"}
    asked = urlencode({"unit": view.unit.value, "measure": view.measure.value} | than | of)
    return f"{reverse('qa:trend-csv', args=[name])}?{asked}&{view.range.query}"


def rate_of(view: TallyView, counted: Tally) -> Proportion:
    return wilson(counted.bad, counted.n, n_effective=view.spread.effective(counted.n))


def per_100(value: float | None) -> float | None:
    return None if value is None else round(100 * value, 2)


def ends_per_100(share: Proportion) -> tuple[float, float]:
    return 100 * (share.interval.low or 0.0), 100 * (
        1.0 if share.interval.high is None else share.interval.high
    )


def doubt(share: Proportion, view: TallyView) -> str:
    """Empty when the rate is known well enough; else how many more it takes."""
    low, high = ends_per_100(share)
    if high - low <= TOO_WIDE:
        return ""
    rate = min(max(share.rate or 0.0, 0.05), 0.95)
    needed = rate * (1 - rate) * (2 * 1.96 * 100 / TOO_WIDE) ** 2 * view.spread.design_effect
    return f"{CANNOT_TELL}: about {max(1, math.ceil(needed - share.n))} more"


def things(view: TallyView) -> str:
    return "parts" if view.unit == EvidenceUnit.PART else "pieces"


def n_note(view: TallyView, n: int) -> str:
    effect = view.spread.design_effect
    text = f"n = {n} {things(view)}."
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


def points(share: list[Proportion], x: list[Any], urls: list[str], **extra: Any) -> dict[str, Any]:
    """Points with their intervals as bars."""
    rates = [100 * (one.rate or 0.0) for one in share]
    ends = [ends_per_100(one) for one in share]
    return {
        "type": "scatter",
        "mode": "markers",
        "x": x,
        "y": rates,
        "customdata": urls,
        "marker": {"size": 11, "color": SERIES[0]},
        "error_y": {
            "type": "data",
            "symmetric": False,
            "array": [high - rate for rate, (_, high) in zip(rates, ends, strict=True)],
            "arrayminus": [rate - low for rate, (low, _) in zip(rates, ends, strict=True)],
            "color": SERIES[0],
            "thickness": 2,
        },
        "hovertemplate": "%{x}: %{y:.1f} per 100<extra></extra>",
        "showlegend": False,
    } | extra


def rate_layout(view: TallyView, x_title: str, **x_axis: Any) -> dict[str, Any]:
    return {
        "xaxis": {"title": {"text": x_title}, **x_axis},
        "yaxis": {"title": {"text": share_title(view)}, "rangemode": "tozero"},
    }


def rate_datum(name: str, counted: Tally, share: Proportion, word: str) -> dict[str, Any]:
    low, high = ends_per_100(share)
    return {
        "level": name,
        "n": counted.n,
        "count": counted.bad,
        "per_100": per_100(share.rate),
        "ci95": [round(low, 2), round(high, 2)],
        "verdict": "unknown" if word else "shown",
    }


RATE_HEADS = ("n", "count", "per 100", "95 % from", "95 % to", "can it be told?")


def rate_row(name: Any, counted: Tally, share: Proportion, word: str) -> list[Any]:
    low, high = ends_per_100(share)
    return [name, counted.n, counted.bad, per_100(share.rate), round(low, 2), round(high, 2), word or "yes"]


def more(rate_a: float, rate_b: float, n_a: int, n_b: int, view: TallyView, *, level: float = 0.95) -> str:
    """How many more it takes to tell a difference as large as the one seen, at that level."""
    needed = sample_for_difference(rate_a, rate_b, level=level, design_effect=view.spread.design_effect)
    if needed is None or needed <= min(n_a, n_b):
        return ""
    missing = needed - min(n_a, n_b)
    if missing > HOPELESS:
        return f"; a difference this small would take more than {HOPELESS:,} more {things(view)}"
    return f"; about {missing} more on the smaller side would tell a difference of this size"
