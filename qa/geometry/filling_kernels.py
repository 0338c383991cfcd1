"""Compiled filling of empty space on a lattice, level by level: what cannot run out stays. See ``inside``."""

from __future__ import annotations

from typing import Any

import numpy as np

from qa.geometry.kernels import compiled

# The kernels see plain arrays of fixed kinds; the compiler checks what mypy cannot.
Array = Any


@compiled()
def root_of(parent: Array, item: int) -> int:
    while parent[item] != item:
        parent[item] = parent[parent[item]]
        item = parent[item]
    return item


@compiled()
def _unite(
    parent: Array, volume: Array, area: Array, peak: Array, begin: Array, seed: Array, one: int, other: int,
    level: float, top: float, layer: int, least_area: float, least_depth: float, found: Array, pockets: Array,
) -> None:  # fmt: skip
    """Join two bodies of liquid at a level; one that meets the outside (0) keeps what lies below it."""
    one, other = root_of(parent, one), root_of(parent, other)
    if one == other:
        return
    low, high = min(one, other), max(one, other)
    if low == 0:
        held = max(0.0, volume[high] + area[high] * (level - top))
        note_pocket(
            held, begin[high], peak[high], level, seed[high], layer, least_area, least_depth, found, pockets
        )
        parent[high] = 0
        return
    parent[high] = low
    volume[low] += volume[high]
    area[low] += area[high]
    peak[low] = max(peak[low], peak[high])
    if begin[high] < begin[low]:
        begin[low], seed[low] = begin[high], seed[high]


@compiled()
def note_pocket(
    held: float, begin: float, peak: float, end: float, seed: int, layer: int, least_area: float,
    least_depth: float, found: Array, pockets: Array,
) -> None:  # fmt: skip
    """Add what one sealed room held: to the total, and to the list when it is wide and deep enough."""
    found[0] += held
    if peak < least_area or end - begin < least_depth:
        return
    place = int(found[1])
    found[1] += 1.0
    if place < len(pockets):
        pockets[place, 0], pockets[place, 1], pockets[place, 2] = held, begin, peak
        pockets[place, 3], pockets[place, 4], pockets[place, 5] = end, float(seed), float(layer)


