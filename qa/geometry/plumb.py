"""Plumb lines: where vertical lines on a square grid cross a surface.

Each line keeps its crossings from the lowest to the highest with the way the surface faces there. So the
next crossing above a point tells what the point is in: a surface facing up, material; one facing down,
empty space under cover; none, the open. That needs no closed mesh and no floor.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from qa.geometry.kernels import compiled
from qa.geometry.mesh import FloatArray, IndexArray

BLOCK, FIELD = 8, 8
_MARGIN = 2
_SORT_FROM = 32
_LEAST_GAP = 0.001
OPEN, INSIDE = -1, -2
_MOST_CROSSINGS = 12_000_000
# An odd start, so that the lines do not fall on the edges of regular meshes.
_OFFSET = 0.4863


class Plumb(NamedTuple):
    """Crossings on ``rows`` x ``columns`` lines, the first at ``origin`` (x, y), ``cell`` mm apart.

    Line (row, column) is number row x columns + column; ``starts`` tells where its crossings begin in
    ``heights`` (mm, rising) and ``ways`` (1 faces up, -1 down). ``top`` is its highest crossing, minus
    infinity where it meets nothing; ``low_top`` the lowest ``top`` per block of 8 x 8 lines, ``field_top``
    the lowest per field of 8 x 8 blocks.
    """

    origin: FloatArray
    cell: float
    rows: int
    columns: int
    starts: NDArray[np.int64]
    heights: FloatArray
    ways: NDArray[np.int8]
    top: FloatArray
    low_top: FloatArray
    field_top: FloatArray


@compiled()
def _cross_x(ax: float, ay: float, bx: float, by: float, y: float) -> float:
    """Where an edge meets the line at ``y``, the same bits whichever way the edge runs."""
    if ay > by or (ay == by and ax > bx):
        ax, ay, bx, by = bx, by, ax, ay
    return ax + (y - ay) * ((bx - ax) / (by - ay))


@compiled()
def _stretch(vertices: FloatArray, faces: IndexArray, face: int, y: float) -> tuple[float, float]:
    """The stretch of x in which a face lies under the line at ``y``; empty as (1, 0)."""
    low, high = np.inf, -np.inf
    for corner in range(3):
        a, b = faces[face, corner], faces[face, (corner + 1) % 3]
        ay, by = vertices[a, 1], vertices[b, 1]
        if (ay <= y) == (by <= y):
            continue
        x = _cross_x(vertices[a, 0], ay, vertices[b, 0], by, y)
        low, high = min(low, x), max(high, x)
    return (low, high) if low < high else (1.0, 0.0)


@compiled()
def _rows_of(
    vertices: FloatArray, faces: IndexArray, face: int, floor: float, cell: float
) -> tuple[int, int]:
    """First and last row of lines that a face may meet."""
    ya, yb, yc = vertices[faces[face, 0], 1], vertices[faces[face, 1], 1], vertices[faces[face, 2], 1]
    first = int(np.ceil((min(ya, yb, yc) - floor) / cell))
    last = int(np.floor((max(ya, yb, yc) - floor) / cell))
    return first, last


@compiled()
def _count(
    vertices: FloatArray, faces: IndexArray, origin: FloatArray, cell: float, rows: int, columns: int,
    most: int,
) -> NDArray[np.int64]:  # fmt: skip
    """How many crossings each line has, as starts; the last entry is beyond ``most`` when that is passed."""
    starts = np.zeros(rows * columns + 1, np.int64)
    total = 0
    for face in range(len(faces)):
        first, last = _rows_of(vertices, faces, face, origin[1], cell)
        for row in range(first, last + 1):
            low, high = _stretch(vertices, faces, face, origin[1] + row * cell)
            begin = int(np.ceil((low - origin[0]) / cell))
            end = int(np.ceil((high - origin[0]) / cell))
            for column in range(begin, end):
                starts[row * columns + column + 1] += 1
            total += max(0, end - begin) + 1
        if total > most:
            starts[-1] = most + 1
            return starts
    for line in range(rows * columns):
        starts[line + 1] += starts[line]
    return starts


@compiled()
def _fill(
    vertices: FloatArray, faces: IndexArray, origin: FloatArray, cell: float, columns: int,
    starts: NDArray[np.int64], heights: FloatArray, ways: NDArray[np.int8],
) -> None:  # fmt: skip
    """Set the crossings of every line, in the order of the faces."""
    used = np.zeros(len(starts) - 1, np.int32)
    for face in range(len(faces)):
        a, b, c = faces[face, 0], faces[face, 1], faces[face, 2]
        ax, ay, az = vertices[a, 0], vertices[a, 1], vertices[a, 2]
        bx, by, bz = vertices[b, 0] - ax, vertices[b, 1] - ay, vertices[b, 2] - az
        cx, cy, cz = vertices[c, 0] - ax, vertices[c, 1] - ay, vertices[c, 2] - az
        double = bx * cy - by * cx
        if double == 0.0:
            # Still counted where rounding gives it a width; then it stands at its own middle.
            along_x, along_y = 0.0, 0.0
        else:
            along_x = (bz * cy - by * cz) / double
            along_y = (bx * cz - bz * cx) / double
        bottom = az + min(0.0, bz, cz)
        ceiling = az + max(0.0, bz, cz)
        way = 1 if double > 0.0 else -1
        first, last = _rows_of(vertices, faces, face, origin[1], cell)
        for row in range(first, last + 1):
            y = origin[1] + row * cell
            low, high = _stretch(vertices, faces, face, y)
            for column in range(
                int(np.ceil((low - origin[0]) / cell)), int(np.ceil((high - origin[0]) / cell))
            ):
                x = origin[0] + column * cell
                z = az + (x - ax) * along_x + (y - ay) * along_y
                z = min(max(z, bottom), ceiling)
                line = row * columns + column
                place = starts[line] + used[line]
                used[line] += 1
                heights[place], ways[place] = z, way


@compiled()
def _sort_lines(starts: NDArray[np.int64], heights: FloatArray, ways: NDArray[np.int8]) -> None:
    """Put each line's crossings in order; most lines hold a few only."""
    for line in range(len(starts) - 1):
        begin, end = starts[line], starts[line + 1]
        if end - begin > _SORT_FROM:
            order = np.argsort(heights[begin:end])
            heights[begin:end] = heights[begin:end][order]
            ways[begin:end] = ways[begin:end][order]
            continue
        for next_one in range(begin + 1, end):
            z, way, place = heights[next_one], ways[next_one], next_one
            while place > begin and heights[place - 1] > z:
                heights[place], ways[place] = heights[place - 1], ways[place - 1]
                place -= 1
            heights[place], ways[place] = z, way


