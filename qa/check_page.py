"""What the page of a check shows: figures in order, sentences by weight, the area-over-height chart."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.urls import reverse

from labtrack.charts import SERIES, Chart
from qa.choices import CheckState, Verdict
from qa.models import MeshCheck

_WEIGHT = {Verdict.FAIL: 0, Verdict.UNKNOWN: 1, Verdict.REVIEW: 2, Verdict.PASS: 3}
LEADING = 3
# Points of a chart that a browser draws at ease; every layer is in the CSV.
CHART_POINTS = 1200

FIGURE_WORDS = {
    "format": "File format",
    "role": "Checked as",
    "unit": "Unit read",
    "unit_guess": "Unit its size suggests",
    "triangles": "Triangles",
    "bodies": "Closed bodies",
    "watertight": "Closed everywhere",
    "open_edges": "Open edges",
    "nonmanifold_edges": "Edges of more than two triangles",
    "inverted_bodies": "Bodies turned inside out",
    "volume_ml": "Volume",
    "area_cm2": "Surface",
    "size_mm": "Size, x by y by z",
    "contact_fraction": "Base contact, share of the outline",
    "contact_flatness_mm": "Base flatness",
    "base_tilt_deg": "Base tilt",
    "layers": "Layers",
    "layer_mm": "Layer",
    "max_layer_area_cm2": "Largest layer area",
    "mid_air_starts": "Places that start in mid-air",
    "resolution_mm": "Spacing of stored coordinates",
    "coarse": "Stored too coarsely",
}
_UNITS = ("ml", "cm2", "mm2", "mm", "deg", "um", "percent")
_UNIT_WORDS = {"cm2": "cm²", "mm2": "mm²", "deg": "°", "um": "µm", "percent": "%"}


@dataclass(frozen=True)
class Figure:
    """One figure in words: ``text`` is the value, ``unit`` stands behind it."""

    name: str
    text: str
    unit: str
    numeric: bool


@dataclass(frozen=True)
class Finding:
    """One judged figure. ``title`` says which, the rest comes from the engine."""

    title: str
    verdict: str
    value: Figure
    limit: str
    source: str
    version: str
    sentence: str


def findings(check: MeshCheck) -> list[Finding]:
    """The rows of a check, the weightiest first."""
    rows = sorted(check.findings, key=lambda row: _WEIGHT.get(row["verdict"], 1))
    return [_finding(row) for row in rows]


def _finding(row: dict[str, Any]) -> Finding:
    limit = row.get("limit") or {}
    unit = _UNIT_WORDS.get(limit.get("unit", ""), limit.get("unit", ""))
    return Finding(
        title=words(row["name"]),
        verdict=row["verdict"],
        value=_figure(row["name"], row["value"], row.get("unit", "")),
        limit=f"{limit['value']:g} {unit}".strip() if limit else "",
        source=limit.get("source", ""),
        version=str(limit.get("version", "")),
        sentence=row["sentence"],
    )


def leading_sentence(check: MeshCheck) -> str:
    """The one sentence that matters most; for a check that could not be made, why."""
    if check.state == CheckState.REFUSED:
        return check.sentence
    rows = findings(check)
    return rows[0].sentence if rows else ""


def words(name: str) -> str:
    """A figure's name for a person; its unit stands behind the value instead."""
    bare = next((name.removesuffix(f"_{unit}") for unit in _UNITS if name.endswith(f"_{unit}")), name)
    return FIGURE_WORDS.get(name, bare.replace("_", " ").capitalize())


def main_figures(check: MeshCheck) -> list[Figure]:
    """The figures a person asks for, in the order of their words."""
    return [_figure(name, check.figures[name], "") for name in FIGURE_WORDS if name in check.figures]


def other_figures(check: MeshCheck) -> list[Figure]:
    """Everything else the engine found."""
    return [_figure(name, value, "") for name, value in check.figures.items() if name not in FIGURE_WORDS]


