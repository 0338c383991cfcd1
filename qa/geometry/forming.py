"""Group *forming*: how a sheet goes over the model and comes off again.

Everything is measured on the *forming base*, the best face to stand on, however the part is printed: the
forming axis is that face's inward normal, height and plan are taken along it. A sheet is clamped in a
round frame with the model in its middle, and drapes over model and table. See ``undercut`` for what counts
as undercut.

The *areal draw ratio* is formed over clamped area: (frame - footprint + surface reached) / frame. Its inverse
times the sheet's thickness is the mean sheet left, volume being constant. That mean runs over the whole
sheet: it compares models, and never tells the thinnest place, which is far thinner (Doğramacı et al. 2018,
Australian Dental Journal 63:347-355, found down to a third of the sheet).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from qa.geometry.circle import enclosing_circle
from qa.geometry.kernels import compiled
from qa.geometry.limits import Limit, LimitSet
from qa.geometry.maps import SurfaceMap
from qa.geometry.mesh import FloatArray, IndexArray
from qa.geometry.plumb import Plumb, drop_plumb
from qa.geometry.standing import turn_between
from qa.geometry.subject import CheckRequest, Sheet, Subject
from qa.geometry.undercut import Undercut, find_undercut
from qa.geometry.verdicts import Check

# Materials that stretch over an undercut when they are taken off; everything else is taken as hard.
SOFT_SHEETS = ("eva", "tpu", "soft", "polyolefin", "silicone")
# No sheet runs under the model: what points down within 3 degrees, this close to the table, is its base.
# A bowed base is base all over; a rounded bottom, most of whose lowest faces lean more, is not.
_BASE_CONE, _ROUND_CONE = float(np.cos(np.deg2rad(3.0))), float(np.cos(np.deg2rad(15.0)))
_BASE_MM, _BASE_SHARE = 0.5, 0.05
# An insertion axis that leans farther than this from the forming axis is a slip of sign or frame.
_LEAN_MOST_DEG = 60.0


@dataclass(frozen=True, eq=False)
class FormingFigures:
    """Figures on the forming base; ``None`` with ``refused`` where there is no base or no outside.

    ``axis`` is in the build pose. ``place`` and ``insertion_place`` (file's frame, mm) are where the
    undercut is deepest. ``room_mm`` is the least distance from the model's plan to the frame round it,
    negative when the model does not go into it. ``touched`` (m) tells per face whether a sheet gets to it;
    ``depths_mm`` (n float32) the undercut's depth per vertex, not-a-number where there is none.
    """

    axis: FloatArray | None
    height_mm: float | None
    undercut_mm2: float | None
    undercut_mm: float | None
    place: FloatArray | None
    insertion: FloatArray | None
    insertion_mm2: float | None
    insertion_mm: float | None
    insertion_place: FloatArray | None
    insertion_lean_deg: float | None
    formed_mm2: float | None
    footprint_mm2: float | None
    frame_mm: float
    draw_ratio: float | None
    model_draw_ratio: float | None
    sheet_left_mm: float | None
    room_mm: float | None
    touched: NDArray[np.bool_] | None
    depths_mm: NDArray[np.float32] | None
    limit_mm: float
    refused: str | None
    insertion_refused: str | None


def compute(
    subject: Subject, limits: LimitSet, progress: Callable[[float], None] | None = None
) -> FormingFigures:
    """Put the part on its forming base and measure how a sheet goes over it."""
    frame_mm = limits.value("frame_diameter")
    why = _refusal(subject)
    stand = subject.stand
    if why or stand is None:
        return _refused(frame_mm, undercut_limit(subject.request.sheet, limits).value, why or _NO_BASE)
    vertices, vectors = _turned(subject, stand.rotation)
    height = float(vertices[:, 2].max())
    skipped = _out_of_reach(subject, vertices, vectors)
    plumb = drop_plumb(vertices, subject.mesh.faces, subject.request.lines_across)
    if progress:
        progress(0.4)
    cut = find_undercut(vertices, subject.mesh.faces, vectors, skipped, plumb=plumb)
    if progress:
        progress(0.8)
    beyond = skipped | np.isnan(cut.depths_mm)
    insertion, lean, why_not = _along_insertion(subject, beyond, limits, stand.axis)
    footprint = footprint_mm2(plumb)
    frame = np.pi / 4.0 * frame_mm**2
    room = 0.5 * frame_mm - enclosing_circle(vertices[:, :2])[2]
    ratio = (frame - footprint + cut.reached_mm2) / frame if room >= 0 else None
    sheet = subject.request.sheet
    return FormingFigures(
        axis=stand.axis,
        height_mm=height,
        undercut_mm2=cut.area_mm2,
        undercut_mm=cut.max_mm,
        place=_in_file(subject, cut, stand.rotation, vertices),
        insertion=_insertion_axis(subject.request),
        insertion_mm2=insertion.area_mm2 if insertion else None,
        insertion_mm=insertion.max_mm if insertion else None,
        insertion_place=insertion.place if insertion else None,
        insertion_lean_deg=lean,
        formed_mm2=cut.reached_mm2,
        footprint_mm2=footprint,
        frame_mm=frame_mm,
        draw_ratio=ratio,
        model_draw_ratio=cut.reached_mm2 / footprint if footprint > 0 else None,
        sheet_left_mm=sheet.thickness_mm / ratio if sheet and ratio else None,
        room_mm=room,
        touched=~beyond,
        depths_mm=_per_vertex(subject, cut.depths_mm),
        limit_mm=undercut_limit(sheet, limits).value,
        refused=None,
        insertion_refused=why_not,
    )


_NO_BASE = "the model has no flat face to stand on when a sheet is formed over it"


def _refusal(subject: Subject) -> str | None:
    """Why a sheet over this part cannot be measured, if it cannot."""
    if subject.coarse:
        return "coordinates are stored too far apart to tell an undercut"
    if subject.topology.mixed_edges:
        return "neighbouring triangles face opposite ways, so that outside is not defined"
    if subject.topology.closed and float(subject.volumes.sum()) <= 0.0:
        return "the part is inside out or flat, so that outside is not defined"
    return None


def _refused(frame_mm: float, limit_mm: float, why: str) -> FormingFigures:
    return FormingFigures(
        axis=None,
        height_mm=None,
        undercut_mm2=None,
        undercut_mm=None,
        place=None,
        insertion=None,
        insertion_mm2=None,
        insertion_mm=None,
        insertion_place=None,
        insertion_lean_deg=None,
        formed_mm2=None,
        footprint_mm2=None,
        frame_mm=frame_mm,
        draw_ratio=None,
        model_draw_ratio=None,
        sheet_left_mm=None,
        room_mm=None,
        touched=None,
        depths_mm=None,
        limit_mm=limit_mm,
        refused=why,
        insertion_refused=None,
    )


def _turned(subject: Subject, rotation: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Vertices and area vectors turned, the lowest vertex on z = 0."""
    if np.array_equal(rotation, np.eye(3)):
        return subject.mesh.vertices, subject.vectors
    vertices = subject.mesh.vertices @ rotation.T
    vertices[:, 2] -= vertices[:, 2].min()
    return np.ascontiguousarray(vertices), np.ascontiguousarray(subject.vectors @ rotation.T)


def _out_of_reach(subject: Subject, vertices: FloatArray, vectors: FloatArray) -> NDArray[np.bool_]:
    """Faces that no sheet touches wherever they look: the base, and bodies that lie inside others."""
    near_mm = min(_BASE_MM, _BASE_SHARE * float(vertices[:, 2].max()))
    skipped = np.zeros(len(vectors), np.bool_)
    level, bottom = _find_base(
        vertices, subject.mesh.faces, vectors, near_mm, _BASE_CONE, _ROUND_CONE, skipped
    )
    if level <= 0.5 * bottom:
        skipped[:] = False
    body = subject.topology.body
    if subject.topology.collapsed:
        skipped |= body < 0
    if subject.nesting.known and subject.nesting.depth.any():
        skipped |= (subject.nesting.depth > 0)[body]
    return skipped


@compiled()
def _find_base(
    vertices: FloatArray, faces: IndexArray, vectors: FloatArray, near_mm: float, level: float, round_: float,
    base: NDArray[np.bool_],
) -> tuple[float, float]:  # fmt: skip
    """Mark faces near the table that point straight down: area of those, and of all that point down there."""
    straight, about = 0.0, 0.0
    for face in range(len(faces)):
        x, y, z = vectors[face, 0], vectors[face, 1], vectors[face, 2]
        length = np.sqrt(x * x + y * y + z * z)
        if -z <= round_ * length:
            continue
        height = vertices[faces[face, 0], 2] + vertices[faces[face, 1], 2] + vertices[faces[face, 2], 2]
        if height / 3.0 < near_mm:
            about += length
            if -z > level * length:
                straight += length
                base[face] = True
    return straight, about


def _insertion_axis(request: CheckRequest) -> FloatArray | None:
    """The unit direction asked for, in the file's frame."""
    if request.insertion is None:
        return None
    given: FloatArray = np.asarray(request.insertion, dtype=np.float64)
    return given / np.linalg.norm(given)


def _along_insertion(
    subject: Subject, skipped: NDArray[np.bool_], limits: LimitSet, axis: FloatArray
) -> tuple[Undercut | None, float | None, str | None]:
    """The undercut along the insertion axis, if one was given: (figures in the file's frame, lean, refusal).

    It is looked for down to the appliance's reach below the highest point, for below it is trimmed.
    """
    if subject.request.insertion is None:
        return None, None, None
    given = np.asarray(subject.request.insertion, dtype=np.float64)
    way = subject.rotation @ (given / np.linalg.norm(given))
    lean = float(np.degrees(np.arccos(np.clip(way @ axis, -1.0, 1.0))))
    if lean > _LEAN_MOST_DEG:
        return None, lean, f"the insertion axis leans {lean:.0f}° from the forming axis"
    rotation = turn_between(way, np.array([0.0, 0.0, 1.0]))
    vertices, vectors = _turned(subject, rotation)
    along = rotation @ axis
    reach = float((vertices @ along).max()) - limits.value("appliance_reach")
    plumb = drop_plumb(vertices, subject.mesh.faces, subject.request.lines_across)
    floor = np.append(along, reach)
    cut = find_undercut(vertices, subject.mesh.faces, vectors, skipped, plumb=plumb, floor=floor)
    place = _in_file(subject, cut, rotation, vertices)
    return Undercut(cut.area_mm2, cut.max_mm, place, cut.reached_mm2, cut.depths_mm), lean, None


def _in_file(
    subject: Subject, cut: Undercut, rotation: FloatArray, vertices: FloatArray
) -> FloatArray | None:
    """The deepest place in the file's frame."""
    if cut.place is None:
        return None
    sunk = float((subject.mesh.vertices[:1] @ rotation.T - vertices[:1])[0, 2])
    place: FloatArray = subject.in_file(((cut.place + np.array([0.0, 0.0, sunk])) @ rotation)[None])[0]
    return place


def _per_vertex(subject: Subject, depths_mm: NDArray[np.float32]) -> NDArray[np.float32]:
    """The deepest of a vertex's faces, not-a-number where none is in undercut."""
    values = np.zeros(len(subject.mesh.vertices), np.float32)
    deep = np.flatnonzero(depths_mm > 0.0)
    for corner in range(3):
        np.maximum.at(values, subject.mesh.faces[deep, corner], depths_mm[deep])
    values[values == 0.0] = np.nan
    return values


def maps(figures: FormingFigures) -> tuple[SurfaceMap, ...]:
    """Where the surface is in undercut along the forming axis."""
    if figures.depths_mm is None or not figures.undercut_mm:
        return ()
    return (
        SurfaceMap(
            name="undercut",
            title="Undercut along the forming axis",
            unit="mm",
            values=figures.depths_mm,
            low=0.0,
            high=max(figures.limit_mm, float(np.nanmax(figures.depths_mm))),
            limit=figures.limit_mm,
            worse="high",
            note="Level distance from the surface under a crest to the vertical at the crest, the mean over "
            "each triangle.",
        ),
    )


def footprint_mm2(plumb: Plumb) -> float:
    """Plan area of what the plumb lines meet."""
    return float(np.isfinite(plumb.top).sum()) * plumb.cell**2


def figures_json(figures: FormingFigures) -> dict[str, Any]:
    """The group's part of the JSON figures; its ``height_mm`` goes before the height as printed."""
    found = {
        "forming_axis": figures.axis,
        "undercut_cm2": _cm2(figures.undercut_mm2),
        "undercut_max_mm": figures.undercut_mm,
        "undercut_place": figures.place,
        "insertion_axis": figures.insertion,
        "insertion_undercut_cm2": _cm2(figures.insertion_mm2),
        "insertion_undercut_max_mm": figures.insertion_mm,
        "insertion_undercut_place": figures.insertion_place,
        "insertion_lean_deg": figures.insertion_lean_deg,
        "formed_cm2": _cm2(figures.formed_mm2),
        "forming_footprint_cm2": _cm2(figures.footprint_mm2),
        "frame_diameter_mm": figures.frame_mm,
        "areal_draw_ratio": figures.draw_ratio,
        "model_draw_ratio": figures.model_draw_ratio,
        "mean_sheet_left_mm": figures.sheet_left_mm,
        "forming_room_mm": figures.room_mm,
    }
    if figures.height_mm is not None:
        found["height_mm"] = figures.height_mm
    return found


def _cm2(area_mm2: float | None) -> float | None:
    return None if area_mm2 is None else area_mm2 / 100.0


def judge(figures: FormingFigures, request: CheckRequest, limits: LimitSet) -> list[Check]:
    """The group's rows; a plate with no base of its own is not formed as one, so it gets none."""
    if figures.refused:
        if request.role == "prepared":
            return []
        sentence = f"How a sheet would go over it cannot be told: {figures.refused}."
        return [Check("forming", "unknown", None, "", None, sentence)]
    rows = [
        _judge_height(figures, limits),
        _judge_room(figures, limits),
        _judge_undercut(figures, request.sheet, limits),
    ]
    if request.insertion is not None:
        rows.append(_judge_insertion(figures, request.sheet, limits))
    if figures.sheet_left_mm is not None and request.sheet is not None:
        rows.append(_sheet_row(figures, request.sheet))
    return rows


def _judge_height(figures: FormingFigures, limits: LimitSet) -> Check:
    limit, height = limits["form_height_max"], figures.height_mm
    if height is None or height <= limit.value:
        return Check(
            "forming_height", "pass", height, "mm", limit, f"On its base the model is {height:.1f} mm high."
        )
    return Check(
        "forming_height", "review", height, "mm", limit,
        f"On its base the model is {height:.1f} mm high; over high models sheets thin at the edges. "
        "Lower its base.",
    )  # fmt: skip


def _judge_room(figures: FormingFigures, limits: LimitSet) -> Check:
    limit, room, height = limits["room_to_height_min"], figures.room_mm or 0.0, figures.height_mm or 1.0
    frame = f"the frame of {figures.frame_mm:g} mm"
    if room < 0:
        return Check(
            "forming_room", "fail", room, "mm", limits["frame_diameter"],
            f"The model does not go into {frame}. Trim it or use a larger former.",
        )  # fmt: skip
    share = room / height
    if share >= limit.value:
        return Check(
            "forming_room", "pass", share, "share", limit,
            f"In the middle of {frame} it has {room:.1f} mm round it, {share:.1f} times its height.",
        )  # fmt: skip
    return Check(
        "forming_room", "review", share, "share", limit,
        f"In the middle of {frame} it has only {room:.1f} mm round it, {share:.1f} times its height; the "
        "sheet webs and thins there. Lower its base or trim its outline.",
    )  # fmt: skip


def undercut_limit(sheet: Sheet | None, limits: LimitSet) -> Limit:
    """The limit of depth for a sheet: soft ones stretch, thin hard ones spring, thick ones lock."""
    if sheet is None or is_soft(sheet):
        return limits["undercut_max_soft"]
    thin = sheet.thickness_mm <= limits.value("thin_sheet_max")
    return limits["undercut_max_thin" if thin else "undercut_max_thick"]


def is_soft(sheet: Sheet) -> bool:
    """Whether a sheet's material is one of those that stretch when cold."""
    return any(word in sheet.material.casefold() for word in SOFT_SHEETS)


def _sheet_words(sheet: Sheet | None) -> str:
    return f"a {sheet.thickness_mm:g} mm {sheet.material} sheet" if sheet else "any sheet"


def _judge_undercut(figures: FormingFigures, sheet: Sheet | None, limits: LimitSet) -> Check:
    limit, depth = undercut_limit(sheet, limits), figures.undercut_mm or 0.0
    area = (figures.undercut_mm2 or 0.0) / 100.0
    found = f"Along the forming axis {area:.2f} cm² are in undercut, up to {depth:.2f} mm deep"
    if depth > limit.value:
        return Check(
            "undercut", "review", depth, "mm", limit,
            f"{found}: too deep for {_sheet_words(sheet)}, which would lock or tear.{_at(figures.place)} "
            "Block it out, or form a softer or thinner sheet.",
        )  # fmt: skip
    thin = sheet is not None and not is_soft(sheet) and limit.name == "undercut_max_thin"
    if thin and depth < limits.value("undercut_needed"):
        return Check(
            "undercut", "review", depth, "mm", limits["undercut_needed"],
            f"{found}: hardly anything for {_sheet_words(sheet)} to hold on to. Block out less, or plan "
            "attachments.",
        )  # fmt: skip
    return Check("undercut", "pass", depth, "mm", limit, f"{found}: {_sheet_words(sheet)} comes off it.")


def _at(place: FloatArray | None) -> str:
    if place is None:
        return ""
    x, y, z = (float(value) for value in place)
    return f" It is deepest at x {x:.1f}, y {y:.1f}, z {z:.1f} mm of the file."


def _judge_insertion(figures: FormingFigures, sheet: Sheet | None, limits: LimitSet) -> Check:
    limit, depth = undercut_limit(sheet, limits), figures.insertion_mm
    if depth is None:
        return Check(
            "insertion_undercut", "unknown", None, "mm", limit,
            f"The undercut along the insertion axis cannot be told: {figures.insertion_refused}. It is to "
            "point from the base to the crowns, in the file's frame.",
        )  # fmt: skip
    area = (figures.insertion_mm2 or 0.0) / 100.0
    found = (
        f"Along the insertion axis, {figures.insertion_lean_deg:.1f}° off the forming axis, {area:.2f} cm² "
        f"within {limits.value('appliance_reach'):g} mm of the top are in undercut, up to {depth:.2f} mm deep"
    )
    if depth <= limit.value:
        return Check("insertion_undercut", "pass", depth, "mm", limit, f"{found}.")
    return Check(
        "insertion_undercut", "review", depth, "mm", limit,
        f"{found}: too deep for {_sheet_words(sheet)}.{_at(figures.insertion_place)} Block it out along that "
        "axis, or choose another.",
    )  # fmt: skip


def _sheet_row(figures: FormingFigures, sheet: Sheet) -> Check:
    left = figures.sheet_left_mm
    return Check(
        "mean_sheet", "pass", left, "mm", None,
        f"Of {_sheet_words(sheet)} a mean of {left:.2f} mm is left over model and table. Use it to compare "
        "models: the thinnest place is far thinner.",
    )  # fmt: skip
