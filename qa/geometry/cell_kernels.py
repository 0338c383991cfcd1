"""Compiled: points by the cubic cells that they fall in, through an open table in place of a sort."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from qa.geometry.kernels import compiled

# The kernels see plain arrays of fixed kinds; the compiler checks what mypy cannot.
Array = Any


@compiled()
def slot_of(key: Array, code: int) -> int:
    """Where a cell stands in an open table (a power of two long), or the empty place it would take."""
    part = 0xFFFFF
    mixed = (code & part) * 73856093 ^ ((code >> 20) & part) * 19349663 ^ ((code >> 40) & part) * 83492791
    at: int = mixed & (key.shape[0] - 1)
    while key[at] != -1 and key[at] != code:
        at = (at + 1) & (key.shape[0] - 1)
    return at


@compiled()
def cells(points: Array, size: float) -> tuple[Array, Array]:
    """Number of the cubic cell each point falls in, in the order in which cells are met, and the cells' codes
    in that order."""
    low = np.full(3, np.iinfo(np.int64).max)
    for i in range(points.shape[0]):
        for k in range(3):
            low[k] = min(low[k], np.int64(math.floor(points[i, k] / size)))
    number = np.zeros(points.shape[0], dtype=np.int64)
    room = 1024
    key, value = np.full(room, -1, dtype=np.int64), np.zeros(room, dtype=np.int64)
    codes = np.zeros(points.shape[0], dtype=np.int64)
    count = 0
    last, last_number = np.int64(-1), np.int64(0)
    for i in range(points.shape[0]):
        code = np.int64(0)
        for k in range(3):
            code += (np.int64(math.floor(points[i, k] / size)) - low[k]) << (20 * k)
        if code != last:
            if 2 * count >= room:
                room *= 2
                key, value = np.full(room, -1, dtype=np.int64), np.zeros(room, dtype=np.int64)
                for n in range(count):
                    at = slot_of(key, codes[n])
                    key[at], value[at] = codes[n], n
            at = slot_of(key, int(code))
            if key[at] < 0:
                key[at], value[at], codes[count] = code, count, code
                count += 1
            last, last_number = code, value[at]
        number[i] = last_number
    return number, codes[:count].copy()


@compiled()
def covered_share(points: Array, weights: Array, places: Array, cell_mm: float) -> float:
    """Share of the weights of points (n x 3) in cubic cells that hold one of ``places`` (m x 3, all within
    the points' bounds)."""
    low = np.zeros(3)
    for k in range(3):
        low[k] = points[:, k].min() - cell_mm
    size = 1
    while size < 2 * points.shape[0]:
        size *= 2
    key = np.full(size, -1, dtype=np.int64)
    met = np.zeros(size, dtype=np.bool_)
    slot = np.zeros(points.shape[0], dtype=np.int64)
    for i in range(points.shape[0]):
        slot[i] = slot_of(key, _cell(points, i, low, cell_mm))
        key[slot[i]] = _cell(points, i, low, cell_mm)
    last = -1
    for i in range(places.shape[0]):
        code = _cell(places, i, low, cell_mm)
        if code != last:
            at = slot_of(key, code)
            met[at] = key[at] == code
            last = code
    whole = covered = 0.0
    for i in range(points.shape[0]):
        whole += weights[i]
        if met[slot[i]]:
            covered += weights[i]
    return covered / whole


@compiled()
def _cell(points: Array, i: int, low: Array, cell_mm: float) -> int:
    """Number of the cell that a point lies in."""
    x, y, z = (
        int((points[i, 0] - low[0]) / cell_mm),
        int((points[i, 1] - low[1]) / cell_mm),
        int((points[i, 2] - low[2]) / cell_mm),
    )
    return x + (y << 20) + (z << 40)
