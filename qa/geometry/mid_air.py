"""Regions of a layer that overlap no material of the layer below: what starts in mid-air.

A region is an outer loop with its holes; regions of one layer that overlap (bodies not united) count as
one. A point deep inside the region settles nearly all of them; the rest are compared along lines, exactly
along each: halfway between all corners of both layers, so that between two lines no edge turns, or every
``LINE_MM`` where corners are so many that they lie closer.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qa.geometry.kernels import compiled
from qa.geometry.mesh import FloatArray, IndexArray
from qa.geometry.slicing import Sheet, cut_layer, scan_line, winding_at

LINE_MM = 0.05
_LINES_LEAST, _LINES_MOST = 16, 1000
_CORNERS_MOST = 2000
_NO_GAP_MM = 1e-9
_OVERLAP_MM = 1e-7
_NO_AREA_MM2 = 1e-9


@compiled()
def _widest(sheet: Sheet, region: int, y: float) -> tuple[float, float]:
    """The widest stretch of a region along the line at ``y``: (from, to), empty when from >= to."""
    xs, ways, loops = scan_line(sheet, y)
    begin, best_from, best_to = 0.0, 0.0, 0.0
    winding = 0
    for place in range(len(xs)):
        if sheet.region[loops[place]] != region:
            continue
        before = winding
        winding += ways[place]
        if before == 0 and winding != 0:
            begin = xs[place]
        elif before != 0 and winding == 0 and xs[place] - begin > best_to - best_from:
            best_from, best_to = begin, xs[place]
    return best_from, best_to


@compiled()
def deep_point(sheet: Sheet, region: int) -> tuple[bool, float, float]:
    """A point well inside a region: (found, x, y)."""
    low, high = sheet.low[region], sheet.high[region]
    best, found_x, found_y = 0.0, 0.0, 0.0
    for share in (0.5003, 0.2507, 0.7511):
        y = low + share * (high - low)
        begin, end = _widest(sheet, region, y)
        if end - begin > best:
            best, found_x, found_y = end - begin, 0.5 * (begin + end), y
            if best > 0.5:
                break
    return best > 0.0, found_x, found_y


@compiled()
def _join_open(
    sheet: Sheet, ways: IndexArray, loops: IndexArray, place: int, region: int, parent: IndexArray
) -> None:
    """Join a region that begins at a crossing with the regions that the line is inside of there."""
    for before in range(place):
        owner = sheet.region[loops[before]]
        if owner < 0 or owner == region:
            continue
        winding = 0
        for other in range(place):
            if sheet.region[loops[other]] == owner:
                winding += ways[other]
        if winding != 0:
            _join(parent, region, owner)


@compiled()
def _lines(sheet: Sheet, below: Sheet, region: int) -> FloatArray:
    """The heights in y of the lines along which a region is compared with the layer below."""
    low, high = sheet.low[region], sheet.high[region]
    corners = np.zeros(_CORNERS_MOST)
    count = 0
    for y in sheet.y:
        if low <= y <= high:
            if count < _CORNERS_MOST:
                corners[count] = y
            count += 1
    for y in below.y:
        if low <= y <= high:
            if count < _CORNERS_MOST:
                corners[count] = y
            count += 1
    if count > _CORNERS_MOST or count < 2:
        lines = int(min(max((high - low) / LINE_MM, _LINES_LEAST), _LINES_MOST))
        even: FloatArray = low + (np.arange(lines) + 0.5) * (high - low) / lines
        return even
    ordered = np.sort(corners[:count])
    middles = 0.5 * (ordered[1:] + ordered[:-1])
    return middles[ordered[1:] - ordered[:-1] > _NO_GAP_MM]


@compiled()
def _rests(sheet: Sheet, below: Sheet, region: int, parent: IndexArray) -> bool:
    """Whether a region overlaps material below, along lines; joins regions it overlaps in its own layer."""
    for y in _lines(sheet, below, region):
        xs, ways, loops = scan_line(sheet, y)
        under, under_ways, _ = scan_line(below, y)
        winding, beneath = 0, 0
        place, lower = 0, 0
        last = -np.inf
        while place < len(xs):
            take_lower = lower < len(under) and under[lower] <= xs[place]
            at = under[lower] if take_lower else xs[place]
            if winding != 0 and beneath != 0 and at - last > _OVERLAP_MM:
                return True
            last = at
            if take_lower:
                beneath += under_ways[lower]
                lower += 1
                continue
            owner = sheet.region[loops[place]]
            if owner == region:
                if winding == 0:
                    _join_open(sheet, ways, loops, place, region, parent)
                winding += ways[place]
            elif winding != 0 and owner >= 0:
                _join(parent, region, owner)
            place += 1
    return False


@compiled()
def _find(parent: IndexArray, item: int) -> int:
    while parent[item] != item:
        item = parent[item]
    return item


@compiled()
def _join(parent: IndexArray, one: int, other: int) -> None:
    one, other = _find(parent, one), _find(parent, other)
    if one != other:
        parent[other] = one


@compiled()
def _starts_of(sheet: Sheet, below: Sheet, layer: int, out: FloatArray, found: int) -> int:
    """Append the mid-air starts of one layer to ``out`` as (layer, x, y, area): how many there are now."""
    loops = len(sheet.area)
    parent = np.arange(loops).astype(np.int32)
    settled = np.zeros(loops, np.bool_)
    pending = np.zeros(loops, np.bool_)
    for region in range(loops):
        if sheet.area[region] <= _NO_AREA_MM2:
            continue
        good, x, y = deep_point(sheet, region)
        held = good and winding_at(below, x, y) != 0
        if held or _rests(sheet, below, region, parent):
            settled[region] = True
        else:
            pending[region] = True
    for region in range(loops):
        if settled[region]:
            settled[_find(parent, region)] = True
    for region in range(loops):
        if not pending[region] or settled[_find(parent, region)]:
            continue
        settled[_find(parent, region)] = True
        _, x, y = deep_point(sheet, region)
        area = 0.0
        for loop in range(loops):
            if sheet.region[loop] == region:
                area += sheet.area[loop]
        if found < len(out):
            out[found, 0], out[found, 1], out[found, 2], out[found, 3] = layer, x, y, area
        found += 1
    return found


@compiled()
def counted_twice(sheet: Sheet, line_mm: float) -> float:
    """Area in mm2 by which the loops' signed areas exceed the material: overlaps, or loops turned inside out.

    Exactly 0 where no loops overlap; otherwise sampled along lines ``line_mm`` apart.
    """
    total = 0.0
    if len(sheet.area) < 2 and (len(sheet.area) == 0 or sheet.area[0] > 0.0):
        return total
    low, high = sheet.low.min(), sheet.high.max()
    lines = max(1, min(_LINES_MOST, int(np.ceil((high - low) / line_mm))))
    step = (high - low) / lines
    for line in range(lines):
        xs, ways, _ = scan_line(sheet, low + (line + 0.5) * step)
        winding = 0
        for place in range(len(xs)):
            if winding != 0 and winding != 1:
                total += (winding - 1) * (xs[place] - xs[place - 1]) * step
            winding -= ways[place]  # the left side of material runs down
    return total


@compiled()
def profile_layers(
    vertices: FloatArray,
    faces: IndexArray,
    twin: IndexArray,
    levels: IndexArray,
    starts: NDArray[np.int64],
    entries: IndexArray,
    first: int,
    layer_mm: float,
    overlap_line_mm: float,
    place_of: IndexArray,
    areas: FloatArray,
    chains: IndexArray,
    loops: IndexArray,
    out: FloatArray,
) -> int:
    """Areas, chains and loop counts of consecutive layers from ``first``, and their mid-air starts.

    ``entries`` holds the faces each layer cuts. The first layer is only compared against: it stands on
    the platform, or another call counts it. With ``overlap_line_mm`` above 0, overlaps of loops are
    measured along lines that far apart and counted once. Results land in ``areas``, ``chains``, ``loops`` and
    ``out`` (rows of layer, x, y, area); returns how many starts.
    """
    found = 0
    below = cut_layer(vertices, faces, twin, levels, entries[:0], first, (first + 0.5) * layer_mm, place_of)
    for place in range(len(starts) - 1):
        layer = first + place
        cut = entries[starts[place] : starts[place + 1]]
        sheet = cut_layer(vertices, faces, twin, levels, cut, layer, (layer + 0.5) * layer_mm, place_of)
        areas[layer] = np.sum(sheet.area)
        if overlap_line_mm > 0.0:
            areas[layer] -= counted_twice(sheet, overlap_line_mm)
        chains[layer] = sheet.chains
        loops[layer] = len(sheet.area)
        if place > 0 and sheet.chains == 0 and below.chains == 0:
            found = _starts_of(sheet, below, layer, out, found)
        below = sheet
    return found
