"""Volume of a mesh whose bodies overlap, material counted once."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qa.geometry.kernels import compiled
from qa.geometry.mesh import FloatArray, IndexArray, Mesh
from qa.geometry.nesting import height_over, make_columns

_UNION_RAYS = 600
_TURN_COS, _TURN_SIN = float(np.cos(0.5537)), float(np.sin(0.5537))
_MOST_CROSSINGS = 512


def sampled_union(mesh: Mesh) -> tuple[float, float]:
    """Volume in mm3 where the winding number is not zero, and the spacing (mm) of the vertical lines it was
    sampled along. The mesh is closed and stands on z = 0, centred in x and y."""
    size = np.ptp(mesh.vertices[:, :2], axis=0)
    step = float(max(size.max() / _UNION_RAYS, 1e-9))
    columns = make_columns(mesh)
    sampled = _ray_union(
        mesh.vertices, mesh.faces, columns.starts, columns.entries,
        columns.origin, columns.cell, columns.across, columns.along, step, size,
    )  # fmt: skip
    return float(sampled), step


@compiled()
def _ray_union(
    vertices: FloatArray,
    faces: IndexArray,
    starts: NDArray[np.int64],
    entries: IndexArray,
    origin: FloatArray,
    cell: FloatArray,
    across: int,
    along: int,
    step: float,
    size: FloatArray,
) -> float:
    """Volume where the winding number is not zero, along vertical lines of a turned square lattice.

    The turn keeps walls along x and y from falling in step with the lattice, which would add their errors.
    """
    heights, ways = np.zeros(_MOST_CROSSINGS), np.zeros(_MOST_CROSSINGS, np.int32)
    total = 0.0
    half = int(np.ceil(0.5 * np.sqrt(size[0] ** 2 + size[1] ** 2) / step)) + 1
    for row in range(-half, half):
        for column in range(-half, half):
            u, v = (column + 0.5) * step, (row + 0.5) * step
            x = 0.5 * size[0] + u * _TURN_COS - v * _TURN_SIN
            y = 0.5 * size[1] + u * _TURN_SIN + v * _TURN_COS
            at_x, at_y = int(np.floor(x / cell[0])), int(np.floor(y / cell[1]))
            if at_x < 0 or at_y < 0 or at_x >= across or at_y >= along:
                continue
            x += origin[0]
            y += origin[1]
            found = 0
            for entry in range(starts[at_y * across + at_x], starts[at_y * across + at_x + 1]):
                facing, height = height_over(vertices, faces, entries[entry], x, y)
                if facing != 0 and found < _MOST_CROSSINGS:
                    heights[found], ways[found] = height, facing
                    found += 1
            winding = 0
            order = np.argsort(heights[:found])
            for place in range(found):
                if winding != 0:
                    total += heights[order[place]] - heights[order[place - 1]]
                winding += ways[order[place]]
    return total * step * step
