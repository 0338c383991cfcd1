"""Compiled parts of ``inside``: voids, passages and turning on a lattice. See ``inside``."""

from __future__ import annotations

from typing import Any

import numpy as np

from qa.geometry.filling_kernels import root_of
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
def surrounded(flags: Array, inner: Array) -> Array:
    """255 for every empty point that meets the inner skin on at least three of six sides, else 0."""
    found = np.zeros(len(flags), np.uint8)
    for cell in range(len(flags)):
        if inner[cell] >= 3 and not flags[cell] & np.uint8(1):
            found[cell] = 255
    return found


@compiled()
def open_beside(flags: Array, void: Array, blocked: Array) -> Array:
    """Whether a point is empty, in no void, and meets the surface on at least four of six sides."""
    found = np.zeros(len(flags), np.bool_)
    for cell in range(len(flags)):
        found[cell] = void[cell] == 0 and blocked[cell] >= 4 and not flags[cell] & np.uint8(1)
    return found


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
    stack = np.zeros(room, np.int32)
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
    queue = np.zeros(1024, np.int32)
    top = 0
    for cell in range(len(flags)):
        if reach[cell] == 0:
            queue, top = _reached(flags, reach, cell, 1, queue, top, plane, columns)
    ring = 1
    while top > 0 and ring <= rings:
        count += top
        if ring == rings:
            break
        front, top = queue[:top].copy(), 0
        ring += 1
        for n in range(len(front)):
            queue, top = _reached(flags, reach, front[n], ring, queue, top, plane, columns)
    cells, rings_of = np.zeros(count, np.int32), np.zeros(count, np.uint8)
    n = 0
    for cell in range(len(flags)):
        if reach[cell] != 255:
            cells[n], rings_of[n] = cell, reach[cell]
            n += 1
    return cells, rings_of


@compiled()
def _reached(
    flags: Array, reach: Array, cell: int, ring: int, queue: Array, top: int, plane: int, columns: int
) -> tuple[Array, int]:
    """Add what is joined to a point and not reached yet to the queue: the queue and how many it holds."""
    for side in range(6):
        other = joined(flags, cell, side, plane, columns)
        if other < 0 or reach[other] != 255:
            continue
        if top == len(queue):
            wider = np.zeros(2 * top, np.int32)
            wider[:top] = queue
            queue = wider
        reach[other] = ring
        queue[top] = other
        top += 1
    return queue, top


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
    width, parent = np.zeros(total, np.float32), np.full(total, -1, np.int32)
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
def patches_over_edges(twin: Array, chosen: Array) -> Array:
    """Per face the first face of its patch of chosen faces joined over edges; -1 elsewhere."""
    parent = np.full(len(chosen), -1, np.int32)
    for face in range(len(chosen)):
        if chosen[face]:
            parent[face] = face
    for half in range(len(twin)):
        one, other = half // 3, twin[half] // 3
        if twin[half] < half or parent[one] < 0 or parent[other] < 0:
            continue
        one, other = root_of(parent, one), root_of(parent, other)
        parent[max(one, other)] = min(one, other)
    for face in range(len(chosen)):
        if parent[face] >= 0:
            parent[face] = parent[parent[face]]
    return parent


@compiled()
def borders_of(twin: Array, patch: Array) -> Array:
    """Half-edges of faces that are of a patch (0 and up) whose twins are of none."""
    count = 0
    for half in range(len(twin)):
        count += patch[half // 3] >= 0 and twin[half] >= 0 and patch[twin[half] // 3] < 0
    found = np.zeros(count, np.int64)
    count = 0
    for half in range(len(twin)):
        if patch[half // 3] >= 0 and twin[half] >= 0 and patch[twin[half] // 3] < 0:
            found[count] = half
            count += 1
    return found


@compiled()
def at_border(cells: Array, layers: int, rows: int, columns: int) -> Array:
    """Whether each point is one of the lattice's outermost."""
    found = np.zeros(len(cells), np.bool_)
    plane = rows * columns
    for n in range(len(cells)):
        layer, rest = cells[n] // plane, cells[n] % plane
        row, column = rest // columns, rest % columns
        found[n] = layer == 0 or layer == layers - 1 or row == 0 or row == rows - 1
        found[n] |= column == 0 or column == columns - 1
    return found


@compiled()
def levels_of(
    cells: Array, plane: int, columns: int, along_x: float, along_y: float, along_z: float, unit: float
) -> Array:
    """Heights of points in whole ``unit`` over the lowest; ``along_x`` and so on is the rise per step."""
    lowest = np.inf
    for n in range(len(cells)):
        rest = cells[n] % plane
        height = along_x * (rest % columns) + along_y * (rest // columns) + along_z * (cells[n] // plane)
        lowest = min(lowest, height)
    level = np.zeros(len(cells), np.int32)
    for n in range(len(cells)):
        rest = cells[n] % plane
        height = along_x * (rest % columns) + along_y * (rest // columns) + along_z * (cells[n] // plane)
        level[n] = int(np.floor((height - lowest) / unit))
    return level


@compiled()
def kept_when_turned(
    flags: Array, cells: Array, ids: Array, ring: Array, level: Array, number: Array, amount: Array,
    count: int, plane: int, columns: int, slack: int,
) -> Array:  # fmt: skip
    """Amount that stays in each of ``count`` voids when liquid may only run to lower levels.

    ``number`` (from 1), ``level`` (whole numbers) and ``amount`` are those of each point. Points of ring 1
    and beyond are outside. A point keeps its liquid when every way out climbs more than ``slack`` levels
    above it.
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
            kept[number[one]] += float(amount[one])
    return kept
