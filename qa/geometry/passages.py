"""Ways out of a cavity: the widest one, its narrowest place, and the rims of the openings.

The widest way is found on the lattice, with distances to the surface carried over 26 neighbours (a chamfer
transform after G. Borgefors, "Distance transformations in digital images", 1986). The points that hold it up
are then moved across the way to where the exact surface leaves most room, so that the width is the surface's
own and not the lattice's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from qa.geometry import inside_kernels as kernels
from qa.geometry.inner_skin import INNER
from qa.geometry.lattice import Lattice
from qa.geometry.mesh import FloatArray, IndexArray
from qa.geometry.subject import Subject
from qa.geometry.tree import closest

_UNIT_MM = 0.02
_MOST_ROOM_MM = 30.0
# A chamber counts for itself where its room is this many times that of its way out, and over this volume.
_CHAMBER_TIMES, _CHAMBER_MM, _CHAMBER_MM3 = 1.5, 1.0, 20.0
_AROUND = 8
# Places of a cavity that are asked which skin they lie at.
_ASKED = 100
# How often the steps are halved, the rounds of directions at each length, and after how many without gain
# it is given up.
_HALVINGS, _ROUNDS, _IDLE_ROUNDS = 9, 12, 3
_GOLDEN_RAD = 2.399963


@dataclass(frozen=True, eq=False)
class _Ways:
    """Listed points of a lattice with their room and, over the widest way out, width (mm) and next point."""

    cells: IndexArray
    number: NDArray[np.uint8]
    room: NDArray[np.float32]
    width: NDArray[np.float32]
    parent: NDArray[np.int32]


@dataclass(frozen=True, eq=False)
class _WayOut:
    """The widest way out of a cavity (points in mm, room at each), empty where it is too narrow for the
    lattice; and some places of the cavity."""

    samples: FloatArray
    points: FloatArray
    room: NDArray[np.float32]


def drain_widths(
    lattice: Lattice, number: NDArray[np.uint8], count: int, shell_mm: float, subject: Subject
) -> tuple[tuple[float | None, ...], tuple[int, ...]]:
    """For each of ``count`` cavities the diameter (mm) of the largest ball that gets out, and its openings.

    ``None`` where the way out is too narrow for the lattice, at most two of its steps.

    ``number`` marks the cavities' points; the way is followed ``shell_mm`` past their openings.
    """
    # The search needs as much memory as the tree, and no tree.
    subject.forget_tree()
    found, rims = _ways_out(lattice, number, count, shell_mm), find_rims(subject)
    openings = [len(rims.round(closest(subject.tree, way.samples).face)) for way in found]
    widths = [
        2.0 * _narrowest(way.points, way.room, lattice.step_mm, subject) if len(way.points) else None
        for way in found
    ]
    return tuple(widths), tuple(openings)


def _ways_out(lattice: Lattice, number: NDArray[np.uint8], count: int, shell_mm: float) -> list[_WayOut]:
    """The widest way out of each cavity."""
    ways = _search(lattice, number, shell_mm)
    found = []
    for cavity in range(1, count + 1):
        start = _held_up(ways, cavity, lattice.step_mm)
        members = np.flatnonzero(ways.number == cavity)
        samples = lattice.places(ways.cells[members[:: max(1, len(members) // _ASKED)]])
        path = [start] if ways.width[start] > 0.0 else []
        while path and ways.parent[path[-1]] >= 0:
            path.append(int(ways.parent[path[-1]]))
        found.append(_WayOut(samples, lattice.places(ways.cells[path]), ways.room[path]))
    return found


def _search(lattice: Lattice, number: NDArray[np.uint8], shell_mm: float) -> _Ways:
    layers, rows, columns = lattice.shape
    plane = rows * columns
    rings = int(np.clip(np.ceil(shell_mm / lattice.step_mm), 2, 200))
    cells, ring = kernels.around_voids(lattice.flags, number, plane, columns, rings)
    ids = np.full(len(lattice.flags), -1, np.int32)
    ids[cells] = np.arange(len(cells), dtype=np.int32)
    room = np.full(len(cells), _MOST_ROOM_MM, np.float32)
    for axis, lines in enumerate(lattice.lines):
        kernels.axis_distance(
            lines.starts, lines.at, axis, lattice.origin[axis], lattice.step_mm, *lattice.shape, ids, room
        )
    kernels.chamfer(cells, ids, plane, columns, lattice.step_mm, room)
    source = (ring == rings) | ((ring > 0) & kernels.at_border(cells, layers, rows, columns))
    width, parent = kernels.widest_ways(lattice.flags, cells, ids, source, room, plane, columns, _UNIT_MM)
    return _Ways(cells, number[cells], room, width, parent)


def _held_up(ways: _Ways, cavity: int, step_mm: float) -> int:
    """The point whose way out is to be measured: in the worst chamber, else the roomiest place."""
    members = np.flatnonzero(ways.number == cavity)
    room, width = ways.room[members], ways.width[members]
    chamber = (room > _CHAMBER_MM) & (room > _CHAMBER_TIMES * width)
    needed = int(_CHAMBER_MM3 / step_mm**3)
    if np.count_nonzero(chamber) > needed:
        worst = np.partition(width[chamber], needed)[needed]
        members = members[chamber & (width <= worst + step_mm)]
        room = ways.room[members]
    return int(members[np.argmax(room)])


def _narrowest(points: FloatArray, room: NDArray[np.float32], step_mm: float, subject: Subject) -> float:
    """Radius (mm) of the largest ball that passes a way's tight places, against the exact surface."""
    tight = np.flatnonzero(room <= room.min() + 1.5 * step_mm)
    ahead = points[np.minimum(tight + 3, len(points) - 1)] - points[np.maximum(tight - 3, 0)]
    lengths = np.linalg.norm(ahead, axis=1, keepdims=True)
    along = np.where(lengths > 0, ahead / np.where(lengths > 0, lengths, 1.0), [0.0, 0.0, 1.0])
    side = np.cross(along, np.eye(3)[np.abs(along).argmin(axis=1)])
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    other = np.cross(along, side)
    turn = 2.0 * np.pi * np.arange(_AROUND) / _AROUND
    begin = points[tight]
    at = begin.copy()
    best = closest(subject.tree, at).distance
    reach = step_mm
    for halving in range(_HALVINGS):
        idle = 0
        for round_ in range(_ROUNDS):
            # No step is longer than the room there is, so that none ends on the surface's other side.
            length = np.minimum(reach, 0.9 * best)[:, None, None]
            # Room between two sides only grows along a ridge, which fixed directions may all miss.
            turned = turn + _GOLDEN_RAD * (halving * _ROUNDS + round_)
            steps = length * (
                np.cos(turned)[None, :, None] * side[:, None] + np.sin(turned)[None, :, None] * other[:, None]
            )
            tried = at[:, None] + steps
            found = closest(subject.tree, tried.reshape(-1, 3)).distance.reshape(-1, _AROUND)
            # The way is not straight between points: a place that slid far might leave the passage.
            found[np.linalg.norm(tried - begin[:, None], axis=2) > 3.0 * step_mm] = 0.0
            chosen = found.argmax(axis=1)
            rows = np.arange(len(at))
            better = found[rows, chosen] > best
            at[better] = tried[rows, chosen][better]
            best = np.maximum(best, found[rows, chosen])
            idle = 0 if better.any() else idle + 1
            if idle == _IDLE_ROUNDS:
                break
        if halving == 1:
            # A place can still win twice the reach: only those that may end up the narrowest go on.
            kept = best <= best.min() + 2.0 * reach
            begin, at, side, other, best = begin[kept], at[kept], side[kept], other[kept], best[kept]
        reach *= 0.5
    return float(best.min())


