"""Compiled parts of ``pattern`` and ``pattern_errors``: many samples, twelve columns."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from qa.geometry.kernels import compiled

# The kernels see plain arrays of fixed kinds; the compiler checks what mypy cannot.
Array = Any

COLUMNS = 12
# Rounds of putting a point back by the movement of where it was put: each leaves a few thousandths of the
# last one's error.
_BACK_ROUNDS = 3


@compiled()
def put_back(
    points: Array, origin: Array, axes: Array, half_width: float, back: float, depth: float, total: Array,
    placed: Array, start: int, end: int,
) -> None:  # fmt: skip
    """Where points (n x 3) lay before the columns, ``total`` of each, moved them (the offset aside)."""
    shift = axes @ total[3:6]
    turn = axes @ total[0:3]
    scale, height, opening, bow, twist = total[6], total[7], total[8], total[9], total[10]
    for i in range(start, end):
        x0 = y0 = z0 = 0.0
        for k in range(3):
            off = points[i, k] - origin[k]
            x0 += axes[0, k] * off
            y0 += axes[1, k] * off
            z0 += axes[2, k] * off
        x, y, z = x0, y0, z0
        for _ in range(_BACK_ROUNDS):
            eta = (y - back) / depth
            side = x / half_width
            along = 2.0 * eta - 1.0
            mx = turn[1] * z - turn[2] * y + shift[0] + scale * x + opening * side * (1.0 - eta)
            my = turn[2] * x - turn[0] * z + shift[1] + scale * y
            mz = turn[0] * y - turn[1] * x + shift[2] + (scale + height) * z
            mz += bow * along * along + twist * side * along
            x, y, z = x0 - mx, y0 - my, z0 - mz
        for k in range(3):
            placed[i, k] = origin[k] + axes[0, k] * x + axes[1, k] * y + axes[2, k] * z


@compiled()
def fill_rows(
    places: Array, normals: Array, grown: Array, chosen: Array, origin: Array, axes: Array,
    half_width: float, back: float, depth: float, rows: Array, start: int, end: int,
) -> None:  # fmt: skip
    """What one unit of each column moves the surface by along its normals (n x 3) at the ``chosen`` of the
    places (n x 3); ``grown`` (n) is that of the offset."""
    for row in range(start, end):
        i = chosen[row]
        x = y = z = across = along = up = 0.0
        for k in range(3):
            off = places[i, k] - origin[k]
            x += axes[0, k] * off
            y += axes[1, k] * off
            z += axes[2, k] * off
            across += axes[0, k] * normals[i, k]
            along += axes[1, k] * normals[i, k]
            up += axes[2, k] * normals[i, k]
        eta = (y - back) / depth
        side = x / half_width
        for k in range(3):
            one, two = (k + 1) % 3, (k + 2) % 3
            rows[row, k] = (places[i, one] - origin[one]) * normals[i, two] - (
                places[i, two] - origin[two]
            ) * normals[i, one]
            rows[row, 3 + k] = normals[i, k]
        rows[row, 6] = x * across + y * along + z * up
        rows[row, 7] = z * up
        rows[row, 8] = side * (1.0 - eta) * across
        rows[row, 9] = (2.0 * eta - 1.0) ** 2 * up
        rows[row, 10] = side * (2.0 * eta - 1.0) * up
        rows[row, 11] = grown[i]


@compiled()
def outward(placed: Array, place: Array, distance: Array, on_surface: float, normal: Array, i: int) -> None:
    """Turn the normal of point i into the distance's gradient, which is exact at edges and corners too; on
    the surface itself it stays."""
    if abs(distance[i]) > on_surface:
        for k in range(3):
            normal[i, k] = (placed[i, k] - place[i, k]) / distance[i]


@compiled()
def growth(
    vertices: Array, faces: Array, vertex_normals: Array, placed: Array, places: Array, distance: Array,
    normals: Array, face: Array, total: float, on_surface: float, grown: Array, left: Array, start: int,
    end: int,
) -> None:  # fmt: skip
    """Turn ``normals`` (n x 3) into the gradient of the distance of ``placed`` points (n x 3) from their
    places; fill what one unit along all vertex normals moves the surface by along them (``grown``: 1 where
    it is smooth, less beside a crease) and the distance without ``total`` of it (``left``)."""
    for i in range(start, end):
        outward(placed, places, distance, on_surface, normals, i)
        a, b, c = faces[face[i], 0], faces[face[i], 1], faces[face[i], 2]
        uu = uv = vv = up = vp = 0.0
        for k in range(3):
            u, v = vertices[b, k] - vertices[a, k], vertices[c, k] - vertices[a, k]
            p = places[i, k] - vertices[a, k]
            uu += u * u
            uv += u * v
            vv += v * v
            up += u * p
            vp += v * p
        bottom = uu * vv - uv * uv
        one = two = 0.0
        if bottom > 1e-18:
            one = (vv * up - uv * vp) / bottom
            two = (uu * vp - uv * up) / bottom
        moved = 0.0
        for k in range(3):
            along = (1.0 - one - two) * vertex_normals[a, k]
            along += one * vertex_normals[b, k] + two * vertex_normals[c, k]
            moved += along * normals[i, k]
        grown[i] = moved
        left[i] = distance[i] - total * moved


@compiled()
def fit_step(
    rows: Array, values: Array, areas: Array, cut: float, block: int, left: Array, weights: Array,
    matrices: Array, pulls: Array, start: int, end: int,
) -> None:  # fmt: skip
    """For the blocks start..end of ``block`` rows (n x k): Tukey weights of what is ``left`` times the areas,
    and each block's weighted products row by row (k x k, lower half) and row by value (k)."""
    columns = rows.shape[1]
    for number in range(start, end):
        matrix, pull = matrices[number], pulls[number]
        for i in range(number * block, min((number + 1) * block, rows.shape[0])):
            size = min(abs(left[i]) / cut, 1.0)
            weight = areas[i] * (1.0 - size * size) * (1.0 - size * size)
            weights[i] = weight
            for a in range(columns):
                scaled = weight * rows[i, a]
                pull[a] += scaled * values[i]
                for b in range(a + 1):
                    matrix[a, b] += scaled * rows[i, b]


