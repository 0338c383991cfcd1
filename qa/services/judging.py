"""Lengths measured by hand, judged like a scan: against a limit, with the device's own uncertainty."""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import datetime
from decimal import Decimal, InvalidOperation
from typing import Any

from labtrack.errors import Refused
from labtrack.numbers import plain_number
from production.choices import EquipmentKind
from production.models import Equipment
from qa.geometry.decision import Verdict, decide, worst
from qa.models import LimitVersion
from qa.queries.devices import uncertainty_of
from qa.queries.limits import limit_set, limits_in_force

LARGEST_MM = Decimal(1000)


@dataclass(frozen=True)
class Terms:
    """What a hand measurement is judged by."""

    limits: LimitVersion
    tolerance_mm: float
    uncertainty_mm: float
    uncertainty_studied: bool

    def columns(self) -> dict[str, Any]:
        """What a measurement keeps of it."""
        return {one.name: getattr(self, one.name) for one in fields(self)}


@dataclass(frozen=True)
class Judged:
    """What a measured length keeps of its judgement."""

    error_mm: float
    verdict: Verdict
    sentence: str


def terms_at(limit_name: str, device: Equipment | None, at: datetime) -> Terms:
    """The limit in force, and what is known of the caliper at that moment."""
    if device is not None and device.kind != EquipmentKind.CALIPER:
        raise Refused("not-a-caliper", f"{device.name} is no caliper.", field="device")
    version = limits_in_force()
    known = uncertainty_of(device, EquipmentKind.CALIPER, at)
    return Terms(version, limit_set(version).value(limit_name), known.uncertainty_mm, known.studied)


def judged(name: str, measured_mm: Decimal, planned_mm: float, terms: Terms) -> Judged:
    """One length against what it should be, by ISO 14253-1 (``qa.geometry.decision``)."""
    error = float(measured_mm) - planned_mm
    found = decide(f"The error of {name}", error, terms.tolerance_mm, terms.uncertainty_mm)
    return Judged(round(error, 5), found.verdict, found.sentence)


def worst_of(found: list[Judged]) -> Verdict:
    return worst([one.verdict for one in found])


def length(value: object, name: str, *, field: str) -> Decimal:
    """A length that a person or script gave, in mm to 1 µm. Raises ``Refused`` for no such thing."""
    try:
        found = Decimal(plain_number(str(value)))
        usable = found.is_finite() and 0 < found <= LARGEST_MM
    except InvalidOperation:
        usable = False
    if not usable:
        raise Refused("length", f"{name}: give a length in mm, above 0 and at most 1000.", field=field)
    return found.quantize(Decimal("0.001"))
