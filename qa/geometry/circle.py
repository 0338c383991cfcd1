"""The smallest circle round points in a plane."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from qa.geometry.mesh import FloatArray

_SLACK = 1e-12
_MOST_ROUNDS = 200


def enclosing_circle(points: FloatArray) -> tuple[float, float, float]:
    """Centre x, y and radius (mm) of the smallest circle round points (n x 2).

    Grown from few points: the farthest one outside joins them until none is. The two or three points on the
    circle decide it (Welzl 1991), so each round tries those of the kept few.
    """
    kept = [points[0]]
    x, y, radius = float(points[0, 0]), float(points[0, 1]), 0.0
    for _ in range(_MOST_ROUNDS):
        away = np.hypot(points[:, 0] - x, points[:, 1] - y)
        far = int(np.argmax(away))
        if away[far] <= radius * (1.0 + 1e-9) + _SLACK:
            break
        kept, (x, y, radius) = _smallest([*kept, points[far]])
    return x, y, radius


def _smallest(points: list[FloatArray]) -> tuple[list[FloatArray], tuple[float, float, float]]:
    """The smallest circle round a handful of points, and the two or three that decide it."""
    best: tuple[list[FloatArray], tuple[float, float, float]] | None = None
    several = np.array(points)
    for count in (2, 3):
        for chosen in combinations(points, count):
            circle = _through(list(chosen))
            if circle is None or (best is not None and circle[2] >= best[1][2]):
                continue
            reach = np.hypot(several[:, 0] - circle[0], several[:, 1] - circle[1]).max()
            if reach <= circle[2] * (1.0 + 1e-9) + _SLACK:
                best = (list(chosen), circle)
    if best is None:  # all in one place
        return points[:1], (float(points[0][0]), float(points[0][1]), 0.0)
    return best


def _through(points: list[FloatArray]) -> tuple[float, float, float] | None:
    """The circle with two points as its diameter, or through three; ``None`` when they lie on a line."""
    a, b = points[0], points[1]
    if len(points) == 2:
        middle = 0.5 * (a + b)
        return float(middle[0]), float(middle[1]), float(0.5 * np.hypot(*(b - a)))
    u, v = b - a, points[2] - a
    double = 2.0 * float(u[0] * v[1] - u[1] * v[0])
    if abs(double) <= 1e-12 * float(u @ u + v @ v):
        return None
    x = float(v[1] * (u @ u) - u[1] * (v @ v)) / double
    y = float(u[0] * (v @ v) - v[0] * (u @ u)) / double
    return float(a[0]) + x, float(a[1]) + y, float(np.hypot(x, y))
