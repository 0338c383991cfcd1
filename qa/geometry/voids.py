"""Open cavities on a lattice: which points belong to which, and what they hold. See ``inside``."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qa.geometry import inside_kernels as kernels
from qa.geometry.inner_skin import INNER, Mouth
from qa.geometry.lattice import Lattice, count_blocked
from qa.geometry.mesh import FloatArray
from qa.geometry.subject import Subject

_LEAST_VOID_MM3 = 4.0
_RIM_DEPTH_MM = 3.0


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
    empty = (lattice.flags & 1) == 0
    number = np.where((inner >= 3) & empty, np.uint8(255), np.uint8(0))
    for mouth in skin.mouths:
        cells = np.flatnonzero((number == 0) & empty & (inner + other >= 4))
        depth, below = _behind(mouth, lattice.places(cells))
        # Along the rim the inner skin looks out past it, and is taken for outer skin.
        number[cells[(depth > 0.0) & (depth < _RIM_DEPTH_MM) & below]] = 255
        cells = np.flatnonzero(number)
        number[cells[_behind(mouth, lattice.places(cells))[0] < 0.0]] = 0
    _, rows, columns = lattice.shape
    least = max(4, int(_LEAST_VOID_MM3 / lattice.step_mm**3))
    count = kernels.flood_voids(lattice.flags, number, rows * columns, columns, least)
    cells = np.flatnonzero(number)
    share = amount[cells] / 16384.0
    for mouth in skin.mouths:
        # What lies next to a mouth reaches to its plane, not half a step up or down.
        lift = abs(float(mouth.out[2]))
        if lift > 0.5:
            way = (mouth.point - lattice.places(cells)) @ mouth.out / (lift * lattice.step_mm)
            near = way < 1.0
            share[near] += way[near] - 0.5
    volume = float(share.sum()) * lattice.step_mm**3
    return Voids(lattice, number, amount, count, volume)


def _behind(mouth: Mouth, points: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
    """How far (mm) points lie on the part's side of a mouth's plane, and whether straight behind it."""
    depth = (mouth.point - points) @ mouth.out
    return depth, mouth.holds(points + depth[:, None] * mouth.out)
