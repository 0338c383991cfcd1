"""Where the figures of group *layers* come from: shallow surfaces facing down, and starts in mid-air."""

from __future__ import annotations

import numpy as np
import scipy

from qa.geometry.kernels import compiled
from qa.geometry.maps import SurfaceMap, ValueArray
from qa.geometry.mesh import FloatArray, IndexArray
from qa.geometry.subject import Subject

# Steeper surfaces print on their own on any vat; showing them would hide the ones that do not.
STEEPEST_SHOWN_DEG = 60.0
NEAR_START_MM = 2.0


@compiled()
def share_above(a: float, b: float, c: float, floor: float) -> float:
    """Share of a triangle's area that lies above a height; ``a``, ``b``, ``c`` are its corners' heights.

    The cut's triangle shrinks with the square of its height over the corner, so a figure that uses this
    does not depend on how a surface is divided into triangles.
    """
    low, high = min(a, b, c), max(a, b, c)
    middle = a + b + c - low - high
    if floor <= low:
        return 1.0
    if floor >= high:
        return 0.0
    if floor <= middle:
        return 1.0 - (floor - low) ** 2 / ((middle - low) * (high - low))
    return (high - floor) ** 2 / ((high - middle) * (high - low))


def overhang_values(subject: Subject) -> ValueArray:
    """Per vertex the angle from level (degrees) of the shallowest of its faces that faces down.

    Not-a-number where none does within ``STEEPEST_SHOWN_DEG`` of level, or it lies in the first layer: the
    rule of ``layers.overhang_area``.
    """
    values = np.full(len(subject.mesh.vertices), np.inf, dtype=np.float32)
    _shallowest(
        subject.mesh.vertices,
        subject.mesh.faces,
        subject.vectors,
        float(np.cos(np.deg2rad(STEEPEST_SHOWN_DEG))),
        subject.request.layer_mm,
        values,
    )
    values[np.isinf(values)] = np.nan
    return values


@compiled()
def _shallowest(
    vertices: FloatArray,
    faces: IndexArray,
    vectors: FloatArray,
    cosine: float,
    floor: float,
    values: ValueArray,
) -> None:
    for face in range(len(faces)):
        x, y, z = vectors[face, 0], vectors[face, 1], vectors[face, 2]
        length = np.sqrt(x * x + y * y + z * z)
        if -z <= cosine * length:
            continue
        a, b, c = faces[face, 0], faces[face, 1], faces[face, 2]
        if max(vertices[a, 2], vertices[b, 2], vertices[c, 2]) <= floor:
            continue
        angle = np.degrees(np.arccos(min(-z / length, 1.0)))
        values[a] = min(values[a], angle)
        values[b] = min(values[b], angle)
        values[c] = min(values[c], angle)


def start_values(subject: Subject, starts: FloatArray) -> ValueArray:
    """Per vertex the distance (mm) to the nearest start in mid-air (k x 3, build pose), up to
    ``NEAR_START_MM``; not-a-number farther off. The vertex nearest to each start always has a value."""
    values = np.full(len(subject.mesh.vertices), np.nan, dtype=np.float32)
    if not len(starts):
        return values
    distance, _ = scipy.spatial.cKDTree(starts).query(
        subject.mesh.vertices, distance_upper_bound=NEAR_START_MM
    )
    near = np.isfinite(distance)
    values[near] = distance[near]
    apart, nearest = scipy.spatial.cKDTree(subject.mesh.vertices).query(starts)
    values[nearest] = np.fmin(values[nearest], apart.astype(np.float32))
    return values


def layer_maps(
    overhang: ValueArray | None, angle_deg: float, starts: ValueArray | None, places: FloatArray
) -> tuple[SurfaceMap, ...]:
    """The maps of the group. ``places`` (k x 4) are the starts in the file's frame with their area in mm2."""
    made = []
    if overhang is not None:
        made.append(
            SurfaceMap(
                name="overhang",
                title="Surfaces facing down",
                unit="deg",
                values=overhang,
                low=0.0,
                high=STEEPEST_SHOWN_DEG,
                limit=angle_deg,
                note="Angle from level of surfaces that face the platform without touching it. "
                "Those below the limit count as overhang.",
            )
        )
    if starts is not None and len(places):
        marked = places.copy()
        marked[:, 3] = 0.0
        made.append(
            SurfaceMap(
                name="mid-air",
                title="Starts in mid-air",
                unit="mm",
                values=starts,
                low=0.0,
                high=NEAR_START_MM,
                note="Distance to the nearest place where a layer begins with nothing below it.",
                places=marked,
            )
        )
    return tuple(made)
