"""Compiled parts of ``inside``: voids, liquid levels and passages on a lattice. See ``inside``."""

from __future__ import annotations

from typing import Any

import numpy as np

from qa.geometry.kernels import compiled
from qa.geometry.lattice import line_of

# The kernels see plain arrays of fixed kinds; the compiler checks what mypy cannot.
Array = Any


@compiled()
def joined(flags: Array, cell: int, side: int, plane: int, columns: int) -> int:
    """The neighbour of an empty point on one side (0 to 5: -x, +x, -y, +y, -z, +z), or -1.

    -1 where the surface lies between, where the neighbour is solid, or past the lattice's ends.
    """
    if side == 0:
        other, wall, at = cell - 1, np.uint8(2), cell - 1
    elif side == 1:
        other, wall, at = cell + 1, np.uint8(2), cell
    elif side == 2:
        other, wall, at = cell - columns, np.uint8(4), cell - columns
    elif side == 3:
        other, wall, at = cell + columns, np.uint8(4), cell
    elif side == 4:
        other, wall, at = cell - plane, np.uint8(8), cell - plane
    else:
        other, wall, at = cell + plane, np.uint8(8), cell
    if other < 0 or other >= len(flags):
        return -1
    column = cell % columns
    row = (cell // columns) % (plane // columns)
    if (side == 0 and column == 0) or (side == 1 and column == columns - 1):
        return -1
    if (side == 2 and row == 0) or (side == 3 and row == plane // columns - 1):
        return -1
    if flags[at] & wall or flags[other] & np.uint8(1):
        return -1
    return other


@compiled()
def heights(
    starts: Array, at: Array, origin: float, step: float, layers: int, rows: int, columns: int, flags: Array
) -> Array:
    """How much of its z line each point stands for, in 1/16384 of a step.

    An empty point owns half the way to the next one, or all of the way to the surface where that is nearer.
    """
    amount = np.zeros(len(flags), np.uint16)
    plane = rows * columns
    for line in range(plane):
        n = starts[line]
        for layer in range(layers):
            cell = line + layer * plane
            here = origin + layer * step
            while n < starts[line + 1] and at[n] <= here:
                n += 1
            if flags[cell] & np.uint8(1):
                continue
            below, above = 0.5, 0.5
            if layer > 0 and flags[cell - plane] & np.uint8(8) and n > starts[line]:
                below = min(1.0, (here - at[n - 1]) / step)
            if flags[cell] & np.uint8(8) and n < starts[line + 1]:
                above = min(1.0, (at[n] - here) / step)
            amount[cell] = np.uint16(min(2.0, below + above) * 16384.0)
    return amount


@compiled()
def flood_voids(flags: Array, void: Array, plane: int, columns: int, least: int) -> int:
    """Number the connected voids in place (1, 2, ...); how many there are.

    ``void`` holds 255 where a point may belong to one. Voids of fewer than ``least`` points go back to 0,
    and so do those beyond the 200th.
    """
    count = 0
    room = 0
    for cell in range(len(void)):
        room += void[cell] == 255
    stack = np.zeros(room, np.int64)
    for seed in range(len(void)):
        if void[seed] != 255:
            continue
        number = np.uint8(count + 1)
        void[seed] = number
        stack[0], top, done = seed, 1, 0
        while done < top:
            cell = stack[done]
            done += 1
            for side in range(6):
                other = joined(flags, cell, side, plane, columns)
                if other >= 0 and void[other] == 255:
                    void[other] = number
                    stack[top] = other
                    top += 1
        if top < least or count == 200:
            for n in range(top):
                void[stack[n]] = 0
            continue
        count += 1
    return count


@compiled()
def _root(parent: Array, item: int) -> int:
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
    one, other = _root(parent, one), _root(parent, other)
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
            column, row = place % columns, place // columns
            edge = column == 0 or row == 0 or column == columns - 1 or row == rows - 1
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
            if place % columns < columns - 1 and here[place + 1] >= 0 and not flags[cell] & np.uint8(2):
                _unite(
                    parent, volume, area, peak, begin, seed, here[place], here[place + 1], top, top, layer,
                    least_area, least_depth, found, pockets,
                )  # fmt: skip
            if place + columns < plane and here[place + columns] >= 0 and not flags[cell] & np.uint8(4):
                _unite(
                    parent, volume, area, peak, begin, seed, here[place], here[place + columns], top, top,
                    layer, least_area, least_depth, found, pockets,
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
            if here[place] < 0:
                continue
            root = _root(parent, here[place])
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
            last = layers if upward == 1 else -1
            note_pocket(
                volume[item], begin[item], peak[item], deep, seed[item], last, least_area, least_depth, found,
                pockets,
            )  # fmt: skip
    return found


@compiled()
def mark_room(
    flags: Array, marks: Array, seed: int, mark: int, plane: int, columns: int, first: int, end: int
) -> None:
    """Mark the points joined to a point from layer ``first`` to below ``end``."""
    stack = np.zeros(1024, np.int64)
    stack[0], top = seed, 1
    marks[seed] = mark
    while top > 0:
        top -= 1
        cell = stack[top]
        if top + 6 >= len(stack):
            spare = np.zeros(2 * len(stack), np.int64)
            spare[:top] = stack[:top]
            stack = spare
        for side in range(6):
            other = joined(flags, cell, side, plane, columns)
            if other >= 0 and marks[other] != mark and first <= other // plane < end:
                marks[other] = mark
                stack[top] = other
                top += 1


@compiled()
def _depth_of(turn: int, first: int, layers: int, origin: float, step: float, upward: int) -> float:
    """The height, along the way of filling, of the far side of the last layer a room was met in."""
    layer = first + turn if upward == 1 else layers - 1 - turn
    return origin + layer * step + 0.5 * step if upward == 1 else -(origin + layer * step) + 0.5 * step


@compiled()
def around_voids(flags: Array, void: Array, plane: int, columns: int, rings: int) -> tuple[Array, Array]:
    """Points of the voids and of the outside up to ``rings`` points from their openings, in order.

    Returns the points and the ring of each: 0 in a void, 1 at an opening, and so on.
    """
    reach = np.full(len(flags), 255, np.uint8)
    count = 0
    for cell in range(len(flags)):
        if void[cell] != 0:
            reach[cell] = 0
            count += 1
    queue = np.zeros(count, np.int64)
    top = 0
    for cell in range(len(flags)):
        if reach[cell] == 0:
            queue[top] = cell
            top += 1
    ring = np.uint8(0)
    while top > 0 and ring < rings:
        spare = np.zeros(6 * top, np.int64)
        found = 0
        for n in range(top):
            for side in range(6):
                other = joined(flags, queue[n], side, plane, columns)
                if other >= 0 and reach[other] == 255:
                    reach[other] = ring + np.uint8(1)
                    spare[found] = other
                    found += 1
        queue, top = spare, found
        count += found
        ring += np.uint8(1)
    cells, rings_of = np.zeros(count, np.int64), np.zeros(count, np.uint8)
    n = 0
    for cell in range(len(flags)):
        if reach[cell] != 255:
            cells[n], rings_of[n] = cell, reach[cell]
            n += 1
    return cells, rings_of


@compiled()
def axis_distance(
    starts: Array, at: Array, axis: int, origin: float, step: float, layers: int, rows: int, columns: int,
    ids: Array, room: Array,
) -> None:  # fmt: skip
    """Lower ``room`` (mm, per listed point) to the way along one axis to the surface, within one step."""
    length = columns if axis == 0 else (rows if axis == 1 else layers)
    for line in range(len(starts) - 1):
        first, stride = line_of(axis, line, rows, columns)
        for n in range(starts[line], starts[line + 1]):
            place = int(np.floor((at[n] - origin) / step))
            for side in range(2):
                point = place + side
                if point < 0 or point >= length:
                    continue
                one = ids[first + point * stride]
                if one >= 0:
                    room[one] = min(room[one], abs(origin + point * step - at[n]))


@compiled()
def chamfer(cells: Array, ids: Array, plane: int, columns: int, step: float, room: Array) -> None:
    """Carry distances to the surface over all listed points, there and back over 26 neighbours."""
    shifts, costs = np.zeros(13, np.int64), np.zeros(13)
    n = 0
    for layer in range(-1, 1):
        for row in range(-1, 2):
            for column in range(-1, 2):
                shift = layer * plane + row * columns + column
                if shift < 0 and n < 13 and (layer < 0 or row < 0 or (row == 0 and column < 0)):
                    shifts[n] = shift
                    costs[n] = step * np.sqrt(float(layer * layer + row * row + column * column))
                    n += 1
    total = len(cells)
    for one in range(total):
        for k in range(13):
            other = cells[one] + shifts[k]
            if other >= 0 and ids[other] >= 0:
                room[one] = min(room[one], room[ids[other]] + costs[k])
    for back in range(total):
        one = total - 1 - back
        for k in range(13):
            other = cells[one] - shifts[k]
            if other < len(ids) and ids[other] >= 0:
                room[one] = min(room[one], room[ids[other]] + costs[k])


@compiled()
def widest_ways(
    flags: Array, cells: Array, ids: Array, source: Array, room: Array, plane: int, columns: int, unit: float
) -> tuple[Array, Array]:
    """The widest way from every listed point to a source: its narrowest room (mm), and the next point.

    A maximin search: points are settled from the widest way down, in steps of ``unit`` mm.
    """
    total = len(cells)
    width, parent = np.zeros(total), np.full(total, -1, np.int32)
    most = 0.0
    for one in range(total):
        most = max(most, room[one])
    buckets = int(most / unit) + 2
    head, after = np.full(buckets, -1, np.int32), np.full(total, -1, np.int32)
    for one in range(total):
        if source[one]:
            width[one] = room[one]
            bucket = int(room[one] / unit)
            after[one], head[bucket] = head[bucket], one
    for turn in range(buckets):
        bucket = buckets - 1 - turn
        while head[bucket] >= 0:
            one = head[bucket]
            head[bucket] = after[one]
            for side in range(6):
                cell = joined(flags, cells[one], side, plane, columns)
                if cell < 0 or ids[cell] < 0:
                    continue
                other = ids[cell]
                if parent[other] >= 0 or source[other]:
                    continue
                # Points are settled from the widest way down, so the first way to reach one is its widest.
                width[other], parent[other] = min(width[one], room[other]), one
                place = min(bucket, int(width[other] / unit))
                after[other], head[place] = head[place], other
    return width, parent


@compiled()
def kept_when_turned(
    flags: Array, cells: Array, ids: Array, ring: Array, level: Array, number: Array, volume: Array,
    count: int, plane: int, columns: int, slack: int,
) -> Array:  # fmt: skip
    """Volume that stays in each of ``count`` voids when liquid may only run to lower levels.

    ``number`` (from 1) and ``level`` (whole numbers) are those of each point. Points of ring 1 and beyond are
    outside. A point keeps its liquid when every way out climbs more than ``slack`` levels above it.
    """
    total = len(cells)
    most = 0
    for one in range(total):
        most = max(most, level[one])
    head, after = np.full(most + 1, -1, np.int32), np.full(total, -1, np.int32)
    spill = np.full(total, -1, np.int32)
    for one in range(total):
        if ring[one] == 1:
            spill[one] = level[one]
            after[one], head[level[one]] = head[level[one]], one
    for at in range(most + 1):
        while head[at] >= 0:
            one = head[at]
            head[at] = after[one]
            for side in range(6):
                cell = joined(flags, cells[one], side, plane, columns)
                if cell < 0 or ids[cell] < 0:
                    continue
                other = ids[cell]
                if ring[other] != 0 or spill[other] >= 0:
                    continue
                spill[other] = max(at, level[other])
                after[other], head[spill[other]] = head[spill[other]], other
    kept = np.zeros(count + 1)
    for one in range(total):
        if ring[one] == 0 and (spill[one] < 0 or spill[one] - level[one] > slack):
            kept[number[one]] += volume[one]
    return kept