@dataclass(frozen=True, eq=False)
class Rims:
    """Edges along which inner and outer skin meet: the closed line each is part of, the patch of inner skin
    each belongs to, and the patch of every face (-1: outer)."""

    loop: NDArray[np.int32]
    patch: NDArray[np.int32]
    face_patch: NDArray[np.int32]

    def round(self, faces: NDArray[np.int32]) -> list[int]:
        """The closed lines that bound the patch of inner skin that most of some faces are of."""
        patches = self.face_patch[faces]
        if not (patches >= 0).any():
            return []
        most = np.bincount(patches[patches >= 0]).argmax()
        return [int(loop) for loop in np.unique(self.loop[self.patch == most])]


def find_rims(subject: Subject) -> Rims:
    """The rims of mouths and drains of the open cavities."""
    label, twin, faces = subject.inner_skin.label, subject.topology.twin, subject.mesh.faces
    face_patch = kernels.patches_over_edges(twin, label == INNER)
    half = kernels.borders_of(twin, face_patch)
    ends = np.column_stack([faces[half // 3, half % 3], faces[half // 3, (half + 1) % 3]])
    if not len(half):
        none = np.zeros(0, np.int32)
        return Rims(none, none, face_patch)
    _, named = np.unique(ends, return_inverse=True)
    named = named.reshape(-1, 2)
    size = int(named.max()) + 1
    lines = scipy.sparse.coo_array(
        (np.ones(len(named), np.int8), (named[:, 0], named[:, 1])), shape=(size, size)
    )
    _, loop = scipy.sparse.csgraph.connected_components(lines, directed=False)
    return Rims(loop[named[:, 0]].astype(np.int32), face_patch[half // 3], face_patch)
