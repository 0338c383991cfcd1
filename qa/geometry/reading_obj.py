"""OBJ text meshes: ``v`` and ``f`` lines; materials, groups, normals and curves are passed over."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qa.geometry.errors import GeometryError
from qa.geometry.kernels import compiled
from qa.geometry.merge import merge_indexed
from qa.geometry.mesh import FloatArray
from qa.geometry.parsing import (
    NOT_FINITE,
    NUMBER,
    Bytes,
    fan_triangles,
    parse_float,
    parse_integer,
    skip_line,
    skip_word,
)
from qa.geometry.reading_limits import RawMesh, not_finite, require_triangle_bound, syntax

_GOOD, _BAD_SYNTAX, _BAD_NUMBER, _BAD_INDEX = 0, 1, 2, 3
_V, _F = 118, 102


@compiled()
def _skip_blank(data: Bytes, at: int, end: int) -> int:
    """Skip blanks inside a line; a backslash before a line end continues the line."""
    while at < end:
        if data[at] == 32 or data[at] == 9:
            at += 1
        elif data[at] == 92 and at + 1 < end and (data[at + 1] == 10 or data[at + 1] == 13):
            at += 2
            if at < end and data[at - 1] == 13 and data[at] == 10:
                at += 1
        else:
            break
    return at


@compiled()
def _line_over(data: Bytes, at: int, end: int) -> bool:
    return at >= end or data[at] == 10 or data[at] == 13 or data[at] == 35


@compiled()
def _opens(data: Bytes, at: int, end: int, letter: int) -> bool:
    """Whether the line at ``at`` opens with ``letter`` and a blank."""
    return at + 1 < end and data[at] == letter and (data[at + 1] == 32 or data[at + 1] == 9)


@compiled()
def _count(data: Bytes) -> tuple[int, int, int]:
    """Vertices, faces and face corners the text names."""
    end = len(data)
    at = 0
    points = 0
    faces = 0
    corners = 0
    while at < end:
        at = _skip_blank(data, at, end)
        if _opens(data, at, end, _V):
            points += 1
        elif _opens(data, at, end, _F):
            faces += 1
            at = _skip_blank(data, at + 1, end)
            while not _line_over(data, at, end):
                corners += 1
                at = _skip_blank(data, skip_word(data, at, end), end)
        at = skip_line(data, at, end)
    return points, faces, corners


@compiled()
def _parse(
    data: Bytes, points: FloatArray, corners: NDArray[np.int64], starts: NDArray[np.int64]
) -> tuple[int, int, int]:
    """Fill the arrays: (status, byte of the trouble, most digits seen)."""
    end = len(data)
    at = 0
    point = 0
    face = 0
    corner = 0
    most_digits = 0
    while at < end:
        at = _skip_blank(data, at, end)
        line = at
        if _opens(data, at, end, _V):
            at += 1
            for axis in range(3):
                at = _skip_blank(data, at, end)
                value, at, status, digits = parse_float(data, at, end)
                if status == NOT_FINITE:
                    return _BAD_NUMBER, line, most_digits
                if status != NUMBER or (at < end and data[at] > 32):
                    return _BAD_SYNTAX, line, most_digits
                points[point, axis] = value
                most_digits = max(most_digits, digits)
            point += 1
        elif _opens(data, at, end, _F):
            at = _skip_blank(data, at + 1, end)
            while not _line_over(data, at, end):
                index, after, good = parse_integer(data, at, end)
                if not good or (after < end and data[after] > 32 and data[after] != 47):
                    return _BAD_SYNTAX, line, most_digits
                index = index - 1 if index > 0 else point + index
                if index < 0 or index >= len(points):
                    return _BAD_INDEX, line, most_digits
                corners[corner] = index
                corner += 1
                at = _skip_blank(data, skip_word(data, after, end), end)
            face += 1
            starts[face] = corner
        at = skip_line(data, at, end)
    return _GOOD, end, most_digits


def read_obj(data: Bytes, max_triangles: int) -> RawMesh:
    """Read an OBJ of triangles, quadrilaterals or larger polygons, negative indices included.

    Raises ``syntax``, ``index``, ``not_finite``, ``no_triangles``, ``too_many_triangles``.
    """
    points_n, faces_n, corners_n = _count(data)
    require_triangle_bound(corners_n - 2 * faces_n if faces_n else 0, max_triangles)
    points = np.zeros((points_n, 3))
    corners = np.zeros(corners_n, np.int64)
    starts = np.zeros(faces_n + 1, np.int64)
    status, at, digits = _parse(data, points, corners, starts)
    if status == _BAD_NUMBER:
        line = int(np.count_nonzero(data[:at] == 10)) + 1
        raise not_finite(f"Line {line:,}")
    if status == _BAD_INDEX:
        line = int(np.count_nonzero(data[:at] == 10)) + 1
        raise GeometryError(
            "index",
            f"Line {line:,} names a point that the file does not hold: the file was cut off or is "
            "damaged. Export or send it again.",
        )
    if status == _BAD_SYNTAX:
        raise syntax("an OBJ mesh", data, at)
    triangles = fan_triangles(points, corners, starts)
    require_triangle_bound(len(triangles), max_triangles)
    vertices, faces = merge_indexed(points, triangles)
    return RawMesh(vertices, faces, binary32=False, digits=int(digits))
