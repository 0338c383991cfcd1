"""Group *base contact*: what touches the platform, and how flat and level the base is.

``contact_fraction`` is defined on a grid seen from below. The *footprint* is every cell whose lowest
surface lies within ``BAND_MM`` of the platform; a cell *touches* when its lowest surface lies within one
layer of it. The fraction is the share of the footprint's outer outline (holes filled, so that an
open-bottomed model is judged by its rim) that has a touching cell within ``REACH_MM`` (3 % of the part's
length where that is less), which forgives a chamfer, a fillet or a sloping wall. It needs no closed mesh.

The *base face* is the largest connected patch near the platform whose faces point down; its plane is
fitted by least squares over its area. Flatness is highest to lowest of its vertices from that plane,
tilt the plane's angle to the platform.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy
from numpy.typing import NDArray

from qa.geometry.kernels import compiled
from qa.geometry.limits import LimitSet
from qa.geometry.mesh import FloatArray, IndexArray, Mesh
from qa.geometry.standing import Stand
from qa.geometry.subject import CheckRequest, Subject
from qa.geometry.topology import Topology
from qa.geometry.verdicts import Check, Verdict

BAND_MM = 2.0
REACH_MM = 1.5
REACH_SHARE = 0.03
CELL_MM = 0.1
_MOST_CELLS = 1000
_MOST_WORK = 300_000_000
# A patch grows over edges bent less than this, among faces within 45 degrees of straight down; what
# leans from its mean by more than the last angle is a fillet, not the base.
_BEND_DEG = 12.0
_DOWN_DEG = 45.0
_LEAN_DEG = 15.0
_NEAR_MM = 1.0


@dataclass(frozen=True, eq=False)
class ContactFigures:
    """Contact as it stands now, the base face (``None`` when there is none) and the best face to stand on.

    ``stand_up`` is the direction, in the file's frame, that is up when the part stands on that face.
    """

    contact_fraction: float | None
    contact_area_mm2: float | None
    footprint_area_mm2: float | None
    cell_mm: float
    base_area_mm2: float | None
    flatness_mm: float | None
    tilt_deg: float | None
    stand: Stand | None
    stand_up: FloatArray | None
    refused: str | None


@compiled()
def _work(vertices: FloatArray, faces: IndexArray, band: float, cell: float) -> float:
    total = 0.0
    for face in range(len(faces)):
        a, b, c = faces[face, 0], faces[face, 1], faces[face, 2]
        if min(vertices[a, 2], vertices[b, 2], vertices[c, 2]) > band:
            continue
        width = max(vertices[a, 0], vertices[b, 0], vertices[c, 0])
        width -= min(vertices[a, 0], vertices[b, 0], vertices[c, 0])
        depth = max(vertices[a, 1], vertices[b, 1], vertices[c, 1])
        depth -= min(vertices[a, 1], vertices[b, 1], vertices[c, 1])
        total += (width / cell + 1.0) * (depth / cell + 1.0)
    return total


@compiled()
def _lowest(
    vertices: FloatArray,
    faces: IndexArray,
    band: float,
    cell: float,
    origin: FloatArray,
    rows: int,
    columns: int,
) -> FloatArray:
    """Lowest surface over each cell's middle, infinite where there is none within the band."""
    low = np.full((rows, columns), np.inf)
    for face in range(len(faces)):
        a, b, c = faces[face, 0], faces[face, 1], faces[face, 2]
        ax, ay, az = vertices[a, 0], vertices[a, 1], vertices[a, 2]
        bx, by, bz = vertices[b, 0], vertices[b, 1], vertices[b, 2]
        cx, cy, cz = vertices[c, 0], vertices[c, 1], vertices[c, 2]
        if min(az, bz, cz) > band:
            continue
        double = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        if double == 0.0:
            continue
        first_row = max(0, int(np.ceil((min(ay, by, cy) - origin[1]) / cell - 0.5)))
        last_row = min(rows - 1, int(np.floor((max(ay, by, cy) - origin[1]) / cell - 0.5)))
        first_column = max(0, int(np.ceil((min(ax, bx, cx) - origin[0]) / cell - 0.5)))
        last_column = min(columns - 1, int(np.floor((max(ax, bx, cx) - origin[0]) / cell - 0.5)))
        for row in range(first_row, last_row + 1):
            y = origin[1] + (row + 0.5) * cell
            for column in range(first_column, last_column + 1):
                x = origin[0] + (column + 0.5) * cell
                share_b = ((x - ax) * (cy - ay) - (y - ay) * (cx - ax)) / double
                share_c = ((bx - ax) * (y - ay) - (by - ay) * (x - ax)) / double
                if share_b < 0.0 or share_c < 0.0 or share_b + share_c > 1.0:
                    continue
                z = az + share_b * (bz - az) + share_c * (cz - az)
                if z < low[row, column] and z <= band:
                    low[row, column] = z
    return low


