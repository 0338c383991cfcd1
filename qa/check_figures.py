"""The figures and rows of a check in words: names, rounding, units, the weightiest first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from qa.choices import CheckState, Verdict
from qa.models import MeshCheck

_WEIGHT = {Verdict.FAIL: 0, Verdict.UNKNOWN: 1, Verdict.REVIEW: 2, Verdict.PASS: 3}
LEADING = 3

FIGURE_WORDS = {
    "format": "File format",
    "role": "Checked as",
    "unit": "Unit read",
    "unit_guess": "Unit its size suggests",
    "unit_stated": "Unit the file states",
    "resolution_mm": "Spacing of stored coordinates",
    "coarse": "Stored too coarsely",
    "triangles": "Triangles",
    "bodies": "Closed bodies",
    "watertight": "Closed everywhere",
    "open_edges": "Open edges",
    "nonmanifold_edges": "Edges of more than two triangles",
    "inverted_bodies": "Bodies turned inside out",
    "self_intersections": "Triangles that cut through each other, pairs",
    "degenerate_faces": "Triangles without area",
    "duplicate_faces": "Triangles given twice",
    "volume_ml": "Volume",
    "union_volume_ml": "Volume, overlaps counted once",
    "solid_volume_ml": "Volume if it were solid",
    "area_cm2": "Surface",
    "size_mm": "Size, x by y by z",
    "height_mm": "Height on its base",
    "build_height_mm": "Height as it is printed",
    "scan_holes": "Holes, the edge of each piece aside",
    "scan_hole_max_mm": "Widest hole",
    "scan_missing_cm2": "Missing in holes",
    "scan_edge_mm": "Length of the edge",
    "resin_ml": "Resin in the part",
    "fits_platforms": "Fits the platform of",
    "contact_fraction": "Base contact, share of the outline",
    "contact_flatness_mm": "Base flatness",
    "base_tilt_deg": "Base tilt",
    "stand_turn_deg": "Turn that puts it on its best face",
    "stand_turn_axis": "About the level axis",
    "stand_up": "Up on its best face, in the file's frame",
    "stand_area_cm2": "Area of its best face",
    "stand_height_mm": "Height on its best face",
    "stand_rotation": "Rotation onto its best face",
    "supports_needed": "Needs supports as it stands",
    "supports_why": "Because",
    "support_marks_cm2": "Surface that supports would mark",
    "support_marks_working_cm2": "Of it, surface that a sheet touches",
    "support_volume_ml": "Supports take",
    "support_lift_mm": "Lifted for supports by",
    "support_volume_share": "Supports over the part's volume",
    "support_layers": "Layers with supports",
    "support_extra_layers": "Layers more than at best",
    "support_extra_layers_share": "Layers more, as a share",
    "hollow": "Hollow",
    "wall_min_mm": "Thinnest wall",
    "wall_p01_mm": "Wall that 1 % of the surface is below",
    "wall_p05_mm": "Wall that 5 % of the surface is below",
    "wall_below_limit_cm2": "Surface with too thin a wall",
    "wall_min_place": "Thinnest wall at, in the file",
    "wall_ray_min_mm": "Thinnest wall by ray",
    "wall_ray_p01_mm": "Wall by ray that 1 % of the surface is below",
    "wall_ray_p05_mm": "Wall by ray that 5 % of the surface is below",
    "wall_ray_below_limit_cm2": "Surface with too thin a wall by ray",
    "wall_spacing_mm": "Places measured are apart by",
    "vat": "Kind of vat",
    "cavities": "Cavities",
    "sealed_cavities": "Cavities without a way out",
    "cavity_openings": "Openings of cavities",
    "openings_of_each": "Openings of each open cavity",
    "cavity_ml": "Room in cavities",
    "sealed_ml": "Room in cavities without a way out",
    "drain_narrower_than_mm": "A way out is narrower than",
    "drains_mm": "Way out of each open cavity",
    "drain_min_mm": "Narrowest way out",
    "trapped_ml": "Resin left inside as it is printed",
    "trapped_after_turning_ml": "Resin left inside after the best turning",
    "suction_pocket_ml": "Suction pockets",
    "drain_axis": "Drains best with this pointing down, in the file",
    "suction_from_mm": "Suction begins at a height of",
    "suction_area_cm2": "Largest suction pocket",
    "suction_pockets": "Number of suction pockets",
    "resin_if_solid_ml": "Resin if it were solid",
    "inside_step_mm": "Inside measured in steps of",
    "layers": "Layers",
    "layer_mm": "Layer",
    "max_layer_area_cm2": "Largest layer area",
    "max_layer_height_mm": "Largest layer at a height of",
    "mid_air_starts": "Places that start in mid-air",
    "overhang_cm2": "Surface facing down too level",
    "overhang_angle_deg": "Counted up to, from level",
    "largest_step_cm2": "Largest growth from layer to layer",
    "largest_step_mm": "At a height of",
    "peel_index": "Relative peel index",
    "forming_axis": "Forming axis",
    "undercut_cm2": "Undercut along the forming axis",
    "undercut_max_mm": "Deepest undercut",
    "undercut_place": "Deepest undercut at, in the file",
    "insertion_undercut_cm2": "Undercut along the insertion axis",
    "insertion_undercut_max_mm": "Deepest undercut along the insertion axis",
    "insertion_undercut_place": "Deepest along the insertion axis at, in the file",
    "insertion_axis": "Insertion axis, in the file",
    "insertion_choice": "Choice of the insertion axis",
    "insertion_lean_deg": "Insertion axis off the forming axis",
    "formed_cm2": "Surface that the sheet touches",
    "forming_footprint_cm2": "Plan of the model",
    "frame_diameter_mm": "Frame of the former",
    "areal_draw_ratio": "Areal draw ratio",
    "model_draw_ratio": "Draw ratio of the model alone",
    "forming_room_mm": "Room between model and frame",
    "mean_sheet_left_mm": "Sheet left on average",
}
ROW_WORDS = {
    "unit": "Unit",
    "volume": "Volume",
    "fits": "Fits a platform",
    "base_contact": "Base contact",
    "mid_air": "Starts in mid-air",
    "layer_area": "Largest layer",
    "layer_step": "Growth of area",
    "supports": "Supports",
    "sealed_cavities": "Cavities without a way out",
    "drain": "Way out of cavities",
    "trapped": "Resin left inside",
    "suction": "Suction",
    "overhang": "Overhang",
    "forming": "Forming",
    "forming_height": "Height for forming",
    "forming_room": "Room in the frame",
    "undercut": "Undercut",
    "insertion_undercut": "Undercut along the insertion axis",
    "mean_sheet": "Sheet left on average",
    "scan_missing": "Missing in the scan",
}
# What a person wants to hear of a mesh that passes.
PASS_SPEAKERS = ("supports", "base_contact", "wall", "undercut", "volume")
# Null means here that it was not asked for or does not apply, not that it cannot be told.
_NOT_ASKED = (
    "support_", "insertion_", "scan_", "mean_sheet_", "frame_", "wall_", "drain_",
    "suction_from_", "suction_area_",
)  # fmt: skip
# Directions and places are three numbers beside each other, not a size.
_POINTS = ("_axis", "_place", "_up")
# One number for each of several things.
_LISTS = ("drains_mm", "openings_of_each")
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
    name: str = ""


@dataclass(frozen=True)
class ShownSection:
    """One group, folded: its verdict, its rows and its figures."""

    name: str
    title: str
    verdict: str
    rows: list[Finding]
    figures: list[Figure]


def findings(check: MeshCheck) -> list[Finding]:
    """The rows of a check, the weightiest first."""
    rows = sorted(check.findings, key=lambda row: _WEIGHT.get(row["verdict"], 1))
    return [_finding(row) for row in rows]


def _finding(row: dict[str, Any]) -> Finding:
    limit = row.get("limit") or {}
    unit = _UNIT_WORDS.get(limit.get("unit", ""), limit.get("unit", ""))
    return Finding(
        title=ROW_WORDS.get(row["name"]) or words(row["name"]),
        verdict=row["verdict"],
        value=_figure(row["name"], row["value"], row.get("unit", "")),
        limit=f"{limit['value']:g} {unit}".strip() if limit else "",
        source=limit.get("source", ""),
        version=str(limit.get("version", "")),
        sentence=row["sentence"],
        name=row["name"],
    )


def leading(check: MeshCheck) -> list[Finding]:
    """The two or three sentences that matter: what is wrong, or of a sound mesh what it promises."""
    rows = findings(check)
    wrong = [row for row in rows if row.verdict != Verdict.PASS]
    if wrong:
        return wrong[:LEADING]
    speaking = [row for name in PASS_SPEAKERS for row in rows if row.name == name]
    return (speaking or rows)[: LEADING - 1]


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


def sections(check: MeshCheck) -> list[ShownSection]:
    """Rows and figures by group, the gravest first; one group for a check that was stored without."""
    rows = findings(check)
    if not check.sections:
        figures = [figure_of(name, value) for name, value in check.figures.items()]
        return [ShownSection("all", "All figures", check.verdict, rows, figures)]
    made = []
    for section in check.sections:
        own = set(section["checks"])
        made.append(
            ShownSection(
                name=section["name"],
                title=section["words"].capitalize(),
                verdict=section["verdict"],
                rows=[row for row in rows if row.name in own],
                figures=[
                    figure_of(name, check.figures[name])
                    for name in section["figures"]
                    if name in check.figures and _applies(name, check.figures[name])
                ],
            )
        )
    return sorted(made, key=lambda section: _WEIGHT.get(Verdict(section.verdict), 1))


def _applies(name: str, value: Any) -> bool:
    return value is not None or not name.startswith(_NOT_ASKED)


def unit_words(unit: str) -> str:
    """A unit as it is printed."""
    return _UNIT_WORDS.get(unit, unit)


def figure_of(name: str, value: Any) -> Figure:
    """One figure of the engine in words."""
    return _figure(name, value, "")


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
        return Figure(words(name), rounded(value), unit, numeric=True)
    if value == []:
        return Figure(words(name), "none", "", numeric=False)
    if isinstance(value, dict):
        return Figure(words(name), ", ".join(f"{key} {one}" for key, one in value.items()), "", numeric=False)
    if isinstance(value, list):
        if name in _LISTS:
            texts = ("cannot tell" if one is None else rounded(float(one)) for one in value)
            return Figure(words(name), ", ".join(texts), unit, numeric=True)
        if all(isinstance(one, int | float) for one in value):
            if name.endswith(_POINTS):
                return Figure(words(name), ", ".join(rounded(float(one)) for one in value), "", numeric=True)
            return Figure(words(name), " × ".join(rounded(float(one)) for one in value), unit, numeric=True)
        if all(isinstance(one, str) for one in value):
            return Figure(words(name), ", ".join(value), "", numeric=False)
        if all(isinstance(one, list) for one in value):
            rows = ("(" + ", ".join(rounded(float(number)) for number in one) + ")" for one in value)
            return Figure(words(name), " ".join(rows), "", numeric=True)
        return Figure(words(name), str(len(value)), "", numeric=True)
    return Figure(words(name), str(value), unit, numeric=False)


def rounded(value: float) -> str:
    """Three digits after the point below 100, fewer above; the CSV and the API hold the full figure."""
    if 0 < abs(value) < 0.001:
        return f"{value:.2g}"
    text = f"{value:.{3 if abs(value) < 100 else 1}f}".rstrip("0").rstrip(".")
    return "0" if text in ("", "-0") else text
