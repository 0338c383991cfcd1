"""The triangle mesh that every engine function takes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.int32]


@dataclass(frozen=True, eq=False)
class Mesh:
    """Triangles in the build frame: platform at min z, +z away from it (after ISO/ASTM 52921).

    ``vertices`` n x 3 float64 in mm, C-contiguous; ``faces`` m x 3 int32, counter-clockwise seen
    from outside.
    """

    vertices: FloatArray
    faces: IndexArray

    def corners(self) -> FloatArray:
        """Corner coordinates, m x 3 x 3, in mm."""
        return self.vertices[self.faces]