def _grid(mesh: Mesh, band: float) -> tuple[FloatArray, float]:
    """The lowest surface near the platform on a grid, and the grid's cell in mm."""
    corner, far = mesh.vertices[:, :2].min(axis=0), mesh.vertices[:, :2].max(axis=0)
    extent = far - corner
    cell = float(max(CELL_MM, extent.max() / _MOST_CELLS))
    if extent.max() < 20 * CELL_MM:
        cell = float(max(extent.max() / 20.0, 1e-9))
    while _work(mesh.vertices, mesh.faces, band, cell) > _MOST_WORK and cell < extent.max() / 16:
        cell *= 2
    # One empty row and column all round, so that outlines close; an odd offset, so that middles of
    # cells do not fall on the edges of regular meshes.
    origin = corner - cell * 1.0137
    columns, rows = (int(count) for count in np.ceil(extent / cell) + 3)
    return _lowest(mesh.vertices, mesh.faces, band, cell, origin, rows, columns), cell


def outline_contact(low: FloatArray, cell: float, layer_mm: float) -> tuple[float, float, float]:
    """Share of the outer outline that touches, touching area and footprint area (mm2)."""
    footprint = np.isfinite(low)
    touching = low <= layer_mm
    if not footprint.any():
        return 0.0, 0.0, 0.0
    filled = scipy.ndimage.binary_fill_holes(footprint)
    outline = filled & ~scipy.ndimage.binary_erosion(filled)
    distance = scipy.ndimage.distance_transform_edt(~touching) * cell
    reach = min(REACH_MM, REACH_SHARE * cell * max(low.shape))
    near = outline & (distance <= reach + cell)
    area = cell * cell
    return float(near.sum() / outline.sum()), float(touching.sum() * area), float(footprint.sum() * area)


@compiled()
def _patches(vectors: FloatArray, twin: IndexArray, down: NDArray[np.bool_], cosine: float) -> IndexArray:
    """Connected patches of ``down`` faces over edges bent little: a root face per face, -1 elsewhere."""
    parent = np.full(len(vectors), -1, np.int32)
    for face in range(len(vectors)):
        if down[face]:
            parent[face] = face
    for half in range(len(twin)):
        one, other = half // 3, twin[half] // 3
        if twin[half] < half or not down[one] or not down[other]:
            continue
        bend, square_one, square_other = 0.0, 0.0, 0.0
        for axis in range(3):
            bend += vectors[one, axis] * vectors[other, axis]
            square_one += vectors[one, axis] ** 2
            square_other += vectors[other, axis] ** 2
        if bend < cosine * np.sqrt(square_one * square_other):
            continue
        while parent[one] != one:
            parent[one] = parent[parent[one]]
            one = parent[one]
        while parent[other] != other:
            parent[other] = parent[parent[other]]
            other = parent[other]
        parent[max(one, other)] = min(one, other)
    for face in range(len(vectors)):
        if parent[face] >= 0:
            parent[face] = parent[parent[face]]
    return parent


