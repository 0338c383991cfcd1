"""STL, binary and text. Layout after the format's original description (3D Systems, 1989)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qa.geometry.errors import GeometryError
from qa.geometry.kernels import compiled
from qa.geometry.merge import merge_indexed, merge_stl_records
from qa.geometry.mesh import FloatArray
from qa.geometry.parsing import (
    NOT_FINITE,
    NUMBER,
    Bytes,
    parse_float,
    same_word,
    skip_line,
    skip_space,
    skip_word,
)
from qa.geometry.reading_limits import RawMesh, not_finite, require_triangle_bound, syntax

HEADER_BYTES = 84
RECORD_BYTES = 50


def stated_triangles(data: Bytes) -> int:
    """The triangle count in a binary STL's header."""
    return int.from_bytes(data[80:84].tobytes(), "little")


def length_fits(data: Bytes) -> bool:
    """Whether the length is what the stated count asks for, give or take stray bytes at the end."""
    if len(data) < HEADER_BYTES:
        return False
    stray = len(data) - HEADER_BYTES - RECORD_BYTES * stated_triangles(data)
    return 0 <= stray < RECORD_BYTES


def counts_plausibly(data: Bytes) -> bool:
    """Whether the count of a binary STL stands where it should: no text has a zero byte there.

    Tells a binary STL whose header begins with ``solid``, cut off or miscounted, from a damaged text.
    """
    return len(data) >= HEADER_BYTES and data[HEADER_BYTES - 1] == 0


