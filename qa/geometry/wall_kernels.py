"""Compiled parts of ``walls``: the largest sphere between two skins. See ``walls`` for the definition."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from qa.geometry.kernels import compiled
from qa.geometry.tree_kernels import box_distance2, place_on, place_on_thin

# The kernels see plain arrays of fixed kinds; the compiler checks what mypy cannot.
Array = Any

# Triangles with a side longer than this share of the sphere's diameter are halved while it matters.
_FINE = 0.25
_DEEPEST = 48


@compiled()
def _reach(
    x: float, y: float, z: float, px: float, py: float, pz: float, mx: float, my: float, mz: float,
    cosine: float,
) -> float:  # fmt: skip
    """Diameter of the sphere that touches at p with its centre along m and passes through (x, y, z).

    Infinite when the point lies outside the cone about m.
    """
    dx, dy, dz = x - px, y - py, z - pz
    square = dx * dx + dy * dy + dz * dz
    along = dx * mx + dy * my + dz * mz
    if along <= 0.0 or along * along < cosine * cosine * square:
        return np.inf
    return square / along


@compiled()
def _shrink_on(
    corners: Array, thin: Array, i: int, px: float, py: float, pz: float, mx: float, my: float, mz: float,
    cosine: float, least: float, diameter: float, pieces: Array, scratch: Array,
) -> float:  # fmt: skip
    """Shrink the sphere until triangle i holds no point of the cone inside it."""
    for k in range(3):
        for c in range(3):
            pieces[0, c, k] = corners[i, c, k]
    top = 1
    while top > 0:
        top -= 1
        for c in range(3):
            for k in range(3):
                scratch[0, c, k] = pieces[top, c, k]
        # The nearest place to the centre, again and again while the sphere shrinks on it.
        inside = False
        for _ in range(12):
            radius = 0.5 * diameter
            cx, cy, cz = px + radius * mx, py + radius * my, pz + radius * mz
            if thin[i]:
                d2, v, w, _ = place_on_thin(scratch, 0, cx, cy, cz)
            else:
                d2, v, w, _ = place_on(scratch, 0, cx, cy, cz)
            inside = d2 < radius * radius * (1.0 - 1e-9)
            if not inside:
                break
            x = scratch[0, 0, 0] + v * (scratch[0, 1, 0] - scratch[0, 0, 0])
            x += w * (scratch[0, 2, 0] - scratch[0, 0, 0])
            y = scratch[0, 0, 1] + v * (scratch[0, 1, 1] - scratch[0, 0, 1])
            y += w * (scratch[0, 2, 1] - scratch[0, 0, 1])
            z = scratch[0, 0, 2] + v * (scratch[0, 1, 2] - scratch[0, 0, 2])
            z += w * (scratch[0, 2, 2] - scratch[0, 0, 2])
            found = _reach(x, y, z, px, py, pz, mx, my, mz, cosine)
            if found < least or found >= diameter:
                break
            diameter = found
        if not inside:
            continue
        longest, side = 0.0, 0
        for c in range(3):
            length = 0.0
            for k in range(3):
                length += (scratch[0, (c + 1) % 3, k] - scratch[0, c, k]) ** 2
            if length > longest:
                longest, side = length, c
        if longest <= (_FINE * diameter) ** 2 or top + 2 > _DEEPEST:
            continue
        # Part of the triangle may lie in the cone though its nearest place does not: halve it.
        one, two, other = side, (side + 1) % 3, (side + 2) % 3
        for k in range(3):
            middle = 0.5 * (scratch[0, one, k] + scratch[0, two, k])
            pieces[top, 0, k], pieces[top, 1, k] = scratch[0, one, k], middle
            pieces[top, 2, k] = scratch[0, other, k]
            pieces[top + 1, 0, k], pieces[top + 1, 1, k] = middle, scratch[0, two, k]
            pieces[top + 1, 2, k] = scratch[0, other, k]
        top += 2
    return diameter


@compiled()
def inscribed(
    corners: Array, face_of: Array, boxes: Array, leaf_start: Array, thin: Array, levels: int,
    normals: Array, points: Array, inward: Array, skipped: Array, side: Array, wanted: Array, cosine: float,
    facing: float, least: float, order: Array, diameter: Array, start: int, end: int,
) -> None:  # fmt: skip
    """Shrink ``diameter`` (an upper bound, infinite to leave a point alone) on what faces away.

    ``side`` is a label per face, ``wanted`` the label per point that may be touched (-1: any). A face
    counts where its unit normal (m x 3) makes at least the cosine ``facing`` with the sphere's axis.
    """
    first_leaf = (1 << levels) - 1
    stack = np.zeros(levels + 2, dtype=np.int64)
    pieces, scratch = np.zeros((_DEEPEST + 2, 3, 3)), np.zeros((1, 3, 3))
    for n in range(start, end):
        p = order[n]
        if not math.isfinite(diameter[p]):
            continue
        px, py, pz = points[p, 0], points[p, 1], points[p, 2]
        mx, my, mz = inward[p, 0], inward[p, 1], inward[p, 2]
        best = diameter[p]
        stack[0], top = 0, 1
        while top > 0:
            top -= 1
            node = stack[top]
            radius = 0.5 * best
            cx, cy, cz = px + radius * mx, py + radius * my, pz + radius * mz
            if box_distance2(boxes, node, cx, cy, cz) >= radius * radius:
                continue
            if node < first_leaf:
                left, right = 2 * node + 1, 2 * node + 2
                left_d2 = box_distance2(boxes, left, cx, cy, cz)
                right_d2 = box_distance2(boxes, right, cx, cy, cz)
                if left_d2 < right_d2:
                    left, right, left_d2, right_d2 = right, left, right_d2, left_d2
                if left_d2 < radius * radius:
                    stack[top] = left
                    top += 1
                if right_d2 < radius * radius:
                    stack[top] = right
                    top += 1
                continue
            leaf = node - first_leaf
            for i in range(leaf_start[leaf], leaf_start[leaf + 1]):
                face = face_of[i]
                if face == skipped[p] or (wanted[p] >= 0 and side[face] != wanted[p]):
                    continue
                away = normals[face, 0] * mx + normals[face, 1] * my + normals[face, 2] * mz
                if away < facing:
                    continue
                best = _shrink_on(
                    corners, thin, i, px, py, pz, mx, my, mz, cosine, least, best, pieces, scratch
                )
        diameter[p] = best


@compiled()
def spread_values(faces: Array, around_start: Array, around: Array, value: Array, side: Array) -> None:
    """Give faces without a value (-1) that of the nearest face of their side, counted in shared corners."""
    queue = np.zeros(faces.shape[0], dtype=np.int32)
    end = 0
    for f in range(faces.shape[0]):
        if value[f] >= 0.0:
            queue[end] = f
            end += 1
    at = 0
    while at < end:
        f = queue[at]
        at += 1
        for c in range(3):
            v = faces[f, c]
            for j in range(around_start[v], around_start[v + 1]):
                g = around[j]
                if side[g] == side[f] and value[g] < 0.0:
                    value[g] = value[f]
                    queue[end] = g
                    end += 1
