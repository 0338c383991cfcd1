"""Resin that a part needs, as it stands and if it were solid, with each material's consumption factor."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from production.choices import MaterialKind
from production.models import Material


@dataclass(frozen=True)
class ResinNeed:
    """One resin: ml to be bought for the part, and what that costs where the price per litre is known.

    ``supports_ml`` is what supports would add as the part stands; None where none are needed.
    """

    material: Material
    as_it_stands_ml: float
    solid_ml: float | None
    supports_ml: float | None
    cost: float | None


def resin_needs(figures: dict[str, Any]) -> list[ResinNeed]:
    """For every resin in use; empty where the volume cannot be told."""
    volume = figures.get("union_volume_ml")
    if volume is None or volume <= 0:
        return []
    solid, supports = figures.get("solid_volume_ml"), figures.get("support_volume_ml")
    resins = Material.objects.filter(kind=MaterialKind.RESIN, active=True).order_by("name")
    needs = []
    for material in resins:
        factor = float(material.consumption_factor)
        price = None if material.price is None else float(material.price)
        needs.append(
            ResinNeed(
                material=material,
                as_it_stands_ml=volume * factor,
                solid_ml=None if solid is None else solid * factor,
                supports_ml=None if supports is None else supports * factor,
                cost=None if price is None else volume * factor / 1000.0 * price,
            )
        )
    return needs
