"""Compiled parts of ``tree``; arrays in, arrays filled. See ``tree`` for what they mean."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from qa.geometry.kernels import compiled

# The kernels see plain arrays and numbers of fixed kinds; the compiler checks what mypy cannot.
Array = Any
Single = Any
Unsigned = Any

# A triangle whose height is below this share of its longest side has no usable plane; the nearest place
# is then sought on its three sides, which is off by at most that height.
THIN = 1e-9

# Boxes carry 24 bits; widening each side by this share keeps them outside the triangles they hold.
ROUND_OUT = 1.2e-7

# What may be skipped is decided in single precision, off by less than this share of the largest
# coordinate: a sum of four products there loses at most some 1.5e-6 of it.
BLUR = np.float32(4e-6)

# A double rounded to single precision, times this, is no smaller than it was.
ROUND_UP = np.float32(1.0 + 3e-7)

# The search for a median draws a sample where that is cheaper than a bad guess.
_SAMPLE, _SAMPLE_FROM = 21, 200

# So few are put in order outright.
_FEW = 12

NIL, UNIT, PAIR = np.uint64(0), np.uint64(1), np.uint64(2)


@compiled()
def all_finite(points: Array) -> bool:
    bad = 0
    for i in range(points.shape[0]):
        if not math.isfinite(points[i, 0] + points[i, 1] + points[i, 2]):
            bad += 1
    return bad == 0


@compiled()
def centres(vertices: Array, faces: Array, out: Array, start: int, end: int) -> None:
    """Middle of each triangle's bounding box, which splits better than the centroid on slivers."""
    for i in range(start, end):
        for k in range(3):
            a, b, c = vertices[faces[i, 0], k], vertices[faces[i, 1], k], vertices[faces[i, 2], k]
            out[i, k] = 0.5 * (min(a, min(b, c)) + max(a, max(b, c)))


@compiled()
def gather(
    vertices: Array, faces: Array, face_of: Array, corners: Array, thin: Array, start: int, end: int
) -> None:
    for i in range(start, end):
        face = face_of[i]
        for c in range(3):
            for k in range(3):
                corners[i, c, k] = vertices[faces[face, c], k]
        ux, uy, uz = (
            corners[i, 1, 0] - corners[i, 0, 0],
            corners[i, 1, 1] - corners[i, 0, 1],
            corners[i, 1, 2] - corners[i, 0, 2],
        )
        vx, vy, vz = (
            corners[i, 2, 0] - corners[i, 0, 0],
            corners[i, 2, 1] - corners[i, 0, 1],
            corners[i, 2, 2] - corners[i, 0, 2],
        )
        wx, wy, wz = vx - ux, vy - uy, vz - uz
        nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        longest = max(ux * ux + uy * uy + uz * uz, vx * vx + vy * vy + vz * vz, wx * wx + wy * wy + wz * wz)
        thin[i] = nx * nx + ny * ny + nz * nz <= (THIN * longest) * (THIN * longest)


