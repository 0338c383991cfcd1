"""Compiled parts of ``deviation``: a pass over all samples in place of a dozen arrays of them."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from qa.geometry.kernels import compiled

# The kernels see plain arrays of fixed kinds; the compiler checks what mypy cannot.
Array = Any

BORDER, INNER, STRANGER, FAR, AWAY = 1, 2, 4, 8, 16


@compiled()
def look(
    turned: Array, normal: Array, place: Array, distance: Array, border: Array, face: Array,
    base_faces: Array, base_point: Array, base_up: Array, beside_mm: float, base_excess_mm: float,
    beside_agree: float, excess_mm: float, missing_mm: float, least_agree: float,
    is_base: Array, agree: Array, why: Array, start: int, end: int,
) -> None:  # fmt: skip
    """Whether each sample lies on the base, how its normal agrees with the design's, and why it is left out
    (bits, 0: it is not). ``base_up`` is zero for a design without a base."""
    has_base = base_up[0] != 0.0 or base_up[1] != 0.0 or base_up[2] != 0.0
    for i in range(start, end):
        cosine = 0.0
        height = 0.0
        for k in range(3):
            cosine += turned[i, k] * normal[i, k]
            height += (place[i, k] - base_point[k]) * base_up[k]
        agree[i] = cosine
        is_base[i] = base_faces[face[i]]
        beside = is_base[i] or (has_base and height < beside_mm)
        d = distance[i]
        reasons = 0
        if border[i]:
            reasons |= BORDER
        if beside and (d > base_excess_mm or cosine < beside_agree):
            reasons |= STRANGER
        if d > excess_mm or d < -missing_mm:
            reasons |= FAR
        if cosine < least_agree:
            reasons |= AWAY
        why[i] = reasons


@compiled()
def settle(
    why: Array, distance: Array, weights: Array, missing_mm: float, used: Array, counts: Array
) -> tuple[float, float, float, float, float]:
    """Fill ``used`` and ``counts``; the shares of the area left out at borders, on the inner skin, far off,
    beside the base and facing away, each counted under the first reason that holds."""
    whole = border = inner = far = stranger = away = 0.0
    for i in range(why.shape[0]):
        reasons, weight = why[i], weights[i]
        whole += weight
        used[i] = reasons == 0
        near = reasons & (BORDER | INNER | STRANGER) == 0 and abs(distance[i]) < missing_mm
        counts[i] = used[i] or near
        if reasons == 0:
            continue
        if reasons & BORDER:
            border += weight
        elif reasons & INNER:
            inner += weight
        elif reasons & STRANGER:
            stranger += weight
        elif reasons & FAR:
            far += weight
        else:
            away += weight
    return border / whole, inner / whole, far / whole, stranger / whole, away / whole


@compiled()
def sorted_figures(
    values: Array, weights: Array, tolerance_mm: float
) -> tuple[float, float, float, float, float, float, float, float]:
    """Of values in ascending order with weights: mean, SD, RMS, median, 2.5 % and 97.5 % points, 95 %
    point of the magnitude, and the share of the weight within the tolerance."""
    count = values.shape[0]
    whole = 0.0
    for i in range(count):
        whole += weights[i]
    mean = square = within = 0.0
    for i in range(count):
        share = weights[i] / whole
        mean += share * values[i]
        square += share * values[i] * values[i]
        if abs(values[i]) <= tolerance_mm:
            within += share
    spread = 0.0
    for i in range(count):
        spread += weights[i] / whole * (values[i] - mean) ** 2
    size, step = np.zeros(count), np.zeros(count)
    up = np.searchsorted(values, 0.0)
    down = up - 1
    for i in range(count):
        if up >= count or (down >= 0 and -values[down] <= values[up]):
            size[i], step[i] = -values[down], weights[down]
            down -= 1
        else:
            size[i], step[i] = values[up], weights[up]
            up += 1
    return (
        mean, math.sqrt(spread), math.sqrt(square), sorted_quantile(values, weights, whole, 0.5),
        sorted_quantile(values, weights, whole, 0.025), sorted_quantile(values, weights, whole, 0.975),
        sorted_quantile(size, step, whole, 0.95), within,
    )  # fmt: skip


@compiled()
def sorted_quantile(values: Array, weights: Array, whole: float, share: float) -> float:
    """A quantile of weighted values in ascending order: linear between the middles of the weights' steps."""
    passed = before = 0.0
    for i in range(values.shape[0]):
        place = (passed + 0.5 * weights[i]) / whole
        if place >= share:
            if i == 0 or place <= before:
                return float(values[i])
            part = (share - before) / (place - before)
            return float(values[i - 1] + part * (values[i] - values[i - 1]))
        passed += weights[i]
        before = place
    return float(values[-1])
