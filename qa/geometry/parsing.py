"""Numbers out of text bytes, compiled: the readers of text formats stand on this.

Up to 19 digits are kept. With at most 15 digits and a power of ten within 22 the result is the nearest
double (Clinger 1990, fast path); longer numbers may be one unit in the last place off.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qa.geometry.kernels import compiled
from qa.geometry.mesh import FloatArray

Bytes = NDArray[np.uint8]

NOT_A_NUMBER = 0
NUMBER = 1
NOT_FINITE = 2

_TENS = np.array([10.0**power for power in range(23)])


@compiled()
def is_space(byte: int) -> bool:
    return byte == 32 or (9 <= byte <= 13)


@compiled()
def skip_space(data: Bytes, at: int, end: int) -> int:
    while at < end and is_space(data[at]):
        at += 1
    return at


@compiled()
def skip_word(data: Bytes, at: int, end: int) -> int:
    while at < end and not is_space(data[at]):
        at += 1
    return at


@compiled()
def skip_line(data: Bytes, at: int, end: int) -> int:
    """The first byte after the line that ``at`` lies in (line feed or carriage return ends it)."""
    while at < end and data[at] != 10 and data[at] != 13:
        at += 1
    while at < end and (data[at] == 10 or data[at] == 13):
        at += 1
    return at


@compiled()
def same_word(data: Bytes, at: int, stop: int, word: Bytes) -> bool:
    """Whether bytes ``at`` to ``stop`` spell ``word`` (given in lower case), whatever their case."""
    if stop - at != len(word):
        return False
    for offset in range(len(word)):
        byte = data[at + offset]
        if 65 <= byte <= 90:
            byte += 32
        if byte != word[offset]:
            return False
    return True


@compiled()
def _scaled(mantissa: np.uint64, power: int) -> float:
    value = float(mantissa)
    while power > 22:
        value *= 1e22
        power -= 22
        if value > 1e300:
            return np.inf
    while power < -22:
        value /= 1e22
        power += 22
        if value == 0.0:
            return 0.0
    if power >= 0:
        return float(value * _TENS[power])
    return float(value / _TENS[-power])


@compiled()
def _names_infinity(data: Bytes, at: int, end: int) -> bool:
    """Whether the word at ``at`` is one of the spellings of not-a-number or infinity."""
    if at + 2 >= end:
        return False
    first, second, third = data[at] | 32, data[at + 1] | 32, data[at + 2] | 32
    if first == 110 and second == 97 and third == 110:
        return True
    if first == 105 and second == 110 and third == 100:
        return True
    return bool(first == 105 and second == 110 and third == 102)


@compiled()
def parse_float(data: Bytes, at: int, end: int) -> tuple[float, int, int, int]:
    """Read one number at byte ``at``: (value, next byte, status, significant digits)."""
    negative = False
    if at < end and (data[at] == 45 or data[at] == 43):
        negative = data[at] == 45
        at += 1
    mantissa = np.uint64(0)
    digits = 0
    seen = 0
    power = 0
    point = False
    while at < end:
        byte = data[at]
        if 48 <= byte <= 57:
            seen += 1
            if digits < 19:
                mantissa = mantissa * np.uint64(10) + np.uint64(byte - 48)
                if mantissa > np.uint64(0):
                    digits += 1
                if point:
                    power -= 1
            elif not point:
                power += 1
        elif byte == 46 and not point:
            point = True
        else:
            break
        at += 1
    if seen == 0:
        status = NOT_FINITE if _names_infinity(data, at, end) else NOT_A_NUMBER
        return 0.0, at, status, 0
    if at < end and data[at] == 35:  # 1.#IND and its like
        return 0.0, at, NOT_FINITE, 0
    if at < end and (data[at] | 32) == 101:
        at, exponent, good = _parse_exponent(data, at + 1, end)
        if not good:
            return 0.0, at, NOT_A_NUMBER, 0
        power += exponent
    value = _scaled(mantissa, power) if digits > 0 else 0.0
    if value == np.inf:
        return 0.0, at, NOT_FINITE, digits
    return (-value if negative and value != 0.0 else value), at, NUMBER, digits


@compiled()
def _parse_exponent(data: Bytes, at: int, end: int) -> tuple[int, int, bool]:
    negative = False
    if at < end and (data[at] == 45 or data[at] == 43):
        negative = data[at] == 45
        at += 1
    exponent = 0
    seen = 0
    while at < end and 48 <= data[at] <= 57:
        if exponent < 10000:
            exponent = exponent * 10 + (data[at] - 48)
        seen += 1
        at += 1
    return at, (-exponent if negative else exponent), seen > 0


@compiled()
def parse_integer(data: Bytes, at: int, end: int) -> tuple[int, int, bool]:
    """Read one whole number at byte ``at``: (value, next byte, whether there was one)."""
    negative = False
    if at < end and (data[at] == 45 or data[at] == 43):
        negative = data[at] == 45
        at += 1
    value = 0
    seen = 0
    while at < end and 48 <= data[at] <= 57:
        if value < 1_000_000_000_000:
            value = value * 10 + (data[at] - 48)
        seen += 1
        at += 1
    return (-value if negative else value), at, seen > 0


@compiled()
def parse_numbers(data: Bytes, at: int, end: int, out: FloatArray) -> tuple[int, int, int]:
    """Fill ``out`` with the numbers between white space: (how many, status, byte where it stopped).

    Words that are not numbers stop it with ``NOT_A_NUMBER``; not-a-number and infinity are stored as
    such, for only the caller knows whether the place matters.
    """
    count = 0
    while count < len(out):
        at = skip_space(data, at, end)
        if at >= end:
            break
        value, after, status, _ = parse_float(data, at, end)
        if status == NOT_FINITE:
            value = np.nan
            after = skip_word(data, at, end)
        elif status == NOT_A_NUMBER or (after < end and not is_space(data[after])):
            return count, NOT_A_NUMBER, at
        out[count] = value
        count += 1
        at = after
    return count, NUMBER, at


@compiled()
def fan_triangles(
    points: FloatArray, corners: NDArray[np.int64], starts: NDArray[np.int64]
) -> NDArray[np.int32]:
    """Split polygons into triangles: fans, and for a quadrilateral the diagonal that does not fold it.

    ``corners`` lists the polygons' point indices one after another, ``starts`` (polygons + 1) where
    each begins. Polygons of fewer than three corners give nothing.
    """
    total = 0
    for polygon in range(len(starts) - 1):
        total += max(0, starts[polygon + 1] - starts[polygon] - 2)
    faces = np.zeros((total, 3), np.int32)
    row = 0
    for polygon in range(len(starts) - 1):
        start = starts[polygon]
        size = starts[polygon + 1] - start
        shift = 1 if size == 4 and _folds(points, corners, start) else 0
        for corner in range(1, size - 1):
            faces[row, 0] = corners[start + shift]
            faces[row, 1] = corners[start + (corner + shift) % size]
            faces[row, 2] = corners[start + (corner + 1 + shift) % size]
            row += 1
    return faces


@compiled()
def _folds(points: FloatArray, corners: NDArray[np.int64], start: int) -> bool:
    """Whether the first diagonal of a quadrilateral makes two triangles that face apart."""
    a, b = points[corners[start]], points[corners[start + 1]]
    c, d = points[corners[start + 2]], points[corners[start + 3]]
    first = np.cross(b - a, c - a)
    second = np.cross(c - a, d - a)
    return bool(first[0] * second[0] + first[1] * second[1] + first[2] * second[2] < 0.0)