def fit_plane(corners: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Least-squares plane over the area of triangles (m x 3 x 3): (unit normal, a point on it).

    Second moments are exact over each triangle: A / 12 (sum of v v' + 9 c c').
    """
    areas = 0.5 * np.linalg.norm(
        np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1
    )
    middle = (areas[:, None] * corners.mean(axis=1)).sum(axis=0) / areas.sum()
    offsets = corners - middle
    means = offsets.mean(axis=1)
    moment = np.einsum("m,mki,mkj->ij", areas / 12, offsets, offsets)
    moment += np.einsum("m,mi,mj->ij", 0.75 * areas, means, means)
    normal: FloatArray = np.linalg.eigh(moment)[1][:, 0]
    return normal, middle


def base_face(mesh: Mesh, topology: Topology, vectors: FloatArray) -> IndexArray:
    """The faces of the base: the largest patch near the platform that points down, fillets left out.

    ``vectors`` (m x 3) are the faces' area vectors.
    """
    areas = np.linalg.norm(vectors, axis=1)
    down = (-vectors[:, 2] > np.cos(np.deg2rad(_DOWN_DEG)) * areas) & (topology.body >= 0)
    roots = _patches(vectors, topology.twin, down, float(np.cos(np.deg2rad(_BEND_DEG))))
    inside = np.flatnonzero(roots >= 0)
    if len(inside) == 0:
        return np.zeros(0, np.int32)
    patch_area = np.bincount(roots[inside], areas[inside], len(roots))
    lowest = np.full(len(roots), np.inf)
    np.minimum.at(lowest, roots[inside], mesh.vertices[mesh.faces[inside], 2].min(axis=1))
    patch_area[lowest > _NEAR_MM] = 0.0
    best = int(np.argmax(patch_area))
    if patch_area[best] <= 0.0:
        return np.zeros(0, np.int32)
    patch = inside[roots[inside] == best]
    kept = patch
    for _ in range(3):
        mean = vectors[kept].sum(axis=0)
        mean /= np.linalg.norm(mean)
        kept = patch[vectors[patch] @ mean > np.cos(np.deg2rad(_LEAN_DEG)) * areas[patch]]
        if len(kept) == 0:
            return np.zeros(0, np.int32)
    return np.asarray(kept, dtype=np.int32)


def compute(
    subject: Subject, limits: LimitSet, progress: Callable[[float], None] | None = None
) -> ContactFigures:
    """Find what touches the platform and the base face."""
    del limits
    if subject.coarse:
        why = "coordinates are stored too far apart to tell what lies within one layer"
        return ContactFigures(None, None, None, CELL_MM, None, None, None, None, None, why)
    band = min(BAND_MM, 0.5 * subject.height_mm)
    low, cell = _grid(subject.mesh, band)
    fraction, touching, footprint = outline_contact(low, cell, subject.request.layer_mm)
    if progress:
        progress(0.5)
    faces = base_face(subject.mesh, subject.topology, subject.vectors)
    area, flatness, tilt = None, None, None
    if len(faces):
        corners = subject.mesh.vertices[subject.mesh.faces[faces]]
        normal, middle = fit_plane(corners)
        heights = (corners.reshape(-1, 3) - middle) @ normal
        flatness = float(np.ptp(heights))
        tilt = float(np.degrees(np.arccos(min(1.0, abs(float(normal[2]))))))
        spans = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        area = float(0.5 * np.linalg.norm(spans, axis=1).sum())
    return ContactFigures(
        contact_fraction=fraction,
        contact_area_mm2=touching,
        footprint_area_mm2=footprint,
        cell_mm=cell,
        base_area_mm2=area,
        flatness_mm=flatness,
        tilt_deg=tilt,
        stand=subject.stand,
        stand_up=subject.stand.axis @ subject.rotation if subject.stand else None,
        refused=None,
    )


def figures_json(figures: ContactFigures) -> dict[str, Any]:
    """The group's part of the JSON figures."""
    stand = figures.stand
    return {
        "contact_fraction": figures.contact_fraction,
        "contact_area_cm2": _cm2(figures.contact_area_mm2),
        "footprint_area_cm2": _cm2(figures.footprint_area_mm2),
        "contact_cell_mm": figures.cell_mm,
        "base_area_cm2": _cm2(figures.base_area_mm2),
        "contact_flatness_mm": figures.flatness_mm,
        "base_tilt_deg": figures.tilt_deg,
        "stand_area_cm2": _cm2(stand.area_mm2) if stand else None,
        "stand_rotation": stand.rotation if stand else None,
        "stand_turn_deg": stand.turn_deg if stand else None,
        "stand_turn_axis": stand.turn_axis if stand else None,
        "stand_up": figures.stand_up,
        "stand_height_mm": stand.height_mm if stand else None,
    }


def _cm2(area_mm2: float | None) -> float | None:
    return None if area_mm2 is None else area_mm2 / 100.0


def judge(figures: ContactFigures, request: CheckRequest, limits: LimitSet) -> list[Check]:
    """The group's rows."""
    del request
    return [
        _judge_contact(figures, limits),
        _judge_flatness(figures, limits),
        _judge_tilt(figures, limits),
    ]


def _judge_contact(figures: ContactFigures, limits: LimitSet) -> Check:
    limit = limits["contact_min"]
    fraction = figures.contact_fraction
    if fraction is None:
        return Check(
            "base_contact", "unknown", None, "share", limit, f"Contact cannot be told: {figures.refused}."
        )
    if fraction >= limit.value:
        return Check(
            "base_contact", "pass", fraction, "share", limit,
            f"{100 * fraction:.0f} % of its outer outline touches the platform: it stands by itself.",
        )  # fmt: skip
    lower = limits["contact_fail"]
    failing = fraction < lower.value
    stand = figures.stand
    if stand is not None and stand.turn_deg > 0.1:
        hint = f"{stand.words} Turn it, or support it."
    else:
        hint = "Cut its base flat, or support it."
    return Check(
        "base_contact", "fail" if failing else "review", fraction, "share", lower if failing else limit,
        f"Only {100 * fraction:.0f} % of its outer outline touches the platform. {hint}",
    )  # fmt: skip


def _judge_flatness(figures: ContactFigures, limits: LimitSet) -> Check:
    return _judge_twice(
        "base_flatness", figures.flatness_mm, "mm", limits, "base_flatness_review", "base_flatness_max",
        "The base face is flat within {:.3f} mm.",
        "The base face is {:.2f} mm from flat, highest to lowest. Cut it flat before printing or forming.",
        figures.refused,
    )  # fmt: skip


def _judge_tilt(figures: ContactFigures, limits: LimitSet) -> Check:
    return _judge_twice(
        "base_tilt", figures.tilt_deg, "deg", limits, "base_tilt_review", "base_tilt_max",
        "The base face lies {:.2f}° from level.",
        "The base face is tilted by {:.2f}° against the platform. Lay it flat, or support it on purpose.",
        figures.refused,
    )  # fmt: skip


def _judge_twice(
    name: str,
    value: float | None,
    unit: str,
    limits: LimitSet,
    review: str,
    fail: str,
    good: str,
    bad: str,
    refused: str | None,
) -> Check:
    """A figure with a limit to pass and a higher one to fail."""
    soft, hard = limits[review], limits[fail]
    if value is None:
        why = (
            f"Cannot be told: {refused}."
            if refused
            else "No face near the platform points down: it has no base."
        )
        verdict: Verdict = "unknown" if refused else "review"
        return Check(name, verdict, None, unit, hard, why)
    if value <= soft.value:
        return Check(name, "pass", value, unit, soft, good.format(value))
    failing = value > hard.value
    return Check(
        name, "fail" if failing else "review", value, unit, hard if failing else soft, bad.format(value)
    )
