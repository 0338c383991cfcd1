"""How to hold a part so that least stays in its cavities: each cavity in the one pose that is best for it."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from qa.geometry import inside_kernels as kernels
from qa.geometry.inner_skin import Mouth
from qa.geometry.lattice import into_lattice
from qa.geometry.mesh import FloatArray, IndexArray
from qa.geometry.subject import Subject
from qa.geometry.voids import Voids

_DRY_SHARE = 0.002
# How far the best of the first turnings is leant to better it.
_TURNS_DEG = (20.0, 10.0, 5.0)


@dataclass(frozen=True, eq=False)
class _Liquid:
    """Points of the open cavities and of their openings, ready to be turned; ``amount`` as in the kernels."""

    voids: Voids
    cells: IndexArray
    ids: NDArray[np.int32]
    ring: NDArray[np.uint8]
    number: NDArray[np.uint8]
    amount: NDArray[np.uint16]

    @property
    def amount_mm3(self) -> float:
        """Volume of one unit of ``amount``."""
        return self.voids.lattice.step_mm**3 / 16384.0

    def stays(self, down: FloatArray) -> FloatArray:
        """What stays in each cavity (mm3, the first entry unused) when a direction points down."""
        lattice = self.voids.lattice
        _, rows, columns = lattice.shape
        x, y, z = (-lattice.step_mm * float(side) for side in into_lattice(down[None])[0])
        level = kernels.levels_of(self.cells, rows * columns, columns, x, y, z, 0.5 * lattice.step_mm)
        found: FloatArray = kernels.kept_when_turned(
            lattice.flags, self.cells, self.ids, self.ring, level, self.number, self.amount,
            self.voids.count, rows * columns, columns, 2,
        )  # fmt: skip
        return found * self.amount_mm3

    def way_out(self) -> FloatArray | None:
        """From the middle of the cavities to that of their openings (mm); ``None`` without openings."""
        opening = self.ring == 1
        if not opening.any():
            return None
        lattice = self.voids.lattice
        return lattice.middle(self.cells[opening]) - lattice.middle(self.cells[~opening])


def best_turn(voids: Voids, subject: Subject, kept: float) -> tuple[float, FloatArray]:
    """The least that stays after turning (mm3), each cavity in the pose that is best for it; and, for the
    largest, the direction then pointing down in the file's frame."""
    liquid = _liquid(voids)
    held = np.bincount(liquid.number, liquid.amount, voids.count + 1) * liquid.amount_mm3
    dry = _DRY_SHARE * held
    best = np.full(voids.count + 1, np.inf)
    best[0] = 0.0
    turns = np.zeros((voids.count + 1, 3))

    def tried(down: FloatArray) -> bool:
        stays = liquid.stays(down)
        better = stays < best - 1e-9
        best[better] = stays[better]
        turns[better] = down
        return bool((best <= dry).all())

    done = any(tried(down) for down in _turnings(liquid, subject.inner_skin.mouths))
    for reach in () if done else _TURNS_DEG:
        for cavity in np.flatnonzero(best > dry):
            for down in _leaning(turns[cavity].copy(), reach):
                tried(down)
    best[best <= dry] = 0.0
    return min(kept, float(best.sum())), turns[held.argmax()] @ subject.rotation


def _liquid(voids: Voids) -> _Liquid:
    lattice = voids.lattice
    _, rows, columns = lattice.shape
    cells, ring = kernels.around_voids(lattice.flags, voids.number, rows * columns, columns, 1)
    ids = np.full(len(lattice.flags), -1, np.int32)
    ids[cells] = np.arange(len(cells), dtype=np.int32)
    return _Liquid(voids, cells, ids, ring, voids.number[cells], voids.amount[cells])


def _turnings(liquid: _Liquid, mouths: tuple[Mouth, ...]) -> list[FloatArray]:
    """Out of the mouths, from the cavities' middle to that of their openings, and the 26, nearest first."""
    around = [np.array(each, dtype=np.float64) for each in product((-1, 0, 1), repeat=3) if any(each)]
    units = [each / np.linalg.norm(each) for each in around]
    out = liquid.way_out()
    if out is None:
        return units
    straight = [mouth.out for mouth in mouths]
    if np.linalg.norm(out) > 0:
        straight.append(out / np.linalg.norm(out))
    return straight + sorted(units, key=lambda unit: -float(unit @ out))


def _leaning(down: FloatArray, by_deg: float) -> list[FloatArray]:
    """Eight directions that lean by an angle from one."""
    side = np.cross(down, np.eye(3)[np.abs(down).argmin()])
    side /= np.linalg.norm(side)
    other = np.cross(down, side)
    angle = np.deg2rad(by_deg)
    return [
        np.cos(angle) * down + np.sin(angle) * (np.cos(turn) * side + np.sin(turn) * other)
        for turn in np.deg2rad(45.0 * np.arange(8))
    ]
