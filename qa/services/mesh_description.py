"""What the mesh engine says of a file before it is attached to a case."""

from __future__ import annotations

from pathlib import Path

from cases.hooks import MeshDescription
from labtrack.errors import Refused
from qa.geometry.errors import GeometryError
from qa.geometry.reading import read_mesh


def describe_mesh(path: Path, unit: str) -> MeshDescription:
    """Format and triangles of the file; ``Refused`` with the engine's sentence for no sound mesh.

    The engine bounds bytes and triangles; a file that states another unit than the person is refused,
    since nobody can tell which of the two is right.
    """
    try:
        read = read_mesh(path, unit=unit)
    except GeometryError as error:
        raise Refused(f"mesh-{error.code.replace('_', '-')}", error.sentence, field="file") from error
    except MemoryError:
        raise Refused(
            "mesh-too-large", "This mesh is too large to be read here. Reduce its triangles.", field="file"
        ) from None
    if read.unit_stated is not None and read.unit_stated != unit:
        raise Refused(
            "mesh-unit-differs",
            f"The file states that its numbers are in {read.unit_stated}, you said {unit}. Choose "
            "the right unit.",
            field="unit",
        )
    return MeshDescription(format=read.format, triangles=read.triangles)
