"""Compiled parts of ``register``: moving sampled points onto a triangle tree by Gauss-Newton steps."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from qa.geometry.kernels import compiled
from qa.geometry.tree_kernels import seek

# The kernels see plain arrays of fixed kinds; the compiler checks what mypy cannot.
Array = Any


@compiled()
def solve_six(matrix: Array, right: Array, damping: float) -> Array:
    """Solve a 6 x 6 positive system by Cholesky, with a relative damping; zero where it cannot."""
    lower = np.zeros((6, 6))
    answer = np.zeros(6)
    for i in range(6):
        for j in range(i + 1):
            total = matrix[i, j]
            if i == j:
                total += damping * matrix[i, i] + 1e-300
            for k in range(j):
                total -= lower[i, k] * lower[j, k]
            if i == j:
                if total <= 0.0 or not math.isfinite(total):
                    return np.zeros(6)
                lower[i, i] = math.sqrt(total)
            else:
                lower[i, j] = total / lower[j, j]
    for i in range(6):
        total = right[i]
        for k in range(i):
            total -= lower[i, k] * answer[k]
        answer[i] = total / lower[i, i]
    for i in range(5, -1, -1):
        total = answer[i]
        for k in range(i + 1, 6):
            total -= lower[k, i] * answer[k]
        answer[i] = total / lower[i, i]
    return answer


@compiled()
def turn(pose: Array, middle: Array, step: Array) -> None:
    """Turn a pose (3 x 4) by the rotation vector step[:3] about ``middle``, then shift by step[3:]."""
    angle = math.sqrt(step[0] * step[0] + step[1] * step[1] + step[2] * step[2])
    r = np.zeros((3, 3))
    if angle < 1e-14:
        x, y, z, s, c = 0.0, 0.0, 0.0, 0.0, 1.0
    else:
        x, y, z = step[0] / angle, step[1] / angle, step[2] / angle
        s, c = math.sin(angle), math.cos(angle)
    q = 1.0 - c
    r[0, 0], r[0, 1], r[0, 2] = c + x * x * q, x * y * q - z * s, x * z * q + y * s
    r[1, 0], r[1, 1], r[1, 2] = y * x * q + z * s, c + y * y * q, y * z * q - x * s
    r[2, 0], r[2, 1], r[2, 2] = z * x * q - y * s, z * y * q + x * s, c + z * z * q
    old = pose.copy()
    for i in range(3):
        for j in range(4):
            total = 0.0
            for k in range(3):
                total += r[i, k] * (old[k, j] - (middle[k] if j == 3 else 0.0))
            pose[i, j] = total
        pose[i, 3] += middle[i] + step[3 + i]


@compiled()
def place(
    corners: Array, face_of: Array, boxes: Array, fence: Array, leaf_start: Array, thin: Array, levels: int,
    reach: float, face_normals: Array, points: Array, normals: Array, pose: Array, guess: Array,
    slack: float, moved: Array, away: Array, distance: Array, agree: Array, start: int, end: int,
) -> None:  # fmt: skip
    """Move points by the pose and find, for each, the vector from the surface, distance and agreement.

    ``away`` is the unit gradient of the distance (the face's normal for points on the surface);
    ``agree`` the cosine between the moved normal and the normal of the nearest face.
    """
    stack = np.zeros(levels + 2, dtype=np.uint64)
    stack_d2 = np.zeros(levels + 2, dtype=np.float32)
    for i in range(start, end):
        for k in range(3):
            moved[i, k] = (
                pose[k, 0] * points[i, 0] + pose[k, 1] * points[i, 1] + pose[k, 2] * points[i, 2] + pose[k, 3]
            )
        d2, near, v, w, _ = seek(
            corners, boxes, fence, leaf_start, thin, levels, reach, moved[i, 0], moved[i, 1], moved[i, 2],
            np.inf, guess[i], slack, stack, stack_d2,
        )  # fmt: skip
        guess[i] = near
        f = face_of[near]
        d = math.sqrt(d2)
        distance[i] = d
        cosine = 0.0
        for k in range(3):
            a = corners[near, 0, k]
            surface = a + v * (corners[near, 1, k] - a) + w * (corners[near, 2, k] - a)
            away[i, k] = (moved[i, k] - surface) / d if d > 1e-9 else face_normals[f, k]
            cosine += face_normals[f, k] * (
                pose[k, 0] * normals[i, 0] + pose[k, 1] * normals[i, 1] + pose[k, 2] * normals[i, 2]
            )
        agree[i] = cosine


@compiled()
def normal_equations(
    moved: Array, away: Array, distance: Array, weight: Array, middle: Array, sideways: float
) -> tuple[Array, Array]:
    """Weighted 6 x 6 normal equations of the step that brings the points onto the surface.

    Each point pulls along ``away`` with weight 1 and in every direction with ``sideways``, which keeps
    far starts stable.
    """
    matrix = np.zeros((6, 6))
    right = np.zeros(6)
    row = np.zeros(6)
    for i in range(moved.shape[0]):
        if weight[i] <= 0.0:
            continue
        x, y, z = moved[i, 0] - middle[0], moved[i, 1] - middle[1], moved[i, 2] - middle[2]
        for pull in range(4 if sideways > 0.0 else 1):
            share = weight[i] if pull == 0 else weight[i] * sideways
            if pull == 0:
                u0, u1, u2 = away[i, 0], away[i, 1], away[i, 2]
                off = distance[i]
            else:
                u0 = 1.0 if pull == 1 else 0.0
                u1 = 1.0 if pull == 2 else 0.0
                u2 = 1.0 if pull == 3 else 0.0
                off = distance[i] * away[i, pull - 1]
            row[0], row[1], row[2] = y * u2 - z * u1, z * u0 - x * u2, x * u1 - y * u0
            row[3], row[4], row[5] = u0, u1, u2
            for a in range(6):
                scaled = share * row[a]
                right[a] -= scaled * off
                for b in range(a + 1):
                    matrix[a, b] += scaled * row[b]
    for a in range(6):
        for b in range(a):
            matrix[b, a] = matrix[a, b]
    return matrix, right


@compiled()
def tukey(distance: Array, agree: Array, cut: float, least_agree: float, weight: Array) -> Array:
    """Tukey's biweight of each distance times its area weight; a tenth where normals disagree."""
    out = np.zeros(distance.shape[0])
    for i in range(distance.shape[0]):
        r = distance[i] / cut
        if r < 1.0:
            out[i] = weight[i] * (1.0 - r * r) * (1.0 - r * r)
            if agree[i] < least_agree:
                out[i] *= 0.1
    return out


@compiled()
def clipped_mean(distance: Array, agree: Array, weight: Array, clip: float) -> float:
    """Mean distance with each one cut at ``clip``, which disagreeing normals also cost."""
    total, whole = 0.0, 0.0
    for i in range(distance.shape[0]):
        whole += weight[i]
        total += weight[i] * (min(distance[i], clip) if agree[i] > 0.5 else clip)
    return total / whole


@compiled()
def settle(
    corners: Array, face_of: Array, boxes: Array, fence: Array, leaf_start: Array, thin: Array, levels: int,
    reach: float, face_normals: Array, points: Array, normals: Array, weight: Array, poses: Array,
    cost: Array, rounds: int, keep: float, least_cut: float, largest_cut: float, sideways: float,
    clip: float, slack: float, start: int, end: int,
) -> None:  # fmt: skip
    """Trimmed registration of each pose in start..end on a few points; poses and costs are filled.

    The cut follows three times the ``keep`` quantile of the distances, between the two limits. ``slack``
    above 1 spares time while poses are far off (see ``seek``).
    """
    count = points.shape[0]
    moved, away = np.zeros((count, 3)), np.zeros((count, 3))
    distance, agree = np.zeros(count), np.zeros(count)
    for p in range(start, end):
        guess = np.full(count, -1)
        pose = poses[p]
        for step in range(rounds + 1):
            place(
                corners, face_of, boxes, fence, leaf_start, thin, levels, reach, face_normals, points,
                normals, pose, guess, slack, moved, away, distance, agree, 0, count,
            )  # fmt: skip
            if step == rounds:
                break
            typical = np.sort(distance)[int(keep * (count - 1))]
            cut = min(largest_cut, max(least_cut, 3.0 * typical))
            share = tukey(distance, agree, cut, 0.0, weight)
            middle = np.zeros(3)
            for i in range(count):
                for k in range(3):
                    middle[k] += moved[i, k] / count
            matrix, right = normal_equations(moved, away, distance, share, middle, sideways)
            turn(pose, middle, solve_six(matrix, right, 1e-6))
        cost[p] = clipped_mean(distance, agree, weight, clip)