@compiled()
def _tops(
    starts: NDArray[np.int64], heights: FloatArray, rows: int, columns: int
) -> tuple[FloatArray, FloatArray]:
    """Highest crossing per line, and the lowest of those per block."""
    top = np.full(rows * columns, -np.inf)
    across = (columns + BLOCK - 1) // BLOCK
    low_top = np.full(((rows + BLOCK - 1) // BLOCK) * across, np.inf)
    for row in range(rows):
        for column in range(columns):
            line = row * columns + column
            if starts[line + 1] > starts[line]:
                top[line] = heights[starts[line + 1] - 1]
            block = (row // BLOCK) * across + column // BLOCK
            low_top[block] = min(low_top[block], top[line])
    return top, low_top


def _field_tops(low_top: FloatArray, rows: int, columns: int) -> FloatArray:
    """The lowest of the blocks' tops per field."""
    along, across = -(-rows // BLOCK), -(-columns // BLOCK)
    blocks = np.full((-(-along // FIELD) * FIELD, -(-across // FIELD) * FIELD), np.inf)
    blocks[:along, :across] = low_top.reshape(along, across)
    fields = blocks.reshape(blocks.shape[0] // FIELD, FIELD, blocks.shape[1] // FIELD, FIELD)
    return np.ascontiguousarray(fields.min(axis=(1, 3)).ravel())


def drop_plumb(vertices: FloatArray, faces: IndexArray, cells_across: int) -> Plumb:
    """Cross a surface by vertical lines, ``cells_across`` of them over its longer side in plan.

    Fewer lines are taken where triangles lie so thick that there would be too many crossings.
    """
    corner, far = vertices[:, :2].min(axis=0), vertices[:, :2].max(axis=0)
    extent = far - corner
    cell = float(max(extent.max() / cells_across, 1e-12))
    while True:
        origin = corner - cell * (_MARGIN - _OFFSET)
        columns, rows = (int(count) for count in np.ceil(extent / cell) + 2 * _MARGIN)
        starts = _count(vertices, faces, origin, cell, rows, columns, _MOST_CROSSINGS)
        if starts[-1] <= _MOST_CROSSINGS or cell > extent.max() / 16:
            break
        cell *= 2.0
    if starts[-1] > _MOST_CROSSINGS:
        starts = np.zeros(rows * columns + 1, np.int64)
        faces = faces[:0]
    heights = np.zeros(int(starts[-1]))
    ways = np.zeros(int(starts[-1]), np.int8)
    _fill(vertices, faces, origin, cell, columns, starts, heights, ways)
    _sort_lines(starts, heights, ways)
    top, low_top = _tops(starts, heights, rows, columns)
    fields = _field_tops(low_top, rows, columns)
    return Plumb(origin, cell, rows, columns, starts, heights, ways, top, low_top, fields)


@compiled()
def line_near(plumb: Plumb, x: float, y: float) -> tuple[int, int]:
    """Row and column of the line nearest to a place, kept on the grid."""
    row = int(np.floor((y - plumb.origin[1]) / plumb.cell + 0.5))
    column = int(np.floor((x - plumb.origin[0]) / plumb.cell + 0.5))
    return min(max(row, 0), plumb.rows - 1), min(max(column, 0), plumb.columns - 1)


@compiled()
def way_above(plumb: Plumb, row: int, column: int, z: float) -> int:
    """How the surface next above a height faces on a line: 1 up, -1 down, 0 none."""
    line = row * plumb.columns + column
    if not plumb.top[line] > z:
        return 0
    for place in range(plumb.starts[line], plumb.starts[line + 1]):
        if plumb.heights[place] > z:
            return int(plumb.ways[place])
    return 0


@compiled()
def roof_over(plumb: Plumb, row: int, column: int, z: float) -> int:
    """The next crossing above a height where it faces down; ``OPEN`` for none, ``INSIDE`` material."""
    line = row * plumb.columns + column
    if plumb.top[line] > z:
        for place in range(plumb.starts[line], plumb.starts[line + 1]):
            if plumb.heights[place] > z:
                return int(place) if plumb.ways[place] < 0 else INSIDE
    return OPEN


@compiled()
def gap_above(plumb: Plumb, row: int, column: int, z: float) -> int:
    """The lowest crossing above a height that faces down, the roof over it; -1 when there is none."""
    line = row * plumb.columns + column
    if plumb.top[line] > z:
        for place in range(plumb.starts[line], plumb.starts[line + 1]):
            if plumb.heights[place] > z and plumb.ways[place] < 0:
                return int(place)
    return -1


@compiled()
def _gap(plumb: Plumb, place: int, line: int, table: float) -> tuple[float, float]:
    """The empty stretch under a crossing that faces down, no lower than the table."""
    low = plumb.heights[place - 1] if place > plumb.starts[line] else table
    return max(low, table), plumb.heights[place]


@compiled()
def gaps_reached(plumb: Plumb, table: float) -> NDArray[np.bool_]:
    """Per crossing, whether the gap under it hangs together with the open, step by step between lines.

    Gaps meet where they overlap in height, however little. Nothing passes below ``table``.
    """
    reached = np.zeros(len(plumb.heights), np.bool_)
    waiting = np.zeros(len(plumb.heights), np.int32)
    lines = np.zeros(len(plumb.heights), np.int32)
    count = 0
    for row in range(1, plumb.rows - 1):
        for column in range(1, plumb.columns - 1):
            line = row * plumb.columns + column
            for place in range(plumb.starts[line], plumb.starts[line + 1]):
                if plumb.ways[place] >= 0:
                    continue
                low, high = _gap(plumb, place, line, table)
                for step in (-plumb.columns, -1, 1, plumb.columns):
                    if high - max(low, plumb.top[line + step]) > _LEAST_GAP * plumb.cell:
                        reached[place] = True
                if reached[place]:
                    waiting[count], lines[count] = place, line
                    count += 1
    while count > 0:
        count -= 1
        place, line = waiting[count], lines[count]
        low, high = _gap(plumb, place, line, table)
        for step in (-plumb.columns, -1, 1, plumb.columns):
            beside = line + step
            for other in range(plumb.starts[beside], plumb.starts[beside + 1]):
                if plumb.ways[other] >= 0 or reached[other]:
                    continue
                other_low, other_high = _gap(plumb, other, beside, table)
                if min(high, other_high) - max(low, other_low) > _LEAST_GAP * plumb.cell:
                    reached[other] = True
                    waiting[count], lines[count] = other, beside
                    count += 1
    return reached


@compiled()
def floor_below(plumb: Plumb, row: int, column: int, z: float) -> float:
    """The highest crossing below a height on a line, minus infinity when there is none."""
    line = row * plumb.columns + column
    found = -np.inf
    for place in range(plumb.starts[line], plumb.starts[line + 1]):
        if plumb.heights[place] >= z:
            break
        found = plumb.heights[place]
    return found
