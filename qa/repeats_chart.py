"""Trueness and precision per group of prints, as a chart with its table."""

from __future__ import annotations

import math
from typing import Any
from urllib.parse import urlencode

from django.urls import reverse

from labtrack.charts import SERIES, Chart
from qa.geometry.repeats import GroupRepeats, Repeats
from qa.queries.repeats import AXES, BIAS, RepeatsFound

METHOD = (
    "ISO 5725: trueness is the bias of a group's mean, precision its standard deviation; repeatability "
    "within groups and reproducibility over groups from the one-way analysis of variance of ISO 5725-2. "
    "Prints of one build share causes, so intervals of groups with few builds are too narrow. A print so "
    "far off that its identity is doubtful counts when the fitted patterns explain it."
)
# From here on the 95 % interval of a standard deviation is no wider than the standard deviation itself
# (chi-square with n - 1 degrees of freedom).
SETTLED_PRINTS = 12
COLUMNS = (
    "group", "n", "bias (mm)", "95 % from", "95 % to", "SD (mm)", "95 % from", "95 % to", "can it be told?",
)  # fmt: skip


def figure_words(name: str) -> str:
    return "mean deviation of the working surface" if name == BIAS else f"error of {name}"


def repeats_chart(found: RepeatsFound) -> Chart:
    """One point per group with the interval of its bias; the spread is in the table."""
    groups = found.repeats.groups
    ends = [
        (_reach(one.bias_ci95_mm[1], one.bias_mm), _reach(one.bias_mm, one.bias_ci95_mm[0])) for one in groups
    ]
    figure = {
        "data": [
            {
                "type": "scatter",
                "mode": "markers",
                "x": [one.bias_mm for one in groups],
                "y": [one.name for one in groups],
                "marker": {"size": 11, "color": SERIES[0]},
                "error_x": {
                    "type": "data",
                    "symmetric": False,
                    "array": [high for high, _ in ends],
                    "arrayminus": [low for _, low in ends],
                    "thickness": 2,
                },
                "hovertemplate": "%{y}: %{x:+.3f} mm<extra></extra>",
                "showlegend": False,
            }
        ],
        "layout": {
            "xaxis": {"title": {"text": "Bias (mm), + is too large"}, "zeroline": True},
            "yaxis": {"type": "category", "autorange": "reversed"},
            "height": max(360, 160 + 40 * len(groups)),
        },
    }
    asked = found.asked
    query = urlencode({"figure": asked.figure, "axis": asked.axis})
    return Chart(
        name="repeats",
        title=f"{figure_words(asked.figure).capitalize()}, by {AXES[asked.axis].lower()}",
        figure=figure,
        columns=COLUMNS,
        rows=[_row(one) for one in groups],
        csv_url=f"{reverse('qa:repeats-csv')}?{query}&{asked.days.query}",
        note=f"n = {found.repeats.n} prints, each counted once by its latest measurement. {METHOD}",
    )


def _reach(high: float, low: float) -> float:
    """Length of an interval's arm; none for a group of one print."""
    return high - low if math.isfinite(high - low) else 0.0


def _row(one: GroupRepeats) -> list[Any]:
    if one.n < 2:
        return [one.name, one.n, _mm(one.bias_mm), None, None, None, None, None, "cannot tell yet: 1 more"]
    missing = SETTLED_PRINTS - one.n
    word = f"roughly: {missing} more would settle the spread" if missing > 0 else "yes"
    return [
        one.name, one.n, _mm(one.bias_mm), *(_mm(end) for end in one.bias_ci95_mm), _mm(one.sd_mm),
        *(_mm(end) for end in one.sd_ci95_mm), word,
    ]  # fmt: skip


def _mm(value: float) -> float | None:
    return round(value, 3) if math.isfinite(value) else None


def overall_rows(found: Repeats) -> list[tuple[str, float | None, tuple[float | None, float | None]]]:
    """The figures over all groups: words, value and interval in mm."""
    nothing = (None, None)
    low, high = found.bias_ci95_mm
    r_low, r_high = found.repeatability_ci95_mm
    return [
        ("Trueness: bias over all prints", _mm(found.bias_mm), (_mm(low), _mm(high))),
        ("Repeatability standard deviation", _mm(found.repeatability_sd_mm), (_mm(r_low), _mm(r_high))),
        ("Repeatability limit (2.8 times it)", _mm(found.repeatability_limit_mm), nothing),
        ("Standard deviation between groups", _mm(found.between_sd_mm), nothing),
        ("Reproducibility standard deviation", _mm(found.reproducibility_sd_mm), nothing),
    ]
