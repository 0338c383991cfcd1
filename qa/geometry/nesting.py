"""Which body lies inside which: winding numbers along vertical rays over a grid of columns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qa.geometry.kernels import compiled
from qa.geometry.mesh import FloatArray, IndexArray, Mesh
from qa.geometry.topology import Topology

_SAMPLES = 12
_MOST_WORK = 300_000_000
_ENTRIES_PER_FACE = 6
# An uneven place inside a triangle, so that rays miss the edges of regular meshes.
_SHARE_A, _SHARE_B, _SHARE_C = 0.3127, 0.3713, 0.3160


@dataclass(frozen=True, eq=False)
class Columns:
    """Faces by the cells of a grid over x and y: ``entries[starts[c]:starts[c + 1]]`` in cell c."""

    starts: NDArray[np.int64]
    entries: IndexArray
    origin: FloatArray
    cell: FloatArray
    across: int
    along: int


@dataclass(frozen=True, eq=False)
class Nesting:
    """Per body: how many bodies hold it wholly (``depth``) and the innermost of them (``parent``, -1).

    ``known`` is false when bodies overlap so much that telling would take unreasonable work; every depth
    is then 0.
    """

    depth: IndexArray
    parent: IndexArray
    known: bool = True


@compiled()
def _cell_range(low: float, high: float, origin: float, cell: float, count: int) -> tuple[int, int]:
    first = int(np.floor((low - origin) / cell))
    last = int(np.floor((high - origin) / cell))
    return max(0, min(first, count - 1)), max(0, min(last, count - 1))


@compiled()
def _bounds_xy(vertices: FloatArray, faces: IndexArray, face: int, axis: int) -> tuple[float, float]:
    a = vertices[faces[face, 0], axis]
    b = vertices[faces[face, 1], axis]
    c = vertices[faces[face, 2], axis]
    return min(a, b, c), max(a, b, c)


@compiled()
def _count_cells(
    vertices: FloatArray, faces: IndexArray, origin: FloatArray, cell: FloatArray, across: int, along: int
) -> NDArray[np.int64]:
    starts = np.zeros(across * along + 1, np.int64)
    for face in range(len(faces)):
        low, high = _bounds_xy(vertices, faces, face, 0)
        x0, x1 = _cell_range(low, high, origin[0], cell[0], across)
        low, high = _bounds_xy(vertices, faces, face, 1)
        y0, y1 = _cell_range(low, high, origin[1], cell[1], along)
        for y in range(y0, y1 + 1):
            for x in range(x0, x1 + 1):
                starts[y * across + x + 1] += 1
    return starts


@compiled()
def _fill_cells(
    vertices: FloatArray,
    faces: IndexArray,
    origin: FloatArray,
    cell: FloatArray,
    across: int,
    along: int,
    starts: NDArray[np.int64],
) -> IndexArray:
    cursor = starts[:-1].copy()
    entries = np.zeros(starts[-1], np.int32)
    for face in range(len(faces)):
        low, high = _bounds_xy(vertices, faces, face, 0)
        x0, x1 = _cell_range(low, high, origin[0], cell[0], across)
        low, high = _bounds_xy(vertices, faces, face, 1)
        y0, y1 = _cell_range(low, high, origin[1], cell[1], along)
        for y in range(y0, y1 + 1):
            for x in range(x0, x1 + 1):
                at = y * across + x
                entries[cursor[at]] = face
                cursor[at] += 1
    return entries


@compiled()
def _cover(
    vertices: FloatArray, faces: IndexArray, origin: FloatArray, cell: FloatArray, across: int, along: int
) -> float:
    """How many entries a grid would take."""
    total = 0.0
    for face in range(len(faces)):
        low, high = _bounds_xy(vertices, faces, face, 0)
        x0, x1 = _cell_range(low, high, origin[0], cell[0], across)
        low, high = _bounds_xy(vertices, faces, face, 1)
        y0, y1 = _cell_range(low, high, origin[1], cell[1], along)
        total += float(x1 - x0 + 1) * float(y1 - y0 + 1)
    return total


def make_columns(mesh: Mesh) -> Columns:
    """Sort faces into columns; the grid coarsens until large faces no longer flood it."""
    vertices, faces = mesh.vertices, mesh.faces
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    size = np.maximum((high - low)[:2], 1e-9)
    steps = int(np.clip(np.sqrt(len(faces)), 1, 2048))
    while True:
        across = along = steps
        cell = size / steps * (1 + 1e-9)
        if steps == 1:
            break
        if _cover(vertices, faces, low, cell, across, along) <= _ENTRIES_PER_FACE * len(faces) + 1024:
            break
        steps //= 2
    starts = np.cumsum(_count_cells(vertices, faces, low, cell, across, along))
    entries = _fill_cells(vertices, faces, low, cell, across, along, starts)
    return Columns(starts, entries, low, cell, across, along)


@compiled()
def _crosses(ax: float, ay: float, bx: float, by: float, x: float, y: float) -> bool:
    """Whether an edge lies right of (x, y) on its line; the same bits whichever way the edge runs."""
    if (ay <= y) == (by <= y):
        return False
    if ay > by or (ay == by and ax > bx):
        ax, ay, bx, by = bx, by, ax, ay
    return bool(ax + (y - ay) * ((bx - ax) / (by - ay)) > x)


@compiled()
def height_over(vertices: FloatArray, faces: IndexArray, face: int, x: float, y: float) -> tuple[int, float]:
    """Where the vertical line through (x, y) meets a face: (1 facing up, -1 down, 0 not at all; z)."""
    a, b, c = faces[face, 0], faces[face, 1], faces[face, 2]
    ax, ay, az = vertices[a, 0], vertices[a, 1], vertices[a, 2]
    bx, by, bz = vertices[b, 0], vertices[b, 1], vertices[b, 2]
    cx, cy, cz = vertices[c, 0], vertices[c, 1], vertices[c, 2]
    odd = _crosses(ax, ay, bx, by, x, y) != _crosses(bx, by, cx, cy, x, y)
    odd = odd != _crosses(cx, cy, ax, ay, x, y)
    if not odd:
        return 0, 0.0
    double = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
    if double == 0.0:
        return 0, 0.0
    share_b = ((x - ax) * (cy - ay) - (y - ay) * (cx - ax)) / double
    share_c = ((bx - ax) * (y - ay) - (by - ay) * (x - ax)) / double
    return (1 if double > 0.0 else -1), az + share_b * (bz - az) + share_c * (cz - az)


@compiled()
def _nest(
    vertices: FloatArray,
    faces: IndexArray,
    held_faces: IndexArray,
    holder: IndexArray,
    sizes: FloatArray,
    samples: IndexArray,
    starts: NDArray[np.int64],
    entries: IndexArray,
    origin: FloatArray,
    cell: FloatArray,
    across: int,
    along: int,
) -> tuple[IndexArray, IndexArray]:
    bodies = len(samples)
    depth = np.zeros(bodies, np.int32)
    parent = np.full(bodies, -1, np.int32)
    winding = np.zeros(bodies, np.int32)
    held = np.zeros(bodies, np.int32)
    seen = np.zeros(bodies, np.int32)
    seen_n = 0
    for one in range(bodies):
        taken = 0
        for sample in range(samples.shape[1]):
            face = samples[one, sample]
            a, b, c = faces[face, 0], faces[face, 1], faces[face, 2]
            x = _SHARE_A * vertices[a, 0] + _SHARE_B * vertices[b, 0] + _SHARE_C * vertices[c, 0]
            y = _SHARE_A * vertices[a, 1] + _SHARE_B * vertices[b, 1] + _SHARE_C * vertices[c, 1]
            z = _SHARE_A * vertices[a, 2] + _SHARE_B * vertices[b, 2] + _SHARE_C * vertices[c, 2]
            taken += 1
            column, _ = _cell_range(x, x, origin[0], cell[0], across)
            row, _ = _cell_range(y, y, origin[1], cell[1], along)
            at = row * across + column
            for entry in range(starts[at], starts[at + 1]):
                other = entries[entry]
                owner = holder[other]
                if owner < 0 or owner == one:
                    continue
                facing, height = height_over(vertices, held_faces, other, x, y)
                if facing != 0 and height > z:
                    winding[owner] += facing
            for entry in range(starts[at], starts[at + 1]):
                owner = holder[entries[entry]]
                if owner < 0 or winding[owner] == 0:
                    continue
                winding[owner] = 0
                if held[owner] == 0:
                    seen[seen_n] = owner
                    seen_n += 1
                held[owner] += 1
        smallest = np.inf
        for place in range(seen_n):
            owner = seen[place]
            if held[owner] == taken:
                depth[one] += 1
                if sizes[owner] < smallest:
                    smallest = sizes[owner]
                    parent[one] = owner
            held[owner] = 0
        seen_n = 0
    return depth, parent


def nest(mesh: Mesh, topology: Topology, volumes: FloatArray) -> Nesting:
    """Find which bodies lie wholly inside others.

    A body counts as held by another when the other's winding number is not zero at a dozen places
    spread over the first (fewer where bodies are very many). ``volumes`` (mm3, signed, per body) tell the
    innermost holder. Open bodies have no inside, so they hold nothing.
    """
    none = np.zeros(topology.bodies, np.int32)
    loose = topology.twin.reshape(-1, 3).min(axis=1) < 0
    is_open = np.zeros(topology.bodies + 1, dtype=np.bool_)
    is_open[topology.body[loose]] = True
    holders = np.where(is_open[topology.body], np.int32(-1), topology.body)
    sound = np.flatnonzero(holders >= 0)
    if topology.bodies < 2 or len(sound) == 0:
        return Nesting(none, none - 1)
    held = Mesh(mesh.vertices, mesh.faces[sound])
    columns = make_columns(held)
    busiest = len(columns.entries) / max(1, int(np.count_nonzero(np.diff(columns.starts))))
    samples_n = int(min(_SAMPLES, _MOST_WORK / max(1.0, busiest * topology.bodies)))
    if samples_n < 1:
        return Nesting(none, none - 1, known=False)
    depth, parent = _nest(
        mesh.vertices, mesh.faces, held.faces, holders[sound], np.abs(volumes),
        _sample_faces(topology, samples_n), columns.starts, columns.entries, columns.origin, columns.cell,
        columns.across, columns.along,
    )  # fmt: skip
    return Nesting(depth, parent)


def _sample_faces(topology: Topology, samples_n: int) -> IndexArray:
    """Faces spread evenly over each body: bodies x ``samples_n``."""
    order = np.argsort(topology.body, kind="stable")
    order = order[topology.body[order] >= 0]
    counts = np.bincount(topology.body[order], minlength=topology.bodies)
    begins = np.concatenate([[0], np.cumsum(counts)[:-1]])
    samples = np.zeros((topology.bodies, samples_n), np.int32)
    for place in range(samples_n):
        use = np.minimum((counts * (2 * place + 1)) // (2 * samples_n), np.maximum(counts - 1, 0))
        samples[:, place] = order[begins + use]
    return samples
