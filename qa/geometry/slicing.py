"""Cut a mesh by level planes into linked loops, compiled.

Convention: layer k is cut at its middle, (k + 0.5) x layer above the lowest vertex, and a vertex that
lies exactly on a plane counts as above it. That is the plane lowered by less than any distance, so no
plane ever passes through a vertex, loops close by construction and neighbouring faces agree.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from qa.geometry.kernels import compiled
from qa.geometry.mesh import FloatArray, IndexArray

_BINS_PER_SEGMENT = 8
_SEGMENTS_PER_BAND = 8


class Sheet(NamedTuple):
    """One layer's outlines: n segments, each from (x, y) of itself to that of ``after``, material left.

    ``loop`` (n): the closed loop a segment belongs to, -1 in an open chain. Per loop: signed ``area``
    in mm2 (holes negative), ``region`` (the outer loop that a hole lies in; its own number for an outer
    loop) and the range of y. ``bins`` and ``members`` list segments by their y.
    """

    x: FloatArray
    y: FloatArray
    after: IndexArray
    loop: IndexArray
    area: FloatArray
    region: IndexArray
    low: FloatArray
    high: FloatArray
    bins: NDArray[np.int64]
    members: IndexArray
    floor: float
    bins_per_mm: float
    chains: int


@compiled()
def vertex_levels(vertices: FloatArray, layer_mm: float, layers: int) -> IndexArray:
    """For each vertex the number of planes at or below it; z is counted from the platform."""
    levels = np.zeros(len(vertices), np.int32)
    for vertex in range(len(vertices)):
        level = np.floor(vertices[vertex, 2] / layer_mm + 0.5)
        levels[vertex] = int(min(max(level, 0.0), float(layers)))
    return levels


@compiled()
def count_segments(faces: IndexArray, body: IndexArray, levels: IndexArray, layers: int) -> NDArray[np.int64]:
    """How many segments each layer gets, layers + 1 entries of which the last is 0."""
    counts = np.zeros(layers + 1, np.int64)
    for face in range(len(faces)):
        if body[face] < 0:
            continue
        a, b, c = levels[faces[face, 0]], levels[faces[face, 1]], levels[faces[face, 2]]
        low, high = min(a, b, c), max(a, b, c)
        if high > low:
            counts[low] += 1
            counts[high] -= 1
    for layer in range(layers):
        counts[layer + 1] += counts[layer]
    return counts


@compiled()
def list_faces(
    faces: IndexArray,
    body: IndexArray,
    levels: IndexArray,
    counts: NDArray[np.int64],
    first: int,
    last: int,
) -> tuple[NDArray[np.int64], IndexArray]:
    """The faces that each layer from ``first`` to before ``last`` cuts: (starts, faces)."""
    starts = np.zeros(last - first + 1, np.int64)
    for layer in range(first, last):
        starts[layer - first + 1] = starts[layer - first] + counts[layer]
    cursor = starts[:-1].copy()
    entries = np.zeros(starts[-1], np.int32)
    for face in range(len(faces)):
        if body[face] < 0:
            continue
        a, b, c = levels[faces[face, 0]], levels[faces[face, 1]], levels[faces[face, 2]]
        for layer in range(max(min(a, b, c), first), min(max(a, b, c), last)):
            entries[cursor[layer - first]] = face
            cursor[layer - first] += 1
    return starts, entries


@compiled()
def _down_and_up(faces: IndexArray, levels: IndexArray, face: int, layer: int) -> tuple[int, int]:
    """The half-edges over which a face passes down and up through a layer's plane."""
    down = 0
    up = 0
    for corner in range(3):
        here = levels[faces[face, corner]] > layer
        there = levels[faces[face, (corner + 1) % 3]] > layer
        if here and not there:
            down = 3 * face + corner
        elif there and not here:
            up = 3 * face + corner
    return down, up


@compiled()
def _cut_point(vertices: FloatArray, faces: IndexArray, half: int, height: float) -> tuple[float, float]:
    """Where the plane cuts an edge, the same bits from either side."""
    face = half // 3
    a, b = faces[face, half % 3], faces[face, (half + 1) % 3]
    if a > b:
        a, b = b, a
    share = (height - vertices[a, 2]) / (vertices[b, 2] - vertices[a, 2])
    share = min(max(share, 0.0), 1.0)
    return (
        vertices[a, 0] + share * (vertices[b, 0] - vertices[a, 0]),
        vertices[a, 1] + share * (vertices[b, 1] - vertices[a, 1]),
    )


