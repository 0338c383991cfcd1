"""Compiled parts of ``register`` and ``skin``: how much of a surface lies on each of many planes."""

from __future__ import annotations

from typing import Any

import numpy as np

from qa.geometry.kernels import compiled

# The kernels see plain arrays of fixed kinds; the compiler checks what mypy cannot.
Array = Any


@compiled()
def area_on(
    points: Array, normals: Array, weights: Array, through: Array, facing: Array, within: float,
    least_agree: float, area: Array, start: int, end: int,
) -> None:  # fmt: skip
    """Weight of the samples (n x 3) on each plane start..end, given by a point and a unit normal: nearer than
    ``within``, and facing as the plane does."""
    for plane in range(start, end):
        x, y, z = facing[plane, 0], facing[plane, 1], facing[plane, 2]
        level = through[plane, 0] * x + through[plane, 1] * y + through[plane, 2] * z
        total = 0.0
        for i in range(points.shape[0]):
            off = points[i, 0] * x + points[i, 1] * y + points[i, 2] * z - level
            agree = normals[i, 0] * x + normals[i, 1] * y + normals[i, 2] * z
            if abs(off) < within and agree > least_agree:
                total += weights[i]
        area[plane] = total


@compiled()
def on_plane(
    points: Array, normals: Array, through: Array, facing: Array, within: float, least_agree: float,
    mask: Array, start: int, end: int,
) -> None:  # fmt: skip
    """Which samples lie on one plane, as ``area_on`` counts them."""
    x, y, z = facing[0], facing[1], facing[2]
    for i in range(start, end):
        off = (points[i, 0] - through[0]) * x
        off += (points[i, 1] - through[1]) * y
        off += (points[i, 2] - through[2]) * z
        agree = normals[i, 0] * x + normals[i, 1] * y + normals[i, 2] * z
        mask[i] = abs(off) < within and agree > least_agree


@compiled()
def area_stood_on(
    points: Array, normals: Array, weights: Array, through: Array, facing: Array, within: float,
    least_agree: float, most_below: float, area: Array, start: int, end: int,
) -> None:  # fmt: skip
    """As ``area_on``, but none for a plane with a weight of ``most_below`` or more farther out than
    ``within``: the body does not stand on it."""
    for plane in range(start, end):
        x, y, z = facing[plane, 0], facing[plane, 1], facing[plane, 2]
        level = through[plane, 0] * x + through[plane, 1] * y + through[plane, 2] * z
        total = below = 0.0
        for i in range(points.shape[0]):
            out = points[i, 0] * x + points[i, 1] * y + points[i, 2] * z - level
            if out > within:
                below += weights[i]
                if below >= most_below:
                    total = 0.0
                    break
            elif out > -within:
                agree = normals[i, 0] * x + normals[i, 1] * y + normals[i, 2] * z
                if agree > least_agree:
                    total += weights[i]
        area[plane] = total


@compiled()
def on_base(
    vertices: Array, faces: Array, normals: Array, through: Array, up: Array, flat: float, within: float,
    least_down: float, mask: Array, start: int, end: int,
) -> None:  # fmt: skip
    """Which faces (m x 3) lie within ``flat`` of the base plane, or within ``within`` looking down."""
    for f in range(start, end):
        far = 0.0
        for c in range(3):
            height = 0.0
            for k in range(3):
                height += (vertices[faces[f, c], k] - through[k]) * up[k]
            far = max(far, abs(height))
        down = -(normals[f, 0] * up[0] + normals[f, 1] * up[1] + normals[f, 2] * up[2])
        mask[f] = far < flat or (down > least_down and far < within)


@compiled()
def local_bounds(
    vertices: Array, faces: Array, left_out: Array, origin: Array, axes: Array, low: Array, high: Array
) -> None:
    """Lowest and highest coordinates along the axes (3 x 3, rows) of the faces that are not left out."""
    for f in range(faces.shape[0]):
        if left_out[f]:
            continue
        for c in range(3):
            v = faces[f, c]
            x, y, z = vertices[v, 0] - origin[0], vertices[v, 1] - origin[1], vertices[v, 2] - origin[2]
            for k in range(3):
                at = axes[k, 0] * x + axes[k, 1] * y + axes[k, 2] * z
                low[k], high[k] = min(low[k], at), max(high[k], at)


@compiled()
def rays_out(normals: Array, directions: Array, up: Array, rays: Array, start: int, end: int) -> None:
    """The half of the ``directions`` (2 c x 3) that make the larger angles with each sample's surface, turned
    outward (n x c x 3); zero for one that does not lead ``up``, unless that is zero itself."""
    count = rays.shape[1]
    size = directions.shape[0]
    along = np.zeros(size)
    has_up = up[0] != 0.0 or up[1] != 0.0 or up[2] != 0.0
    for i in range(start, end):
        for d in range(size):
            along[d] = 0.0
            for k in range(3):
                along[d] += normals[i, k] * directions[d, k]
        for d in range(size):
            # Its rank among all by the size of the angle; the earlier direction goes first in a tie.
            before = 0
            for other in range(size):
                if abs(along[other]) > abs(along[d]) or (abs(along[other]) == abs(along[d]) and other < d):
                    before += 1
            if before >= count:
                continue
            turn = -1.0 if along[d] < 0.0 else 1.0
            rise = directions[d, 0] * up[0] + directions[d, 1] * up[1] + directions[d, 2] * up[2]
            if has_up and turn * rise <= 0.0:
                continue
            for k in range(3):
                rays[i, before, k] = turn * directions[d, k]
