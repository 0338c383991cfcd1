"""Triangles that cut through each other without sharing a vertex.

Candidates come from a tree of boxes over the faces in Morton order. Two faces cross when an edge of one
passes through the other with its ends on opposite sides of it, both farther away than a tolerance, or
when they lie in one plane within the tolerance and overlap by more than it. So mere touching does not
count, nor what storage as 32-bit numbers makes of it. Tests also heed their own rounding error (static
filter after Shewchuk 1997).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from qa.geometry.kernels import compiled
from qa.geometry.mesh import FloatArray, IndexArray, Mesh
from qa.geometry.threads import side_by_side
from qa.geometry.topology import Topology

_LEAF = 4
_NEAR_SHARE = 1e-8
_EPS = 2.0**-53
_ORIENT_BOUND = (7.0 + 56.0 * _EPS) * _EPS * 4.0
_MAX_PAIRS = 50_000
_SHARES = 8
# Work allowed: a box test counts one, a pair whose boxes overlap ten. Sound meshes take some 100 per face.
_WORK_AT_LEAST, _WORK_PER_FACE, _WORK_AT_MOST = 20_000_000, 600, 2_500_000_000
_PAIR_WORK = 10


@dataclass(frozen=True, eq=False)
class Crossings:
    """``pairs`` of crossing faces, ``between_bodies`` of them from two bodies; ``faces`` the first some.

    ``complete`` is false when the search stopped at its bound, so that there may be more.
    """

    pairs: int
    between_bodies: int
    complete: bool
    faces: IndexArray


@compiled()
def _spread(value: np.uint64) -> np.uint64:
    """Put two zero bits between the 21 low bits."""
    value &= np.uint64(0x1FFFFF)
    value = (value | (value << np.uint64(32))) & np.uint64(0x1F00000000FFFF)
    value = (value | (value << np.uint64(16))) & np.uint64(0x1F0000FF0000FF)
    value = (value | (value << np.uint64(8))) & np.uint64(0x100F00F00F00F00F)
    value = (value | (value << np.uint64(4))) & np.uint64(0x10C30C30C30C30C3)
    return (value | (value << np.uint64(2))) & np.uint64(0x1249249249249249)


@compiled()
def _morton(vertices: FloatArray, faces: IndexArray, low: FloatArray, scale: float) -> NDArray[np.uint64]:
    codes = np.zeros(len(faces), np.uint64)
    for face in range(len(faces)):
        code = np.uint64(0)
        for axis in range(3):
            a = vertices[faces[face, 0], axis]
            b = vertices[faces[face, 1], axis]
            c = vertices[faces[face, 2], axis]
            place = np.uint64(((min(a, b, c) + max(a, b, c)) * 0.5 - low[axis]) * scale)
            code |= _spread(place) << np.uint64(axis)
        codes[face] = code
    return codes


@compiled()
def _boxes(vertices: FloatArray, faces: IndexArray, order: IndexArray, leaves: int) -> FloatArray:
    """Boxes of a full binary tree stored as a heap: node 1 is the root, leaf k is node leaves + k."""
    boxes = np.zeros((2 * leaves, 6))
    for leaf in range(leaves):
        box = boxes[leaves + leaf]
        box[:3] = np.inf
        box[3:] = -np.inf
        for place in range(leaf * _LEAF, min((leaf + 1) * _LEAF, len(order))):
            for corner in range(3):
                vertex = faces[order[place], corner]
                for axis in range(3):
                    value = vertices[vertex, axis]
                    box[axis] = min(box[axis], value)
                    box[axis + 3] = max(box[axis + 3], value)
    for node in range(leaves - 1, 0, -1):
        for axis in range(3):
            boxes[node, axis] = min(boxes[2 * node, axis], boxes[2 * node + 1, axis])
            boxes[node, axis + 3] = max(boxes[2 * node, axis + 3], boxes[2 * node + 1, axis + 3])
    return boxes


@compiled()
def _apart(boxes: FloatArray, one: int, other: int) -> bool:
    return bool(
        boxes[one, 0] > boxes[other, 3]
        or boxes[other, 0] > boxes[one, 3]
        or boxes[one, 1] > boxes[other, 4]
        or boxes[other, 1] > boxes[one, 4]
        or boxes[one, 2] > boxes[other, 5]
        or boxes[other, 2] > boxes[one, 5]
    )


@compiled()
def _side(vertices: FloatArray, a: int, b: int, c: int, d: int, slack: float) -> int:
    """On which side of the plane through a, b and c point d lies: -1, 1, or 0 when too near to tell.

    ``slack`` is the volume (six times a tetrahedron's) that still counts as near; 0 leaves rounding alone.
    """
    ux, uy, uz = (
        vertices[a, 0] - vertices[d, 0], vertices[a, 1] - vertices[d, 1], vertices[a, 2] - vertices[d, 2]
    )  # fmt: skip
    vx, vy, vz = (
        vertices[b, 0] - vertices[d, 0], vertices[b, 1] - vertices[d, 1], vertices[b, 2] - vertices[d, 2]
    )  # fmt: skip
    wx, wy, wz = (
        vertices[c, 0] - vertices[d, 0], vertices[c, 1] - vertices[d, 1], vertices[c, 2] - vertices[d, 2]
    )  # fmt: skip
    vw, wv = vx * wy, wx * vy
    wu, uw = wx * uy, ux * wy
    uv, vu = ux * vy, vx * uy
    value = uz * (vw - wv) + vz * (wu - uw) + wz * (uv - vu)
    size = (abs(vw) + abs(wv)) * abs(uz) + (abs(wu) + abs(uw)) * abs(vz) + (abs(uv) + abs(vu)) * abs(wz)
    near = max(_ORIENT_BOUND * size, slack)
    if value > near:
        return 1
    if value < -near:
        return -1
    return 0


@compiled()
def _edge_pierces(vertices: FloatArray, p: int, q: int, a: int, b: int, c: int) -> bool:
    """Whether the edge from p to q, known to straddle the plane, passes through triangle a, b, c."""
    one = _side(vertices, p, q, a, b, 0.0)
    two = _side(vertices, p, q, b, c, 0.0)
    three = _side(vertices, p, q, c, a, 0.0)
    up = one >= 0 and two >= 0 and three >= 0
    down = one <= 0 and two <= 0 and three <= 0
    return (up or down) and abs(one) + abs(two) + abs(three) >= 2


@compiled()
def _pierced(vertices: FloatArray, one: IndexArray, other: IndexArray, sides: IndexArray) -> bool:
    """Whether an edge of ``one``, whose corners lie on ``sides`` of ``other``, passes through ``other``."""
    for corner in range(3):
        after = (corner + 1) % 3
        if sides[corner] * sides[after] < 0 and _edge_pierces(
            vertices, one[corner], one[after], other[0], other[1], other[2]
        ):
            return True
    return False


@compiled()
def _overlap_flat(vertices: FloatArray, one: IndexArray, other: IndexArray, near_mm: float) -> bool:
    """Whether two triangles of one plane overlap by more than touching (separating axes in 2-D)."""
    u = vertices[one[1]] - vertices[one[0]]
    v = vertices[one[2]] - vertices[one[0]]
    normal = np.abs(np.cross(u, v))
    drop = 0
    if normal[1] > normal[drop]:
        drop = 1
    if normal[2] > normal[drop]:
        drop = 2
    if normal[drop] == 0.0:
        return False
    i, j = (drop + 1) % 3, (drop + 2) % 3
    for turn in range(2):
        corners = one if turn == 0 else other
        for corner in range(3):
            p, q = corners[corner], corners[(corner + 1) % 3]
            nx = vertices[q, j] - vertices[p, j]
            ny = vertices[p, i] - vertices[q, i]
            low_1, high_1, low_2, high_2 = np.inf, -np.inf, np.inf, -np.inf
            for place in range(3):
                reach = (vertices[one[place], i] - vertices[p, i]) * nx
                reach += (vertices[one[place], j] - vertices[p, j]) * ny
                low_1, high_1 = min(low_1, reach), max(high_1, reach)
                reach = (vertices[other[place], i] - vertices[p, i]) * nx
                reach += (vertices[other[place], j] - vertices[p, j]) * ny
                low_2, high_2 = min(low_2, reach), max(high_2, reach)
            slack = near_mm * np.sqrt(nx * nx + ny * ny)
            if high_1 <= low_2 + slack or high_2 <= low_1 + slack:
                return False
    return True


@compiled()
def _twice_area(vertices: FloatArray, face: IndexArray) -> float:
    square = 0.0
    for axis in range(3):
        i, j = (axis + 1) % 3, (axis + 2) % 3
        part = (vertices[face[1], i] - vertices[face[0], i]) * (vertices[face[2], j] - vertices[face[0], j])
        part -= (vertices[face[1], j] - vertices[face[0], j]) * (vertices[face[2], i] - vertices[face[0], i])
        square += part * part
    return float(np.sqrt(square))


@compiled()
def faces_cross(vertices: FloatArray, one: IndexArray, other: IndexArray, near_mm: float) -> bool:
    """Whether two triangles, given as vertex triples, cross; sharing a vertex is not crossing.

    What is nearer than ``near_mm`` touches.
    """
    for i in range(3):
        for j in range(3):
            if one[i] == other[j]:
                return False
    sides = np.zeros(3, np.int32)
    slack = near_mm * _twice_area(vertices, other)
    for corner in range(3):
        sides[corner] = _side(vertices, other[0], other[1], other[2], one[corner], slack)
    if (sides[0] > 0 and sides[1] > 0 and sides[2] > 0) or (sides[0] < 0 and sides[1] < 0 and sides[2] < 0):
        return False
    flat = sides[0] == 0 and sides[1] == 0 and sides[2] == 0
    back = np.zeros(3, np.int32)
    slack = near_mm * _twice_area(vertices, one)
    for corner in range(3):
        back[corner] = _side(vertices, one[0], one[1], one[2], other[corner], slack)
    if (back[0] > 0 and back[1] > 0 and back[2] > 0) or (back[0] < 0 and back[1] < 0 and back[2] < 0):
        return False
    if flat and back[0] == 0 and back[1] == 0 and back[2] == 0:
        return _overlap_flat(vertices, one, other, near_mm)
    return _pierced(vertices, one, other, sides) or _pierced(vertices, other, one, back)


@compiled()
def _face_boxes_apart(vertices: FloatArray, one: IndexArray, other: IndexArray) -> bool:
    for axis in range(3):
        a, b, c = vertices[one[0], axis], vertices[one[1], axis], vertices[one[2], axis]
        d, e, f = vertices[other[0], axis], vertices[other[1], axis], vertices[other[2], axis]
        if min(a, b, c) > max(d, e, f) or min(d, e, f) > max(a, b, c):
            return True
    return False


@compiled()
def _search(
    vertices: FloatArray,
    faces: IndexArray,
    body: IndexArray,
    order: IndexArray,
    boxes: FloatArray,
    first: int,
    last: int,
    tests_allowed: int,
    near_mm: float,
    found: IndexArray,
) -> tuple[int, int, bool]:
    """Count crossing pairs of some leaves with later ones: (pairs, between bodies, complete).

    The first pairs land in ``found``.
    """
    leaves = len(boxes) // 2
    stack = np.zeros(128, np.int64)
    pairs = 0
    between = 0
    tests = 0
    for leaf in range(first, last):
        depth = 1
        stack[0] = 1
        while depth > 0:
            depth -= 1
            node = stack[depth]
            tests += 1
            if _apart(boxes, leaves + leaf, node):
                continue
            last = node
            while last < leaves:
                last = 2 * last + 1
            if last - leaves < leaf:
                continue
            if node < leaves:
                stack[depth] = 2 * node
                stack[depth + 1] = 2 * node + 1
                depth += 2
                continue
            for place in range(leaf * _LEAF, min((leaf + 1) * _LEAF, len(order))):
                one = faces[order[place]]
                begin = max((node - leaves) * _LEAF, place + 1)
                for mate in range(begin, min((node - leaves + 1) * _LEAF, len(order))):
                    other = faces[order[mate]]
                    tests += 1
                    if _face_boxes_apart(vertices, one, other):
                        continue
                    tests += _PAIR_WORK
                    if not faces_cross(vertices, one, other, near_mm):
                        continue
                    if pairs < len(found):
                        found[pairs, 0] = order[place]
                        found[pairs, 1] = order[mate]
                    pairs += 1
                    between += body[order[place]] != body[order[mate]]
            if pairs >= _MAX_PAIRS or tests > tests_allowed:
                return pairs, between, False
    return pairs, between, True


def find_crossings(
    mesh: Mesh, topology: Topology, *, near_mm: float | None = None, keep: int = 2000
) -> Crossings:
    """Count the pairs of faces that cross; bounded work, so a hostile mesh cannot hang it.

    ``near_mm`` is the depth up to which surfaces only touch; a hundred-millionth of the mesh's longest
    side when not given. ``keep`` is how many pairs come back by face number. Collapsed faces take no part.
    """
    sound = np.flatnonzero(topology.body >= 0).astype(np.int32)
    if len(sound) == 0:
        return Crossings(pairs=0, between_bodies=0, complete=True, faces=np.zeros((0, 2), np.int32))
    faces = mesh.faces[sound] if len(sound) < len(mesh.faces) else mesh.faces
    low = mesh.vertices.min(axis=0)
    extent = float((mesh.vertices.max(axis=0) - low).max())
    near = extent * _NEAR_SHARE if near_mm is None else near_mm
    codes = _morton(mesh.vertices, faces, low, (2**21 - 1) / max(extent, 1e-300))
    order = np.argsort(codes, kind="stable").astype(np.int32)
    leaves = 1
    while leaves * _LEAF < len(order):
        leaves *= 2
    boxes = _boxes(mesh.vertices, faces, order, leaves)
    allowed = min(_WORK_AT_LEAST + _WORK_PER_FACE * len(order), _WORK_AT_MOST)
    used = (len(order) + _LEAF - 1) // _LEAF
    shares = max(1, min(_SHARES, used // 256))
    edges = [used * share // shares for share in range(shares + 1)]
    results: dict[int, tuple[int, int, bool, IndexArray]] = {}

    def work(share: int) -> None:
        found = np.zeros((keep, 2), np.int32)
        pairs, between, complete = _search(
            mesh.vertices, faces, topology.body[sound], order, boxes,
            edges[share], edges[share + 1], allowed // shares, near, found,
        )  # fmt: skip
        results[share] = (int(pairs), int(between), bool(complete), found[: min(int(pairs), keep)])

    side_by_side([partial(work, share) for share in range(shares)])
    parts = [results[share] for share in range(shares)]
    return Crossings(
        pairs=sum(part[0] for part in parts),
        between_bodies=sum(part[1] for part in parts),
        complete=all(part[2] for part in parts),
        faces=sound[np.vstack([part[3] for part in parts])[:keep]],
    )
