"""The best face to stand on: the largest flat face that the whole part lies above.

Face areas are gathered by direction; each promising direction is refined to a plane through the outermost
faces that point that way. A part that lies flat on a face already is not turned over for one up to twice as
large. The winner is also the forming base, and its inward normal the forming axis.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from qa.geometry.kernels import compiled
from qa.geometry.mesh import FloatArray, IndexArray, Mesh

_TRIED = 16
_STEPS = 24
# Depth of a face from its outermost vertex, as a share of the part's longest side: 0.3 mm for an arch,
# so that a bowed base is still found. Coarser at first, from a rough direction.
_DEPTH_SHARE = 0.005
_WIDER = (6.0, 3.0, 1.0, 1.0)
_CONE = float(np.cos(np.deg2rad(15.0)))
_FLAT_CONE, _FLAT_DEPTH_MM, _FLAT_SHARE = float(np.cos(np.deg2rad(2.0))), 0.1, 0.7
_SAME = float(np.cos(np.deg2rad(2.0)))
_MIN_SHARE = 0.03
_AS_GOOD, _HALF, _LYING = 0.98, 0.5, float(np.cos(np.deg2rad(1.0)))


@dataclass(frozen=True, eq=False)
class Stand:
    """A flat face to stand on, in the build pose.

    ``axis`` points from the face into the part (the forming axis); ``rotation`` (3 x 3) turns the part so
    that the face lies on the platform; ``turn_deg`` is how far that turns it; ``height_mm`` how high it
    then is; ``area_mm2`` the area of faces that point there, within 0.5 % of the part's length
    of its lowest point.
    """

    axis: FloatArray
    rotation: FloatArray
    turn_deg: float
    area_mm2: float
    height_mm: float

    @property
    def turn_axis(self) -> FloatArray:
        """The level axis (unit, build pose) about which ``rotation`` turns; x where it turns by nothing."""
        sine = float(np.hypot(self.axis[0], self.axis[1]))
        if sine < 1e-12:
            return np.array([1.0, 0.0, 0.0])
        return np.array([self.axis[1] / sine, -self.axis[0] / sine, 0.0])

    @property
    def words(self) -> str:
        """What to do to stand the part on this face, in figures."""
        x, y, _ = (float(value) for value in self.turn_axis)
        return (
            f"Turned by {self.turn_deg:.1f}° about the level axis ({x:.2f}, {y:.2f}, 0) it stands on its "
            f"flat face of {self.area_mm2:.0f} mm², {self.height_mm:.1f} mm high."
        )


@compiled()
def _by_direction(vectors: FloatArray) -> FloatArray:
    """Sums of area vectors by the cell of a cube map, ``_STEPS`` to a side, that their direction lies in."""
    sums = np.zeros((6 * _STEPS * _STEPS, 3))
    for face in range(len(vectors)):
        length = np.sqrt(vectors[face, 0] ** 2 + vectors[face, 1] ** 2 + vectors[face, 2] ** 2)
        if length == 0.0:
            continue
        axis = 0
        for other in (1, 2):
            if abs(vectors[face, other]) > abs(vectors[face, axis]):
                axis = other
        major = vectors[face, axis]
        key = 2 * axis + (major > 0.0)
        for turn in (1, 2):
            angle = np.arctan(vectors[face, (axis + turn) % 3] / abs(major))
            key = key * _STEPS + min(int((angle / (0.5 * np.pi) + 0.5) * _STEPS), _STEPS - 1)
        for component in range(3):
            sums[key, component] += vectors[face, component]
    return sums


def _candidates(vectors: FloatArray) -> FloatArray:
    """Directions (k x 3) in which most area faces, from a cube map of normals, largest first."""
    sums = _by_direction(vectors)
    sizes = np.linalg.norm(sums, axis=1)
    order = np.argsort(-sizes, kind="stable")[:_TRIED]
    order = order[sizes[order] > 0]
    directions: FloatArray = sums[order] / sizes[order, None]
    return directions


@compiled()
def _outermost(vertices: FloatArray, direction: FloatArray) -> float:
    """How far the vertices reach along a direction."""
    edge = -np.inf
    for vertex in range(len(vertices)):
        reach = (
            vertices[vertex, 0] * direction[0]
            + vertices[vertex, 1] * direction[1]
            + vertices[vertex, 2] * direction[2]
        )
        edge = max(edge, reach)
    return edge


@compiled()
def _face_there(
    vertices: FloatArray,
    faces: IndexArray,
    vectors: FloatArray,
    direction: FloatArray,
    cosine: float,
    floor: float,
) -> tuple[FloatArray, float]:
    """Sum of area vectors, and area, of faces that point along a direction and lie beyond ``floor``."""
    total = np.zeros(3)
    area = 0.0
    for face in range(len(faces)):
        x, y, z = vectors[face, 0], vectors[face, 1], vectors[face, 2]
        along = x * direction[0] + y * direction[1] + z * direction[2]
        if along <= 0.0:
            continue
        length = np.sqrt(x * x + y * y + z * z)
        if along <= cosine * length:
            continue
        reach = 0.0
        for corner in range(3):
            vertex = faces[face, corner]
            for axis in range(3):
                reach += vertices[vertex, axis] * direction[axis]
        if reach / 3.0 > floor:
            total[0] += x
            total[1] += y
            total[2] += z
            area += length
    return total, area


def _refine(mesh: Mesh, vectors: FloatArray, direction: FloatArray) -> tuple[FloatArray, float]:
    """Settle a direction onto the flat face at the part's far side: (outward normal, area in mm2)."""
    area = 0.0
    depth = _DEPTH_SHARE * float(np.ptp(mesh.vertices, axis=0).max())
    for wider in _WIDER:
        floor = float(_outermost(mesh.vertices, direction)) - wider * depth
        total, area = _face_there(mesh.vertices, mesh.faces, vectors, direction, _CONE, floor)
        length = float(np.linalg.norm(total))
        if length == 0.0:
            return direction, 0.0
        direction = total / length
    # A face that is truly flat gives its own normal, untouched by fillets round it.
    floor = float(_outermost(mesh.vertices, direction)) - _FLAT_DEPTH_MM
    total, flat = _face_there(mesh.vertices, mesh.faces, vectors, direction, _FLAT_CONE, floor)
    if flat > _FLAT_SHARE * area:
        direction = total / np.linalg.norm(total)
    return direction, float(area)


