"""Undercuts along a direction in which an appliance, or the model itself, comes off.

*In undercut* is a place of the surface from which the straight way out along the axis meets the part
again. Its *depth* is the horizontal distance (across the axis) from that place to the nearest vertical
(along the axis) that is free from there on upward: what the gauge of a dental surveyor measures between
its stylus, standing at the tangent of the crest above, and the surface beneath (common practice).

A sheet never gets to a place whose straight horizontal way to that free vertical passes through material:
the inside of a hollow model, of an open-bottomed one, or behind a tunnel. Such places do not count.

Whether a place is covered is read from plumb lines, `cell` apart: what leans out over the axis by more than
a tenth of a degree is covered by itself; what is upright or leans back by less than 3 degrees is looked at
from a cell off too. The largest depth is then found exactly: candidates' corners against the
projection of all that rises above them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qa.geometry.cover import cover_of, faces_above, way_free
from qa.geometry.kernels import compiled
from qa.geometry.mesh import FloatArray, IndexArray
from qa.geometry.plumb import (
    BLOCK,
    FIELD,
    INSIDE,
    OPEN,
    Plumb,
    gap_above,
    gaps_reached,
    line_near,
    roof_over,
    way_above,
)
from qa.geometry.threads import in_shares, side_by_side

# Sines of angles to the axis: what leans out by more covers itself, what leans back by less is upright.
_DOWNWARD, _UPRIGHT = float(np.sin(np.deg2rad(0.1))), float(np.sin(np.deg2rad(3.0)))
_SAMPLE_CELLS = 4.0
_MOST_SAMPLES_ACROSS = 400
_MOST_SAMPLES = 4_000_000
# A level ceiling is looked along from a hair beneath it.
_OFF_CELLS = 0.05
# Squares of blocks around a place that are tried one by one.
_NEAR_RINGS = 4
_CANDIDATES, _CLIMBED = 40, 4
_SMALLEST_STEP = 1e-4
# Faces above a place beyond which its sample stands for it.
_MOST_ABOVE = 4000


@dataclass(frozen=True, eq=False)
class Undercut:
    """Undercut of a surface along an axis.

    ``area_mm2`` is what is reached and in undercut, ``max_mm`` its largest depth, ``place`` where (in the
    frame of the vertices given), ``depths_mm`` (m float32) the mean depth per face, 0 where there is none
    and not-a-number where no sheet gets to.
    ``reached_mm2`` is all area that a sheet draped along the axis gets to.
    """

    area_mm2: float
    max_mm: float
    place: FloatArray | None
    reached_mm2: float
    depths_mm: NDArray[np.float32]


@compiled()
def _block_away(plumb: Plumb, x: float, y: float, block_row: int, block_column: int) -> float:
    """Distance in plan from a place to the nearest that a block's lines can be."""
    low_x = plumb.origin[0] + block_column * BLOCK * plumb.cell
    low_y = plumb.origin[1] + block_row * BLOCK * plumb.cell
    side = (BLOCK - 1) * plumb.cell
    away_x = max(low_x - x, x - low_x - side, 0.0)
    away_y = max(low_y - y, y - low_y - side, 0.0)
    return float(np.sqrt(away_x * away_x + away_y * away_y))


@compiled()
def _nearest_in_block(
    plumb: Plumb,
    x: float,
    y: float,
    z: float,
    block_row: int,
    block_column: int,
    found: tuple[float, int, int],
) -> tuple[float, int, int]:
    """``found``, or a line of a block that is free from height z upward and nearer."""
    best, best_row, best_column = found
    if _block_away(plumb, x, y, block_row, block_column) >= best:
        return found
    for row in range(block_row * BLOCK, min(plumb.rows, (block_row + 1) * BLOCK)):
        away_y = plumb.origin[1] + row * plumb.cell - y
        for column in range(block_column * BLOCK, min(plumb.columns, (block_column + 1) * BLOCK)):
            if plumb.top[row * plumb.columns + column] > z:
                continue
            away_x = plumb.origin[0] + column * plumb.cell - x
            away = np.sqrt(away_x * away_x + away_y * away_y)
            if away < best:
                best, best_row, best_column = away, row, column
    return best, best_row, best_column