@compiled()
def _pivot(
    centre: Array, axis: int, left: int, right: int, middle: int, draw: Unsigned
) -> tuple[Unsigned, Single]:
    """A value near the one that belongs at ``middle``: that rank of a sample drawn from left..right.

    Drawn from a fixed sequence: no arrangement of triangles makes the search slow but by chance.
    """
    count = right - left + 1
    if count < _SAMPLE_FROM:
        draw = np.uint32(draw * np.uint32(1664525) + np.uint32(1013904223))
        return draw, centre[left + int(draw >> np.uint32(8)) % count, axis]
    sample = np.zeros(_SAMPLE, dtype=np.float32)
    for n in range(_SAMPLE):
        draw = np.uint32(draw * np.uint32(1664525) + np.uint32(1013904223))
        value = centre[left + int(draw >> np.uint32(8)) % count, axis]
        at = n
        while at > 0 and sample[at - 1] > value:
            sample[at] = sample[at - 1]
            at -= 1
        sample[at] = value
    return draw, sample[(middle - left) * _SAMPLE // count]


@compiled()
def split_once(centre: Array, face_of: Array, start: int, end: int) -> int:
    """Order start..end so that the lower half along its longest side comes first; return the middle."""
    middle = start + (end - start + 1) // 2
    if end - start < 2:
        return middle
    low0 = high0 = centre[start, 0]
    low1 = high1 = centre[start, 1]
    low2 = high2 = centre[start, 2]
    for i in range(start + 1, end):
        low0, high0 = min(low0, centre[i, 0]), max(high0, centre[i, 0])
        low1, high1 = min(low1, centre[i, 1]), max(high1, centre[i, 1])
        low2, high2 = min(low2, centre[i, 2]), max(high2, centre[i, 2])
    axis = 0
    if high1 - low1 > high0 - low0:
        axis = 1
    if high2 - low2 > max(high0 - low0, high1 - low1):
        axis = 2
    left, right = start, end - 1
    draw = np.uint32(end - start)
    while right - left >= _FEW:
        draw, pivot = _pivot(centre, axis, left, right, middle, draw)
        i, j = left, right
        while i <= j:
            while centre[i, axis] < pivot:
                i += 1
            while centre[j, axis] > pivot:
                j -= 1
            if i <= j:
                c0, c1, c2, f = centre[i, 0], centre[i, 1], centre[i, 2], face_of[i]
                centre[i, 0], centre[i, 1], centre[i, 2] = centre[j, 0], centre[j, 1], centre[j, 2]
                face_of[i] = face_of[j]
                centre[j, 0], centre[j, 1], centre[j, 2], face_of[j] = c0, c1, c2, f
                i += 1
                j -= 1
        if middle <= j:
            right = j
        elif middle >= i:
            left = i
        else:
            return middle
    for i in range(left + 1, right + 1):
        c0, c1, c2, f = centre[i, 0], centre[i, 1], centre[i, 2], face_of[i]
        key = centre[i, axis]
        j = i
        while j > left and centre[j - 1, axis] > key:
            centre[j, 0], centre[j, 1], centre[j, 2] = centre[j - 1, 0], centre[j - 1, 1], centre[j - 1, 2]
            face_of[j] = face_of[j - 1]
            j -= 1
        centre[j, 0], centre[j, 1], centre[j, 2], face_of[j] = c0, c1, c2, f
    return middle


@compiled()
def split_below(
    centre: Array, face_of: Array, leaf_start: Array, node: int, start: int, end: int, levels: int
) -> None:
    """Split the subtree under ``node`` down to the leaves and note where each leaf starts."""
    first_leaf = (1 << levels) - 1
    stack = np.zeros((levels + 2, 3), dtype=np.int64)
    stack[0, 0], stack[0, 1], stack[0, 2] = node, start, end
    top = 1
    while top > 0:
        top -= 1
        at, low, high = stack[top, 0], stack[top, 1], stack[top, 2]
        if at >= first_leaf:
            leaf_start[at - first_leaf] = low
            continue
        middle = split_once(centre, face_of, low, high)
        stack[top, 0], stack[top, 1], stack[top, 2] = 2 * at + 2, middle, high
        stack[top + 1, 0], stack[top + 1, 1], stack[top + 1, 2] = 2 * at + 1, low, middle
        top += 2


@compiled()
def leaf_boxes(corners: Array, leaf_start: Array, boxes: Array, leaves: int, start: int, end: int) -> None:
    for leaf in range(start, end):
        for k in range(3):
            low, high = np.inf, -np.inf
            for i in range(leaf_start[leaf], leaf_start[leaf + 1]):
                for c in range(3):
                    low, high = min(low, corners[i, c, k]), max(high, corners[i, c, k])
            boxes[leaves - 1 + leaf, k] = low - abs(low) * ROUND_OUT - 1e-30
            boxes[leaves - 1 + leaf, k + 3] = high + abs(high) * ROUND_OUT + 1e-30


@compiled()
def inner_boxes(boxes: Array, leaves: int) -> None:
    for node in range(leaves - 2, -1, -1):
        for k in range(3):
            boxes[node, k] = min(boxes[2 * node + 1, k], boxes[2 * node + 2, k])
            boxes[node, k + 3] = max(boxes[2 * node + 1, k + 3], boxes[2 * node + 2, k + 3])


@compiled()
def faces_around(faces: Array, vertex_count: int) -> tuple[Array, Array]:
    """Faces round each vertex as compressed rows (start, faces)."""
    start = np.zeros(vertex_count + 1, dtype=np.int32)
    for i in range(faces.shape[0]):
        for c in range(3):
            start[faces[i, c] + 1] += 1
    for v in range(vertex_count):
        start[v + 1] += start[v]
    fill = start.copy()
    around = np.zeros(3 * faces.shape[0], dtype=np.int32)
    for i in range(faces.shape[0]):
        for c in range(3):
            around[fill[faces[i, c]]] = i
            fill[faces[i, c]] += 1
    return start, around


@compiled()
def _spread(cell: int) -> int:
    """Put two empty bits between the ten bits of a cell number."""
    cell = (cell | (cell << 16)) & 0x030000FF
    cell = (cell | (cell << 8)) & 0x0300F00F
    cell = (cell | (cell << 4)) & 0x030C30C3
    return (cell | (cell << 2)) & 0x09249249


@compiled()
def morton_order(points: Array) -> Array:
    """Order of points along a Morton curve, by a radix sort of 30-bit keys."""
    count = points.shape[0]
    low = np.full(3, np.inf)
    high = np.full(3, -np.inf)
    for i in range(count):
        for k in range(3):
            low[k], high[k] = min(low[k], points[i, k]), max(high[k], points[i, k])
    side = max(high[0] - low[0], high[1] - low[1], high[2] - low[2])
    scale = 1023.0 / side if side > 0.0 else 0.0
    keys = np.zeros(count, dtype=np.uint32)
    for i in range(count):
        x, y, z = (
            int((points[i, 0] - low[0]) * scale),
            int((points[i, 1] - low[1]) * scale),
            int((points[i, 2] - low[2]) * scale),
        )
        keys[i] = _spread(x) | (_spread(y) << 1) | (_spread(z) << 2)
    order = np.arange(count).astype(np.int32)
    spare = np.zeros(count, dtype=np.int32)
    for shift in (0, 10, 20):
        tally = np.zeros(1025, dtype=np.int64)
        for i in range(count):
            tally[((keys[i] >> shift) & 1023) + 1] += 1
        for b in range(1024):
            tally[b + 1] += tally[b]
        for i in range(count):
            bucket = (keys[order[i]] >> shift) & 1023
            spare[tally[bucket]] = order[i]
            tally[bucket] += 1
        order, spare = spare, order
    return order


@compiled()
def _on_side(
    ax: float, ay: float, az: float, bx: float, by: float, bz: float, px: float, py: float, pz: float
) -> tuple[float, float]:
    """Squared distance of p to the segment a-b, and where along it (0..1)."""
    ux, uy, uz = bx - ax, by - ay, bz - az
    length2 = ux * ux + uy * uy + uz * uz
    t = 0.0
    if length2 > 0.0:
        t = ((px - ax) * ux + (py - ay) * uy + (pz - az) * uz) / length2
        t = min(1.0, max(0.0, t))
    dx, dy, dz = ax + t * ux - px, ay + t * uy - py, az + t * uz - pz
    return dx * dx + dy * dy + dz * dz, t


@compiled()
def place_on_thin(corners: Array, i: int, px: float, py: float, pz: float) -> tuple[float, float, float, int]:
    """As ``place_on``, over the three sides only; for triangles without a usable plane."""
    best, v, w, feature = np.inf, 0.0, 0.0, 0
    for side in range(3):
        a, b = side, (side + 1) % 3
        d2, t = _on_side(
            corners[i, a, 0], corners[i, a, 1], corners[i, a, 2],
            corners[i, b, 0], corners[i, b, 1], corners[i, b, 2], px, py, pz,
        )  # fmt: skip
        if d2 < best:
            best = d2
            if t <= 0.0:
                feature = 4 + a
            elif t >= 1.0:
                feature = 4 + b
            else:
                feature = 1 + side
            if side == 0:
                v, w = t, 0.0
            elif side == 1:
                v, w = 1.0 - t, t
            else:
                v, w = 0.0, 1.0 - t
    return best, v, w, feature


@compiled()
def place_on(corners: Array, i: int, px: float, py: float, pz: float) -> tuple[float, float, float, int]:
    """Nearest place of triangle i to p: squared distance, weights of corners 1 and 2, feature.

    By the regions of the triangle's plane (C. Ericson, Real-Time Collision Detection, 2005, 5.1.5).
    """
    ax, ay, az = corners[i, 0, 0], corners[i, 0, 1], corners[i, 0, 2]
    ux, uy, uz = corners[i, 1, 0] - ax, corners[i, 1, 1] - ay, corners[i, 1, 2] - az
    vx, vy, vz = corners[i, 2, 0] - ax, corners[i, 2, 1] - ay, corners[i, 2, 2] - az
    qx, qy, qz = px - ax, py - ay, pz - az
    d1 = ux * qx + uy * qy + uz * qz
    d2 = vx * qx + vy * qy + vz * qz
    uu, uv, vv = ux * ux + uy * uy + uz * uz, ux * vx + uy * vy + uz * vz, vx * vx + vy * vy + vz * vz
    d3, d4 = d1 - uu, d2 - uv
    d5, d6 = d1 - uv, d2 - vv
    v, w, feature = 0.0, 0.0, 0
    if d1 <= 0.0 and d2 <= 0.0:
        feature = 4
    elif d3 >= 0.0 and d4 <= d3:
        v, feature = 1.0, 5
    elif d6 >= 0.0 and d5 <= d6:
        w, feature = 1.0, 6
    else:
        vc = d1 * d4 - d3 * d2
        vb = d5 * d2 - d1 * d6
        va = d3 * d6 - d5 * d4
        if vc <= 0.0 and d1 >= 0.0 and d3 <= 0.0:
            v, feature = d1 / (d1 - d3), 1
        elif vb <= 0.0 and d2 >= 0.0 and d6 <= 0.0:
            w, feature = d2 / (d2 - d6), 3
        elif va <= 0.0 and d4 - d3 >= 0.0 and d5 - d6 >= 0.0:
            w = (d4 - d3) / ((d4 - d3) + (d5 - d6))
            v, feature = 1.0 - w, 2
        else:
            inverse = 1.0 / (va + vb + vc)
            v, w = vb * inverse, vc * inverse
    dx, dy, dz = qx - v * ux - w * vx, qy - v * uy - w * vy, qz - v * uz - w * vz
    return dx * dx + dy * dy + dz * dz, v, w, feature


@compiled()
def box_distance2(boxes: Array, node: int, px: float, py: float, pz: float) -> float:
    dx = max(boxes[node, 0] - px, 0.0, px - boxes[node, 3])
    dy = max(boxes[node, 1] - py, 0.0, py - boxes[node, 4])
    dz = max(boxes[node, 2] - pz, 0.0, pz - boxes[node, 5])
    return float(dx * dx + dy * dy + dz * dz)


@compiled()
def fences(corners: Array, thin: Array, out: Array, start: int, end: int) -> None:
    """Four planes of each triangle, 16 numbers: its own, and one upright on it through each side.

    Each is a unit normal and an offset; those of the sides face outward. All zero, which bounds nothing,
    for a triangle without a usable plane.
    """
    for i in range(start, end):
        if thin[i]:
            continue
        ax, ay, az = corners[i, 0, 0], corners[i, 0, 1], corners[i, 0, 2]
        ux, uy, uz = corners[i, 1, 0] - ax, corners[i, 1, 1] - ay, corners[i, 1, 2] - az
        vx, vy, vz = corners[i, 2, 0] - ax, corners[i, 2, 1] - ay, corners[i, 2, 2] - az
        nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        inverse = 1.0 / math.sqrt(nx * nx + ny * ny + nz * nz)
        nx, ny, nz = nx * inverse, ny * inverse, nz * inverse
        out[i, 0], out[i, 1], out[i, 2] = nx, ny, nz
        out[i, 3] = -(nx * ax + ny * ay + nz * az)
        for side in range(3):
            other = (side + 1) % 3
            x, y, z = corners[i, side, 0], corners[i, side, 1], corners[i, side, 2]
            sx, sy, sz = corners[i, other, 0] - x, corners[i, other, 1] - y, corners[i, other, 2] - z
            mx, my, mz = sy * nz - sz * ny, sz * nx - sx * nz, sx * ny - sy * nx
            inverse = 1.0 / math.sqrt(mx * mx + my * my + mz * mz)
            mx, my, mz = mx * inverse, my * inverse, mz * inverse
            at = 4 + 4 * side
            out[i, at], out[i, at + 1], out[i, at + 2] = mx, my, mz
            out[i, at + 3] = -(mx * x + my * y + mz * z)


@compiled()
def _least_distance2(fence: Array, i: Unsigned, x: Single, y: Single, z: Single, blur: Single) -> Single:
    """No more than the squared distance of a point to triangle i, in single precision.

    Off its plane and beyond the side it is farthest beyond: exact but for corners and rounding.
    """
    off = abs(fence[i, 0] * x + fence[i, 1] * y + fence[i, 2] * z + fence[i, 3])
    one = fence[i, 4] * x + fence[i, 5] * y + fence[i, 6] * z + fence[i, 7]
    two = fence[i, 8] * x + fence[i, 9] * y + fence[i, 10] * z + fence[i, 11]
    three = fence[i, 12] * x + fence[i, 13] * y + fence[i, 14] * z + fence[i, 15]
    off = max(off - blur, np.float32(0.0))
    beyond = max(max(one, max(two, three)) - blur, np.float32(0.0))
    return off * off + beyond * beyond


@compiled()
def _least_box_distance2(
    boxes: Array, node: Unsigned, lx: Single, ly: Single, lz: Single, hx: Single, hy: Single, hz: Single
) -> Single:
    """Squared distance of the box lx..hx, ly..hy, lz..hz to a node's box, in single precision."""
    dx = max(max(boxes[node, 0] - hx, lx - boxes[node, 3]), np.float32(0.0))
    dy = max(max(boxes[node, 1] - hy, ly - boxes[node, 4]), np.float32(0.0))
    dz = max(max(boxes[node, 2] - hz, lz - boxes[node, 5]), np.float32(0.0))
    return dx * dx + dy * dy + dz * dz


@compiled()
def seek(
    corners: Array, boxes: Array, fence: Array, leaf_start: Array, thin: Array, levels: int, reach: float,
    px: float, py: float, pz: float, largest2: float, guess: int, slack: float, stack: Array, stack_d2: Array,
) -> tuple[float, int, float, float, int]:  # fmt: skip
    """Nearest triangle to one point: squared distance, triangle (-1: none), corner weights, feature.

    ``guess`` is a triangle likely to be near (-1: none); its distance bounds the search from the start.
    ``slack`` 1 is exact; above it, squared distances may come out too large by up to that factor, which
    spares most of the search for points far from the surface. ``reach`` is the mesh's largest
    coordinate; ``stack`` is uint64 and ``stack_d2`` float32, one longer than the levels at least.

    Boxes and fences only say what may be skipped and do so in single precision, blurred outward; every
    distance kept is computed in double. Node numbers are unsigned: a signed index costs a test for
    counting from the end at every access.
    """
    best, best_i, best_v, best_w, best_feature = largest2, -1, 0.0, 0.0, 0
    if guess >= 0:
        d2, v, w, kind = (
            place_on_thin(corners, guess, px, py, pz) if thin[guess] else place_on(corners, guess, px, py, pz)
        )
        if d2 <= best:
            best, best_i, best_v, best_w, best_feature = d2, guess, v, w, kind
    far = np.float32(best / slack) * ROUND_UP
    x, y, z = np.float32(px), np.float32(py), np.float32(pz)
    blur = BLUR * max(max(np.float32(reach), abs(x)), max(abs(y), abs(z)))
    lx, ly, lz, hx, hy, hz = x - blur, y - blur, z - blur, x + blur, y + blur, z + blur
    first_leaf = (UNIT << np.uint64(levels)) - UNIT
    stack[0], stack_d2[0], top = NIL, np.float32(0.0), UNIT
    while top > NIL:
        top -= UNIT
        node = stack[top]
        if stack_d2[top] >= far:
            continue
        while node < first_leaf:
            left, right = node + node + UNIT, node + node + PAIR
            left_d2 = _least_box_distance2(boxes, left, lx, ly, lz, hx, hy, hz)
            right_d2 = _least_box_distance2(boxes, right, lx, ly, lz, hx, hy, hz)
            if left_d2 > right_d2:
                left, right, left_d2, right_d2 = right, left, right_d2, left_d2
            if left_d2 >= far:
                break
            stack[top], stack_d2[top] = right, right_d2
            if right_d2 < far:
                top += UNIT
            node = left
        if node < first_leaf:
            continue
        leaf = node - first_leaf
        for i in range(np.uint64(leaf_start[leaf]), np.uint64(leaf_start[leaf + UNIT])):
            if _least_distance2(fence, i, x, y, z, blur) >= far:
                continue
            d2, v, w, kind = (
                place_on_thin(corners, i, px, py, pz) if thin[i] else place_on(corners, i, px, py, pz)
            )
            if d2 < best:
                # A signed number again: the compiler makes a double of the two kinds together.
                best, best_i = d2, np.int64(i)  # type: ignore[assignment]
                best_v, best_w, best_feature = v, w, kind
                far = np.float32(best / slack) * ROUND_UP
    return best, best_i, best_v, best_w, best_feature


@compiled()
def _unit_normal(vertices: Array, faces: Array, face: int) -> tuple[float, float, float]:
    a, b, c = faces[face, 0], faces[face, 1], faces[face, 2]
    return _unit_normal_of(
        vertices[a, 0], vertices[a, 1], vertices[a, 2],
        vertices[b, 0], vertices[b, 1], vertices[b, 2],
        vertices[c, 0], vertices[c, 1], vertices[c, 2],
    )  # fmt: skip


@compiled()
def _unit_normal_of(
    ax: float, ay: float, az: float, bx: float, by: float, bz: float, cx: float, cy: float, cz: float
) -> tuple[float, float, float]:
    ux, uy, uz = bx - ax, by - ay, bz - az
    vx, vy, vz = cx - ax, cy - ay, cz - az
    nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    length = math.sqrt(nx * nx + ny * ny + nz * nz)
    if length <= 0.0:
        return 0.0, 0.0, 0.0
    inverse = 1.0 / length
    return nx * inverse, ny * inverse, nz * inverse


@compiled()
def _angle(vertices: Array, at: int, one: int, two: int) -> float:
    ux, uy, uz = (
        vertices[one, 0] - vertices[at, 0],
        vertices[one, 1] - vertices[at, 1],
        vertices[one, 2] - vertices[at, 2],
    )
    vx, vy, vz = (
        vertices[two, 0] - vertices[at, 0],
        vertices[two, 1] - vertices[at, 1],
        vertices[two, 2] - vertices[at, 2],
    )
    cx, cy, cz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    return math.atan2(math.sqrt(cx * cx + cy * cy + cz * cz), ux * vx + uy * vy + uz * vz)


@compiled()
def _others(faces: Array, face: int, at: int) -> tuple[int, int]:
    """The two other corners of a face that has the vertex ``at``, in the face's order."""
    corner = 0
    if faces[face, 1] == at:
        corner = 1
    elif faces[face, 2] == at:
        corner = 2
    return faces[face, (corner + 1) % 3], faces[face, (corner + 2) % 3]


@compiled()
def _faces_on_edge(faces: Array, around_start: Array, around: Array, one: int, two: int) -> int:
    count = 0
    for j in range(around_start[one], around_start[one + 1]):
        f = around[j]
        if faces[f, 0] == two or faces[f, 1] == two or faces[f, 2] == two:
            count += 1
    return count


@compiled()
def edge_pseudonormal(
    vertices: Array, faces: Array, around_start: Array, around: Array, one: int, two: int
) -> tuple[float, float, float, bool]:
    """Sum of the unit normals of the faces on the edge; True when it lies on a border."""
    nx = ny = nz = 0.0
    count = 0
    for j in range(around_start[one], around_start[one + 1]):
        f = around[j]
        if faces[f, 0] == two or faces[f, 1] == two or faces[f, 2] == two:
            x, y, z = _unit_normal(vertices, faces, f)
            nx, ny, nz, count = nx + x, ny + y, nz + z, count + 1
    return nx, ny, nz, count < 2


@compiled()
def vertex_pseudonormal(
    vertices: Array, faces: Array, around_start: Array, around: Array, at: int
) -> tuple[float, float, float, bool]:
    """Sum of the unit normals round the vertex, each times its angle there; True on a border."""
    nx = ny = nz = 0.0
    border = False
    for j in range(around_start[at], around_start[at + 1]):
        f = around[j]
        one, two = _others(faces, f, at)
        angle = _angle(vertices, at, one, two)
        x, y, z = _unit_normal(vertices, faces, f)
        nx, ny, nz = nx + angle * x, ny + angle * y, nz + angle * z
        if not border:
            border = (
                _faces_on_edge(faces, around_start, around, at, one) < 2
                or _faces_on_edge(faces, around_start, around, at, two) < 2
            )
    return nx, ny, nz, border


@compiled()
def vertex_normals(
    vertices: Array, faces: Array, face_normals: Array, around_start: Array, around: Array, normals: Array,
    start: int, end: int,
) -> None:  # fmt: skip
    """Unit normal of the vertices start..end: the unit normals of the faces round each (m x 3), weighted by
    their angle there; zero where no face gives one."""
    for at in range(start, end):
        nx = ny = nz = 0.0
        for j in range(around_start[at], around_start[at + 1]):
            f = around[j]
            one, two = _others(faces, f, at)
            angle = _angle(vertices, at, one, two)
            nx += angle * face_normals[f, 0]
            ny += angle * face_normals[f, 1]
            nz += angle * face_normals[f, 2]
        length = math.sqrt(nx * nx + ny * ny + nz * nz)
        if length > 0.0:
            normals[at, 0], normals[at, 1], normals[at, 2] = nx / length, ny / length, nz / length


@compiled()
def closest(
    corners: Array, face_of: Array, boxes: Array, fence: Array, leaf_start: Array, thin: Array, levels: int,
    reach: float, points: Array, order: Array, largest: float, place: Array, distance: Array, face: Array,
    feature: Array, start: int, end: int,
) -> None:  # fmt: skip
    """Fill place, distance, face and feature for order[start:end]."""
    stack = np.zeros(levels + 2, dtype=np.uint64)
    stack_d2 = np.zeros(levels + 2, dtype=np.float32)
    near = -1
    for n in range(start, end):
        p = order[n]
        d2, near, v, w, kind = seek(
            corners, boxes, fence, leaf_start, thin, levels, reach, points[p, 0], points[p, 1],
            points[p, 2], largest * largest, near, 1.0, stack, stack_d2,
        )  # fmt: skip
        if near >= 0:
            distance[p], face[p], feature[p] = math.sqrt(d2), face_of[near], kind
            _put(corners, near, v, w, place, p)


@compiled()
def _put(corners: Array, i: int, v: float, w: float, place: Array, at: int) -> None:
    """The place of triangle i with weights v and w of corners 1 and 2, into place[at]."""
    for k in range(3):
        a = corners[i, 0, k]
        place[at, k] = a + v * (corners[i, 1, k] - a) + w * (corners[i, 2, k] - a)


@compiled()
def signed(
    corners: Array, face_of: Array, boxes: Array, fence: Array, leaf_start: Array, thin: Array, levels: int,
    reach: float, vertices: Array, faces: Array, around_start: Array, around: Array, points: Array,
    order: Array, largest: float, place: Array, distance: Array, face: Array, feature: Array, normal: Array,
    border: Array, start: int, end: int,
) -> None:  # fmt: skip
    """As ``closest``, with distances negative inside, the pseudonormal and the border flag."""
    stack = np.zeros(levels + 2, dtype=np.uint64)
    stack_d2 = np.zeros(levels + 2, dtype=np.float32)
    near = -1
    for n in range(start, end):
        p = order[n]
        d2, near, v, w, kind = seek(
            corners, boxes, fence, leaf_start, thin, levels, reach, points[p, 0], points[p, 1],
            points[p, 2], largest * largest, near, 1.0, stack, stack_d2,
        )  # fmt: skip
        if near < 0:
            continue
        f = face_of[near]
        face[p], feature[p] = f, kind
        _put(corners, near, v, w, place, p)
        edge = False
        if kind == 0:
            nx, ny, nz = _unit_normal_of(
                corners[near, 0, 0], corners[near, 0, 1], corners[near, 0, 2],
                corners[near, 1, 0], corners[near, 1, 1], corners[near, 1, 2],
                corners[near, 2, 0], corners[near, 2, 1], corners[near, 2, 2],
            )  # fmt: skip
        elif kind < 4:
            nx, ny, nz, edge = edge_pseudonormal(
                vertices, faces, around_start, around, faces[f, kind - 1], faces[f, kind % 3]
            )
        else:
            nx, ny, nz, edge = vertex_pseudonormal(vertices, faces, around_start, around, faces[f, kind - 4])
        border[p] = edge
        along = (
            nx * (points[p, 0] - place[p, 0])
            + ny * (points[p, 1] - place[p, 1])
            + nz * (points[p, 2] - place[p, 2])
        )
        distance[p] = -math.sqrt(d2) if along < 0.0 else math.sqrt(d2)
        length = math.sqrt(nx * nx + ny * ny + nz * nz)
        if length > 0.0:
            normal[p, 0], normal[p, 1], normal[p, 2] = nx / length, ny / length, nz / length