def looks_like_records(data: Bytes) -> bool:
    """Whether the first records could be facets: finite coordinates, sound normals.

    A normal is sound when it is a unit vector, or zero, or of any length along the facet's own. Tells
    a cut-off binary STL from any other file of bytes.
    """
    present = min((len(data) - HEADER_BYTES) // RECORD_BYTES, 50)
    if present < 1:
        return False
    start = HEADER_BYTES
    records = data[start : start + present * RECORD_BYTES].reshape(present, RECORD_BYTES)
    numbers = np.ascontiguousarray(records[:, :48]).view("<f4").astype(np.float64)
    with np.errstate(invalid="ignore", over="ignore"):
        lengths = np.linalg.norm(numbers[:, :3], axis=1)
        corners = numbers[:, 3:].reshape(-1, 3, 3)
        own = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        along = np.abs((own * numbers[:, :3]).sum(axis=1)) > 0.99 * lengths * np.linalg.norm(own, axis=1)
        sound_normal = (lengths < 1e-6) | (np.abs(lengths - 1.0) < 0.05) | along
        sizes = np.abs(numbers[:, 3:])
        sound_corner = ((sizes < 1e7) & ((sizes > 1e-12) | (sizes == 0.0))).all(axis=1)
    return bool((sound_normal & sound_corner).mean() > 0.8)


def read_binary(data: Bytes, max_triangles: int) -> RawMesh:
    """Read a binary STL; stray bytes shorter than one record are ignored.

    Raises ``truncated``, ``count``, ``not_finite``, ``no_triangles``, ``too_many_triangles``.
    """
    stated = stated_triangles(data)
    present = (len(data) - HEADER_BYTES) // RECORD_BYTES
    if stated > present:
        raise GeometryError(
            "truncated",
            f"The file states {stated:,} triangles but only {present:,} are in it: it was cut off on "
            "the way or is damaged. Export or send it again.",
        )
    if stated < present:
        raise GeometryError(
            "count",
            f"The file states {stated:,} triangles but has room for {present:,}: its count is wrong, "
            "so nobody can say which are meant. Export it again.",
        )
    require_triangle_bound(stated, max_triangles)
    bits, faces, bad = merge_stl_records(data, stated)
    if bad >= 0:
        raise not_finite(f"Triangle {bad + 1:,}")
    return RawMesh(bits.view(np.float32).astype(np.float64), faces, binary32=True, digits=7)


_SOLID, _ENDSOLID = (np.frombuffer(word, np.uint8) for word in (b"solid", b"endsolid"))
_FACET, _ENDFACET = (np.frombuffer(word, np.uint8) for word in (b"facet", b"endfacet"))
_OUTER, _LOOP, _ENDLOOP = (np.frombuffer(word, np.uint8) for word in (b"outer", b"loop", b"endloop"))
_NORMAL, _VERTEX = (np.frombuffer(word, np.uint8) for word in (b"normal", b"vertex"))

_GOOD, _BAD_SYNTAX, _BAD_NUMBER, _CUT_OFF = 0, 1, 2, 3


@compiled()
def _count_vertices(data: Bytes) -> int:
    """How often the word ``vertex`` stands in the text, an upper bound on the corners."""
    count = 0
    for at in range(len(data) - 6):
        if (data[at] | 32) == 118 and is_start(data, at) and same_word(data, at, at + 6, _VERTEX):
            count += 1
    return count


@compiled()
def is_start(data: Bytes, at: int) -> bool:
    return at == 0 or data[at - 1] <= 32


@compiled()
def _parse_text(data: Bytes, points: FloatArray) -> tuple[int, int, int, int]:
    """Fill ``points`` with corners: (corners, status, byte of the trouble, most digits seen)."""
    end = len(data)
    at = skip_space(data, 0, end)
    corners = 0
    corners_before = 0
    most_digits = 0
    open_facet = False
    open_solid = False
    while at < end:
        stop = skip_word(data, at, end)
        if same_word(data, at, stop, _VERTEX):
            if not open_facet or corners >= len(points):
                return corners, _BAD_SYNTAX, at, most_digits
            for axis in range(3):
                stop = skip_space(data, stop, end)
                if stop >= end:
                    return corners, _CUT_OFF, at, most_digits
                value, after, status, digits = parse_float(data, stop, end)
                if status == NOT_FINITE:
                    return corners, _BAD_NUMBER, at, most_digits
                if status != NUMBER or (after < end and data[after] > 32):
                    return corners, _BAD_SYNTAX, at, most_digits
                points[corners, axis] = value
                most_digits = max(most_digits, digits)
                stop = after
            corners += 1
        elif same_word(data, at, stop, _FACET):
            if open_facet:
                return corners, _BAD_SYNTAX, at, most_digits
            open_facet = True
            corners_before = corners
        elif same_word(data, at, stop, _ENDFACET):
            if not open_facet or corners - corners_before != 3:
                return corners, _BAD_SYNTAX, at, most_digits
            open_facet = False
        elif same_word(data, at, stop, _NORMAL):
            for _ in range(3):
                stop = skip_word(data, skip_space(data, stop, end), end)
        elif same_word(data, at, stop, _SOLID):
            open_solid = True
            stop = skip_line(data, stop, end)
        elif same_word(data, at, stop, _ENDSOLID):
            if open_facet:
                return corners, _BAD_SYNTAX, at, most_digits
            open_solid = False
            stop = skip_line(data, stop, end)
        elif not (
            same_word(data, at, stop, _OUTER)
            or same_word(data, at, stop, _LOOP)
            or same_word(data, at, stop, _ENDLOOP)
        ):
            status = _CUT_OFF if stop >= end else _BAD_SYNTAX
            return corners, status, at, most_digits
        at = skip_space(data, stop, end)
    return corners, (_CUT_OFF if open_facet or open_solid else _GOOD), end, most_digits


def read_text(data: Bytes, max_triangles: int) -> RawMesh:
    """Read a text STL of one or more solids.

    Raises ``truncated``, ``syntax``, ``not_finite``, ``no_triangles``, ``too_many_triangles``.
    """
    upper = int(_count_vertices(data))
    require_triangle_bound(-(-upper // 3), max_triangles)
    points = np.zeros((upper, 3))
    corners, status, at, digits = _parse_text(data, points)
    if status == _BAD_NUMBER:
        raise not_finite(f"Triangle {corners // 3 + 1:,}")
    if status == _CUT_OFF:
        raise GeometryError(
            "truncated",
            f"The text ends inside a solid after {corners // 3:,} whole triangles: the file was cut off "
            "on the way. Export or send it again.",
        )
    if status == _BAD_SYNTAX:
        raise syntax("a text STL", data, at)
    require_triangle_bound(corners // 3, max_triangles)
    loose: NDArray[np.int32] = np.arange(corners, dtype=np.int32).reshape(-1, 3)
    vertices, faces = merge_indexed(points[:corners], loose)
    return RawMesh(vertices, faces, binary32=False, digits=int(digits))
