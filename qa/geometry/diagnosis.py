"""Why a scan does not fit: wrong unit, mirrored, inside out, nothing but a table, two parts in one file."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from qa.geometry.bumps import touching_groups
from qa.geometry.design import Design
from qa.geometry.deviation import Deviation
from qa.geometry.mesh import FloatArray
from qa.geometry.register import (
    RegisterSettings,
    Registration,
    largest_plane,
    register,
    without_planes,
)
from qa.geometry.sampling import Samples
from qa.geometry.tree import signed

Kind = Literal["unit", "mirrored", "inside_out", "only_table", "two_parts", "size"]

# What the file's numbers would have to be multiplied by, and how a person says it.
UNITS = {"inch": 25.4, "cm": 10.0, "m": 1000.0}
UNIT_WORDS = {"inch": "inches", "m": "metres"}
ALREADY = {"inch": 1 / 25.4, "cm": 0.1, "m": 0.001}


@dataclass(frozen=True)
class Misfit:
    """A named reason why no pose of this scan is to be believed; ``unit``: the unit that would fit."""

    kind: Kind
    sentence: str
    identity: Literal["other", "unknown"]
    unit: str | None = None


def what_is_wrong(
    design: Design,
    scan: Samples,
    registration: Registration,
    deviation: Deviation,
    settings: RegisterSettings,
) -> Misfit | None:
    """The first fault that explains why a scan of the right size does not fit, or None."""
    few = scan.thin_out(settings.fine_points, seed=settings.seed)
    size = _spread(_without_table(few, settings)) / _spread(design.target.samples)
    # A whole scan needs no wider search; a crop does.
    settings = replace(settings, wider_grids=0 if 0.85 < size < 1.2 else 1)
    plain = share_near(design, few, registration.transform, settings)
    if plain > 0.9:
        return None
    for kind, changed in (("mirrored", _mirrored(few)), ("inside_out", _turned_over(few))):
        other = register(design.target, changed, settings)
        share = share_near(design, changed, other.transform, settings)
        if share > max(settings.fits_share, plain + 0.25):
            if kind == "mirrored":
                return Misfit(
                    "mirrored", "The scan is the mirror image of this design: check the export.", "other"
                )
            return Misfit(
                "inside_out",
                "The scan's surface is turned inside out: turn its normals over and upload it again.",
                "unknown",
            )
    return two_parts(design, scan, deviation, settings)


def wrong_at_sight(design: Design, scan: Samples, settings: RegisterSettings) -> Misfit | None:
    """What can be told before a pose is sought: nothing but a table, or a size that no print has."""
    table = _only_table(scan)
    if table is not None:
        return table
    few = scan.thin_out(settings.fine_points, seed=settings.seed)
    return _wrong_unit(design, few, replace(settings, wider_grids=1))


def share_near(design: Design, scan: Samples, transform: FloatArray, settings: RegisterSettings) -> float:
    """Share of the scan's area close to the design with agreeing normals."""
    points = scan.points @ transform[:3, :3].T + transform[:3, 3]
    found = signed(design.target.tree, points)
    agree = np.einsum("ij,ij->i", scan.normals @ transform[:3, :3].T, found.normal) > 0.5
    close = agree & (np.abs(found.distance) < settings.fits_within_mm)
    return float(scan.weights[close].sum() / scan.weights.sum())


def _mirrored(scan: Samples) -> Samples:
    turned = np.array([-1.0, 1.0, 1.0])
    return replace(scan, points=scan.points * turned, normals=scan.normals * turned)


def _turned_over(scan: Samples) -> Samples:
    return replace(scan, normals=-scan.normals)


def _scaled(scan: Samples, factor: float) -> Samples:
    return replace(
        scan,
        points=scan.points * factor,
        weights=scan.weights * factor**2,
        spacing_mm=scan.spacing_mm * factor,
    )


def _spread(samples: Samples) -> float:
    share = samples.weights / samples.weights.sum()
    return float(np.sqrt(share @ np.sum((samples.points - share @ samples.points) ** 2, axis=1)))


def _wrong_unit(design: Design, scan: Samples, settings: RegisterSettings) -> Misfit | None:
    ratio = _spread(design.target.samples) / max(_spread(_without_table(scan, settings)), 1e-12)
    if 0.4 < ratio < 2.5:
        return None
    for factors, said in ((UNITS, "in"), (ALREADY, "already in mm but was read as")):
        for unit, factor in factors.items():
            if not 0.5 < ratio / factor < 2.0:
                continue
            changed = _scaled(scan, factor)
            pose = register(design.target, changed, settings)
            if share_near(design, changed, pose.transform, settings) > settings.fits_share:
                wanted = unit if factor > 1 else "mm"
                return Misfit(
                    "unit",
                    f"The scan fits if the file is {said} {UNIT_WORDS.get(unit, unit)}: "
                    f"compare again with the unit {wanted}.",
                    "unknown",
                    wanted,
                )
    if 0.1 < ratio < 10.0:
        return None
    size = "smaller" if ratio > 1 else "larger"
    return Misfit(
        "size",
        f"The scan is {max(ratio, 1 / ratio):.0f} times {size} than the design: check the units of both.",
        "unknown",
    )


def _without_table(scan: Samples, settings: RegisterSettings) -> Samples:
    return without_planes(scan, 0.05 * float(scan.weights.sum()), settings)


def curved_area(samples: Samples) -> float:
    """Area (mm2) that is left without large planes: the top, bottom and sides of a slab."""
    for _ in range(6):
        mask, share = largest_plane(samples)
        if share < 0.3:
            break
        samples = samples.pick(~mask)
        if len(samples) < 50:
            return 0.0
    return float(samples.weights.sum())


def _only_table(scan: Samples) -> Misfit | None:
    few = scan.thin_out(6_000)
    if curved_area(few) > 0.05 * few.weights.sum():
        return None
    return Misfit(
        "only_table", "The scan holds nothing but a flat surface; scan the model itself.", "unknown"
    )


def two_parts(
    design: Design, scan: Samples, deviation: Deviation, settings: RegisterSettings
) -> Misfit | None:
    """A second body of the design's own size, apart from the one registered, that is not a table."""
    apart = np.abs(deviation.signed_mm) > 3.0
    if deviation.weights[apart].sum() < 0.4 * design.working_area_mm2:
        return None
    few = scan.pick(apart).thin_out(6_000, seed=settings.seed)
    group = touching_groups(few.points, 3.0)
    area = np.bincount(group, weights=few.weights)
    body = few.pick(group == np.argmax(area))
    # A table is no body: what is flat does not count.
    if min(area.max(), curved_area(body)) < 0.4 * design.working_area_mm2:
        return None
    return Misfit(
        "two_parts",
        "The scan holds more than one body of the model's size: cut it to the one part and upload that.",
        "unknown",
    )
