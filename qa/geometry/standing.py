"""The best face to stand on: the largest flat face that the whole part lies above.

Face areas are gathered by direction; each promising direction is refined to a plane through the outermost
faces that point that way. The winner is also the forming base, and its inward normal the forming axis.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from qa.geometry.kernels import compiled
from qa.geometry.mesh import FloatArray, IndexArray, Mesh

_TRIED = 24
_CONE_DEG = 10.0
_PLANE_DEG = 3.0
_DEPTH_MM = 0.1
_MIN_SHARE = 0.01


@dataclass(frozen=True, eq=False)
class Stand:
    """A flat face to stand on, in the build pose.

    ``axis`` points from the face into the part (the forming axis); ``rotation`` (3 x 3) turns the part so
    that the face lies on the platform; ``turn_deg`` is how far that turns it; ``height_mm`` how high it
    then is; ``area_mm2`` the area of the face within 0.1 mm of its plane.
    """

    axis: FloatArray
    rotation: FloatArray
    turn_deg: float
    area_mm2: float
    height_mm: float


@compiled()
def _face_vectors(vertices: FloatArray, faces: IndexArray) -> FloatArray:
    """Area vectors of faces: m x 3, length the area in mm2."""
    vectors = np.zeros((len(faces), 3))
    for face in range(len(faces)):
        a, b, c = faces[face, 0], faces[face, 1], faces[face, 2]
        ux, uy, uz = (
            vertices[b, 0] - vertices[a, 0], vertices[b, 1] - vertices[a, 1], vertices[b, 2] - vertices[a, 2]
        )  # fmt: skip
        vx, vy, vz = (
            vertices[c, 0] - vertices[a, 0], vertices[c, 1] - vertices[a, 1], vertices[c, 2] - vertices[a, 2]
        )  # fmt: skip
        vectors[face, 0] = 0.5 * (uy * vz - uz * vy)
        vectors[face, 1] = 0.5 * (uz * vx - ux * vz)
        vectors[face, 2] = 0.5 * (ux * vy - uy * vx)
    return vectors


def _candidates(vectors: FloatArray) -> FloatArray:
    """Directions (k x 3) in which most area faces, from a cube map of normals, largest first."""
    lengths = np.linalg.norm(vectors, axis=1)
    sound = lengths > 0
    units = vectors[sound] / lengths[sound, None]
    axis = np.abs(units).argmax(axis=1)
    rows = np.arange(len(units))
    major = units[rows, axis]
    u = units[rows, (axis + 1) % 3] / np.abs(major)
    v = units[rows, (axis + 2) % 3] / np.abs(major)
    steps = 24
    cell_u = np.minimum((np.arctan(u) / (np.pi / 2) + 0.5) * steps, steps - 1).astype(np.int64)
    cell_v = np.minimum((np.arctan(v) / (np.pi / 2) + 0.5) * steps, steps - 1).astype(np.int64)
    key = ((axis * 2 + (major > 0)) * steps + cell_u) * steps + cell_v
    sums = np.zeros((6 * steps * steps, 3))
    for component in range(3):
        sums[:, component] = np.bincount(key, vectors[sound, component], len(sums))
    sizes = np.linalg.norm(sums, axis=1)
    order = np.argsort(-sizes, kind="stable")[:_TRIED]
    order = order[sizes[order] > 0]
    directions: FloatArray = sums[order] / sizes[order, None]
    return directions


def _refine(
    vectors: FloatArray, middles: FloatArray, points: FloatArray, direction: FloatArray
) -> tuple[FloatArray, float]:
    """Settle a direction onto the flat face at the part's far side: (outward normal, area in mm2)."""
    lengths = np.linalg.norm(vectors, axis=1)
    area = 0.0
    for angle, depth in (
        (_CONE_DEG, 1.0),
        (_CONE_DEG, 0.5),
        (_PLANE_DEG, _DEPTH_MM),
        (_PLANE_DEG, _DEPTH_MM),
    ):
        edge = float((points @ direction).max())
        aligned = vectors @ direction > np.cos(np.deg2rad(angle)) * lengths
        chosen = aligned & (middles @ direction > edge - depth) & (lengths > 0)
        if not chosen.any():
            return direction, 0.0
        total = vectors[chosen].sum(axis=0)
        area = float(lengths[chosen].sum())
        direction = total / np.linalg.norm(total)
    return direction, area


def best_stand(mesh: Mesh) -> Stand | None:
    """The best face to stand on, or ``None`` when no flat face bears the part.

    A face counts when it holds at least 1 % of the surface.
    """
    vectors = _face_vectors(mesh.vertices, mesh.faces)
    middles = mesh.vertices[mesh.faces].mean(axis=1)
    best_area, best_normal = 0.0, None
    for direction in _candidates(vectors):
        normal, area = _refine(vectors, middles, mesh.vertices, direction)
        if area > best_area * (1 + 1e-9):
            best_area, best_normal = area, normal
    surface = float(np.linalg.norm(vectors, axis=1).sum())
    if best_normal is None or best_area < _MIN_SHARE * surface:
        return None
    axis = -best_normal
    rotation = turn_between(axis, np.array([0.0, 0.0, 1.0]))
    heights = mesh.vertices @ axis
    turn = float(np.degrees(np.arccos(np.clip(axis[2], -1.0, 1.0))))
    return Stand(axis, rotation, turn, best_area, float(np.ptp(heights)))


def turn_between(start: FloatArray, goal: FloatArray) -> FloatArray:
    """The smallest rotation (3 x 3) that turns one unit vector into another (Rodrigues)."""
    cosine = float(start @ goal)
    if cosine > 1 - 1e-15:
        return np.eye(3)
    if cosine < -1 + 1e-12:
        side = np.cross(start, np.eye(3)[int(np.abs(start).argmin())])
        side /= np.linalg.norm(side)
        half_turn: FloatArray = 2 * np.outer(side, side) - np.eye(3)
        return half_turn
    axis = np.cross(start, goal)
    skew = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    rotation: FloatArray = np.eye(3) + skew + skew @ skew / (1 + cosine)
    return rotation
