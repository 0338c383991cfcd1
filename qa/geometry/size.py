"""Group *size*: bounding box, unit, volume, area, resin, and which platforms the part fits."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from qa.geometry.limits import LimitSet
from qa.geometry.mesh import FloatArray
from qa.geometry.reading import MM_PER_UNIT, UNITS
from qa.geometry.subject import CheckRequest, Platform, Subject
from qa.geometry.verdicts import Check, Verdict

# An arch is some 60 mm across; a single tooth on its stump is rarely under 9 mm.
_TYPICAL_MM = 60.0
_LEAST_MM = 9.0
_MOST_MM = 300.0


@dataclass(frozen=True, eq=False)
class SizeFigures:
    """Sizes in the build pose; ``volume_mm3`` is signed and ``None`` where the surface is open.

    ``union_mm3`` counts material once where bodies overlap (winding number not zero); it is exact without
    overlaps and otherwise sampled along ``union_step_mm`` spaced vertical lines.
    """

    size_mm: FloatArray
    volume_mm3: float | None
    union_mm3: float | None
    union_step_mm: float | None
    area_mm2: float
    unit: str
    unit_stated: str | None
    unit_asked: str | None
    unit_guess: str | None
    fits: tuple[str, ...]
    resin_ml: float | None
    platforms_asked: int


def compute(
    subject: Subject, limits: LimitSet, progress: Callable[[float], None] | None = None
) -> SizeFigures:
    """Measure the part."""
    del progress
    low, high = subject.mesh.vertices.min(axis=0), subject.mesh.vertices.max(axis=0)
    size = high - low
    closed = subject.topology.closed
    volume = float(subject.volumes.sum()) if closed else None
    union, step = subject.union
    request = subject.request
    return SizeFigures(
        size_mm=size,
        volume_mm3=volume,
        union_mm3=union,
        union_step_mm=step,
        area_mm2=float(subject.areas.sum()),
        unit=subject.read.unit,
        unit_stated=subject.read.unit_stated,
        unit_asked=subject.read.unit_asked,
        unit_guess=guess_unit(float(size.max()) / MM_PER_UNIT[subject.read.unit], limits),
        fits=tuple(each.name for each in request.platforms if fits(size, each)),
        resin_ml=None if union is None else union / 1000.0 * request.consumption_factor,
        platforms_asked=len(request.platforms),
    )


def guess_unit(longest: float, limits: LimitSet) -> str | None:
    """The unit in which the longest side (in file units) looks like a dental model, or ``None``.

    Millimetres where they are plausible at all, else the unit that brings it nearest to an arch.
    """
    if _LEAST_MM <= longest <= _MOST_MM:
        return "mm"
    low, high = limits.value("part_size_min"), limits.value("part_size_max")
    fitting = [unit for unit in UNITS if low <= longest * MM_PER_UNIT[unit] <= high]
    if not fitting:
        return None
    return min(fitting, key=lambda unit: abs(float(np.log(longest * MM_PER_UNIT[unit] / _TYPICAL_MM))))


def fits(size_mm: FloatArray, platform: Platform) -> bool:
    """Whether the part fits a platform as it stands or turned by a quarter about z."""
    x, y, z = (float(side) for side in size_mm)
    if z > platform.z_mm:
        return False
    straight = x <= platform.x_mm and y <= platform.y_mm
    return straight or (y <= platform.x_mm and x <= platform.y_mm)


def figures_json(figures: SizeFigures) -> dict[str, Any]:
    """The group's part of the JSON figures."""
    return {
        "size_mm": figures.size_mm,
        "height_mm": float(figures.size_mm[2]),
        "build_height_mm": float(figures.size_mm[2]),
        "volume_ml": None if figures.volume_mm3 is None else figures.volume_mm3 / 1000.0,
        "union_volume_ml": None if figures.union_mm3 is None else figures.union_mm3 / 1000.0,
        "union_step_mm": figures.union_step_mm,
        "area_cm2": figures.area_mm2 / 100.0,
        "unit": figures.unit,
        "unit_stated": figures.unit_stated,
        "unit_guess": figures.unit_guess,
        "fits_platforms": list(figures.fits),
        "resin_ml": figures.resin_ml,
    }


def judge(figures: SizeFigures, request: CheckRequest, limits: LimitSet) -> list[Check]:
    """The group's rows."""
    rows = [_judge_unit(figures, request, limits)]
    if request.role != "patient-scan":
        rows.append(_judge_volume(figures))
        if figures.platforms_asked:
            rows.append(_judge_fit(figures))
    return rows


def _judge_unit(figures: SizeFigures, request: CheckRequest, limits: LimitSet) -> Check:
    longest = float(figures.size_mm.max())
    low, high = limits["part_size_min"], limits["part_size_max"]
    limit = low if longest < low.value else high
    as_read = f"Read as {figures.unit}, the longest side is {longest:.4g} mm"
    if figures.unit_stated and figures.unit_asked and figures.unit_stated != figures.unit_asked:
        return Check(
            "unit", "review", longest, "mm", limit,
            f"The file states {figures.unit_stated}, the upload says {figures.unit_asked}; the file's own "
            f"unit was used. {as_read}. Confirm the unit.",
        )  # fmt: skip
    too_long = longest > high.value and request.role != "prepared"
    if longest >= low.value and not too_long:
        return Check("unit", "pass", longest, "mm", limit, f"{as_read}, as a dental model's is.")
    in_file = longest / MM_PER_UNIT[figures.unit]
    other = guess_unit(in_file, limits)
    if other is None or other == figures.unit:
        hint = "Confirm the unit." if longest > high.value else "A single tooth can be; confirm the unit."
    else:
        hint = f"In {other} it would be {in_file * MM_PER_UNIT[other]:.4g} mm. Confirm the unit."
    side = "longer" if longest > high.value else "shorter"
    return Check(
        "unit", "review", longest, "mm", limit, f"{as_read}, {side} than a dental model's usually is. {hint}"
    )


def _judge_volume(figures: SizeFigures) -> Check:
    if figures.volume_mm3 is None:
        return Check(
            "volume", "unknown", None, "ml", None,
            "The volume and the resin needed cannot be told from an open surface. Close it first.",
        )  # fmt: skip
    volume = figures.volume_mm3 / 1000.0
    verdict: Verdict = "pass" if volume > 0 else "fail"
    if volume <= 0:
        sentence = "The volume is not positive: the part is inside out or flat. Flip its normals."
    else:
        sentence = f"The part holds {volume:.2f} ml"
        if figures.union_mm3 is not None and figures.union_step_mm is not None:
            sentence += f", {figures.union_mm3 / 1000.0:.2f} ml with overlaps counted once"
        sentence += f"; about {figures.resin_ml:.2f} ml of resin are needed." if figures.resin_ml else "."
    return Check("volume", verdict, volume, "ml", None, sentence)


def _judge_fit(figures: SizeFigures) -> Check:
    x, y, z = (float(side) for side in figures.size_mm)
    if figures.fits:
        return Check(
            "fits",
            "pass",
            len(figures.fits),
            "count",
            None,
            f"It fits {', '.join(figures.fits)} as it stands.",
        )
    return Check(
        "fits", "fail", 0, "count", None,
        f"At {x:.1f} x {y:.1f} x {z:.1f} mm it fits none of the lab's platforms. Turn or split it.",
    )  # fmt: skip
