"""Open cavities on a lattice: which points belong to which, and what they hold. See ``inside``."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qa.geometry import inside_kernels as kernels
from qa.geometry.inner_skin import INNER, Mouth
from qa.geometry.lattice import Lattice, count_blocked
from qa.geometry.mesh import FloatArray, IndexArray
from qa.geometry.subject import Subject

_LEAST_VOID_MM3 = 4.0
_RIM_DEPTH_MM = 3.0
_RUN = 32_768


@dataclass(frozen=True, eq=False)
class Voids:
    """Open cavities on the lattice: ``number`` per point (uint8, 0 none), ``amount`` as in the kernels."""

    lattice: Lattice
    number: NDArray[np.uint8]
    amount: NDArray[np.uint16]
    count: int
    volume_mm3: float


def heights(lattice: Lattice) -> NDArray[np.uint16]:
    """How much of its z line each point stands for (``kernels.heights``)."""
    lines = lattice.lines[2]
    found: NDArray[np.uint16] = kernels.heights(
        lines.starts, lines.at, lattice.origin[2], lattice.step_mm, *lattice.shape, lattice.flags
    )
    return found


def find_voids(lattice: Lattice, amount: NDArray[np.uint16], subject: Subject) -> Voids:
    """Number the open cavities; only those large enough to hold a drop count."""
    skin = subject.inner_skin
    inner, other = count_blocked(lattice, (skin.label == INNER).astype(np.uint8))
    number = kernels.surrounded(lattice.flags, inner)
    other += inner
    for mouth in skin.mouths:
        # Along the rim the inner skin looks out past it, and is taken for outer skin.
        for cells in _in_runs(np.flatnonzero(kernels.open_beside(lattice.flags, number, other))):
            depth, below = _behind(mouth, lattice.places(cells))
            number[cells[(depth > 0.0) & (depth < _RIM_DEPTH_MM) & below]] = 255
        for cells in _in_runs(np.flatnonzero(number)):
            number[cells[_behind(mouth, lattice.places(cells))[0] < 0.0]] = 0
    _, rows, columns = lattice.shape
    least = max(4, int(_LEAST_VOID_MM3 / lattice.step_mm**3))
    count = kernels.flood_voids(lattice.flags, number, rows * columns, columns, least)
    held = sum(_held(lattice, amount, cells, skin.mouths) for cells in _in_runs(np.flatnonzero(number)))
    return Voids(lattice, number, amount, count, held * lattice.step_mm**3)


def _held(
    lattice: Lattice, amount: NDArray[np.uint16], cells: IndexArray, mouths: tuple[Mouth, ...]
) -> float:
    """What some points of cavities hold, in cubes of the lattice's step."""
    share = amount[cells] / 16384.0
    for mouth in mouths:
        # What lies next to a mouth reaches to its plane, not half a step up or down.
        lift = abs(float(mouth.out[2]))
        if lift > 0.5:
            way = (mouth.point - lattice.places(cells)) @ mouth.out / (lift * lattice.step_mm)
            near = way < 1.0
            share[near] += way[near] - 0.5
    return float(share.sum())


def _in_runs(cells: NDArray[np.intp]) -> Iterator[IndexArray]:
    """Points in runs, so that what is computed of them takes little memory at a time."""
    for first in range(0, len(cells), _RUN):
        yield cells[first : first + _RUN].astype(np.int32)


def _behind(mouth: Mouth, points: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
    """How far (mm) points lie on the part's side of a mouth's plane, and whether straight behind it."""
    depth = (mouth.point - points) @ mouth.out
    return depth, mouth.holds(points + depth[:, None] * mouth.out)
