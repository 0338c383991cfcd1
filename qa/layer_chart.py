"""The part layer by layer: area over height, with suction pockets and what starts in mid-air marked."""

from __future__ import annotations

from typing import Any

from django.urls import reverse

from labtrack.charts import SERIES, Chart
from qa.models import MeshCheck

# Points of a chart that a browser draws at ease; every layer is in the CSV.
CHART_POINTS = 1200
TABLE_ROWS = 50
COLUMNS = ("height_mm", "area_cm2", "starts_in_mid_air", "suction_pocket_seals")


def profile_rows(check: MeshCheck) -> list[list[Any]]:
    """Of every layer: height over the platform, area, how many places start in mid-air there, and whether
    a suction pocket seals."""
    profile = check.profile
    if not profile:
        return []
    starts = _by_layer(profile, profile.get("mid_air_heights_mm", []))
    seals = _by_layer(profile, _sealing_heights(check))
    areas, heights = profile["areas_mm2"], profile["heights_mm"]
    return [
        [
            round(height, 4),
            None if area is None else round(area / 100, 4),
            starts.get(index, 0),
            seals.get(index, 0),
        ]
        for index, (height, area) in enumerate(zip(heights, areas, strict=True))
    ]


def _sealing_heights(check: MeshCheck) -> list[float]:
    """Heights at which suction pockets seal: each of them where the engine lists them, else the lowest."""
    listed = check.profile.get("suction_heights_mm")
    if listed:
        return [float(height) for height in listed]
    lowest = check.figures.get("suction_from_mm")
    return [] if lowest is None else [float(lowest)]


def _by_layer(profile: dict[str, Any], heights: list[float]) -> dict[int, int]:
    counts: dict[int, int] = {}
    for height in heights:
        layer = max(0, min(len(profile["heights_mm"]) - 1, int(height / profile["layer_mm"])))
        counts[layer] = counts.get(layer, 0) + 1
    return counts


def profile_chart(check: MeshCheck) -> Chart | None:
    """Area over height with its marks; None for a mesh without layers."""
    rows = profile_rows(check)
    if not rows:
        return None
    return Chart(
        name="profile",
        title="Area over height",
        figure={"data": _traces(rows), "layout": _layout()},
        columns=("height (mm)", "area (cm²)", "starts in mid-air", "suction pocket seals"),
        rows=_table(rows),
        csv_url=reverse("qa:check-profile", args=[check.mesh_id]),
        note=_note(check, rows),
    )


def _traces(rows: list[list[Any]]) -> list[dict[str, Any]]:
    drawn = rows[:: max(1, len(rows) // CHART_POINTS)]
    line = {
        "type": "scatter",
        "mode": "lines",
        "name": "Area of the layer",
        "x": [row[0] for row in drawn],
        "y": [row[1] for row in drawn],
        "line": {"color": SERIES[0], "width": 2},
        "fill": "tozeroy",
        "hovertemplate": "%{x:.2f} mm: %{y:.2f} cm²<extra></extra>",
    }
    return [
        line,
        _marks(rows, 2, "Starts in mid-air", "triangle-down", "--fail"),
        _marks(rows, 3, "Suction pocket seals", "square", "--review"),
    ]


def _marks(rows: list[list[Any]], column: int, name: str, symbol: str, colour: str) -> dict[str, Any]:
    marked = [row for row in rows if row[column]]
    return {
        "type": "scatter",
        "mode": "markers",
        "name": name,
        "x": [row[0] for row in marked],
        "y": [row[1] or 0 for row in marked],
        "marker": {"symbol": symbol, "size": 12, "color": colour},
        "hovertemplate": "%{x:.2f} mm: " + name.lower() + "<extra></extra>",
    }


def _layout() -> dict[str, Any]:
    return {
        "legend": {"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom"},
        "xaxis": {"title": {"text": "Height over the platform (mm)"}},
        "yaxis": {"title": {"text": "Area (cm²)"}, "rangemode": "tozero"},
    }


def _note(check: MeshCheck, rows: list[list[Any]]) -> str:
    undefined = sum(1 for row in rows if row[1] is None)
    note = f"{len(rows)} layers of {check.profile['layer_mm']:g} mm."
    if undefined:
        note += f" {undefined} have open outlines, so their area is not defined."
    return note + " The table shows every marked layer and about fifty others; all are in the CSV."


def _table(rows: list[list[Any]]) -> list[list[Any]]:
    step = max(1, len(rows) // TABLE_ROWS)
    return [row for index, row in enumerate(rows) if index % step == 0 or row[2] or row[3]]
