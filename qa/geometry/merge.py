"""Exact vertex merge: corners whose coordinates are equal bit for bit become one vertex.

Negative zero is turned into zero first: the two compare equal, print alike and differ in their bits.
Open addressing with linear probing; the table doubles before it is 60 % full.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qa.geometry.kernels import compiled
from qa.geometry.mesh import FloatArray, IndexArray

_RECORD = 50
_HEADER = 84
_MIX_1 = np.uint64(0x9E3779B97F4A7C15)
_MIX_2 = np.uint64(0xC2B2AE3D27D4EB4F)
_MIX_3 = np.uint64(0x165667B19E3779F9)
_SHIFT = np.uint64(32)
_NEGATIVE_ZERO_32 = np.uint32(0x80000000)
_NEGATIVE_ZERO_64 = np.uint64(0x8000000000000000)
_EXPONENT_32 = np.uint32(0x7F800000)


@compiled()
def _hash(x: np.uint64, y: np.uint64, z: np.uint64) -> np.uint64:
    value = x * _MIX_1 + y * _MIX_2 + z * _MIX_3
    return (value ^ (value >> _SHIFT)) * _MIX_1


@compiled()
def _rehash(keys: NDArray[np.generic], count: int, size: int) -> IndexArray:
    """A table of ``size`` slots (a power of two) holding the first ``count`` keys."""
    table = np.full(size, -1, np.int32)
    mask = np.uint64(size - 1)
    for index in range(count):
        slot = (
            _hash(np.uint64(keys[index, 0]), np.uint64(keys[index, 1]), np.uint64(keys[index, 2])) >> _SHIFT
        ) & mask
        while table[slot] >= 0:
            slot = (slot + np.uint64(1)) & mask
        table[slot] = index
    return table


@compiled()
def _word(data: NDArray[np.uint8], at: int) -> np.uint32:
    """The little-endian 32-bit word at byte ``at``, negative zero made zero."""
    word = np.uint32(
        np.uint32(data[at])
        | (np.uint32(data[at + 1]) << np.uint32(8))
        | (np.uint32(data[at + 2]) << np.uint32(16))
        | (np.uint32(data[at + 3]) << np.uint32(24))
    )
    if word == _NEGATIVE_ZERO_32:
        return np.uint32(0)
    return word


@compiled()
def _power_of_two(least: int) -> int:
    size = 64
    while size < least:
        size *= 2
    return size


@compiled()
def merge_stl_records(data: NDArray[np.uint8], count: int) -> tuple[NDArray[np.uint32], IndexArray, int]:
    """Merge the facets of a binary STL straight from its bytes.

    Returns the unique vertices as float32 bits (n x 3), the faces (count x 3) and the number of the
    first facet with a coordinate that is not finite, or -1.
    """
    capacity = int(count * 0.55) + 64
    keys = np.zeros((capacity, 3), np.uint32)
    size = _power_of_two(2 * capacity)
    table = np.full(size, -1, np.int32)
    mask = np.uint64(size - 1)
    faces = np.zeros((count, 3), np.int32)
    found = 0
    for facet in range(count):
        for corner in range(3):
            at = _HEADER + facet * _RECORD + 12 + corner * 12
            x = _word(data, at)
            y = _word(data, at + 4)
            z = _word(data, at + 8)
            if (
                (x & _EXPONENT_32) == _EXPONENT_32
                or (y & _EXPONENT_32) == _EXPONENT_32
                or (z & _EXPONENT_32) == _EXPONENT_32
            ):
                return keys[:0], faces, facet
            slot = (_hash(np.uint64(x), np.uint64(y), np.uint64(z)) >> _SHIFT) & mask
            index = table[slot]
            while index >= 0 and not (keys[index, 0] == x and keys[index, 1] == y and keys[index, 2] == z):
                slot = (slot + np.uint64(1)) & mask
                index = table[slot]
            if index < 0:
                index = np.int32(found)
                table[slot] = index
                keys[found, 0] = x
                keys[found, 1] = y
                keys[found, 2] = z
                found += 1
                if found == capacity:
                    capacity = capacity * 2
                    larger = np.zeros((capacity, 3), np.uint32)
                    larger[:found] = keys[:found]
                    keys = larger
                    size = _power_of_two(2 * capacity)
                    table = _rehash(keys, found, size)
                    mask = np.uint64(size - 1)
            faces[facet, corner] = index
    return keys[:found], faces, -1


@compiled()
def _merge_bits(bits: NDArray[np.uint64], used: NDArray[np.bool_]) -> tuple[IndexArray, IndexArray]:
    """For each point its merged index (-1 when unused), and for each merged index its first point."""
    points = len(bits)
    index_of = np.full(points, -1, np.int32)
    first = np.zeros(points, np.int32)
    size = _power_of_two(2 * points)
    table = np.full(size, -1, np.int32)
    mask = np.uint64(size - 1)
    found = 0
    for point in range(points):
        if not used[point]:
            continue
        for axis in range(3):
            if bits[point, axis] == _NEGATIVE_ZERO_64:
                bits[point, axis] = np.uint64(0)
        x = bits[point, 0]
        y = bits[point, 1]
        z = bits[point, 2]
        slot = (_hash(x, y, z) >> _SHIFT) & mask
        index = table[slot]
        while index >= 0:
            other = first[index]
            if bits[other, 0] == x and bits[other, 1] == y and bits[other, 2] == z:
                break
            slot = (slot + np.uint64(1)) & mask
            index = table[slot]
        if index < 0:
            index = np.int32(found)
            table[slot] = index
            first[found] = point
            found += 1
        index_of[point] = index
    return index_of, first[:found]


def merge_indexed(points: FloatArray, faces: IndexArray) -> tuple[FloatArray, IndexArray]:
    """Merge equal points of an indexed mesh and drop the points that no face uses.

    ``points`` n x 3 float64 and ``faces`` m x 3 int32 with indices in range. New vertices keep the
    order of their first appearance. ``points`` is not changed.
    """
    copy = np.array(points, dtype=np.float64, order="C")
    used = np.zeros(len(copy), dtype=np.bool_)
    used[faces.reshape(-1)] = True
    index_of, first = _merge_bits(copy.view(np.uint64), used)
    return copy[first], np.ascontiguousarray(index_of[faces], dtype=np.int32)


def distinct_rows(rows: IndexArray) -> int:
    """How many different rows an n x 3 array of non-negative indices has."""
    bits = rows.astype(np.uint64)
    _, first = _merge_bits(bits, np.ones(len(rows), dtype=np.bool_))
    return len(first)
