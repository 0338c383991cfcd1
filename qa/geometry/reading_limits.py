"""What a reader may be asked to hold, and the raw result every format's reader returns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from qa.geometry.errors import GeometryError
from qa.geometry.mesh import FloatArray, IndexArray
from qa.geometry.parsing import Bytes

MAX_TRIANGLES = 5_000_000
MAX_BYTES = 1_000_000_000
# No part, in any unit of length a scanner writes, lies this far from its origin.
MAX_COORDINATE = 1e8


@dataclass(frozen=True, eq=False)
class RawMesh:
    """Triangles as a file states them, merged, in the file's own unit.

    ``vertices`` n x 3 float64, ``faces`` m x 3 int32, ``digits`` the significant digits stored (24
    binary digits are 7), ``binary32`` whether coordinates are stored as 32-bit floats.
    """

    vertices: FloatArray
    faces: IndexArray
    binary32: bool
    digits: int
    unit_stated: str | None = None


def require_triangle_bound(triangles: int, max_triangles: int) -> None:
    """Raise ``too_many_triangles`` above the bound, ``no_triangles`` at zero."""
    if triangles > max_triangles:
        raise GeometryError(
            "too_many_triangles",
            f"The file holds {triangles:,} triangles; at most {max_triangles:,} can be checked. "
            "Reduce the mesh (0.01 mm is fine enough for a dental model) and upload it again.",
        )
    if triangles <= 0:
        raise GeometryError(
            "no_triangles",
            "The file holds no triangles, so there is no surface to check. "
            "Export the model as a surface mesh, not as points or lines.",
        )


def require_sound_coordinates(vertices: FloatArray) -> None:
    """Raise ``not_finite`` or ``absurd`` when a coordinate cannot belong to a part."""
    if not np.isfinite(vertices).all():
        raise not_finite("The file")
    largest = float(np.abs(vertices).max()) if len(vertices) else 0.0
    if largest > MAX_COORDINATE:
        raise GeometryError(
            "absurd",
            f"A coordinate of {largest:.3g} is no place on a part. "
            "The file is damaged or was written with a wrong scale; export it again.",
        )


def not_finite(where: str) -> GeometryError:
    """The refusal of a coordinate that is not a number or is infinite."""
    return GeometryError(
        "not_finite",
        f"{where} has a coordinate that is not a finite number. The file is damaged; export it again.",
    )


def syntax(what: str, data: Bytes, at: int) -> GeometryError:
    """The refusal of text that a reader does not understand, with its line."""
    line = int(np.count_nonzero(data[:at] == 10)) + 1
    return GeometryError(
        "syntax", f"Line {line:,} of the file is not as {what} should be. Export the file again."
    )