@compiled()
def _nearest_in_field(
    plumb: Plumb,
    x: float,
    y: float,
    z: float,
    field_row: int,
    field_column: int,
    found: tuple[float, int, int],
) -> tuple[float, int, int]:
    """``found``, or a line of a field of blocks that is free from height z upward and nearer."""
    across = (plumb.columns + BLOCK - 1) // BLOCK
    along = (plumb.rows + BLOCK - 1) // BLOCK
    for block_row in range(field_row * FIELD, min(along, (field_row + 1) * FIELD)):
        for block_column in range(field_column * FIELD, min(across, (field_column + 1) * FIELD)):
            if plumb.low_top[block_row * across + block_column] <= z:
                found = _nearest_in_block(plumb, x, y, z, block_row, block_column, found)
    return found


@compiled()
def _nearest_open(
    plumb: Plumb, x: float, y: float, z: float, row: int, column: int
) -> tuple[float, int, int]:
    """The nearest line that is free from height z upward: (distance to it, row, column).

    Blocks of lines are tried in growing squares, and where those near by hold none, as over a cavity,
    fields of blocks; one whose tops all rise above z holds none.
    """
    across = (plumb.columns + BLOCK - 1) // BLOCK
    along = (plumb.rows + BLOCK - 1) // BLOCK
    home_row, home_column = row // BLOCK, column // BLOCK
    found = (np.inf, -1, -1)
    for ring in range(min(max(across, along), _NEAR_RINGS) + 1):
        # The nearest that a block of this ring can be, the grid's own rounding given away.
        if ((ring - 1) * BLOCK - 2) * plumb.cell > found[0]:
            return found
        for block_row in range(max(0, home_row - ring), min(along - 1, home_row + ring) + 1):
            edge = abs(block_row - home_row) == ring
            step = 1 if edge or ring == 0 else 2 * ring
            for block_column in range(home_column - ring, home_column + ring + 1, step):
                if block_column < 0 or block_column >= across:
                    continue
                # Asked here and not there: most blocks are closed, and a call costs more than the answer.
                if plumb.low_top[block_row * across + block_column] <= z:
                    found = _nearest_in_block(plumb, x, y, z, block_row, block_column, found)
    along, across = (along + FIELD - 1) // FIELD, (across + FIELD - 1) // FIELD
    home_row, home_column = home_row // FIELD, home_column // FIELD
    for ring in range(max(across, along) + 1):
        if ((ring - 1) * FIELD * BLOCK - 2) * plumb.cell > found[0]:
            return found
        for field_row in range(max(0, home_row - ring), min(along - 1, home_row + ring) + 1):
            edge = abs(field_row - home_row) == ring
            step = 1 if edge or ring == 0 else 2 * ring
            for field_column in range(home_column - ring, home_column + ring + 1, step):
                if field_column < 0 or field_column >= across:
                    continue
                if plumb.field_top[field_row * across + field_column] <= z:
                    found = _nearest_in_field(plumb, x, y, z, field_row, field_column, found)
    return found


@compiled()
def _in_the_way(plumb: Plumb, from_row: int, from_column: int, z: float, to_row: int, to_column: int) -> bool:
    """Whether material lies on the straight level way from one line to another."""
    rows, columns = to_row - from_row, to_column - from_column
    steps = int(np.ceil(2.0 * np.sqrt(float(rows * rows + columns * columns))))
    inside = 0
    for step in range(1, steps):
        row = from_row + int(np.floor(rows * step / steps + 0.5))
        column = from_column + int(np.floor(columns * step / steps + 0.5))
        inside = inside + 1 if way_above(plumb, row, column, z) > 0 else 0
        if inside > 2:  # less is the lines' rounding of the surface beside the way
            return True
    return False


@compiled()
def _way_to_open(
    plumb: Plumb, x: float, y: float, z: float, off: float, row: int, column: int
) -> tuple[float, bool]:
    """Distance from a place to the nearest free vertical, and whether a sheet gets in from there.

    (row, column) is the line in the gap before the place, ``off`` how far from it the level way is looked
    along. The line that is nearest to the place itself may run just inside a wall that the way passes along;
    so before the way counts as blocked, the vertical nearest to the gap's line is tried.
    """
    away, open_row, open_column = _nearest_open(plumb, x, y, z, row, column)
    if open_row < 0:
        return away, False
    if not _in_the_way(plumb, row, column, z + off, open_row, open_column):
        return away, True
    _, open_row, open_column = _nearest_open(
        plumb, plumb.origin[0] + column * plumb.cell, plumb.origin[1] + row * plumb.cell, z, row, column
    )
    return away, not _in_the_way(plumb, row, column, z + off, open_row, open_column)


