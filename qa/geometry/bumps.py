"""Local bumps and hollows: connected patches of surface beyond the tolerance once the patterns are off."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import scipy

from qa.geometry.mesh import FloatArray, IndexArray

# A patch from here on is told beside a verdict that does not show it (the tip of a small cusp).
NOTABLE_MM2 = 1.0


@dataclass(frozen=True)
class Bump:
    """A patch beyond the tolerance: its area, its peak (positive = bump, negative = hollow) and the place of
    the peak in the design's frame."""

    area_mm2: float
    peak_mm: float
    at_mm: tuple[float, float, float]


def find_bumps(
    points: FloatArray,
    left_mm: FloatArray,
    weights: FloatArray,
    *,
    tolerance_mm: float,
    spacing_mm: float,
    least_area_mm2: float = 0.3,
    most: int = 50,
) -> tuple[Bump, ...]:
    """Patches of samples beyond the tolerance, largest area first, at most ``most``.

    ``points`` n x 3 (design frame), ``left_mm`` n deviations without the patterns, ``weights`` n mm2. Samples
    belong together when their cells of two sample spacings touch and they lie on the same side.
    """
    found: list[Bump] = []
    for sign in (1.0, -1.0):
        chosen = np.flatnonzero(sign * left_mm > tolerance_mm)
        if len(chosen) == 0:
            continue
        group = touching_groups(points[chosen], 2.0 * spacing_mm)
        area = np.bincount(group, weights=weights[chosen])
        for number in np.flatnonzero(area >= least_area_mm2):
            members = chosen[group == number]
            peak = members[np.argmax(sign * left_mm[members])]
            x, y, z = (float(c) for c in points[peak])
            found.append(Bump(float(area[number]), float(left_mm[peak]), (x, y, z)))
    return tuple(sorted(found, key=lambda bump: -bump.area_mm2)[:most])


def notable(bumps: Iterable[Bump], *, proven_mm: float, least_area_mm2: float = NOTABLE_MM2) -> list[Bump]:
    """Patches that are told beside a verdict, the farthest off first: large enough, and with a peak beyond
    what the device proves to be outside the tolerance (``proven_mm``, tolerance and uncertainty together)."""
    told = [one for one in bumps if one.area_mm2 >= least_area_mm2 and abs(one.peak_mm) > proven_mm]
    return sorted(told, key=lambda one: -abs(one.peak_mm))


def touching_groups(points: FloatArray, cell_mm: float) -> IndexArray:
    """Number the groups of points whose cubic cells touch (26 neighbours), n."""
    cell = np.floor(points / cell_mm).astype(np.int64)
    cell += 1 - cell.min(axis=0)
    code = cell[:, 0] + (cell[:, 1] << 20) + (cell[:, 2] << 40)
    known, of_cell = np.unique(code, return_inverse=True)
    rows, columns = [], []
    for dx in (-1, 0, 1):
        for dy in (-1, 0, 1):
            for dz in (-1, 0, 1):
                wanted = known + dx + (dy << 20) + (dz << 40)
                at = np.minimum(np.searchsorted(known, wanted), len(known) - 1)
                there = known[at] == wanted
                rows.append(np.flatnonzero(there))
                columns.append(at[there])
    row, column = np.concatenate(rows), np.concatenate(columns)
    graph = scipy.sparse.coo_matrix(
        (np.ones(len(row), dtype=np.int8), (row, column)), shape=(len(known), len(known))
    )
    label = scipy.sparse.csgraph.connected_components(graph, directed=False)[1]
    return np.asarray(label[of_cell.reshape(-1)])
