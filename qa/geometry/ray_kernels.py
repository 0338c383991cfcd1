"""Compiled rays of ``tree``: first hits and all hits. See ``tree`` for the method and its source."""

from __future__ import annotations

from typing import Any

import numpy as np

from qa.geometry.kernels import compiled

# The kernels see plain arrays of fixed kinds; the compiler checks what mypy cannot.
Array = Any


@compiled()
def _ray_frame(directions: Array, ray: int) -> tuple[int, int, int, float, float, float]:
    """Axes (main last) and shear that turn a ray into the third axis; main axis -1 for a zero ray."""
    x, y, z = abs(directions[ray, 0]), abs(directions[ray, 1]), abs(directions[ray, 2])
    main = 2
    if x >= y and x >= z:
        main = 0
    elif y >= z:
        main = 1
    if directions[ray, main] == 0.0:
        return 0, 1, -1, 0.0, 0.0, 0.0
    one, two = (main + 1) % 3, (main + 2) % 3
    along = directions[ray, main]
    return one, two, main, directions[ray, one] / along, directions[ray, two] / along, 1.0 / along


@compiled()
def _meet(
    corners: Array, i: int, origins: Array, ray: int, one: int, two: int, main: int,
    shear_one: float, shear_two: float, shear_main: float,
) -> float:  # fmt: skip
    """Distance along the ray to triangle i, or minus infinity when it misses."""
    o1, o2, o3 = origins[ray, one], origins[ray, two], origins[ray, main]
    az, bz, cz = corners[i, 0, main] - o3, corners[i, 1, main] - o3, corners[i, 2, main] - o3
    ax = corners[i, 0, one] - o1 - shear_one * az
    ay = corners[i, 0, two] - o2 - shear_two * az
    bx = corners[i, 1, one] - o1 - shear_one * bz
    by = corners[i, 1, two] - o2 - shear_two * bz
    cx = corners[i, 2, one] - o1 - shear_one * cz
    cy = corners[i, 2, two] - o2 - shear_two * cz
    u = cx * by - cy * bx
    v = ax * cy - ay * cx
    w = bx * ay - by * ax
    if (u < 0.0 or v < 0.0 or w < 0.0) and (u > 0.0 or v > 0.0 or w > 0.0):
        return -np.inf
    whole = u + v + w
    if whole == 0.0:
        return -np.inf
    return float((u * az + v * bz + w * cz) * shear_main / whole)


@compiled()
def _enters(
    boxes: Array, node: int, origins: Array, directions: Array, ray: int, nearest: float, furthest: float
) -> float:
    """Where the ray enters the box, or infinity when it misses it within nearest..furthest."""
    enter, leave = nearest, furthest
    for k in range(3):
        o, d = origins[ray, k], directions[ray, k]
        low, high = boxes[node, k], boxes[node, k + 3]
        if d == 0.0:
            if o < low or o > high:
                return np.inf
            continue
        t0, t1 = (low - o) / d, (high - o) / d
        if t0 > t1:
            t0, t1 = t1, t0
        # Widened so that rounding never hides a triangle lying on the box's side.
        enter = max(enter, t0 - abs(t0) * 1e-12)
        leave = min(leave, t1 + abs(t1) * 1e-12)
    if enter > leave + 1e-12:
        return np.inf
    return enter


@compiled()
def first_hits(
    corners: Array, face_of: Array, boxes: Array, leaf_start: Array, levels: int, origins: Array,
    directions: Array, least: float, skipped: Array, order: Array, distance: Array, face: Array,
    start: int, end: int,
) -> None:  # fmt: skip
    first_leaf = (1 << levels) - 1
    stack = np.zeros(levels + 2, dtype=np.int64)
    stack_t = np.zeros(levels + 2)
    for n in range(start, end):
        ray = order[n]
        one, two, main, shear_one, shear_two, shear_main = _ray_frame(directions, ray)
        if main < 0:
            continue
        best, best_i = np.inf, -1
        stack[0], stack_t[0], top = 0, -np.inf, 1
        while top > 0:
            top -= 1
            node = stack[top]
            if stack_t[top] > best:
                continue
            if node < first_leaf:
                left, right = 2 * node + 1, 2 * node + 2
                left_t = _enters(boxes, left, origins, directions, ray, least, best)
                right_t = _enters(boxes, right, origins, directions, ray, least, best)
                if left_t < right_t:
                    left, right, left_t, right_t = right, left, right_t, left_t
                for child, t in ((left, left_t), (right, right_t)):
                    if t < np.inf:
                        stack[top], stack_t[top] = child, t
                        top += 1
                continue
            leaf = node - first_leaf
            for i in range(leaf_start[leaf], leaf_start[leaf + 1]):
                t = _meet(corners, i, origins, ray, one, two, main, shear_one, shear_two, shear_main)
                if t > least and t < best and face_of[i] != skipped[ray]:
                    best, best_i = t, i
        if best_i >= 0:
            distance[ray] = best
            face[ray] = face_of[best_i]


@compiled()
def every_hit(
    corners: Array, face_of: Array, boxes: Array, leaf_start: Array, levels: int, origins: Array,
    directions: Array, least: float, order: Array, start_of: Array, distance: Array, face: Array,
    fill: int, start: int, end: int,
) -> None:  # fmt: skip
    """Count the hits of each ray into start_of[ray + 1], or fill and sort them by distance."""
    first_leaf = (1 << levels) - 1
    stack = np.zeros(levels + 2, dtype=np.int64)
    for n in range(start, end):
        ray = order[n]
        one, two, main, shear_one, shear_two, shear_main = _ray_frame(directions, ray)
        if main < 0:
            continue
        count = 0
        stack[0], top = 0, 1
        while top > 0:
            top -= 1
            node = stack[top]
            if _enters(boxes, node, origins, directions, ray, least, np.inf) == np.inf:
                continue
            if node < first_leaf:
                stack[top], stack[top + 1] = 2 * node + 1, 2 * node + 2
                top += 2
                continue
            leaf = node - first_leaf
            for i in range(leaf_start[leaf], leaf_start[leaf + 1]):
                t = _meet(corners, i, origins, ray, one, two, main, shear_one, shear_two, shear_main)
                if t <= least:
                    continue
                if fill:
                    at = start_of[ray] + count
                    while at > start_of[ray] and distance[at - 1] > t:
                        distance[at], face[at] = distance[at - 1], face[at - 1]
                        at -= 1
                    distance[at], face[at] = t, face_of[i]
                count += 1
        if not fill:
            start_of[ray + 1] = count