def _figure(name: str, value: Any, unit: str) -> Figure:
    if not unit:
        unit = next((one for one in _UNITS if name.endswith(f"_{one}")), "")
    unit = _UNIT_WORDS.get(unit, unit)
    if value is None:
        return Figure(words(name), "cannot tell", "", numeric=False)
    if isinstance(value, bool):
        return Figure(words(name), "yes" if value else "no", "", numeric=False)
    if isinstance(value, int):
        return Figure(words(name), f"{value:,}".replace(",", "\u202f"), unit, numeric=True)
    if isinstance(value, float):
        return Figure(words(name), _rounded(value), unit, numeric=True)
    if value == []:
        return Figure(words(name), "none", "", numeric=False)
    if isinstance(value, list):
        if all(isinstance(one, int | float) for one in value):
            return Figure(words(name), " × ".join(_rounded(float(one)) for one in value), unit, numeric=True)
        if all(isinstance(one, str) for one in value):
            return Figure(words(name), ", ".join(value), "", numeric=False)
        return Figure(words(name), str(len(value)), "", numeric=True)
    return Figure(words(name), str(value), unit, numeric=False)


def _rounded(value: float) -> str:
    """Three digits after the point below 100, fewer above; the CSV and the API hold the full figure."""
    if 0 < abs(value) < 0.001:
        return f"{value:.2g}"
    text = f"{value:.{3 if abs(value) < 100 else 1}f}".rstrip("0").rstrip(".")
    return "0" if text in ("", "-0") else text


def profile_rows(check: MeshCheck) -> list[list[Any]]:
    """Height over the platform and area of every layer, with the places that start in mid-air there."""
    profile = check.profile
    if not profile:
        return []
    starts = _starts_by_layer(profile)
    areas, heights = profile["areas_mm2"], profile["heights_mm"]
    return [
        [round(height, 4), None if area is None else round(area / 100, 4), starts.get(index, 0)]
        for index, (height, area) in enumerate(zip(heights, areas, strict=True))
    ]


def _starts_by_layer(profile: dict[str, Any]) -> dict[int, int]:
    starts: dict[int, int] = {}
    for height in profile.get("mid_air_heights_mm", []):
        layer = max(0, min(len(profile["heights_mm"]) - 1, int(height / profile["layer_mm"])))
        starts[layer] = starts.get(layer, 0) + 1
    return starts


def profile_chart(check: MeshCheck) -> Chart | None:
    """Area over height, with mid-air starts marked; None for a mesh without layers."""
    rows = profile_rows(check)
    if not rows:
        return None
    marked = [row for row in rows if row[2]]
    drawn = _thinned(rows)
    figure = {
        "data": [
            {
                "type": "scatter",
                "mode": "lines",
                "name": "Area of the layer",
                "x": [row[0] for row in drawn],
                "y": [row[1] for row in drawn],
                "line": {"color": SERIES[0], "width": 2},
                "fill": "tozeroy",
                "hovertemplate": "%{x:.2f} mm: %{y:.2f} cm²<extra></extra>",
            },
            {
                "type": "scatter",
                "mode": "markers",
                "name": "Starts in mid-air",
                "x": [row[0] for row in marked],
                "y": [row[1] or 0 for row in marked],
                "marker": {"symbol": "triangle-down", "size": 12, "color": "--fail"},
                "hovertemplate": "%{x:.2f} mm: starts in mid-air<extra></extra>",
            },
        ],
        "layout": {
            "legend": {"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom"},
            "xaxis": {"title": {"text": "Height over the platform (mm)"}},
            "yaxis": {"title": {"text": "Area (cm²)"}, "rangemode": "tozero"},
        },
    }
    undefined = sum(1 for row in rows if row[1] is None)
    note = f"{len(rows)} layers of {check.profile['layer_mm']:g} mm."
    if undefined:
        note += f" {undefined} have open outlines, so their area is not defined."
    return Chart(
        name="profile",
        title="Area over height",
        figure=figure,
        columns=("height (mm)", "area (cm²)", "starts in mid-air"),
        rows=_table(rows),
        csv_url=reverse("qa:check-profile", args=[check.mesh_id]),
        note=note
        + " The table shows every layer that starts something, and about fifty others; all are in the CSV.",
    )


def _thinned(rows: list[list[Any]]) -> list[list[Any]]:
    step = max(1, len(rows) // CHART_POINTS)
    return rows[::step]


def _table(rows: list[list[Any]]) -> list[list[Any]]:
    step = max(1, len(rows) // 50)
    return [row for index, row in enumerate(rows) if index % step == 0 or row[2]]
