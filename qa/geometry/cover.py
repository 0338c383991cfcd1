"""What rises above a place, in plan, and how far it is from there to where nothing does.

The surface above a level, taken where it faces up, covers in plan just what the material above that level
covers: every vertical line through material ends in such a surface.
"""

from __future__ import annotations

import numpy as np

from qa.geometry.kernels import compiled
from qa.geometry.mesh import FloatArray, IndexArray

_DIRECTIONS = 48
_REFINEMENTS = 24
# Cracks between neighbouring pieces that only rounding makes, in mm.
_NO_GAP = 1e-5


@compiled()
def faces_above(
    vertices: FloatArray,
    faces: IndexArray,
    vectors: FloatArray,
    place: FloatArray,
    lowest: float,
    reach: float,
) -> IndexArray:
    """Faces that face up, rise above ``lowest`` and lie within reach of a place in plan."""
    found = np.zeros(64, np.int32)
    count = 0
    for face in range(len(faces)):
        if vectors[face, 2] <= 0.0:
            continue
        a, b, c = faces[face, 0], faces[face, 1], faces[face, 2]
        if max(vertices[a, 2], vertices[b, 2], vertices[c, 2]) <= lowest:
            continue
        near = True
        for axis in range(2):
            p, q, r = vertices[a, axis], vertices[b, axis], vertices[c, axis]
            near = near and min(p, q, r) <= place[axis] + reach and max(p, q, r) >= place[axis] - reach
        if near:
            if count == len(found):
                wider = np.zeros(2 * count, np.int32)
                wider[:count] = found
                found = wider
            found[count] = face
            count += 1
    return found[:count]


@compiled()
def cover_of(vertices: FloatArray, faces: IndexArray, above: IndexArray, z: float) -> FloatArray:
    """What of some faces rises above z, in plan: rows of the number of corners (0, 3 or 4) and their x, y."""
    cover = np.zeros((len(above), 9))
    for piece in range(len(above)):
        corners = 0
        for corner in range(3):
            p, q = faces[above[piece], corner], faces[above[piece], (corner + 1) % 3]
            if vertices[p, 2] > z:
                cover[piece, 1 + 2 * corners], cover[piece, 2 + 2 * corners] = vertices[p, 0], vertices[p, 1]
                corners += 1
            if (vertices[p, 2] > z) != (vertices[q, 2] > z):
                share = (z - vertices[p, 2]) / (vertices[q, 2] - vertices[p, 2])
                for axis in range(2):
                    cover[piece, 1 + 2 * corners + axis] = vertices[p, axis] + share * (
                        vertices[q, axis] - vertices[p, axis]
                    )
                corners += 1
        cover[piece, 0] = corners
    return cover


@compiled()
def _way_out(cover: FloatArray, x: float, y: float, angle: float) -> float:
    """How far from (x, y) in a direction the cover of convex pieces first ends."""
    go_x, go_y = np.cos(angle), np.sin(angle)
    begins, ends = np.zeros(len(cover)), np.zeros(len(cover))
    count = 0
    for piece in range(len(cover)):
        corners = int(cover[piece, 0])
        low, high = np.inf, -np.inf
        for corner in range(corners):
            then = (corner + 1) % corners
            ax, ay = cover[piece, 1 + 2 * corner] - x, cover[piece, 2 + 2 * corner] - y
            bx, by = cover[piece, 1 + 2 * then] - x, cover[piece, 2 + 2 * then] - y
            side_a, side_b = go_x * ay - go_y * ax, go_x * by - go_y * bx
            if (side_a <= 0.0) == (side_b <= 0.0):
                continue
            share = side_a / (side_a - side_b)
            at = go_x * (ax + share * (bx - ax)) + go_y * (ay + share * (by - ay))
            low, high = min(low, at), max(high, at)
        if high > 0.0:
            begins[count], ends[count] = low, high
            count += 1
    reach = 0.0
    for place in np.argsort(begins[:count]):
        if begins[place] > reach + _NO_GAP:
            break
        reach = max(reach, ends[place])
    return reach


@compiled()
def way_free(cover: FloatArray, x: float, y: float) -> float:
    """Distance from (x, y) to the nearest place in plan that the cover leaves free."""
    best, best_angle = np.inf, 0.0
    step = 2.0 * np.pi / _DIRECTIONS
    for direction in range(_DIRECTIONS):
        away = _way_out(cover, x, y, direction * step)
        if away < best:
            best, best_angle = away, direction * step
    width = step
    for _ in range(_REFINEMENTS):
        width *= 0.6
        for angle in (best_angle - width, best_angle + width):
            away = _way_out(cover, x, y, angle)
            if away < best:
                best, best_angle = away, angle
    return best
