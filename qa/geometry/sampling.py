"""Points on a surface that do not depend on how it is cut into triangles.

Parallel lines on a square grid are sent through the surface along each of the three axes; every crossing
is a sample. A patch of area A with unit normal n meets A (|nx| + |ny| + |nz|) / spacing^2 lines on average,
so each crossing stands for spacing^2 / (|nx| + |ny| + |nz|) of area. Each line is displaced within its
cell by a fixed hash of the cell, so that no regular structure of the surface falls in step with the grid.
Subdividing or re-triangulating the surface leaves the crossings where they were.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from qa.geometry.errors import GeometryError
from qa.geometry.kernels import compiled
from qa.geometry.mesh import FloatArray, IndexArray, Mesh
from qa.geometry.threads import in_shares, side_by_side
from qa.geometry.tree import near_order

Array = Any

MOST_SAMPLES = 1_500_000
FEWEST_SAMPLES = 5_000


@dataclass(frozen=True, eq=False)
class Samples:
    """n surface samples: ``points`` and unit ``normals`` n x 3, ``weights`` n (mm2 each stands for),
    ``face`` n int32, and the ``spacing_mm`` of the lines; ``ordered``: neighbours follow each other."""

    points: FloatArray
    normals: FloatArray
    weights: FloatArray
    face: IndexArray
    spacing_mm: float
    ordered: bool = False

    def __len__(self) -> int:
        return len(self.points)

    def pick(self, chosen: Any) -> Samples:
        """The samples chosen by an index or a mask; a mask keeps their order."""
        return Samples(
            self.points[chosen],
            self.normals[chosen],
            self.weights[chosen],
            self.face[chosen],
            self.spacing_mm,
            self.ordered and np.asarray(chosen).dtype == np.bool_,
        )

    def thin_out(self, count: int, *, seed: int = 0) -> Samples:
        """About ``count`` samples spread evenly by area, the same for the same seed.

        Picks at even steps of the area summed along a Morton curve; each pick stands for the same area.
        """
        if len(self) <= count:
            return self
        order = None if self.ordered else near_order(self.points)
        summed = np.cumsum(self.weights if order is None else self.weights[order])
        step = summed[-1] / count
        start = np.random.default_rng(seed).uniform(0.0, step)
        chosen = np.searchsorted(summed, start + step * np.arange(count))
        chosen = np.minimum(chosen[np.diff(chosen, prepend=-1) > 0], len(self) - 1)
        picked = self.pick(chosen if order is None else order[chosen])
        return replace(picked, weights=np.full(len(picked), step), ordered=True)


def face_normals_and_areas(mesh: Mesh) -> tuple[FloatArray, FloatArray]:
    """Unit normals m x 3 (zero for degenerate faces) and areas m in mm2."""
    vertices = np.ascontiguousarray(mesh.vertices, dtype=np.float64)
    faces = np.ascontiguousarray(mesh.faces, dtype=np.int32)
    normals, areas = np.zeros((len(faces), 3)), np.zeros(len(faces))
    in_shares(
        lambda start, end: _normals_and_areas(vertices, faces, normals, areas, start, end),
        len(faces),
        smallest=8_192,
    )
    return normals, areas


def sample_surface(
    mesh: Mesh,
    spacing_mm: float = 0.25,
    *,
    most: int = MOST_SAMPLES,
    known: tuple[FloatArray, FloatArray] | None = None,
    ordered: bool = False,
) -> Samples:
    """Sample a surface at a fixed density of about 1.5 / spacing_mm^2 points per mm2.

    The spacing grows where more than ``most`` samples would come out and shrinks for surfaces so small that
    fewer than ``FEWEST_SAMPLES`` would (the result says which spacing was used). ``known``: the faces'
    normals and areas, where they were found before; ``ordered``: along a Morton curve, so that they are
    thinned out and measured without sorting again.
    Raises ``GeometryError`` ``no_area`` when the surface has none.
    """
    normals, areas = known if known is not None else face_normals_and_areas(mesh)
    lean = np.abs(normals)
    reach = lean[:, 0] + lean[:, 1] + lean[:, 2]
    crossings = float(areas @ reach)
    if not np.isfinite(crossings) or crossings <= 0.0:
        raise GeometryError("no_area", "The mesh has no surface area; export it again.")
    spacing = max(spacing_mm, float(np.sqrt(crossings / most)))
    spacing = min(spacing, float(np.sqrt(crossings / min(FEWEST_SAMPLES, most))))
    vertices = np.ascontiguousarray(mesh.vertices, dtype=np.float64)
    faces = np.ascontiguousarray(mesh.faces, dtype=np.int32)
    shares = [(axis, half) for axis in range(3) for half in range(2)]
    parts: list[tuple[Array, Array]] = [(np.zeros((0, 3)), np.zeros(0, dtype=np.int32))] * len(shares)

    def along(number: int) -> None:
        axis, half = shares[number]
        first, last = len(faces) * half // 2, len(faces) * (half + 1) // 2
        expected = areas[first:last] @ lean[first:last, axis] / spacing**2
        room = int(1.2 * expected) + 10_000
        points, face, count = _crossings(vertices, faces, first, last, axis, spacing, room)
        if count > room:
            points, face, count = _crossings(vertices, faces, first, last, axis, spacing, count)
        parts[number] = (points[:count], face[:count])

    side_by_side([lambda number=number: along(number) for number in range(len(shares))])  # type: ignore[misc]
    points = np.concatenate([part[0] for part in parts])
    face = np.concatenate([part[1] for part in parts])
    if len(points) == 0:
        raise GeometryError("no_area", "The mesh is too small to measure; check its unit.")
    if ordered:
        order = near_order(points)
        points, face = points[order], face[order]
    return Samples(points, normals[face], spacing**2 / reach[face].clip(1e-300), face, spacing, ordered)


@compiled()
def _normals_and_areas(
    vertices: Array, faces: Array, normals: Array, areas: Array, start: int, end: int
) -> None:
    for f in range(start, end):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ux, uy, uz = (
            vertices[b, 0] - vertices[a, 0],
            vertices[b, 1] - vertices[a, 1],
            vertices[b, 2] - vertices[a, 2],
        )
        vx, vy, vz = (
            vertices[c, 0] - vertices[a, 0],
            vertices[c, 1] - vertices[a, 1],
            vertices[c, 2] - vertices[a, 2],
        )
        x, y, z = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        length = math.sqrt(x * x + y * y + z * z)
        areas[f] = 0.5 * length
        if length > 0.0:
            normals[f, 0], normals[f, 1], normals[f, 2] = x / length, y / length, z / length


@compiled()
def _jitter(i: int, j: int, axis: int) -> tuple[float, float]:
    """Two fixed numbers in 0..1 for a grid cell (an integer hash)."""
    h = np.uint64(i * 73856093 ^ j * 19349663 ^ (axis + 1) * 83492791)
    h = (h ^ (h >> np.uint64(31))) * np.uint64(0x7FB5D329728EA185)
    h = (h ^ (h >> np.uint64(27))) * np.uint64(0x81DADEF4BC2DD44D)
    h = h ^ (h >> np.uint64(33))
    low = np.float64(h & np.uint64(0xFFFFFF)) / 16777216.0
    high = np.float64((h >> np.uint64(32)) & np.uint64(0xFFFFFF)) / 16777216.0
    return low, high


@compiled()
def _span(
    ax: float, ay: float, bx: float, by: float, cx: float, cy: float, left: float, right: float
) -> tuple[float, float]:
    """Least and largest y of the triangle's sides within left <= x <= right: bounds work on long slivers."""
    low, high = np.inf, -np.inf
    for side in range(3):
        if side == 0:
            x0, y0, x1, y1 = ax, ay, bx, by
        elif side == 1:
            x0, y0, x1, y1 = bx, by, cx, cy
        else:
            x0, y0, x1, y1 = cx, cy, ax, ay
        if x0 > x1:
            x0, y0, x1, y1 = x1, y1, x0, y0
        if x1 < left or x0 > right:
            continue
        slope = (y1 - y0) / (x1 - x0) if x1 > x0 else 0.0
        at_left = y0 + slope * (max(left, x0) - x0)
        at_right = y0 + slope * (min(right, x1) - x0) if x1 > x0 else y1
        low = min(low, at_left, at_right)
        high = max(high, at_left, at_right)
    return low, high


