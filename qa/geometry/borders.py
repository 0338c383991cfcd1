"""The edge loops of an open surface: where it ends and what is missing inside it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qa.geometry.kernels import compiled
from qa.geometry.mesh import FloatArray, IndexArray, Mesh
from qa.geometry.topology import Topology


@dataclass(frozen=True, eq=False)
class Borders:
    """Loops of edges that have one side only, longest first.

    Per loop: ``lengths_mm``, ``widths_mm`` (from the place farthest from the loop's middle to the place
    farthest from that one), ``missing_mm2`` (area of a fan from the loop's middle, what would close it) and
    the number of the ``bodies`` it bounds. ``outer`` marks the longest loop of each body, its edge.
    """

    lengths_mm: FloatArray
    widths_mm: FloatArray
    missing_mm2: FloatArray
    bodies: IndexArray

    @property
    def outer(self) -> NDArray[np.bool_]:
        mask = np.zeros(self.count, np.bool_)
        mask[np.unique(self.bodies, return_index=True)[1]] = True
        return mask

    @property
    def count(self) -> int:
        return len(self.lengths_mm)


@compiled()
def _walk(
    faces: IndexArray, twin: IndexArray, body: IndexArray, vertices: int
) -> tuple[IndexArray, IndexArray, IndexArray]:
    """Vertices along each border, one loop after another, where each loop starts, and whose it is."""
    head = np.full(vertices, -1, np.int32)
    following = np.full(len(twin), -1, np.int32)
    total = 0
    for half in range(len(twin)):
        if twin[half] < 0 and body[half // 3] >= 0:
            start = faces[half // 3, half % 3]
            following[half] = head[start]
            head[start] = half
            total += 1
    path = np.zeros(total, np.int32)
    starts = np.zeros(total + 1, np.int32)
    owners = np.zeros(total, np.int32)
    loops = 0
    filled = 0
    for vertex in range(vertices):
        while head[vertex] >= 0:
            at = vertex
            owners[loops] = body[head[at] // 3]
            while head[at] >= 0:
                half = head[at]
                head[at] = following[half]
                path[filled] = at
                filled += 1
                at = faces[half // 3, (half % 3 + 1) % 3]
            loops += 1
            starts[loops] = filled
    return path, starts[: loops + 1], owners[:loops]


@compiled()
def _measure(
    vertices: FloatArray, path: IndexArray, starts: IndexArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    loops = len(starts) - 1
    lengths, widths, missing = np.zeros(loops), np.zeros(loops), np.zeros(loops)
    for loop in range(loops):
        size = starts[loop + 1] - starts[loop]
        middle = np.zeros(3)
        for place in range(starts[loop], starts[loop + 1]):
            point = vertices[path[place]]
            middle += point / size
        tip = middle
        for _ in range(2):
            start, farthest = tip, 0.0
            for place in range(starts[loop], starts[loop + 1]):
                away = np.sqrt(((vertices[path[place]] - start) ** 2).sum())
                if away > farthest:
                    farthest, tip = away, vertices[path[place]]
            widths[loop] = farthest
        for place in range(size):
            here = vertices[path[starts[loop] + place]]
            there = vertices[path[starts[loop] + (place + 1) % size]]
            lengths[loop] += np.sqrt(((there - here) ** 2).sum())
            missing[loop] += 0.5 * np.sqrt((np.cross(here - middle, there - middle) ** 2).sum())
    return lengths, widths, missing


def find_borders(mesh: Mesh, topology: Topology) -> Borders:
    """Trace the borders of a mesh; where two touch at a vertex they may come as one."""
    path, starts, owners = _walk(mesh.faces, topology.twin, topology.body, len(mesh.vertices))
    lengths, widths, missing = _measure(mesh.vertices, path, starts)
    order = np.argsort(-lengths, kind="stable")
    return Borders(lengths[order], widths[order], missing[order], owners[order])
