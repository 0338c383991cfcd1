"""What preparation changed: the prepared file against its design, by the figures of their checks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from cases.choices import MeshRole
from cases.models import MeshUse
from production.models import Preparation
from qa.check_figures import figure_of
from qa.models import MeshCheck
from qa.queries.checks import latest_done, same

# Sides that grew by the same share within this were scaled, not cut or turned.
SAME_SCALE = 0.005
_VOLUMES = ("volume_ml", "union_volume_ml", "solid_volume_ml")
_SHAPE = ("hollow", "wall_min_mm", "cavities", "trapped_ml", "drain_min_mm", "suction_pocket_ml", "bodies")
_BASE = ("contact_fraction", "contact_flatness_mm", "base_tilt_deg", "size_mm", "layers", "mid_air_starts")


@dataclass(frozen=True)
class Difference:
    """One figure of both files in words; ``share`` is the growth in percent where that means something."""

    title: str
    design: str
    prepared: str
    unit: str
    share: float | None
    differs: bool


@dataclass(frozen=True)
class PreparedChange:
    """Design and prepared file side by side, and what of it matters in sentences."""

    design: MeshUse
    prepared: MeshUse
    preparation: Preparation | None
    sentences: tuple[str, ...]
    rows: tuple[Difference, ...]
    scale_percent: float | None


def prepared_of(design: MeshUse) -> MeshUse | None:
    """The prepared file in use that was made from a design: the latest, by preparation or appliance."""
    made = (
        Preparation.objects.filter(design=design, prepared__in=MeshUse.objects.in_use())
        .select_related("prepared__blob", "prepared__case")
        .order_by("-occurred_at", "-pk")
        .first()
    )
    if made is not None:
        return made.prepared
    if design.appliance_id is None:
        return None
    return (
        MeshUse.objects.in_use()
        .filter(appliance=design.appliance_id, role=MeshRole.PREPARED)
        .order_by("-pk")
        .first()
    )


def design_of(prepared: MeshUse) -> tuple[MeshUse | None, Preparation | None]:
    """The design that a prepared file was made from, with its preparation once that is recorded."""
    made = (
        Preparation.objects.filter(prepared=prepared)
        .select_related("design__blob", "design__case")
        .order_by("-occurred_at", "-pk")
        .first()
    )
    if made is not None:
        return made.design, made
    if prepared.appliance_id is None:
        return None, None
    design = (
        MeshUse.objects.in_use()
        .filter(appliance=prepared.appliance_id, role=MeshRole.DESIGN)
        .order_by("-pk")
        .first()
    )
    return design, None


def prepared_change(prepared: MeshUse, check: MeshCheck) -> PreparedChange | None:
    """What preparation changed; None where there is no design to hold it against, or it has no figures."""
    design, preparation = design_of(prepared)
    before = None if design is None else latest_done(design)
    if design is None or before is None:
        return None
    old, new = before.figures, check.figures
    scale = scale_percent(old.get("size_mm"), new.get("size_mm"))
    return PreparedChange(
        design=design,
        prepared=prepared,
        preparation=preparation,
        sentences=tuple(_sentences(old, new, scale, preparation)),
        rows=tuple(
            _difference(name, old.get(name), new.get(name))
            for name in (*_VOLUMES, *_SHAPE, *_BASE)
            if name in old or name in new
        ),
        scale_percent=scale,
    )


def scale_percent(before: list[float] | None, after: list[float] | None) -> float | None:
    """Growth of all three sides alike, in percent; None where they grew apart."""
    if not before or not after or min(before) <= 0:
        return None
    ratios = [new / old for old, new in zip(before, after, strict=True)]
    if max(ratios) - min(ratios) > SAME_SCALE:
        return None
    return (sum(ratios) / 3.0 - 1.0) * 100.0


def _sentences(
    old: dict[str, Any], new: dict[str, Any], scale: float | None, preparation: Preparation | None
) -> list[str]:
    return [
        *_volume_words(old.get("union_volume_ml"), new.get("union_volume_ml")),
        _scale_words(scale, preparation),
        *_hollow_words(old, new, preparation),
        *_base_words(old, new),
    ]


def _volume_words(old: float | None, new: float | None) -> list[str]:
    if not old or not new:
        return ["The change of volume cannot be told: one of the files is open."]
    if same(old, new):
        return [f"The volume is the design's: {new:.2f} ml."]
    more = "more" if new > old else "less"
    return [f"It holds {abs(new - old):.2f} ml {more} than the design ({(new / old - 1) * 100:+.1f} %)."]


def _scale_words(scale: float | None, preparation: Preparation | None) -> str:
    stated = None if preparation is None else float(preparation.compensation_percent)
    if scale is None:
        told = "Its sides did not grow alike, so it was turned, cut or given supports; "
        return told + (
            "the scale cannot be told from its size."
            if not stated
            else f"the compensation of {stated:g} % that was noted cannot be told from its size."
        )
    if abs(scale) < 0.005:
        told = "It has the design's size."
    else:
        told = f"It is {abs(scale):.2f} % {'larger' if scale > 0 else 'smaller'} than the design."
    if stated is not None and abs(stated - scale) > 0.05:
        told += f" The preparation says {stated:g} %: check which is right."
    return told


def _hollow_words(
    design: dict[str, Any], prepared: dict[str, Any], preparation: Preparation | None
) -> list[str]:
    old, new = design.get("hollow"), prepared.get("hollow")
    stated = None if preparation is None else preparation.hollow
    if old is None or new is None:
        return []
    told = []
    if old != new:
        told.append("It was hollowed." if new else "The design is hollow, the prepared file is solid.")
    if stated is not None and stated != new:
        said = "hollow" if stated else "solid"
        told.append(f"The preparation says {said}, the file is {'hollow' if new else 'solid'}.")
    return told


def _base_words(old: dict[str, Any], new: dict[str, Any]) -> list[str]:
    before, after = old.get("contact_fraction"), new.get("contact_fraction")
    if before is None or after is None or abs(before - after) < 0.01:
        return []
    return [
        f"Its base touches the platform with {100 * after:.0f} % of its outline, "
        f"the design's with {100 * before:.0f} %."
    ]


def _difference(name: str, old: Any, new: Any) -> Difference:
    before, after = figure_of(name, old), figure_of(name, new)
    numbers = all(isinstance(one, int | float) and not isinstance(one, bool) for one in (old, new))
    share = (new / old - 1) * 100.0 if numbers and old else None
    return Difference(
        title=after.name,
        design=before.text,
        prepared=after.text,
        unit=after.unit or before.unit,
        share=share if name in _VOLUMES else None,
        differs=not same(old, new),
    )