@compiled()
def take_off(rows: Array, values: Array, step: Array, left: Array, start: int, end: int) -> None:
    """What is left of the values without ``step`` (k) of each column (n x k)."""
    for i in range(start, end):
        told = 0.0
        for a in range(rows.shape[1]):
            told += rows[i, a] * step[a]
        left[i] = values[i] - told


@compiled()
def grouped_products(
    rows: Array, weights: Array, values: Array, group: Array, groups: int
) -> tuple[Array, Array]:
    """For each group of rows (n x k): sums of weight times row by row (groups x k x k), and of value times
    row (groups x k)."""
    count, columns = rows.shape
    matrix = np.zeros((groups, columns, columns))
    right = np.zeros((groups, columns))
    for i in range(count):
        g = group[i]
        weight, value = weights[i], values[i]
        for a in range(columns):
            row = rows[i, a]
            right[g, a] += value * row
            scaled = weight * row
            for b in range(a + 1):
                matrix[g, a, b] += scaled * rows[i, b]
    for g in range(groups):
        for a in range(columns):
            for b in range(a):
                matrix[g, b, a] = matrix[g, a, b]
    return matrix, right


@compiled()
def near_pairs(points: Array, reach: float, lags: int, room: int) -> tuple[Array, Array, Array, int]:
    """All pairs of points (n x 3, in ascending order of x) less than ``reach`` apart with their lag (see
    ``lag_of``); counts on when there is no more room."""
    one, two = np.zeros(room, dtype=np.int32), np.zeros(room, dtype=np.int32)
    lag = np.zeros(room, dtype=np.int32)
    most = reach * reach
    count = 0
    for i in range(points.shape[0]):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        for j in range(i - 1, -1, -1):
            dx = x - points[j, 0]
            if dx >= reach:
                break
            dy = points[j, 1] - y
            dz = points[j, 2] - z
            square = dx * dx + dy * dy + dz * dz
            if square < most:
                if count < room:
                    one[count], two[count] = i, j
                    lag[count] = min(lag_of(math.sqrt(square), reach, lags), lags - 1)
                count += 1
    return one, two, lag, count


@compiled()
def products_of_pairs(one: Array, two: Array, lag: Array, score: Array, total: Array, number: Array) -> None:
    """Add the products of each pair's scores to ``total``, and how many they are to ``number``, by lag."""
    for p in range(one.shape[0]):
        total[lag[p]] += score[one[p]] * score[two[p]]
        number[lag[p]] += 1


@compiled()
def products_of_followers(
    points: Array, score: Array, follow: int, reach: float, total: Array, number: Array
) -> None:
    """Add the products of scores of each point and the next ``follow`` in the list to ``total``, and how
    many they are to ``number``, by lag (see ``lag_of``)."""
    lags = total.shape[0]
    for i in range(points.shape[0]):
        for j in range(i + 1, min(i + 1 + follow, points.shape[0])):
            dx = points[j, 0] - points[i, 0]
            dy = points[j, 1] - points[i, 1]
            dz = points[j, 2] - points[i, 2]
            lag = lag_of(math.sqrt(dx * dx + dy * dy + dz * dz), reach, lags)
            if lag < lags:
                total[lag] += score[i] * score[j]
                number[lag] += 1


@compiled()
def lag_of(apart: float, reach: float, lags: int) -> int:
    """Number of the lag that a distance falls in: narrow ones near zero, the last one ends at ``reach``."""
    return int(lags * math.sqrt(apart / reach))


@compiled()
def sum_by_lag(one: Array, two: Array, lag: Array, left: Array, right: Array, total: Array) -> None:
    """Add left[i] . right[j] + left[j] . right[i] (both n x k), halved, of each pair to its lag's total."""
    for p in range(one.shape[0]):
        i, j = one[p], two[p]
        here = there = 0.0
        for k in range(left.shape[1]):
            here += left[i, k] * right[j, k]
            there += left[j, k] * right[i, k]
        total[lag[p]] += 0.5 * (here + there)


@compiled()
def spread_by_pairs(one: Array, two: Array, lag: Array, weight: Array, values: Array, out: Array) -> None:
    """Add to each point its near points' values (n x k), each times the weight of the pair's lag."""
    for p in range(one.shape[0]):
        each = weight[lag[p]]
        if each == 0.0:
            continue
        i, j = one[p], two[p]
        for k in range(values.shape[1]):
            out[i, k] += each * values[j, k]
            out[j, k] += each * values[i, k]
