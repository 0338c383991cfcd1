"""Regions of a layer that overlap no material of the layer below: what starts in mid-air.

A region is an outer loop with its holes; regions of one layer that overlap (bodies not united) count as
one. A point deep inside the region settles nearly all of them; the rest are compared along lines no
farther apart than ``LINE_MM``, exactly along each line.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qa.geometry.kernels import compiled
from qa.geometry.mesh import FloatArray, IndexArray
from qa.geometry.slicing import Sheet, cut_layer, scan_line, winding_at

LINE_MM = 0.05
_LINES_LEAST, _LINES_MOST = 16, 1000
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
def _rests(sheet: Sheet, below: Sheet, region: int, parent: IndexArray) -> bool:
    """Whether a region overlaps material below, along lines; joins regions it overlaps in its own layer."""
    low, high = sheet.low[region], sheet.high[region]
    lines = int(min(max((high - low) / LINE_MM, _LINES_LEAST), _LINES_MOST))
    for line in range(lines):
        y = low + (line + 0.5) * (high - low) / lines
        xs, ways, loops = scan_line(sheet, y)
        under, under_ways, _ = scan_line(below, y)
        winding, others, beneath = 0, 0, 0
        place, lower, neighbour = 0, 0, region
        last = -np.inf
        while place < len(xs):
            next_x = xs[place]
            take_lower = lower < len(under) and under[lower] <= next_x
            at = under[lower] if take_lower else next_x
            if winding != 0 and at - last > _OVERLAP_MM:
                if beneath != 0:
                    return True
                if others != 0:
                    _join(parent, region, neighbour)
            last = at
            if take_lower:
                beneath += under_ways[lower]
                lower += 1
                continue
            owner = sheet.region[loops[place]]
            if owner == region:
                winding += ways[place]
            elif owner >= 0:
                others += ways[place]
                neighbour = owner
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
def profile_layers(
    vertices: FloatArray,
    faces: IndexArray,
    twin: IndexArray,
    levels: IndexArray,
    starts: NDArray[np.int64],
    entries: IndexArray,
    first: int,
    layer_mm: float,
    place_of: IndexArray,
    areas: FloatArray,
    chains: IndexArray,
    loops: IndexArray,
    out: FloatArray,
) -> int:
    """Areas, chains and loop counts of consecutive layers from ``first``, and their mid-air starts.

    ``entries`` holds the faces each layer cuts. The first layer is only compared against: it stands on
    the platform, or another call counts it. Results land in ``areas``, ``chains``, ``loops`` and
    ``out`` (rows of layer, x, y, area); returns how many starts.
    """
    found = 0
    below = cut_layer(vertices, faces, twin, levels, entries[:0], first, (first + 0.5) * layer_mm, place_of)
    for place in range(len(starts) - 1):
        layer = first + place
        cut = entries[starts[place] : starts[place + 1]]
        sheet = cut_layer(vertices, faces, twin, levels, cut, layer, (layer + 0.5) * layer_mm, place_of)
        areas[layer] = np.sum(sheet.area)
        chains[layer] = sheet.chains
        loops[layer] = len(sheet.area)
        if place > 0 and sheet.chains == 0 and below.chains == 0:
            found = _starts_of(sheet, below, layer, out, found)
        below = sheet
    return found