@compiled()
def _crossings(
    vertices: Array, faces: Array, first: int, last: int, axis: int, spacing: float, room: int
) -> tuple[Array, Array, int]:
    """Crossings of the lines along one axis with the triangles first..last; counts on when ``room`` runs
    out."""
    one, two = (axis + 1) % 3, (axis + 2) % 3
    points = np.zeros((room, 3))
    face = np.zeros(room, dtype=np.int32)
    count = 0
    for f in range(first, last):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ax, ay = vertices[a, one], vertices[a, two]
        bx, by = vertices[b, one], vertices[b, two]
        cx, cy = vertices[c, one], vertices[c, two]
        whole = (bx - ax) * (cy - ay) - (cx - ax) * (by - ay)
        if whole == 0.0:
            continue
        first_i = int(np.floor(min(ax, bx, cx) / spacing))
        last_i = int(np.floor(max(ax, bx, cx) / spacing))
        first_j = int(np.floor(min(ay, by, cy) / spacing))
        last_j = int(np.floor(max(ay, by, cy) / spacing))
        for i in range(first_i, last_i + 1):
            low_j, high_j = first_j, last_j
            if (last_i - first_i) * (last_j - first_j) > 64:
                low_y, high_y = _span(ax, ay, bx, by, cx, cy, i * spacing, (i + 1) * spacing)
                low_j = max(first_j, int(np.floor(low_y / spacing)))
                high_j = min(last_j, int(np.floor(high_y / spacing)))
            for j in range(low_j, high_j + 1):
                du, dv = _jitter(i, j, axis)
                x, y = (i + du) * spacing, (j + dv) * spacing
                u = ((bx - x) * (cy - y) - (cx - x) * (by - y)) / whole
                v = ((cx - x) * (ay - y) - (ax - x) * (cy - y)) / whole
                w = 1.0 - u - v
                if u < 0.0 or v < 0.0 or w < 0.0:
                    continue
                if count < room:
                    points[count, one], points[count, two] = x, y
                    points[count, axis] = (
                        u * vertices[a, axis] + v * vertices[b, axis] + w * vertices[c, axis]
                    )
                    face[count] = f
                count += 1
    return points, face, count
