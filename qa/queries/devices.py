"""Measuring devices and the expanded uncertainty that parts are judged with."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import QuerySet
from django.utils import timezone

from labtrack.errors import Refused
from production.choices import EquipmentKind, EventKind
from production.models import Equipment, EquipmentEvent

# Used and named as assumed until a study of the device gives its own; common practice for a desktop
# scanner, and for a hand-held caliper on small rounded models.
ASSUMED_MM = {EquipmentKind.SCANNER.value: 0.02, EquipmentKind.CALIPER.value: 0.05}
_UNSETTLING = (EventKind.REPAIRED, EventKind.CALIBRATED)


@dataclass(frozen=True)
class DeviceUncertainty:
    """Expanded uncertainty U (k = 2, mm) and the study it comes from; ``studied_at`` None: assumed.

    ``changed_at``: the device was repaired or calibrated after its study.
    """

    uncertainty_mm: float
    studied_at: datetime | None
    changed_at: datetime | None = None

    @property
    def studied(self) -> bool:
        return self.studied_at is not None

    @property
    def sentence(self) -> str:
        size = f"U = {self.uncertainty_mm:.3f} mm (k = 2)"
        if self.studied_at is None:
            return f"No device study yet: {size} is assumed."
        said = f"{size}, from the device study of {self.studied_at:%d %b %Y}."
        if self.changed_at is not None:
            said += f" The device was repaired or calibrated on {self.changed_at:%d %b %Y}: study it again."
        return said


def uncertainty_of(device: Equipment | None, kind: str, at: datetime) -> DeviceUncertainty:
    """What a device could tell at a moment; the assumed figure of its ``kind`` when nobody studied it."""
    if device is None:
        return DeviceUncertainty(ASSUMED_MM[kind], None)
    events = EquipmentEvent.objects.filter(equipment=device, occurred_at__lte=at)
    study = events.filter(kind=EventKind.STUDIED).order_by("-occurred_at", "-id").first()
    if study is None or study.value is None:
        return DeviceUncertainty(ASSUMED_MM[device.kind], None)
    later = events.filter(kind__in=_UNSETTLING, occurred_at__gt=study.occurred_at)
    changed = later.order_by("-occurred_at").values_list("occurred_at", flat=True).first()
    return DeviceUncertainty(float(study.value), study.occurred_at, changed)


def devices_of(kind: str) -> QuerySet[Equipment]:
    """Devices of a kind that are in service."""
    return Equipment.objects.filter(kind=kind, retired_at__isnull=True).order_by("code")


def known_devices(*kinds: EquipmentKind) -> list[dict[str, Any]]:
    """Each device in service with what is known of its uncertainty now, as pages show them."""
    now = timezone.now()
    devices = Equipment.objects.filter(kind__in=kinds, retired_at__isnull=True).order_by("kind", "code")
    return [{"device": one, "known": uncertainty_of(one, one.kind, now)} for one in devices]


def device_for(code: str, kind: str) -> Equipment | None:
    """The device of that code, or None for an empty one. Raises ``Refused`` for anything else."""
    if not code:
        return None
    device = Equipment.objects.filter(code__iexact=code.strip(), kind=kind).first()
    if device is None:
        word = EquipmentKind(kind).label.lower()
        raise Refused(
            "device-unknown",
            f"There is no {word} with the code “{code[:20]}”. Add it at Lab.",
            field="device",
        )
    return device
