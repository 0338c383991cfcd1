"""Our own drawing of both arches: where each tooth of the chart lies.

Teeth are circles as wide as typical crowns are, side by side along a half ellipse, seen from the front:
the patient's right is on the left. Crown widths are typical values of dental anatomy, common practice.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

from cases.choices import ToothNotation
from qa.teeth import Tooth, chart_rows

# From the midline: incisors, canine, premolars, molars; in mm, upper and lower.
_WIDTHS_MM = {
    "upper": (8.5, 6.5, 7.5, 7.0, 7.0, 10.0, 9.5, 8.5),
    "lower": (5.5, 6.0, 7.0, 7.0, 7.0, 11.0, 10.5, 10.0),
}
WIDTH, HEIGHT = 340, 400
_CENTRE_X = WIDTH / 2
_HALF_WIDTH, _DEPTH = 138.0, 158.0
# Narrow teeth get room for a number and a finger.
_LEAST_WIDTH_MM = 8.2
_RADIUS_PER_MM = 1.5


@dataclass(frozen=True)
class PlacedTooth:
    """A tooth with its circle in the drawing."""

    tooth: Tooth
    x: float
    y: float
    radius: float


def placed_teeth(notation: str = ToothNotation.FDI) -> list[PlacedTooth]:
    """Both arches, the upper one above."""
    upper, lower = chart_rows(notation)
    return [*_arch(upper, "upper"), *_arch(lower, "lower")]


def _arch(row: list[Tooth], arch: str) -> list[PlacedTooth]:
    widths = [max(width, _LEAST_WIDTH_MM) for width in _WIDTHS_MM[arch]]
    half = sum(widths)
    placed = []
    for index, tooth in enumerate(row):
        place = 7 - index if index < 8 else index - 8
        along = (sum(widths[:place]) + widths[place] / 2) / half
        x, depth = _on_ellipse(along)
        x = _CENTRE_X - x if index < 8 else _CENTRE_X + x
        y = 22 + depth if arch == "upper" else HEIGHT - 22 - depth
        placed.append(PlacedTooth(tooth, round(x, 1), round(y, 1), widths[place] * _RADIUS_PER_MM))
    return placed


def _on_ellipse(along: float) -> tuple[float, float]:
    """Offset from the midline and depth behind the front, at a share of a quarter ellipse's length."""
    steps = 400
    angles = [math.pi / 2 * step / steps for step in range(steps + 1)]
    points = [(_HALF_WIDTH * math.sin(angle), _DEPTH * (1 - math.cos(angle))) for angle in angles]
    lengths = [0.0]
    for before, after in itertools.pairwise(points):
        lengths.append(lengths[-1] + math.dist(before, after))
    wanted = along * lengths[-1]
    index = next(i for i, length in enumerate(lengths) if length >= wanted)
    return points[index]
