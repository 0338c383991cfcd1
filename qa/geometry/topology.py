"""How triangles hang together: twins over edges, open and branching edges, bodies.

A half-edge is numbered 3 x face + corner and runs from that corner to the next. Faces that name a
vertex twice are *collapsed* and take no part, so that their neighbours meet.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qa.geometry.kernels import compiled
from qa.geometry.mesh import FloatArray, IndexArray, Mesh

_SORT_FROM = 24


@dataclass(frozen=True, eq=False)
class Topology:
    """Connections of a mesh with m faces.

    ``twin`` (3m int32): the half-edge that runs the other way over the same edge, or -1. Over a
    branching edge (more than two faces) opposite half-edges are paired in order. ``body`` (m int32): the
    number of the face's body, faces joined over edges; -1 for collapsed faces. ``open_edges`` have one
    face, ``nonmanifold_edges`` more than two, ``mixed_edges`` two that run the same way.
    ``loose_half_edges`` counts half-edges without a twin, so 0 means that the surface bounds a volume.
    """

    twin: IndexArray
    body: IndexArray
    bodies: int
    open_edges: int
    nonmanifold_edges: int
    mixed_edges: int
    loose_half_edges: int
    collapsed: int

    @property
    def watertight(self) -> bool:
        """Every edge has exactly two triangles."""
        return self.open_edges == 0 and self.nonmanifold_edges == 0

    @property
    def closed(self) -> bool:
        """The surface has no border once its windings are followed, so its volume has a meaning."""
        return self.loose_half_edges == 0


@compiled()
def _start_of(faces: IndexArray, half: int) -> int:
    return int(faces[half // 3, half % 3])


@compiled()
def _end_of(faces: IndexArray, half: int) -> int:
    return int(faces[half // 3, (half + 1) % 3])


@compiled()
def _bucket(faces: IndexArray, vertices: int) -> tuple[NDArray[np.int64], IndexArray]:
    """Half-edges of sound faces grouped by the lower of their two vertices."""
    offsets = np.zeros(vertices + 1, np.int64)
    total = 0
    for face in range(len(faces)):
        a, b, c = faces[face, 0], faces[face, 1], faces[face, 2]
        if a == b or b == c or c == a:
            continue
        offsets[min(a, b) + 1] += 1
        offsets[min(b, c) + 1] += 1
        offsets[min(c, a) + 1] += 1
        total += 3
    for vertex in range(vertices):
        offsets[vertex + 1] += offsets[vertex]
    cursor = offsets[:-1].copy()
    entries = np.zeros(total, np.int32)
    for face in range(len(faces)):
        a, b, c = faces[face, 0], faces[face, 1], faces[face, 2]
        if a == b or b == c or c == a:
            continue
        for corner in range(3):
            half = 3 * face + corner
            low = min(_start_of(faces, half), _end_of(faces, half))
            entries[cursor[low]] = half
            cursor[low] += 1
    return offsets, entries


@compiled()
def _high(faces: IndexArray, half: int) -> int:
    return max(_start_of(faces, half), _end_of(faces, half))


@compiled()
def _root(parent: IndexArray, item: int) -> int:
    while parent[item] != item:
        parent[item] = parent[parent[item]]
        item = parent[item]
    return item


@compiled()
def _join(parent: IndexArray, one: int, other: int) -> None:
    one = _root(parent, one)
    other = _root(parent, other)
    if one < other:
        parent[other] = one
    elif other < one:
        parent[one] = other


@compiled()
def _sort_bucket(faces: IndexArray, entries: IndexArray, start: int, stop: int) -> None:
    """Order a bucket by the higher vertex, keeping equal ones in order: plain for few, sorted for many."""
    if stop - start > _SORT_FROM:
        keys = np.zeros(stop - start, np.int64)
        for place in range(stop - start):
            half = entries[start + place]
            keys[place] = np.int64(_high(faces, half)) * (3 * len(faces) + 1) + half
        keys.sort()
        for place in range(stop - start):
            entries[start + place] = keys[place] % (3 * len(faces) + 1)
        return
    for place in range(start + 1, stop):
        half = entries[place]
        key = _high(faces, half)
        back = place - 1
        while back >= start and _high(faces, entries[back]) > key:
            entries[back + 1] = entries[back]
            back -= 1
        entries[back + 1] = half


@compiled()
def _pair(faces: IndexArray, entries: IndexArray, start: int, stop: int, twin: IndexArray) -> None:
    """Pair the half-edges of one edge that run up with those that run down, in order."""
    up = start
    down = start
    while True:
        while up < stop and _start_of(faces, entries[up]) > _end_of(faces, entries[up]):
            up += 1
        while down < stop and _start_of(faces, entries[down]) < _end_of(faces, entries[down]):
            down += 1
        if up >= stop or down >= stop:
            return
        twin[entries[up]] = entries[down]
        twin[entries[down]] = entries[up]
        up += 1
        down += 1


@compiled()
def _connect(faces: IndexArray, vertices: int) -> tuple[IndexArray, IndexArray, NDArray[np.int64]]:
    """Twins, body roots per face (-1 when collapsed) and counts (open, branching, mixed, loose)."""
    offsets, entries = _bucket(faces, vertices)
    twin = np.full(3 * len(faces), -1, np.int32)
    parent = np.arange(len(faces)).astype(np.int32)
    counts = np.zeros(4, np.int64)
    for vertex in range(vertices):
        start, stop = offsets[vertex], offsets[vertex + 1]
        if stop - start > 1:
            _sort_bucket(faces, entries, start, stop)
        at = start
        while at < stop:
            until = at + 1
            while until < stop and _high(faces, entries[until]) == _high(faces, entries[at]):
                _join(parent, entries[at] // 3, entries[until] // 3)
                until += 1
            _pair(faces, entries, at, until, twin)
            if until - at == 1:
                counts[0] += 1
            elif until - at > 2:
                counts[1] += 1
            elif twin[entries[at]] < 0:
                counts[2] += 1
            for place in range(at, until):
                counts[3] += twin[entries[place]] < 0
            at = until
    for face in range(len(faces)):
        a, b, c = faces[face, 0], faces[face, 1], faces[face, 2]
        parent[face] = -1 if a == b or b == c or c == a else _root(parent, face)
    return twin, parent, counts


@compiled()
def _number(roots: IndexArray) -> tuple[int, int]:
    """Turn roots into body numbers 0, 1, ... in place: (bodies, collapsed faces)."""
    bodies = 0
    collapsed = 0
    for face in range(len(roots)):
        root = roots[face]
        if root < 0:
            collapsed += 1
        elif root == face:
            roots[face] = bodies
            bodies += 1
        else:
            roots[face] = roots[root]
    return bodies, collapsed


def connect(mesh: Mesh) -> Topology:
    """Find every edge's faces and the bodies they join; works on any triangles, however broken."""
    twin, body, counts = _connect(mesh.faces, len(mesh.vertices))
    bodies, collapsed = _number(body)
    open_edges, branching, mixed, loose = (int(value) for value in counts)
    return Topology(twin, body, int(bodies), open_edges, branching, mixed, loose, int(collapsed))