@compiled()
def _cover(
    plumb: Plumb, x: float, y: float, z: float, nx: float, ny: float, nz: float
) -> tuple[bool, int, int, int]:
    """Whether the way out along the axis from a place of a surface (unit normal n) meets the part.

    Returns that, the line looked at and the roof of the gap there (``OPEN`` when the line shows none).
    """
    if nz < -_DOWNWARD:
        # The nearest line may still run inside the part: the first that does not tells the gap.
        row, column = line_near(plumb, x, y)
        for cells in (0.75, 1.5, 0.0):
            at_row, at_column = line_near(plumb, x + cells * plumb.cell * nx, y + cells * plumb.cell * ny)
            gap = roof_over(plumb, at_row, at_column, z + _OFF_CELLS * plumb.cell * nz)
            if gap != INSIDE:
                return True, at_row, at_column, gap
        return True, row, column, OPEN
    # Its own surface, taken a little off the place, faces up; only one that faces down can be a cover.
    row, column = line_near(plumb, x, y)
    gap = gap_above(plumb, row, column, z)
    if gap < 0 and nz < _UPRIGHT:
        row, column = line_near(plumb, x + 0.7 * plumb.cell * nx, y + 0.7 * plumb.cell * ny)
        gap = gap_above(plumb, row, column, z)
    return gap >= 0, row, column, gap


@compiled()
def _splits(vertices: FloatArray, faces: IndexArray, face: int, step: float) -> int:
    """Into how many parts each side of a face is divided for sampling."""
    longest = 0.0
    for corner in range(3):
        side = 0.0
        for axis in range(2):
            side += (vertices[faces[face, corner], axis] - vertices[faces[face, (corner + 1) % 3], axis]) ** 2
        side += (vertices[faces[face, corner], 2] - vertices[faces[face, (corner + 1) % 3], 2]) ** 2
        longest = max(longest, side)
    return int(min(max(np.ceil(np.sqrt(longest) / step), 1.0), float(_MOST_SAMPLES_ACROSS)))


@compiled()
def count_samples(vertices: FloatArray, faces: IndexArray, step: float) -> float:
    """How many places are looked at when faces are divided to sides below ``step`` mm."""
    total = 0.0
    for face in range(len(faces)):
        total += float(_splits(vertices, faces, face, step)) ** 2
    return total


@compiled()
def _sample(
    begin: int,
    end: int,
    vertices: FloatArray,
    faces: IndexArray,
    vectors: FloatArray,
    skipped: NDArray[np.bool_],
    floor: FloatArray,
    plumb: Plumb,
    open_gaps: NDArray[np.bool_],
    step: float,
    depths: NDArray[np.float32],
    best: FloatArray,
) -> tuple[float, float]:
    """Area in undercut, and area reached (mm2), of faces ``begin`` to ``end``.

    Fills the mean depth per face and ``best`` (k x 4), the deepest samples: depth, face, and the sub-triangle
    as ``_middle`` numbers them.
    """
    undercut, reached = 0.0, 0.0
    for face in range(begin, end):
        length = np.sqrt(vectors[face, 0] ** 2 + vectors[face, 1] ** 2 + vectors[face, 2] ** 2)
        if skipped[face] or length == 0.0:
            continue
        nx, ny, nz = vectors[face, 0] / length, vectors[face, 1] / length, vectors[face, 2] / length
        splits = _splits(vertices, faces, face, step)
        share = length / (splits * splits)
        deep = 0.0
        hidden = 0
        for i in range(splits):
            for j in range(2 * (splits - i) - 1):
                x, y, z = _middle(vertices, faces, face, splits, i, j)
                if floor[0] * x + floor[1] * y + floor[2] * z < floor[3]:
                    continue
                covered, row, column, gap = _cover(plumb, x, y, z, nx, ny, nz)
                if not covered:
                    reached += share
                    continue
                if gap >= 0 and not open_gaps[gap]:
                    hidden += 1
                    continue
                away, reachable = _way_to_open(plumb, x, y, z, _OFF_CELLS * plumb.cell * nz, row, column)
                if not reachable:
                    hidden += 1
                    continue
                reached += share
                undercut += share
                away = max(away - 0.5 * plumb.cell, 0.0)
                deep += away * share
                if away > best[-1, 0]:
                    _remember(best, away, face, i, j)
        depths[face] = deep / length if 2 * hidden < splits * splits else np.nan
    return undercut, reached


