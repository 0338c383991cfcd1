"""Whether the part needs supports as it stands, why, and what they would cost; from the other groups.

*Propped* is every surface that faces down closer to level than the support angle, off the platform. The
supports' volume is an estimate: the space under propped surfaces, down to the platform or to the part
below, times the share of it that supports fill; a part that does not stand by itself is lifted first. The
extra layers compare the part as it is placed, with that lift, with the part on its best face, or lying as low
as it can where no face bears it: in a vat, time goes with layers. What supports *mark* is the propped surface
itself; of it, what a sheet touches when one is formed over the part is working surface.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from qa.geometry.contact import ContactFigures
from qa.geometry.forming import FormingFigures
from qa.geometry.kernels import compiled
from qa.geometry.layer_maps import share_above
from qa.geometry.layers import LayerFigures, layer_count
from qa.geometry.limits import LimitSet
from qa.geometry.mesh import FloatArray, IndexArray
from qa.geometry.plumb import Plumb, drop_plumb, floor_below, line_near
from qa.geometry.subject import Subject
from qa.geometry.verdicts import Check

# A coarser grid than the undercut's does for an estimate.
_MOST_ACROSS = 240


@dataclass(frozen=True, eq=False)
class SupportFigures:
    """``needed`` with ``why``; ``None`` and ``refused`` when it cannot be told.

    The costs are ``None`` when none are needed, ``extra_layers`` also when the part cannot be sliced.
    """

    needed: bool | None
    why: tuple[str, ...]
    refused: str | None
    volume_mm3: float | None
    volume_share: float | None
    marks_mm2: float | None
    marks_working_mm2: float | None
    lift_mm: float | None
    layers: int | None
    extra_layers: int | None
    extra_layers_share: float | None


def find_supports(
    subject: Subject,
    contact: ContactFigures,
    layers: LayerFigures,
    forming: FormingFigures | None,
    limits: LimitSet,
) -> SupportFigures:
    """Whether supports are needed, and what they would cost as the part is placed."""
    if contact.contact_fraction is None or layers.mid_air_starts is None:
        why_not = contact.refused or layers.refused
        return _without_cost(needed=None, refused=why_not)
    reasons = []
    stands = contact.contact_fraction >= limits.value("contact_min")
    if not stands:
        reasons.append("it does not stand on the platform")
    if layers.mid_air_starts > limits.value("mid_air_max"):
        reasons.append("something starts in mid-air")
    if layers.overhang_cm2 > limits.value("overhang_max"):
        reasons.append("large surfaces face down at a shallow angle")
    if not reasons:
        return _without_cost(needed=False, refused=None)
    lift = 0.0 if stands else limits.value("support_lift")
    touched = np.ones(len(subject.mesh.faces), np.bool_)
    if forming is not None and forming.touched is not None:
        touched = forming.touched
    marks, working, space = _prop(
        subject.mesh.vertices,
        subject.mesh.faces,
        subject.vectors,
        touched,
        drop_plumb(
            subject.mesh.vertices, subject.mesh.faces, min(_MOST_ACROSS, subject.request.lines_across)
        ),
        float(np.cos(np.deg2rad(limits.value("support_angle")))),
        subject.request.layer_mm if stands else 0.0,
        lift,
    )
    volume = space * limits.value("support_density")
    part = abs(float(subject.volumes.sum()))
    layer_mm = subject.request.layer_mm
    least = layer_count(contact.stand.height_mm if contact.stand else lowest_height(subject), layer_mm)
    needed = layer_count(subject.height_mm + lift, layer_mm)
    extra = needed - least
    return SupportFigures(
        needed=True,
        why=tuple(reasons),
        refused=None,
        volume_mm3=volume,
        volume_share=volume / part if part > 0 else None,
        marks_mm2=marks,
        marks_working_mm2=working,
        lift_mm=lift,
        layers=needed,
        extra_layers=extra,
        extra_layers_share=extra / least,
    )


def _without_cost(*, needed: bool | None, refused: str | None) -> SupportFigures:
    return SupportFigures(
        needed=needed,
        why=(),
        refused=refused,
        volume_mm3=None,
        volume_share=None,
        marks_mm2=None,
        marks_working_mm2=None,
        lift_mm=None,
        layers=None,
        extra_layers=None,
        extra_layers_share=None,
    )


@compiled()
def _prop(
    vertices: FloatArray,
    faces: IndexArray,
    vectors: FloatArray,
    touched: NDArray[np.bool_],
    plumb: Plumb,
    cosine: float,
    floor: float,
    lift: float,
) -> tuple[float, float, float]:
    """Propped area, of it on touched faces (mm2), and the space beneath (mm3)."""
    marks, working, space = 0.0, 0.0, 0.0
    for face in range(len(faces)):
        x, y, z = vectors[face, 0], vectors[face, 1], vectors[face, 2]
        length = np.sqrt(x * x + y * y + z * z)
        if -z <= cosine * length:
            continue
        a, b, c = faces[face, 0], faces[face, 1], faces[face, 2]
        share = share_above(vertices[a, 2], vertices[b, 2], vertices[c, 2], floor)
        if share <= 0.0:
            continue
        middle = (vertices[a] + vertices[b] + vertices[c]) / 3.0
        row, column = line_near(plumb, middle[0], middle[1])
        below = floor_below(plumb, row, column, middle[2] - plumb.cell)
        marks += share * length
        if touched[face]:
            working += share * length
        free = middle[2] - below if below > -np.inf else middle[2] + lift
        space += share * -z * free
    return marks, working, space


def lowest_height(subject: Subject) -> float:
    """The least of the part's extents along its principal axes, in mm: how low it can about lie."""
    centred = subject.mesh.vertices - subject.mesh.vertices.mean(axis=0)
    axes = np.linalg.eigh(centred.T @ centred)[1]
    return float(np.ptp(centred @ axes, axis=0).min())