@compiled()
def fill_up(
    flags: Array, amount: Array, counted: Array, starts: Array, at: Array, origin: float, step: float,
    layers: int, rows: int, columns: int, upward: int, least_area: float, least_depth: float, pockets: Array,
) -> Array:  # fmt: skip
    """Fill empty space level by level from the low end; what cannot run out at each level stays.

    ``upward`` 1 goes from the platform (a wall at z = 0) up, 0 from the top down to the platform. Only
    points with ``counted`` not 0 add volume. Returns the volume held in all, and how many rooms are at least
    that wide and deep. ``pockets`` takes those: volume, begin, largest area, end, a point of the room, and
    the layer it ends at. Heights are along the way of filling.
    """
    plane = rows * columns
    room = len(at) + plane + 2
    parent = np.arange(room).astype(np.int32)
    volume, area, peak = np.zeros(room), np.zeros(room), np.zeros(room)
    fresh, begin = np.zeros(room), np.zeros(room)
    stamp = np.full(room, -1, np.int32)
    seed = np.zeros(room, np.int64)
    found = np.zeros(2)
    below, here = np.full(plane, -1, np.int32), np.full(plane, -1, np.int32)
    waiting, bottoms = np.zeros(plane, np.int32), np.zeros(plane)
    border, last = np.zeros(plane, np.bool_), np.zeros(plane, np.bool_)
    for place in range(plane):
        column, row = place % columns, place // columns
        last[place] = column == columns - 1
        border[place] = column == 0 or last[place] or row == 0 or row == rows - 1
    used = 1
    first = 0
    while origin + first * step <= 0.0:
        first += 1
    count = layers - first
    square = step * step
    for turn in range(count):
        layer = first + turn if upward == 1 else layers - 1 - turn
        base = layer * plane
        level = origin + layer * step if upward == 1 else -(origin + layer * step)
        top = level - 0.5 * step
        pending = 0
        for place in range(plane):
            here[place] = -1
            cell = base + place
            if flags[cell] & np.uint8(1):
                continue
            edge = border[place]
            if turn == 0 or edge:
                if edge:
                    here[place] = 0
                else:
                    here[place] = used
                    begin[used] = 0.0 if upward == 1 else level
                    seed[used] = cell
                    used += 1
                continue
            between = cell - plane if upward == 1 else cell
            if below[place] >= 0 and not flags[between] & np.uint8(8):
                here[place] = below[place]
                continue
            # The surface lies under this point: where, is the level at which the point comes in.
            bottom = top
            low, high = starts[place], starts[place + 1]
            while low < high:
                middle = (low + high) // 2
                if at[middle] <= origin + layer * step:
                    low = middle + 1
                else:
                    high = middle
            if upward == 1 and low > starts[place]:
                bottom = at[low - 1]
            elif upward == 0 and low < starts[place + 1]:
                bottom = -at[low]
            bottoms[pending] = min(max(bottom, level - step), level)
            waiting[pending] = place
            pending += 1
        for place in range(plane):
            if here[place] < 0:
                continue
            cell = base + place
            for shift in (1, columns):
                other = place + shift
                if other >= plane or here[other] < 0 or here[other] == here[place]:
                    continue
                if shift == 1 and last[place]:
                    continue
                if flags[cell] & (np.uint8(2) if shift == 1 else np.uint8(4)):
                    continue
                _unite(
                    parent, volume, area, peak, begin, seed, here[place], here[other], top, top, layer,
                    least_area, least_depth, found, pockets,
                )  # fmt: skip
        for n in np.argsort(bottoms[:pending]):
            place = waiting[n]
            cell = base + place
            here[place] = used
            begin[used] = bottoms[n]
            seed[used] = cell
            used += 1
            for side in range(4):
                other = place
                if side == 0:
                    other, wall = place - 1, flags[cell - 1] & np.uint8(2)
                elif side == 1:
                    other, wall = place + 1, flags[cell] & np.uint8(2)
                elif side == 2:
                    other, wall = place - columns, flags[cell - columns] & np.uint8(4)
                else:
                    other, wall = place + columns, flags[cell] & np.uint8(4)
                if wall == 0 and here[other] >= 0:
                    _unite(
                        parent, volume, area, peak, begin, seed, here[place], here[other], bottoms[n], top,
                        layer, least_area, least_depth, found, pockets,
                    )  # fmt: skip
        for place in range(plane):
            if here[place] <= 0:
                continue
            root = root_of(parent, here[place])
            here[place] = root
            if root == 0:
                continue
            if stamp[root] != turn:
                stamp[root] = turn
                area[root], fresh[root] = 0.0, 0.0
            cell = base + place
            fresh[root] += square
            peak[root] = max(peak[root], fresh[root])
            if counted[cell] != 0:
                share = amount[cell] / 16384.0
                if turn == 0 and upward == 1:
                    share += (origin + layer * step) / step - 0.5
                volume[root] += share * square * step
                area[root] += square
        below, here = here, below
    for item in range(1, used):
        if parent[item] == item and volume[item] > 0.0:
            deep = _depth_of(stamp[item], first, layers, origin, step, upward)
            final = layers if upward == 1 else -1
            note_pocket(
                volume[item], begin[item], peak[item], deep, seed[item], final, least_area, least_depth,
                found, pockets,
            )  # fmt: skip
    return found


@compiled()
def _depth_of(turn: int, first: int, layers: int, origin: float, step: float, upward: int) -> float:
    """The height, along the way of filling, of the far side of the last layer a room was met in."""
    layer = first + turn if upward == 1 else layers - 1 - turn
    return origin + layer * step + 0.5 * step if upward == 1 else -(origin + layer * step) + 0.5 * step
