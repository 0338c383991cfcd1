"""A bounding-volume tree over triangles: exact closest points, signed distances and rays.

The tree is a complete binary tree in level order (children of node i are 2 i + 1 and 2 i + 2), split at
the median of the triangles' centroids along the longest side, with boxes in single precision rounded
outward and triangles in double precision, stored in leaf order. Within a leaf, the planes of a triangle
and of its three sides bound its distance from below. Closest points are exact to double rounding; boxes
and planes only decide what may be skipped.

Signs follow J. A. Baerentzen and H. Aanaes, "Signed distance computation using the angle weighted
pseudonormal", IEEE Transactions on Visualization and Computer Graphics 11(3), 2005. Where the nearest
feature is an edge or vertex on a border of the surface the sign means nothing; those points are flagged.

Rays follow S. Woop, C. Benthin and I. Wald, "Watertight ray/triangle intersection", Journal of Computer
Graphics Techniques 2(1), 2013: a ray through a shared edge never slips between its two triangles.

Queries run on all cores through ``threads``: safe in forked workers and in several threads at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from qa.geometry import ray_kernels
from qa.geometry import tree_kernels as kernels
from qa.geometry.errors import GeometryError
from qa.geometry.mesh import FloatArray, IndexArray, Mesh
from qa.geometry.threads import in_shares, side_by_side, thread_count

FACE, EDGE_AB, EDGE_BC, EDGE_CA, VERTEX_A, VERTEX_B, VERTEX_C = range(7)
NOTHING = -1

# Squared distances up to this far apart fit single precision with room to spare.
FARTHEST_MM = 1e15

_LARGEST_LEAF = 4
_SORT_FROM = 2_000

Bools = NDArray[np.bool_]
Codes = NDArray[np.int8]


@dataclass(frozen=True, eq=False)
class TriangleTree:
    """What ``build`` makes and every query takes; the arrays are read-only in spirit.

    ``corners`` m x 3 x 3 float64 in leaf order, ``face_of`` m int32 from leaf order to the mesh's faces,
    ``boxes`` nodes x 6 float32 (low corner, high corner), ``leaf_start`` leaves + 1, ``thin`` m flags of
    triangles so narrow that their plane means nothing, ``around_start`` and ``around`` the faces round
    each vertex (compressed rows), ``reach_mm`` the largest coordinate.
    """

    mesh: Mesh
    corners: FloatArray
    face_of: IndexArray
    boxes: NDArray[np.float32]
    leaf_start: IndexArray
    thin: Bools
    around_start: IndexArray
    around: IndexArray
    levels: int
    reach_mm: float

    @cached_property
    def fences(self) -> NDArray[np.float32]:
        """The planes that bound a triangle's distance from below, m x 16; made for the first closest point.

        Rays do without them, and they take more memory than the mesh.
        """
        fences = np.zeros((len(self.corners), 16), dtype=np.float32)
        in_shares(lambda start, end: kernels.fences(self.corners, self.thin, fences, start, end), len(fences))
        return fences


@dataclass(frozen=True, eq=False)
class Closest:
    """Nearest place of the surface for each of n points.

    ``point`` n x 3 mm, ``distance`` n mm (unsigned), ``face`` n int32 (index into the mesh's faces, -1
    when nothing lies within the largest distance asked for), ``feature`` n int8: ``FACE``, ``EDGE_AB``
    (between corners 0 and 1), ``EDGE_BC``, ``EDGE_CA``, ``VERTEX_A`` (corner 0), ``VERTEX_B``,
    ``VERTEX_C``.
    """

    point: FloatArray
    distance: FloatArray
    face: IndexArray
    feature: Codes


@dataclass(frozen=True, eq=False)
class Signed:
    """Signed distances of n points, positive outside.

    ``distance`` n mm; ``normal`` n x 3, the unit pseudonormal at the nearest place (zero where every
    face round it is degenerate); ``border`` n flags: the nearest feature lies on a border, so the sign
    means nothing there and the point must be masked and counted.
    """

    point: FloatArray
    distance: FloatArray
    face: IndexArray
    feature: Codes
    normal: FloatArray
    border: Bools


@dataclass(frozen=True, eq=False)
class Hits:
    """All hits of n rays: those of ray i are ``start[i]:start[i + 1]``, nearest first."""

    start: NDArray[np.int64]
    distance: FloatArray
    face: IndexArray


def build(mesh: Mesh) -> TriangleTree:
    """Build the tree of a mesh with at least one triangle.

    Raises ``GeometryError``: ``empty`` without triangles, ``not_finite`` on a coordinate that is not a
    number, ``absurd`` on one beyond ``FARTHEST_MM``, ``bad_index`` when a face names a vertex that does not
    exist.
    """
    vertices = np.ascontiguousarray(mesh.vertices, dtype=np.float64)
    faces = np.ascontiguousarray(mesh.faces, dtype=np.int32)
    count = len(faces)
    _refuse_unusable(vertices, faces)
    levels = 0
    while -(-count // (1 << levels)) > _LARGEST_LEAF:
        levels += 1
    leaves = 1 << levels
    centres = np.zeros((count, 3), dtype=np.float32)
    in_shares(lambda start, end: kernels.centres(vertices, faces, centres, start, end), count)
    face_of = np.arange(count, dtype=np.int32)
    leaf_start = np.full(leaves + 1, count, dtype=np.int32)
    _split(centres, face_of, leaf_start, levels)
    corners = np.zeros((count, 3, 3))
    thin = np.zeros(count, dtype=np.bool_)
    boxes = np.zeros((2 * leaves - 1, 6), dtype=np.float32)
    _fill(vertices, faces, face_of, leaf_start, corners, thin, boxes)
    around_start, around = kernels.faces_around(faces, len(vertices))
    return TriangleTree(
        Mesh(vertices, faces), corners, face_of, boxes, leaf_start, thin, around_start, around, levels,
        float(max(vertices.max(), -vertices.min())),
    )  # fmt: skip


def vertex_normals(tree: TriangleTree, face_normals: FloatArray) -> FloatArray:
    """Unit angle-weighted normal of every vertex, n x 3, from its faces' unit normals (m x 3); zero where no
    face gives one."""
    mesh = tree.mesh
    normals = np.zeros_like(mesh.vertices)
    in_shares(
        lambda start, end: kernels.vertex_normals(
            mesh.vertices, mesh.faces, face_normals, tree.around_start, tree.around, normals, start, end
        ),
        len(normals),
        smallest=4_096,
    )
    return normals


def _fill(
    vertices: FloatArray, faces: IndexArray, face_of: IndexArray, leaf_start: IndexArray,
    corners: FloatArray, thin: Bools, boxes: NDArray[np.float32],
) -> None:  # fmt: skip
    """Corners in leaf order, thin flags and boxes."""
    leaves = len(leaf_start) - 1
    in_shares(
        lambda start, end: kernels.gather(vertices, faces, face_of, corners, thin, start, end), len(faces)
    )
    in_shares(lambda start, end: kernels.leaf_boxes(corners, leaf_start, boxes, leaves, start, end), leaves)
    kernels.inner_boxes(boxes, leaves)


def _refuse_unusable(vertices: FloatArray, faces: IndexArray) -> None:
    if len(faces) == 0 or len(vertices) == 0:
        raise GeometryError("empty", "The mesh has no triangles; export it again.")
    if not kernels.all_finite(vertices):
        raise GeometryError("not_finite", "The mesh has a coordinate that is not a number; export it again.")
    _refuse_absurd(vertices)
    if faces.min() < 0 or faces.max() >= len(vertices):
        raise GeometryError("bad_index", "The mesh names a corner that it does not have; export it again.")


def _refuse_absurd(points: FloatArray) -> None:
    if len(points) and max(points.max(), -points.min()) > FARTHEST_MM:
        raise GeometryError(
            "absurd", "A coordinate is no place on a part: the file is damaged; export it again."
        )


def _split(centres: NDArray[np.float32], face_of: IndexArray, leaf_start: IndexArray, levels: int) -> None:
    """Order the faces into leaves; the upper levels here, the subtrees below them side by side."""
    shared = min(levels, 2) if thread_count() > 1 and len(face_of) > 10_000 else 0
    pending = [(0, 0, len(face_of))]
    for _ in range(shared):
        below = []
        for node, start, end in pending:
            middle = kernels.split_once(centres, face_of, start, end)
            below += [(2 * node + 1, start, middle), (2 * node + 2, middle, end)]
        pending = below

    def subtree(node: int, start: int, end: int) -> None:
        kernels.split_below(centres, face_of, leaf_start, node, start, end, levels)

    side_by_side([lambda job=job: subtree(*job) for job in pending])  # type: ignore[misc]


def closest(tree: TriangleTree, points: FloatArray, *, largest_distance: float = np.inf) -> Closest:
    """Nearest place of the surface for each point (n x 3, mm), exact, unsigned."""
    points = _points(points)
    near, order, fences = _room(len(points)), near_order(points), tree.fences
    in_shares(
        lambda start, end: kernels.closest(
            tree.corners, tree.face_of, tree.boxes, fences, tree.leaf_start, tree.thin, tree.levels,
            tree.reach_mm, points, order, float(largest_distance), near.point, near.distance, near.face,
            near.feature, start, end,
        ),
        len(points),
    )  # fmt: skip
    return near


def signed(
    tree: TriangleTree, points: FloatArray, *, largest_distance: float = np.inf, ordered: bool = False
) -> Signed:
    """Signed distance of each point (n x 3, mm), positive outside, with the border flag.

    Points with nothing within ``largest_distance`` get an infinite distance and face -1. ``ordered``: points
    that follow each other are near each other already, so that none is sought from afar.
    """
    points = _points(points)
    near, fences = _room(len(points)), tree.fences
    order = np.arange(len(points), dtype=np.int32) if ordered else near_order(points)
    normal = np.zeros((len(points), 3))
    border = np.zeros(len(points), dtype=np.bool_)
    in_shares(
        lambda start, end: kernels.signed(
            tree.corners, tree.face_of, tree.boxes, fences, tree.leaf_start, tree.thin, tree.levels,
            tree.reach_mm, tree.mesh.vertices, tree.mesh.faces, tree.around_start, tree.around, points, order,
            float(largest_distance), near.point, near.distance, near.face, near.feature, normal, border,
            start, end,
        ),
        len(points),
    )  # fmt: skip
    return Signed(near.point, near.distance, near.face, near.feature, normal, border)


def _room(count: int) -> Closest:
    """Room for the nearest places of ``count`` points, nothing near any of them yet."""
    return Closest(
        np.full((count, 3), np.nan),
        np.full(count, np.inf),
        np.full(count, NOTHING, dtype=np.int32),
        np.zeros(count, dtype=np.int8),
    )


def first_hit(
    tree: TriangleTree,
    origins: FloatArray,
    directions: FloatArray,
    min_distance: float = 0.0,
    *,
    ignore_face: IndexArray | None = None,
) -> tuple[FloatArray, IndexArray]:
    """Nearest hit of each ray beyond ``min_distance``: distances (n, mm; inf = none), faces (n, -1 = none).

    ``origins`` and ``directions`` n x 3; a direction need not have unit length, distances are in mm all
    the same. ``ignore_face`` (n int32) names one face that each ray passes through, such as the one it
    starts from; -1 ignores none. A zero direction hits nothing.
    """
    origins, directions = _rays(origins, directions)
    count = len(origins)
    skipped = _skipped(ignore_face, count)
    order = near_order(origins)
    distance = np.full(count, np.inf)
    face = np.full(count, NOTHING, dtype=np.int32)
    in_shares(
        lambda start, end: ray_kernels.first_hits(
            tree.corners, tree.face_of, tree.boxes, tree.leaf_start, tree.levels, origins, directions,
            float(min_distance), skipped, order, distance, face, start, end,
        ),
        count,
    )  # fmt: skip
    return distance, face


def all_hits(
    tree: TriangleTree, origins: FloatArray, directions: FloatArray, min_distance: float = 0.0
) -> Hits:
    """Every hit of each ray beyond ``min_distance``, nearest first.

    A ray through a shared edge or vertex may report more than one of the faces that meet there, at the
    same distance.
    """
    origins, directions = _rays(origins, directions)
    count = len(origins)
    order = near_order(origins)
    start_of = np.zeros(count + 1, dtype=np.int64)
    nothing, no_face = np.zeros(0), np.zeros(0, dtype=np.int32)

    def run(distance: FloatArray, face: IndexArray, *, fill: int) -> None:
        in_shares(
            lambda start, end: ray_kernels.every_hit(
                tree.corners, tree.face_of, tree.boxes, tree.leaf_start, tree.levels, origins, directions,
                float(min_distance), order, start_of, distance, face, fill, start, end,
            ),
            count,
        )  # fmt: skip

    run(nothing, no_face, fill=0)
    np.cumsum(start_of, out=start_of)
    distance = np.zeros(start_of[-1])
    face = np.zeros(start_of[-1], dtype=np.int32)
    run(distance, face, fill=1)
    return Hits(start_of, distance, face)


def near_order(points: FloatArray) -> IndexArray:
    """An order in which neighbours in space follow each other (a Morton curve of 1024 cells a side)."""
    if len(points) < _SORT_FROM:
        return np.arange(len(points), dtype=np.int32)
    order: IndexArray = kernels.morton_order(points)
    return order


def _points(points: FloatArray) -> FloatArray:
    points = np.ascontiguousarray(points, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 3:
        raise ValueError("points must be n x 3")
    if not kernels.all_finite(points):
        raise GeometryError("not_finite", "A point to measure has a coordinate that is not a number.")
    _refuse_absurd(points)
    return points


def _rays(origins: FloatArray, directions: FloatArray) -> tuple[FloatArray, FloatArray]:
    origins, directions = _points(origins), _points(directions)
    if len(origins) != len(directions):
        raise ValueError("as many directions as origins are needed")
    lengths = np.linalg.norm(directions, axis=1, keepdims=True)
    return origins, directions / np.where(lengths > 0, lengths, 1.0)


def _skipped(ignore_face: IndexArray | None, count: int) -> IndexArray:
    if ignore_face is None:
        return np.full(count, NOTHING, dtype=np.int32)
    skipped = np.ascontiguousarray(ignore_face, dtype=np.int32)
    if skipped.shape != (count,):
        raise ValueError("ignore_face must name one face per ray")
    return skipped