@compiled()
def _link(
    vertices: FloatArray,
    faces: IndexArray,
    twin: IndexArray,
    levels: IndexArray,
    cut: IndexArray,
    layer: int,
    height: float,
    place_of: IndexArray,
) -> tuple[FloatArray, FloatArray, IndexArray, IndexArray, int]:
    """Segments of one layer: start points, successor (-1 at a chain's end), loop mark, chains."""
    n = len(cut)
    x, y = np.zeros(n), np.zeros(n)
    after = np.full(n, -1, np.int32)
    mark = np.full(n, -2, np.int32)
    for place in range(n):
        place_of[cut[place]] = place
    chains = 0
    for place in range(n):
        down, up = _down_and_up(faces, levels, cut[place], layer)
        x[place], y[place] = _cut_point(vertices, faces, down, height)
        if twin[up] >= 0:
            after[place] = place_of[twin[up] // 3]
        else:
            chains += 1
        if twin[down] < 0:
            mark[place] = -3  # a chain begins here
    if chains > 0:
        for place in range(n):
            if mark[place] == -3:
                at = place
                while at >= 0:
                    mark[at] = -1
                    at = after[at]
    return x, y, after, mark, chains


@compiled()
def _trace(
    x: FloatArray, y: FloatArray, after: IndexArray, mark: IndexArray
) -> tuple[FloatArray, FloatArray, FloatArray, IndexArray]:
    """Number the closed loops in ``mark``: area, lowest y, highest y and leftmost segment per loop."""
    n = len(x)
    loops = 0
    for place in range(n):
        if mark[place] == -2:
            at = place
            while mark[at] == -2:
                mark[at] = loops
                at = after[at]
            loops += 1
    area, low, high = np.zeros(loops), np.full(loops, np.inf), np.full(loops, -np.inf)
    leftmost = np.full(loops, -1, np.int32)
    for place in range(n):
        loop = mark[place]
        if loop < 0:
            continue
        if leftmost[loop] < 0:
            leftmost[loop] = place
        # Coordinates are centred on the part, so plain cross products keep their digits.
        then = after[place]
        area[loop] += 0.5 * (x[place] * y[then] - x[then] * y[place])
        low[loop] = min(low[loop], y[place])
        high[loop] = max(high[loop], y[place])
        if x[place] < x[leftmost[loop]]:
            leftmost[loop] = place
    return area, low, high, leftmost


@compiled()
def _bin_segments(
    y: FloatArray, after: IndexArray, mark: IndexArray, low: FloatArray, high: FloatArray
) -> tuple[NDArray[np.int64], IndexArray, float, float]:
    """Closed segments by bands of y: (starts, segments, lowest y, bands per mm)."""
    n = len(y)
    if len(low) == 0:
        return np.zeros(2, np.int64), np.zeros(0, np.int32), 0.0, 0.0
    floor = low.min()
    count = 1
    while count * _SEGMENTS_PER_BAND < n:
        count *= 2
    per_mm = count / max(high.max() - floor, 1e-9)
    band = np.zeros(n, np.int32)
    entries = 0
    for place in range(n):
        band[place] = min(int((y[place] - floor) * per_mm), count - 1) if mark[place] >= 0 else 0
    for place in range(n):
        if mark[place] >= 0:
            entries += abs(band[after[place]] - band[place]) + 1
    # Long segments flood narrow bands: halve the bands, exactly, until the list is short enough.
    while entries > _BINS_PER_SEGMENT * n and count > 1:
        count //= 2
        per_mm *= 0.5
        entries = 0
        for place in range(n):
            band[place] >>= 1
        for place in range(n):
            if mark[place] >= 0:
                entries += abs(band[after[place]] - band[place]) + 1
    starts = np.zeros(count + 1, np.int64)
    for place in range(n):
        if mark[place] >= 0:
            one, other = band[place], band[after[place]]
            for each in range(min(one, other), max(one, other) + 1):
                starts[each + 1] += 1
    for each in range(count):
        starts[each + 1] += starts[each]
    cursor = starts[:-1].copy()
    members = np.zeros(entries, np.int32)
    for place in range(n):
        if mark[place] >= 0:
            one, other = band[place], band[after[place]]
            for each in range(min(one, other), max(one, other) + 1):
                members[cursor[each]] = place
                cursor[each] += 1
    return starts, members, floor, per_mm


@compiled()
def band_of(sheet: Sheet, y: float) -> int:
    """The band of segments that may cross the line at ``y``, or -1 when none can."""
    count = len(sheet.bins) - 1
    if len(sheet.members) == 0 or y < sheet.floor:
        return -1
    band = int((y - sheet.floor) * sheet.bins_per_mm)
    if band > count:
        return -1
    return min(band, count - 1)


@compiled()
def _assign_holes(sheet: Sheet, leftmost: IndexArray) -> None:
    """Give each hole the region of what lies left of its leftmost point; holes go from left to right."""
    loops = len(sheet.area)
    for loop in range(loops):
        sheet.region[loop] = loop if sheet.area[loop] > 0.0 else -1
    holes = np.flatnonzero(sheet.area <= 0.0)
    keys = np.zeros(len(holes))
    for place in range(len(holes)):
        keys[place] = sheet.x[leftmost[holes[place]]]
    for place in np.argsort(keys):
        hole = holes[place]
        corner = leftmost[hole]
        best, owner = -np.inf, -1
        band = band_of(sheet, sheet.y[corner])
        for entry in range(sheet.bins[band], sheet.bins[band + 1]):
            segment = sheet.members[entry]
            if sheet.loop[segment] == hole:
                continue
            hit, at, _ = crossing(sheet, segment, sheet.y[corner])
            if hit and at <= sheet.x[corner] and at > best and sheet.region[sheet.loop[segment]] >= 0:
                best, owner = at, sheet.region[sheet.loop[segment]]
        sheet.region[hole] = owner


@compiled()
def crossing(sheet: Sheet, segment: int, y: float) -> tuple[bool, float, int]:
    """Whether a segment crosses the line at ``y``, where in x, and 1 when upward or -1."""
    then = sheet.after[segment]
    ya, yb = sheet.y[segment], sheet.y[then]
    if (ya <= y) == (yb <= y):
        return False, 0.0, 0
    xa, xb = sheet.x[segment], sheet.x[then]
    return True, xa + (y - ya) / (yb - ya) * (xb - xa), (1 if yb > ya else -1)


@compiled()
def cut_layer(
    vertices: FloatArray,
    faces: IndexArray,
    twin: IndexArray,
    levels: IndexArray,
    cut: IndexArray,
    layer: int,
    height: float,
    place_of: IndexArray,
) -> Sheet:
    """The outlines of one layer; ``place_of`` is scratch of one int32 per face."""
    x, y, after, mark, chains = _link(vertices, faces, twin, levels, cut, layer, height, place_of)
    area, low, high, leftmost = _trace(x, y, after, mark)
    bins, members, floor, per_mm = _bin_segments(y, after, mark, low, high)
    region = np.full(len(area), -1, np.int32)
    sheet = Sheet(x, y, after, mark, area, region, low, high, bins, members, floor, per_mm, chains)
    _assign_holes(sheet, leftmost)
    return sheet


@compiled()
def winding_at(sheet: Sheet, x: float, y: float) -> int:
    """Winding number of the layer's loops around a point; not 0 is material."""
    band = band_of(sheet, y)
    if band < 0:
        return 0
    winding = 0
    for entry in range(sheet.bins[band], sheet.bins[band + 1]):
        hit, at, way = crossing(sheet, sheet.members[entry], y)
        if hit and at > x:
            winding += way
    return winding


@compiled()
def scan_line(sheet: Sheet, y: float) -> tuple[FloatArray, IndexArray, IndexArray]:
    """Where the loops cross the line at ``y``, sorted by x: (x, 1 up or -1 down, loop)."""
    band = band_of(sheet, y)
    if band < 0:
        return np.zeros(0), np.zeros(0, np.int32), np.zeros(0, np.int32)
    room = sheet.bins[band + 1] - sheet.bins[band]
    xs, ways, loops = np.zeros(room), np.zeros(room, np.int32), np.zeros(room, np.int32)
    found = 0
    for entry in range(sheet.bins[band], sheet.bins[band + 1]):
        segment = sheet.members[entry]
        hit, at, way = crossing(sheet, segment, y)
        if hit:
            xs[found], ways[found], loops[found] = at, way, sheet.loop[segment]
            found += 1
    order = np.argsort(xs[:found])
    return xs[:found][order], ways[:found][order], loops[:found][order]