def figures_json(figures: SupportFigures) -> dict[str, Any]:
    """The JSON figures on supports."""
    return {
        "supports_needed": figures.needed,
        "supports_why": list(figures.why),
        "support_volume_ml": None if figures.volume_mm3 is None else figures.volume_mm3 / 1000.0,
        "support_volume_share": figures.volume_share,
        "support_marks_cm2": None if figures.marks_mm2 is None else figures.marks_mm2 / 100.0,
        "support_marks_working_cm2": (
            None if figures.marks_working_mm2 is None else figures.marks_working_mm2 / 100.0
        ),
        "support_lift_mm": figures.lift_mm,
        "support_layers": figures.layers,
        "support_extra_layers": figures.extra_layers,
        "support_extra_layers_share": figures.extra_layers_share,
    }


def judge_supports(figures: SupportFigures, contact: ContactFigures, limits: LimitSet) -> Check:
    """The row ``supports``."""
    if figures.needed is None:
        return Check(
            "supports", "unknown", None, "", None,
            f"Whether it needs supports cannot be told: {figures.refused}.",
        )  # fmt: skip
    if not figures.needed:
        return Check("supports", "pass", 0, "", None, "It prints without supports as it stands.")
    sentence = f"It needs supports as it stands: {', and '.join(figures.why)}. {_cost(figures, limits)}"
    stand = contact.stand
    if stand is not None and stand.turn_deg > 0.1:
        sentence += f" {stand.words}"
    return Check("supports", "review", 1, "", None, sentence)


def _cost(figures: SupportFigures, limits: LimitSet) -> str:
    volume, marks = (figures.volume_mm3 or 0.0) / 1000.0, (figures.marks_mm2 or 0.0) / 100.0
    working, extra = (figures.marks_working_mm2 or 0.0) / 100.0, figures.extra_layers or 0
    share = f" ({100 * figures.volume_share:.0f} % of the part)" if figures.volume_share is not None else ""
    longer = (
        f", {extra:,} more layers ({100 * (figures.extra_layers_share or 0.0):.0f} % longer)"
        if extra > 0
        else ""
    )
    return (
        f"Supports that fill {100 * limits.value('support_density'):.0f} % of the space beneath take about "
        f"{volume:.2f} ml{share}{longer}, and mark up to {marks:.1f} cm², {working:.1f} cm² of it working "
        "surface."
    )
