"""Whether the part needs supports as it stands, why, and what they would cost; from contact and layers.

The estimate is deliberately plain: straight round columns from the platform to every surface that must be
held, one for each square of the lab's spacing, under a part that is lifted when it does not stand by
itself. Spacing, diameter and lift are limits of the lab.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from qa.geometry.contact import ContactFigures
from qa.geometry.kernels import compiled
from qa.geometry.layer_maps import share_above
from qa.geometry.layers import LayerFigures, layer_count
from qa.geometry.limits import LimitSet
from qa.geometry.mesh import FloatArray, IndexArray
from qa.geometry.subject import Subject
from qa.geometry.verdicts import Check

# Turned by less than this the part already stands on its best face.
SAME_STAND_DEG = 0.1


@dataclass(frozen=True)
class SupportFigures:
    """What supports would take as the part stands; ``None`` where it cannot be told.

    ``marked_cm2`` is the surface that columns would touch and mark; ``columns`` their number and
    ``volume_ml`` their volume; ``lift_mm`` how far the part is lifted for them. ``extra_layers`` are the
    layers more than standing on its best face, or than unlifted where it has no such face.
    """

    needed: bool | None
    why: tuple[str, ...]
    marked_cm2: float | None = None
    columns: int | None = None
    volume_ml: float | None = None
    lift_mm: float | None = None
    layers: int | None = None
    extra_layers: int | None = None
    stands_flat: bool | None = None

    def as_json(self) -> dict[str, Any]:
        """The figures under the names that ``check_design --json`` prints."""
        return {
            "supports_needed": self.needed,
            "supports_why": list(self.why),
            "support_marks_cm2": self.marked_cm2,
            "support_columns": self.columns,
            "support_volume_ml": self.volume_ml,
            "support_lift_mm": self.lift_mm,
            "support_layers": self.layers,
            "support_extra_layers": self.extra_layers,
        }


def measure_supports(
    subject: Subject, contact: ContactFigures, layers: LayerFigures, limits: LimitSet
) -> SupportFigures:
    """Find what would have to be held up, and roughly what holding it takes."""
    if contact.contact_fraction is None or layers.mid_air_starts is None:
        return SupportFigures(None, ())
    stands = contact.contact_fraction >= limits.value("contact_min")
    starts = layers.mid_air_starts
    reasons = []
    if not stands:
        reasons.append("it does not stand on the platform")
    if starts > limits.value("mid_air_max"):
        reasons.append("something starts in mid-air")
    if layers.overhang_cm2 > limits.value("overhang_max"):
        reasons.append("large surfaces face down at a shallow angle")
    if not reasons:
        return SupportFigures(needed=False, why=(), stands_flat=stands)
    area, level, under = _held(
        subject.mesh.vertices,
        subject.mesh.faces,
        subject.vectors,
        float(np.cos(np.deg2rad(layers.overhang_angle_deg))),
        subject.request.layer_mm,
    )
    lift = 0.0 if stands else limits.value("support_lift")
    columns = max(int(np.ceil(level / limits.value("support_spacing") ** 2)), starts, 0 if stands else 3)
    mean_height = lift + (under / level if level > 0 else 0.0)
    volume = columns * 0.25 * np.pi * limits.value("support_diameter") ** 2 * mean_height
    needed = layer_count(subject.height_mm + lift, subject.request.layer_mm)
    return SupportFigures(
        needed=True,
        why=tuple(reasons),
        marked_cm2=float(area) / 100.0,
        columns=columns,
        volume_ml=float(volume) / 1000.0,
        lift_mm=lift,
        layers=needed,
        extra_layers=needed - _layers_flat(subject, contact),
        stands_flat=stands,
    )


def _layers_flat(subject: Subject, contact: ContactFigures) -> int:
    """Layers when it stands on its best face, or as it is where it has none."""
    stand = contact.stand
    height = subject.height_mm if stand is None else stand.height_mm
    return layer_count(height, subject.request.layer_mm)


@compiled()
def _held(
    vertices: FloatArray, faces: IndexArray, vectors: FloatArray, cosine: float, floor: float
) -> tuple[float, float, float]:
    """Of what ``layers.overhang_area`` counts: area, area seen from below, and about the volume under it."""
    area = level = under = 0.0
    for face in range(len(faces)):
        x, y, z = vectors[face, 0], vectors[face, 1], vectors[face, 2]
        length = np.sqrt(x * x + y * y + z * z)
        if -z <= cosine * length:
            continue
        a, b, c = vertices[faces[face, 0], 2], vertices[faces[face, 1], 2], vertices[faces[face, 2], 2]
        share = share_above(a, b, c, floor)
        area += share * length
        level -= share * z
        under -= share * z * (a + b + c) / 3.0
    return area, level, under


def judge_supports(
    figures: SupportFigures, contact: ContactFigures, layers: LayerFigures, limits: LimitSet
) -> Check:
    """The row of the supports: what is needed, and in numbers what it costs."""
    if figures.needed is None:
        why = contact.refused or layers.refused
        return Check(
            "supports", "unknown", None, "", None, f"Whether it needs supports cannot be told: {why}."
        )
    if not figures.needed:
        return Check("supports", "pass", 0, "", None, "It prints without supports as it stands.")
    sentence = f"It needs supports as it stands: {', and '.join(figures.why)}. " + _cost(figures, contact)
    return Check("supports", "review", 1, "", None, sentence)


def _cost(figures: SupportFigures, contact: ContactFigures) -> str:
    told = (
        f"Some {figures.columns} columns would take {figures.volume_ml:.1f} ml more and mark "
        f"{figures.marked_cm2:.1f} cm² of surface"
    )
    extra = figures.extra_layers or 0
    stand = contact.stand
    turned = stand is not None and stand.turn_deg > SAME_STAND_DEG
    if extra > 0:
        against = "than standing on its best face" if turned else "than without"
        return f"{told}, with {extra:,} layers more {against}."
    if turned:
        return f"{told}; on its best face it would take {-extra:,} layers more."
    return f"{told}."
