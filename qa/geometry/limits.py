"""Named limits with their source: the lab's own, or the shipped starting points.

A limit never hides in code: every verdict that needs one names it, its value, where it comes from and
the version of the set it was taken from.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from qa.geometry.errors import GeometryError

COMMON = "common practice"


@dataclass(frozen=True)
class Limit:
    """One limit: ``value`` in ``unit``, with the source it was taken from and its set's version."""

    name: str
    value: float
    unit: str
    source: str
    version: str
    meaning: str = ""

    def as_json(self) -> dict[str, Any]:
        """The four facts a verdict carries."""
        return {"value": self.value, "unit": self.unit, "source": self.source, "version": self.version}


@dataclass(frozen=True)
class LimitSet:
    """Limits by name, under a name and version of their own."""

    name: str
    version: str
    limits: tuple[Limit, ...]

    def __getitem__(self, name: str) -> Limit:
        for limit in self.limits:
            if limit.name == name:
                return limit
        raise GeometryError("limit", f"The limit set '{self.name}' holds no limit called '{name}'.")

    def value(self, name: str) -> float:
        """The value of one limit, in its own unit."""
        return self[name].value

    def changed(self, values: Mapping[str, float], *, name: str, version: str, source: str) -> LimitSet:
        """A new set with some values replaced and their source named; the rest keeps its own source."""
        for key in values:
            self[key]
        limits = tuple(
            replace(limit, value=float(values[limit.name]), source=source, version=version)
            if limit.name in values
            else limit
            for limit in self.limits
        )
        return LimitSet(name, version, limits)

    def to_json(self) -> dict[str, Any]:
        """A JSON-ready form that ``from_json`` reads back."""
        return {
            "name": self.name,
            "version": self.version,
            "limits": {
                limit.name: {
                    "value": limit.value,
                    "unit": limit.unit,
                    "source": limit.source,
                    "version": limit.version,
                }
                for limit in self.limits
            },
        }

    @staticmethod
    def from_json(data: Any) -> LimitSet:
        """A lab's set over the shipped one: names it leaves out keep their shipped values.

        Raises ``limit`` when the form is wrong, a name is unknown, a value is no finite number or the
        unit is not the shipped one.
        """
        if not isinstance(data, dict) or not isinstance(data.get("limits"), dict):
            raise GeometryError("limit", "A limit set is an object with 'name', 'version' and 'limits'.")
        name, version = str(data.get("name") or "unnamed"), str(data.get("version") or "unversioned")
        given: dict[str, Any] = data["limits"]
        known = {limit.name for limit in SHIPPED.limits}
        for key in given:
            if key not in known:
                raise GeometryError("limit", f"There is no limit called '{key}'.")
        limits = tuple(
            _given(limit, given[limit.name], version) if limit.name in given else limit
            for limit in SHIPPED.limits
        )
        return LimitSet(name, version, limits)


def _given(shipped: Limit, entry: Any, version: str) -> Limit:
    """One limit as a lab states it: a bare number or an object."""
    fields = entry if isinstance(entry, dict) else {"value": entry}
    value = fields.get("value")
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise GeometryError("limit", f"The limit '{shipped.name}' needs a finite number.")
    unit = fields.get("unit", shipped.unit)
    if unit != shipped.unit:
        raise GeometryError("limit", f"The limit '{shipped.name}' is in {shipped.unit}, not in {unit}.")
    source = str(fields.get("source") or "the lab's own")
    return Limit(
        shipped.name,
        float(value),
        shipped.unit,
        source,
        str(fields.get("version") or version),
        shipped.meaning,
    )


SHIPPED_VERSION = "1"


def _shipped(name: str, value: float, unit: str, meaning: str, source: str = COMMON) -> Limit:
    return Limit(name, value, unit, source, SHIPPED_VERSION, meaning)