def best_stand(mesh: Mesh, vectors: FloatArray) -> Stand | None:
    """The best face to stand on, or ``None`` when no flat face bears the part.

    ``vectors`` (m x 3) are the faces' area vectors. A face counts when it holds at least 3 % of the
    surface; one that is bowed by less than 0.5 % of the part's length is found too.
    """
    found: list[tuple[float, FloatArray]] = []
    tried: list[FloatArray] = []
    for direction in _candidates(vectors):
        if any(float(direction @ other) > _SAME for other in tried):
            continue
        normal, area = _refine(mesh, vectors, direction)
        tried += [direction, normal]
        found.append((area, normal))
    surface = float(np.sqrt(np.einsum("ij,ij->i", vectors, vectors)).sum())
    largest = max((area for area, _ in found), default=0.0)
    if largest <= 0.0 or largest < _MIN_SHARE * surface:
        return None
    best_area, best_normal = _chosen(found, largest)
    axis = 0.0 - best_normal
    rotation = turn_between(axis, np.array([0.0, 0.0, 1.0]))
    turn = float(np.degrees(np.arccos(np.clip(axis[2], -1.0, 1.0))))
    height = float(_outermost(mesh.vertices, axis) + _outermost(mesh.vertices, -axis))
    return Stand(axis, rotation, turn, best_area, height)


def _chosen(found: list[tuple[float, FloatArray]], largest: float) -> tuple[float, FloatArray]:
    """The face the part lies on already, if that is half as large as the largest; else the largest.

    Of faces as good as equal, the one that turns the part least.
    """
    lying = [each for each in found if each[1][2] < -_LYING and each[0] >= _HALF * largest]
    fitting = lying or [each for each in found if each[0] >= _AS_GOOD * largest]
    return min(fitting, key=lambda each: float(each[1][2]))


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
