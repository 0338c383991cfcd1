"""A small copy of a mesh for the page's 3-D view; figures always come from the full mesh.

Decimation by quadric error (Garland and Heckbert 1997) through fast-simplification; where that cannot
cope, vertices are gathered in a grid.

Bytes: ``FLM1``, a little-endian unsigned 32-bit length of the header, the header as JSON padded with
spaces to a multiple of four bytes, then float32 vertices (x, y, z), int32 faces, and float32 values per
vertex when there are any. The header: ``vertices`` and ``faces`` (counts), ``origin_mm`` (add it to each
vertex), ``values`` (the name of what is shown, or null), ``unit`` of the values, ``triangles_full``.
"""

from __future__ import annotations

import json
import struct
from dataclasses import dataclass
from typing import Any

import fast_simplification
import numpy as np
import scipy
from numpy.typing import NDArray

from qa.geometry.errors import GeometryError
from qa.geometry.merge import merge_indexed
from qa.geometry.mesh import FloatArray, Mesh
from qa.geometry.threads import thread_count
from qa.geometry.topology import area_vectors

MAGIC = b"FLM1"
AGGRESSION = 7
# Above this the mesh is gathered in a grid first, which bounds time and memory.
_GATHER_FROM = 1_500_000
# Fans of this many triangles make edge collapses crawl.
_MOST_AT_A_VERTEX = 2_000


@dataclass(frozen=True, eq=False)
class Preview:
    """Vertices n x 3 float32 in mm relative to ``origin_mm``; faces m x 3 int32; values n or ``None``."""

    vertices: NDArray[np.float32]
    faces: NDArray[np.int32]
    origin_mm: tuple[float, float, float]
    triangles_full: int
    values: NDArray[np.float32] | None = None
    values_name: str | None = None
    values_unit: str = ""

    def to_bytes(self) -> bytes:
        """The compact form the page reads; see the module's head."""
        header = {
            "vertices": len(self.vertices),
            "faces": len(self.faces),
            "origin_mm": list(self.origin_mm),
            "values": self.values_name if self.values is not None else None,
            "unit": self.values_unit,
            "triangles_full": self.triangles_full,
        }
        text = json.dumps(header, allow_nan=False).encode()
        text += b" " * (-len(text) % 4)
        parts = [MAGIC, struct.pack("<I", len(text)), text]
        parts.append(self.vertices.astype("<f4").tobytes())
        parts.append(self.faces.astype("<i4").tobytes())
        if self.values is not None:
            parts.append(self.values.astype("<f4").tobytes())
        return b"".join(parts)

    @staticmethod
    def from_bytes(data: bytes) -> Preview:
        """Read ``to_bytes`` back; raises ``preview`` when the bytes are something else."""
        try:
            if data[:4] != MAGIC:
                raise ValueError
            (length,) = struct.unpack("<I", data[4:8])
            header: dict[str, Any] = json.loads(data[8 : 8 + length])
            n, m, at = int(header["vertices"]), int(header["faces"]), 8 + length
            vertices = np.frombuffer(data, "<f4", 3 * n, at).reshape(n, 3)
            faces = np.frombuffer(data, "<i4", 3 * m, at + 12 * n).reshape(m, 3)
            named = header["values"] is not None
            values = np.frombuffer(data, "<f4", n, at + 12 * n + 12 * m) if named else None
            x, y, z = (float(each) for each in header["origin_mm"])
        except (ValueError, KeyError, struct.error, TypeError):
            raise GeometryError("preview", "The stored preview is damaged; make it again.") from None
        return Preview(
            vertices,
            faces,
            (x, y, z),
            int(header["triangles_full"]),
            values,
            header["values"],
            header["unit"],
        )


def make_preview(
    mesh: Mesh,
    max_triangles: int = 50_000,
    *,
    values: FloatArray | None = None,
    values_name: str = "value",
    values_unit: str = "",
) -> Preview:
    """Reduce a mesh, however broken, to at most ``max_triangles``.

    ``values`` (one per vertex of ``mesh``) are carried over from the nearest vertex.
    """
    low, high = mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)
    origin = 0.5 * (low + high)
    points = mesh.vertices - origin
    reduced_points, reduced_faces = _reduce(points, mesh.faces, max_triangles)
    carried = None
    if values is not None:
        carried = values[nearest_vertices(points, reduced_points)].astype(np.float32)
    return Preview(
        vertices=reduced_points.astype(np.float32),
        faces=np.ascontiguousarray(reduced_faces, dtype=np.int32),
        origin_mm=(float(origin[0]), float(origin[1]), float(origin[2])),
        triangles_full=len(mesh.faces),
        values=carried,
        values_name=values_name if values is not None else None,
        values_unit=values_unit,
    )


def nearest_vertices(points: FloatArray, wanted: FloatArray) -> NDArray[np.int64]:
    """Number of the point (n x 3) nearest to each wanted place (m x 3)."""
    # Vertices are spread evenly enough that a tree split at the middle serves as well and is made faster.
    tree = scipy.spatial.cKDTree(points, balanced_tree=False, compact_nodes=False)
    return np.asarray(tree.query(wanted, workers=thread_count())[1])


def _reduce(points: FloatArray, faces: NDArray[np.int32], most: int) -> tuple[FloatArray, NDArray[np.int32]]:
    if len(faces) <= most:
        return points, faces
    if len(faces) > _GATHER_FROM:
        points, faces = _gather_below(points, faces, _GATHER_FROM)
    if len(faces) > most and int(np.bincount(faces.reshape(-1)).max()) > _MOST_AT_A_VERTEX:
        return _gather_below(points, faces, most)
    if len(faces) > most:
        out_points, out_faces = fast_simplification.simplify(
            np.ascontiguousarray(points, dtype=np.float32),
            np.ascontiguousarray(faces, dtype=np.int32),
            target_count=most,
            agg=AGGRESSION,
        )
        sound = len(out_faces) > 0 and bool(np.isfinite(out_points).all())
        if sound and len(out_faces) <= most * 1.05:
            return _tidy(out_points.astype(np.float64), out_faces.astype(np.int32))
        return _gather_below(points, faces, most)
    return points, faces


def _tidy(points: FloatArray, faces: NDArray[np.int32]) -> tuple[FloatArray, NDArray[np.int32]]:
    """Drop faces that lost a corner and points that no face uses."""
    a, b, c = faces.T
    kept = faces[(a != b) & (b != c) & (c != a)]
    if len(kept) == 0:
        return points, faces
    return merge_indexed(points, kept)


def _gather_below(
    points: FloatArray, faces: NDArray[np.int32], most: int
) -> tuple[FloatArray, NDArray[np.int32]]:
    """Snap vertices to an ever coarser grid until few enough faces keep three corners."""
    # A surface of area A on a grid of cell c keeps about 2.6 A / c^2 faces.
    area = float(np.linalg.norm(area_vectors(points, faces), axis=1).sum())
    extent = float(np.ptp(points, axis=0).max())
    cell = max(float(np.sqrt(2.6 * area / most)), extent / 4096)
    while True:
        gathered, joined = _tidy(*merge_indexed(np.round(points / cell) * cell, faces))
        if len(joined) > most and cell > extent / 64:
            joined = np.unique(np.sort(joined, axis=1), axis=0)
        if len(joined) <= most or cell >= extent:
            return gathered, joined[:most].astype(np.int32)
        cell *= max(1.2, float(np.sqrt(len(joined) / most)))
