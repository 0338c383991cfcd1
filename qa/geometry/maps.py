"""Figures of a check as a value at every vertex, for colouring the surface in the 3-D view.

A group of ``check.GROUPS`` that can show where its figures come from offers, beside ``compute`` and
``judge``, a function ``maps(figures) -> tuple[SurfaceMap, ...]``. The values are those of the full mesh;
``pack_maps`` carries them onto the small copy of ``preview.make_preview`` for the page.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
import scipy
from numpy.typing import NDArray

from qa.geometry.errors import GeometryError
from qa.geometry.mesh import FloatArray, IndexArray, Mesh
from qa.geometry.topology import area_vectors
from qa.geometry.verdicts import jsonable

ValueArray = NDArray[np.float32]
Worse = Literal["low", "high", "none"]

MAGIC = b"FLV1"
# A vertex that faces the other way is taken for this much further off, so that a thin wall's two skins
# do not lend each other their values.
FACING_MM = 4.0
MOST_PLACES = 8
PLACES_APART_MM = 3.0
# Stored as whole numbers: 0 for none, the rest from the least to the greatest value.
_NONE, _LEAST, _MOST = 0, 1, 65_535


@dataclass(frozen=True, eq=False)
class SurfaceMap:
    """One figure over the surface.

    ``values`` (n float32, in ``unit``, in the order of the file's merged vertices) hold not-a-number where
    there is nothing to show. ``low`` to ``high`` is the range of the colour scale, in ``unit``; values
    beyond are drawn in its end colours. ``limit`` is the limit that the group judges by, if any.
    ``worse`` says which way is worse, so that no spot is lost when the mesh is reduced and the worst one
    is marked. ``note`` is one line: what is shown and how it was found. ``places`` (k x 4: x, y, z in the
    file's frame in mm, value) are spots to mark; left empty, the worst vertices are.
    """

    name: str
    title: str
    unit: str
    values: ValueArray
    low: float
    high: float
    note: str
    limit: float | None = None
    worse: Worse = "low"
    places: FloatArray = field(default_factory=lambda: np.zeros((0, 4)))

    @property
    def shown(self) -> int:
        """How many vertices hold a value."""
        return int(np.isfinite(self.values).sum())

    def about(self) -> dict[str, Any]:
        """Everything but the values, JSON-ready."""
        return {
            "name": self.name,
            "title": self.title,
            "unit": self.unit,
            "low": jsonable(float(self.low)),
            "high": jsonable(float(self.high)),
            "limit": jsonable(None if self.limit is None else float(self.limit)),
            "worse": self.worse,
            "note": self.note,
            "places": jsonable(np.round(self.places, 4)),
        }


def worst_places(
    shown: SurfaceMap, vertices: FloatArray, *, most: int = MOST_PLACES, apart_mm: float = PLACES_APART_MM
) -> FloatArray:
    """The worst vertices, each at least ``apart_mm`` from a worse one: k x 4 (x, y, z in mm, value).

    Only values beyond the limit count, where there is one; without one only the very worst is given, and
    none where nothing is worse than anything else.
    """
    known = np.flatnonzero(np.isfinite(shown.values))
    if shown.worse == "none" or not len(known):
        return np.zeros((0, 4))
    sign = 1.0 if shown.worse == "low" else -1.0
    rank = sign * shown.values[known].astype(np.float64)
    if shown.limit is not None:
        beyond = rank < sign * shown.limit
        known, rank = known[beyond], rank[beyond]
    elif most > 1:
        most = 1
    order = known[np.argsort(rank, kind="stable")]
    chosen: list[int] = []
    free = np.ones(len(order), dtype=bool)
    points = vertices[order]
    while len(chosen) < most and free.any():
        first = int(free.argmax())
        chosen.append(int(order[first]))
        free &= np.linalg.norm(points - points[first], axis=1) > apart_mm
    return np.hstack([vertices[chosen], shown.values[chosen, None].astype(np.float64)]).reshape(-1, 4)


def carry_over(
    maps: Sequence[SurfaceMap], full: Mesh, vertices: FloatArray, faces: IndexArray
) -> list[ValueArray]:
    """Values of ``maps`` at the vertices (k x 3, mm, the same frame) of a reduced copy of ``full``.

    Every full vertex gives its value to the copy's vertex that is nearest and faces alike (distance over
    position and over the unit normal times ``FACING_MM``); each takes the worst it is given, the mean
    where nothing is worse. The extreme of a map is therefore never lost. A vertex that nothing was given
    to takes the value of the nearest full vertex.
    """
    if not maps:
        return []
    here = _placed(full.vertices, full.faces)
    there = _placed(vertices, faces)
    _, taker = scipy.spatial.cKDTree(there).query(here, workers=2)
    _, giver = scipy.spatial.cKDTree(here).query(there, workers=2)
    return [_gathered(one, taker, giver) for one in maps]


def vertex_vectors(faces: IndexArray, vectors: FloatArray, count: int) -> FloatArray:
    """Sum of the area vectors (m x 3) of the faces round each of ``count`` vertices."""
    summed = np.zeros((count, 3))
    for corner in range(3):
        for axis in range(3):
            summed[:, axis] += np.bincount(faces[:, corner], vectors[:, axis], count)
    return summed


def _placed(vertices: FloatArray, faces: IndexArray) -> FloatArray:
    """Position and scaled unit normal of every vertex: n x 6."""
    normals = vertex_vectors(faces, area_vectors(vertices, faces), len(vertices))
    length = np.linalg.norm(normals, axis=1)
    normals *= (0.5 * FACING_MM / np.where(length > 0, length, 1.0))[:, None]
    return np.hstack([vertices, normals])


def _gathered(one: SurfaceMap, taker: NDArray[np.intp], giver: NDArray[np.intp]) -> ValueArray:
    known = np.isfinite(one.values)
    count = len(giver)
    if one.worse == "none":
        sums = np.bincount(taker[known], one.values[known], count)
        numbers = np.bincount(taker[known], minlength=count)
        made = np.where(numbers > 0, sums / np.maximum(numbers, 1), np.nan)
    else:
        least = one.worse == "low"
        made = np.full(count, np.inf if least else -np.inf)
        (np.minimum if least else np.maximum).at(made, taker[known], one.values[known])
        made[np.isinf(made)] = np.nan
    given = np.bincount(taker, minlength=count) > 0
    made[~given] = one.values[giver[~given]]
    return made.astype(np.float32)


@dataclass(frozen=True, eq=False)
class MapPack:
    """Maps on a reduced mesh, for storing: ``about`` (as ``SurfaceMap.about``) and values per map."""

    about: tuple[dict[str, Any], ...]
    values: tuple[ValueArray, ...]

    @property
    def names(self) -> list[str]:
        return [one["name"] for one in self.about]

    def to_bytes(self) -> bytes:
        """``FLV1``, a little-endian unsigned 32-bit length, a JSON header padded to four bytes, then
        unsigned 16-bit values per map: 0 is none, 1 to 65535 spread evenly from the header's ``least`` to
        ``most``. Both ends are exact; between them a value is off by at most 1/131068 of that range."""
        heads, blocks = [], []
        for about, values in zip(self.about, self.values, strict=True):
            known = np.isfinite(values)
            least = float(values[known].min()) if known.any() else 0.0
            most = float(values[known].max()) if known.any() else 0.0
            span = (most - least) or 1.0
            whole = np.zeros(len(values), np.uint16)
            steps = (values[known].astype(np.float64) - least) / span * (_MOST - _LEAST)
            whole[known] = np.round(steps).astype(np.uint16) + _LEAST
            heads.append(about | {"least": least, "most": most})
            blocks.append(whole.astype("<u2").tobytes())
        count = len(self.values[0]) if self.values else 0
        text = json.dumps({"vertices": count, "maps": heads}, allow_nan=False).encode()
        text += b" " * (-len(text) % 4)
        return b"".join([MAGIC, struct.pack("<I", len(text)), text, *blocks])

    @staticmethod
    def from_bytes(data: bytes) -> MapPack:
        """Read ``to_bytes`` back; raises ``maps`` when the bytes are something else."""
        try:
            if data[:4] != MAGIC:
                raise ValueError
            (length,) = struct.unpack("<I", data[4:8])
            header: dict[str, Any] = json.loads(data[8 : 8 + length])
            count, at = int(header["vertices"]), 8 + length
            abouts, values = [], []
            for head in header["maps"]:
                whole = np.frombuffer(data, "<u2", count, at).astype(np.float64)
                at += 2 * count
                least, most = float(head.pop("least")), float(head.pop("most"))
                real = least + (whole - _LEAST) / (_MOST - _LEAST) * (most - least)
                values.append(np.where(whole == _NONE, np.nan, real).astype(np.float32))
                abouts.append(head)
        except (ValueError, KeyError, struct.error, TypeError):
            raise GeometryError("maps", "The stored maps are damaged; check the mesh again.") from None
        return MapPack(tuple(abouts), tuple(values))

    def only(self, name: str) -> MapPack:
        """One map by itself, small enough to send; raises ``maps`` when there is none of that name."""
        values = self.of(name)
        return MapPack(tuple(one for one in self.about if one["name"] == name), (values,))

    def of(self, name: str) -> ValueArray:
        """One map's values; raises ``maps`` when there is none of that name."""
        for about, values in zip(self.about, self.values, strict=True):
            if about["name"] == name:
                return values
        raise GeometryError("maps", f"There is no map called '{name}'.")


def pack_maps(maps: Sequence[SurfaceMap], full: Mesh, vertices: FloatArray, faces: IndexArray) -> MapPack:
    """Maps that show something, carried onto a reduced copy (k x 3 in mm, in the frame of ``full``)."""
    shown = [
        one if len(one.places) else replace(one, places=worst_places(one, full.vertices))
        for one in maps
        if one.shown
    ]
    values = carry_over(shown, full, vertices, faces)
    return MapPack(tuple(one.about() for one in shown), tuple(values))