@compiled()
def body_sums(
    vertices: FloatArray,
    faces: IndexArray,
    vectors: FloatArray,
    body: IndexArray,
    bodies: int,
    origin: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Per body: signed volume about ``origin`` (mm3) and area (mm2)."""
    volume = np.zeros(bodies)
    area = np.zeros(bodies)
    for face in range(len(faces)):
        owner = body[face]
        if owner < 0:
            continue
        corner = faces[face, 0]
        square = 0.0
        for axis in range(3):
            part = vectors[face, axis]
            volume[owner] += (vertices[corner, axis] - origin[axis]) * part / 3.0
            square += part * part
        area[owner] += np.sqrt(square)
    return volume, area


@compiled()
def _doubled_vector(vertices: FloatArray, faces: IndexArray, face: int) -> tuple[float, float, float]:
    """The vector along a face's normal whose length is twice its area, mm2."""
    a, b, c = faces[face, 0], faces[face, 1], faces[face, 2]
    ux = vertices[b, 0] - vertices[a, 0]
    uy = vertices[b, 1] - vertices[a, 1]
    uz = vertices[b, 2] - vertices[a, 2]
    vx = vertices[c, 0] - vertices[a, 0]
    vy = vertices[c, 1] - vertices[a, 1]
    vz = vertices[c, 2] - vertices[a, 2]
    return uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx


@compiled()
def face_areas(vertices: FloatArray, faces: IndexArray) -> FloatArray:
    """Area of each face in mm2."""
    areas = np.zeros(len(faces))
    for face in range(len(faces)):
        x, y, z = _doubled_vector(vertices, faces, face)
        areas[face] = 0.5 * np.sqrt(x * x + y * y + z * z)
    return areas


@compiled()
def area_vectors(vertices: FloatArray, faces: IndexArray) -> FloatArray:
    """Per face the vector along its normal whose length is its area: m x 3, mm2."""
    vectors = np.zeros((len(faces), 3))
    for face in range(len(faces)):
        x, y, z = _doubled_vector(vertices, faces, face)
        vectors[face, 0], vectors[face, 1], vectors[face, 2] = 0.5 * x, 0.5 * y, 0.5 * z
    return vectors
