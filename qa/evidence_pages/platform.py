"""Where on the platform parts are lost: at spots that come back, or scattered."""

from __future__ import annotations

from typing import Any

from labtrack.charts import SERIES, Chart
from qa.evidence_pages.asking import Asking, Section
from qa.evidence_pages.rates import rate_cells
from qa.statistics.platform import SCAN
from qa.statistics.proportions import wilson
from qa.statistics.results import count_words, of_words
from qa.trend_charts.trend import CANNOT_TELL

DARKEST = 20.0  # lost per 100 that are drawn darkest, at least: small differences must not look large
FEWEST_SHADED = 10  # parts of a cell, for its rate to count there


def platform(asking: Asking) -> list[Section]:
    printers = _printers(asking)
    worst = _worst(printers)
    return [_spots(asking), *(_printer(asking, index, one, worst) for index, one in enumerate(printers))]


def _printers(asking: Asking) -> list[dict[str, Any]]:
    printers: list[dict[str, Any]] = asking.result["platform"]["printers"]
    return printers


def _spots(asking: Asking) -> Section:
    found, more = asking.report["platform"], asking.result["platform"]
    shown = found["verdict"] == "shown"
    advice = (
        " A spot that comes back speaks of the film, the screen or the platform at that "
        "place; look at it there."
        if shown
        else f" {CANNOT_TELL.capitalize()} of any spot: loss that is scattered speaks of flakes in the resin."
    )
    return Section(
        question="Spots that come back, or scatter?",
        sentence=more["sentence"] + (advice if more["n"] else ""),
        method=(
            f"{SCAN.name} ({SCAN.source}). Windows of {more['window_mm']:g} mm; which "
            "parts of a build were lost is "
            "drawn again and again within each build, so that a bad build makes no spot."
        ),
        chart=Chart(
            name="spots",
            title="Spots that lose more than chance gives",
            figure={"data": [], "layout": {}},
            columns=("printer", "x in mm", "y in mm", "lost", "expected", "p"),
            rows=[
                [spot["printer"], spot["x_mm"], spot["y_mm"], spot["lost"], spot["expected"], spot["p"]]
                for spot in found["spots"]
            ],
            csv_url=asking.csv_url("spots"),
            note=(
                f"n = {count_words(more['n'], asking.things)} with a place, {more['lost']} of them lost. "
                f"p of the strongest: {more['p']:g}."
            ),
        )
        if found["spots"]
        else None,
    )  # fmt: skip


def _worst(printers: list[dict[str, Any]]) -> float:
    """The darkest shade's rate per 100, the same on every platform, so that shades can be compared."""
    rates: list[float] = [
        100 * lost / n for one in printers for _, _, n, lost in one["cells"] if n >= FEWEST_SHADED
    ]
    return max([DARKEST, *rates])


def _printer(asking: Asking, index: int, one: dict[str, Any], worst: float) -> Section:
    cells = one["cells"]
    n, lost = sum(cell[2] for cell in cells), sum(cell[3] for cell in cells)
    spots = [spot for spot in asking.report["platform"]["spots"] if spot["printer"] == one["printer"]]
    figure = {
        "data": [
            {
                "type": "scatter",
                "mode": "markers",
                "name": "lost per 100",
                "x": [cell[0] for cell in cells],
                "y": [cell[1] for cell in cells],
                "text": [f"{cell[3]} of {cell[2]} lost" for cell in cells],
                "hovertemplate": "%{x:.0f}, %{y:.0f} mm: %{text}<extra></extra>",
                # Area says how many parts, shade how many of them were lost.
                "marker": {
                    "symbol": "square",
                    "size": [min(36, 14 + cell[2] ** 0.5) for cell in cells],
                    "color": [100 * cell[3] / cell[2] for cell in cells],
                    "colorscale": [[0, "--band"], [1, "--above-far"]],
                    "cmin": 0,
                    "cmax": worst,
                    "showscale": True,
                    "colorbar": {"title": {"text": "lost per 100"}},
                    "line": {"width": 1, "color": "--rule-strong"},
                },
                "showlegend": False,
            }
        ],
        "layout": {
            "xaxis": {"title": {"text": "x in mm"}},
            "yaxis": {"title": {"text": "y in mm"}, "scaleanchor": "x"},
            "height": 460,
            "shapes": [
                {
                    "type": "circle",
                    "x0": spot["x_mm"] - one["cell_mm"],
                    "x1": spot["x_mm"] + one["cell_mm"],
                    "y0": spot["y_mm"] - one["cell_mm"],
                    "y1": spot["y_mm"] + one["cell_mm"],
                    "line": {"color": SERIES[3], "width": 3},
                }
                for spot in spots
            ],
        },
    }
    words = f"{count_words(len(spots), 'spots')} ringed." if spots else "No spot is shown here."
    return Section(
        question=f"Platform of {one['printer']}",
        sentence=f"Lost: {of_words(lost, n, asking.things)} with a place. {words}",
        method=f"Counts by cells of {one['cell_mm']:g} mm, with Wilson intervals; a cell alone says little.",
        chart=Chart(
            name=f"platform-{index + 1}",
            title=f"Lost by place, {one['printer']}",
            figure=figure,
            columns=("x in mm", "y in mm", "n", "lost", "per 100", "95 % from", "95 % to"),
            rows=[[x, y, n, lost, *_per_100(n, lost)] for x, y, n, lost in cells],
            csv_url=asking.csv_url(f"platform-{index + 1}"),
        ),
    )


def _per_100(n: int, lost: int) -> list[float | None]:
    """per 100, 95 % from, 95 % to."""
    share = wilson(lost, n)
    return rate_cells({"rate": share.rate, "ci95": share.interval.as_json()})
