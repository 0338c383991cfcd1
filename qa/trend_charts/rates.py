"""Rates with their intervals: as points, as rows, and what it would take to tell more."""

from __future__ import annotations

import math
from typing import Any

from labtrack.charts import SERIES
from qa.queries.tally import Tally, TallyView
from qa.statistics.proportions import Proportion, sample_for_difference, wilson
from qa.statistics.results import HOPELESS, more_words
from qa.trend_charts.trend import CANNOT_TELL, share_title, things

# A rate whose interval is wider than this many per 100 says too little to act on.
TOO_WIDE = 20.0
MIN_BIN = 20


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
    return f"{CANNOT_TELL}: {more_words(max(1, math.ceil(needed - share.n)), things(view))}"


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
        return f"; a difference this small would take {more_words(missing, things(view))}"
    return f"; {more_words(missing, 'on the smaller side')} would tell a difference of this size"