# Starting points, not standards: published limits disagree, and none was found for most of these.
SHIPPED = LimitSet(
    name="shipped",
    version=SHIPPED_VERSION,
    limits=(
        _shipped("part_size_min", 20.0, "mm", "longest side of a dental model, at least"),
        _shipped("part_size_max", 130.0, "mm", "longest side of a dental model, at most"),
        _shipped("contact_min", 0.90, "share", "share of the outer outline that touches, to pass"),
        _shipped("contact_fail", 0.60, "share", "share of the outer outline that touches, below it fails"),
        _shipped("base_flatness_review", 0.10, "mm", "highest to lowest of the base face, to pass"),
        _shipped("base_flatness_max", 0.20, "mm", "highest to lowest of the base face, above it fails"),
        _shipped("base_tilt_review", 0.15, "deg", "tilt of the base face, to pass"),
        _shipped("base_tilt_max", 0.50, "deg", "tilt of the base face, above it fails"),
        _shipped("mid_air_max", 0.0, "count", "places that start in mid-air"),
        _shipped("overhang_angle", 20.0, "deg", "down-facing surfaces closer to level than this count"),
        _shipped("overhang_max", 4.0, "cm2", "down-facing area shallower than that angle"),
        _shipped("layer_step_max", 6.0, "cm2", "growth of area from one layer to the next"),
        _shipped("wall_min", 2.0, "mm", "wall of a hollow model, to pass"),
        _shipped("wall_fail", 1.0, "mm", "wall of a hollow model, below it fails"),
        _shipped("wall_area_max", 0.1, "cm2", "inner skin with a wall under wall_min, to pass"),
        _shipped("sealed_max", 0.0, "count", "cavities without a way out"),
        _shipped("drain_min", 2.0, "mm", "narrowest width on the way out of a cavity, to pass"),
        _shipped("trapped_max", 0.1, "ml", "resin left inside after the best turning, to pass"),
        _shipped("trapped_fail", 0.5, "ml", "resin left inside after the best turning, above it fails"),
        _shipped("suction_max", 0.0, "ml", "room shut in between part and film"),
        _shipped("suction_area_min", 0.5, "cm2", "rooms of less area are no suction pockets"),
        _shipped("suction_depth_min", 2.0, "mm", "rooms vented within this height are no suction pockets"),
        _shipped("crossings_max", 0.0, "count", "pairs of triangles that cut through each other"),
        _shipped("support_angle", 45.0, "deg", "down-facing surfaces closer to level than this are propped"),
        _shipped("support_lift", 3.0, "mm", "height a propped part is raised over the platform"),
        _shipped("support_density", 0.10, "share", "share of the space beneath that supports fill"),
        _shipped(
            "form_height_max",
            25.0,
            "mm",
            "height of a model over which a sheet is formed",
            "Ghoraba et al. 2024, Materials 17(12):3019: the sheet thins as models rise from 15 to 30 mm; "
            "the figure itself is common practice",
        ),
        _shipped(
            "frame_diameter",
            120.0,
            "mm",
            "clear width of the frame that clamps the sheet",
            "discs of 125 mm (Lümkemann et al. 2023, Materials 16(13):4835); the rim is common practice",
        ),
        _shipped(
            "room_to_height_min",
            1.0,
            "share",
            "room between model and frame over the model's height",
            "Takahashi et al., Dental Traumatology (edt.12423): at least the model's height",
        ),
        _shipped("thin_sheet_max", 1.0, "mm", "hard sheets up to this spring over undercuts"),
        _shipped("undercut_max_thin", 2.0, "mm", "deepest undercut under a thin hard sheet"),
        _shipped("undercut_max_thick", 0.5, "mm", "deepest undercut under a thick hard sheet"),
        _shipped("undercut_max_soft", 3.0, "mm", "deepest undercut under a soft sheet, or any"),
        _shipped("undercut_needed", 0.1, "mm", "undercut that a thin hard sheet needs to hold on"),
        _shipped("appliance_reach", 12.0, "mm", "how far from the highest point an appliance reaches down"),
        _shipped("scan_missing_max", 0.25, "cm2", "area missing in the holes of a patient scan"),
        _shipped("scan_hole_max", 3.0, "mm", "widest hole in a patient scan, its outer edge aside"),
        _shipped(
            "print_deviation_max", 0.25, "mm", "95 % of a print's working surface, at most this far off"
        ),
        _shipped("print_distance_error_max", 0.25, "mm", "error of a named distance on a print"),
        _shipped("check_block_error_max", 0.10, "mm", "error of a side of the morning's check block"),
    ),
)