@compiled()
def _shares(splits: int, i: int, j: int) -> tuple[float, float]:
    """Shares of a face's second and third corner in the middle of sub-triangle j in row i."""
    third = 2.0 / 3.0 if j % 2 == 1 else 1.0 / 3.0
    return (i + third) / splits, (j // 2 + third) / splits


@compiled()
def _middle(
    vertices: FloatArray, faces: IndexArray, face: int, splits: int, i: int, j: int
) -> tuple[float, float, float]:
    """The middle of sub-triangle j in row i of a face divided ``splits`` times."""
    u, v = _shares(splits, i, j)
    a, b, c = faces[face, 0], faces[face, 1], faces[face, 2]
    w = 1.0 - u - v
    return (
        w * vertices[a, 0] + u * vertices[b, 0] + v * vertices[c, 0],
        w * vertices[a, 1] + u * vertices[b, 1] + v * vertices[c, 1],
        w * vertices[a, 2] + u * vertices[b, 2] + v * vertices[c, 2],
    )


@compiled()
def _remember(best: FloatArray, depth: float, face: int, i: int, j: int) -> None:
    """Keep a deep sample, one per face, deepest first."""
    place = len(best) - 1
    for known in range(len(best)):
        if best[known, 0] > 0.0 and best[known, 1] == face:
            if best[known, 0] >= depth:
                return
            place = known
            break
    while place > 0 and best[place - 1, 0] < depth:
        for column in range(4):
            best[place, column] = best[place - 1, column]
        place -= 1
    best[place, 0], best[place, 1], best[place, 2], best[place, 3] = depth, face, i, j


@compiled()
def _reached(
    plumb: Plumb, open_gaps: NDArray[np.bool_], x: float, y: float, z: float, normal: FloatArray
) -> bool:
    """Whether a place of a surface is in undercut and a sheet gets to it."""
    covered, row, column, gap = _cover(plumb, x, y, z, normal[0], normal[1], normal[2])
    if not covered or (gap >= 0 and not open_gaps[gap]):
        return False
    return _way_to_open(plumb, x, y, z, _OFF_CELLS * plumb.cell * normal[2], row, column)[1]


@compiled()
def _point(corners: FloatArray, u: float, v: float) -> FloatArray:
    """The place of a triangle at shares u and v of its second and third corner."""
    place: FloatArray = (1.0 - u - v) * corners[0] + u * corners[1] + v * corners[2]
    return place


@compiled()
def _climb(
    vertices: FloatArray,
    faces: IndexArray,
    vectors: FloatArray,
    plumb: Plumb,
    open_gaps: NDArray[np.bool_],
    floor: FloatArray,
    face: int,
    start: FloatArray,
    first_step: float,
    reach: float,
) -> tuple[float, FloatArray]:
    """Walk over a face from a sample (u, v, depth) to where it is deepest: (exact depth, place).

    Pattern search over the face's own coordinates; steps are halved until none helps.
    """
    corners = np.zeros((3, 3))
    for corner in range(3):
        corners[corner] = vertices[faces[face, corner]]
    normal = vectors[face] / np.sqrt((vectors[face] ** 2).sum())
    centre = (corners[0] + corners[1] + corners[2]) / 3.0
    side = 0.0
    for corner in range(3):
        side = max(side, np.sqrt(((corners[corner] - centre) ** 2).sum()))
    above = faces_above(vertices, faces, vectors, centre, corners[:, 2].min(), reach + side)
    u, v, deepest = start[0], start[1], start[2]
    # Under a wide roof each step would look at all of it, for less than the distance between samples.
    step = first_step if len(above) <= _MOST_ABOVE else 0.0
    while step > _SMALLEST_STEP:
        moved = False
        for way in range(6):
            to_u = u + step * ((way == 0) - (way == 1) + (way == 4) - (way == 5))
            to_v = v + step * ((way == 2) - (way == 3) - (way == 4) + (way == 5))
            # A hair inside the face, so that it never stands on its own edge.
            to_u = min(max(to_u, 1e-5), 1.0 - 2e-5)
            to_v = min(max(to_v, 1e-5), 1.0 - 1e-5 - to_u)
            x, y, z = _point(corners, to_u, to_v)
            if floor[0] * x + floor[1] * y + floor[2] * z < floor[3]:
                continue
            away = way_free(cover_of(vertices, faces, above, z + 1e-9), x, y)
            if away <= deepest * (1.0 + 1e-9) or away > reach:
                continue
            if _reached(plumb, open_gaps, x, y, z, normal):
                u, v, deepest, moved = to_u, to_v, away, True
        if not moved:
            step *= 0.5
    return deepest, _point(corners, u, v)


@compiled()
def _measure_samples(
    vertices: FloatArray,
    faces: IndexArray,
    vectors: FloatArray,
    plumb: Plumb,
    step: float,
    best: FloatArray,
    exact: FloatArray,
    begin: int,
    end: int,
) -> None:
    """Set rows ``begin`` to ``end`` of ``exact`` (k x 3): where in its face a sample lies, and its depth."""
    for each in range(begin, end):
        if best[each, 0] <= 0.0:
            continue
        face, i, j = int(best[each, 1]), int(best[each, 2]), int(best[each, 3])
        splits = _splits(vertices, faces, face, step)
        exact[each, 0], exact[each, 1] = _shares(splits, i, j)
        x, y, z = _middle(vertices, faces, face, splits, i, j)
        reach = best[each, 0] + 4.0 * plumb.cell
        above = faces_above(vertices, faces, vectors, np.array([x, y, z]), z, reach)
        away = way_free(cover_of(vertices, faces, above, z + 1e-9), x, y)
        exact[each, 2] = away if away < reach else 0.0


def _deepest(
    vertices: FloatArray,
    faces: IndexArray,
    vectors: FloatArray,
    plumb: Plumb,
    open_gaps: NDArray[np.bool_],
    step: float,
    floor: FloatArray,
    best: FloatArray,
) -> tuple[float, FloatArray]:
    """The largest exact depth on the faces of the deepest samples, and its place.

    Lines give the samples' depths to about a cell; they are measured exactly, and the deepest few faces are
    then searched for their deepest place.
    """
    exact = np.zeros((len(best), 3))
    in_shares(
        lambda begin, end: _measure_samples(
            vertices, faces, vectors, plumb, step, best, exact, begin, end
        ),
        len(best),
        smallest=1,
    )  # fmt: skip
    chosen = np.argsort(-exact[:, 2])[:_CLIMBED]
    chosen = chosen[exact[chosen, 2] > 0.0]
    climbed: list[tuple[float, FloatArray]] = [(0.0, np.zeros(3))] * len(chosen)

    def climb(rank: int) -> None:
        each = int(chosen[rank])
        face = int(best[each, 1])
        climbed[rank] = _climb(
            vertices, faces, vectors, plumb, open_gaps, floor, face, exact[each],
            0.5 / int(_splits(vertices, faces, face, step)), best[each, 0] + 4.0 * plumb.cell + step,
        )  # fmt: skip

    side_by_side([lambda rank=rank: climb(rank) for rank in range(len(chosen))])  # type: ignore[misc]
    return max(climbed, key=lambda found: found[0], default=(0.0, np.zeros(3)))


def find_undercut(
    vertices: FloatArray,
    faces: IndexArray,
    vectors: FloatArray,
    skipped: NDArray[np.bool_],
    *,
    plumb: Plumb,
    floor: FloatArray | None = None,
) -> Undercut:
    """Undercut along +z of a surface, and the area a sheet draped along -z gets to.

    ``vectors`` (m x 3) are the faces' area vectors in the same frame, ``plumb`` its lines; ``skipped`` (m)
    faces are neither undercut nor reached (the base, what is closed in). ``floor`` (a, b, c, d) leaves out
    places with ``a x + b y + c z < d``.
    """
    if floor is None:
        floor = np.array([0.0, 0.0, 1.0, -np.inf])
    step = _SAMPLE_CELLS * plumb.cell
    while count_samples(vertices, faces, step) > _MOST_SAMPLES + len(faces):
        step *= 1.5
    depths = np.zeros(len(faces), np.float32)
    # Faces are turned so that the table is level, or else the line of sight alone decides.
    open_gaps = gaps_reached(plumb, float(vertices[:, 2].min()))
    sums: list[tuple[float, float, FloatArray]] = []

    def share(begin: int, end: int) -> None:
        best = np.zeros((_CANDIDATES, 4))
        area, reached = _sample(
            begin, end, vertices, faces, vectors, skipped, floor, plumb, open_gaps, step, depths, best
        )
        sums.append((area, reached, best))

    in_shares(share, len(faces), smallest=8192)
    area, reached = (float(np.sum(sorted(each[which] for each in sums))) for which in (0, 1))
    best = np.vstack([each[2] for each in sums])
    best = best[np.lexsort((best[:, 1], -best[:, 0]))][:_CANDIDATES].copy()
    deepest, place = 0.0, None
    if area > 0.0:
        deepest, place = _deepest(vertices, faces, vectors, plumb, open_gaps, step, floor, best)
    if deepest <= 0.0:
        place = None
    return Undercut(area, float(deepest), place, reached, depths)
