"""Machines, tanks and measuring devices, and what happened to each."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from production.choices import (
    ContactPurpose,
    EquipmentKind,
    EventKind,
    PrinterGrade,
    PrintProcess,
    VatKind,
)


class Equipment(models.Model):
    """Anything with a history. Ages are derived from its events, never typed."""

    code = models.SlugField(max_length=20, unique=True, help_text="On its label, for example: tank-3.")
    kind = models.CharField(max_length=20, choices=EquipmentKind.choices)
    name = models.CharField(max_length=80)
    note = models.CharField(max_length=300, blank=True)
    in_service_from = models.DateTimeField()
    retired_at = models.DateTimeField(null=True, blank=True, help_text="Kept by its events.")
    recorded_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["kind", "code"]

    def __str__(self) -> str:
        return self.name


class Printer(models.Model):
    equipment = models.OneToOneField(
        Equipment, primary_key=True, on_delete=models.PROTECT, related_name="printer"
    )
    process = models.CharField(max_length=20, choices=PrintProcess.choices)
    vat = models.CharField(max_length=20, choices=VatKind.choices)
    grade = models.CharField(max_length=20, choices=PrinterGrade.choices)
    platform_x_mm = models.DecimalField(max_digits=6, decimal_places=1)
    platform_y_mm = models.DecimalField(max_digits=6, decimal_places=1)
    build_height_mm = models.DecimalField(max_digits=6, decimal_places=1)

    class Meta:
        ordering = ["equipment__code"]
        constraints = [
            models.CheckConstraint(
                condition=(Q(process=PrintProcess.FILAMENT) & Q(vat=VatKind.NONE))
                | (~Q(process=PrintProcess.FILAMENT) & ~Q(vat=VatKind.NONE)),
                name="printer_vat_fits_process",
                violation_error_message="A filament printer has no vat; a vat printer needs its kind of vat.",
            ),
            models.CheckConstraint(
                condition=Q(platform_x_mm__gt=0, platform_y_mm__gt=0, build_height_mm__gt=0),
                name="printer_platform_positive",
                violation_error_message="The build platform needs a size above zero.",
            ),
        ]

    def __str__(self) -> str:
        return self.equipment.name

    @property
    def needs_tank(self) -> bool:
        return self.process != PrintProcess.FILAMENT


class Tank(models.Model):
    """Holds resin under a vat printer; may move between printers."""

    equipment = models.OneToOneField(
        Equipment, primary_key=True, on_delete=models.PROTECT, related_name="tank"
    )
    purpose = models.CharField(max_length=20, choices=ContactPurpose.choices)
    capacity_ml = models.PositiveIntegerField()

    class Meta:
        ordering = ["equipment__code"]
        constraints = [
            models.CheckConstraint(condition=Q(capacity_ml__gt=0), name="tank_capacity_positive"),
        ]

    def __str__(self) -> str:
        return self.equipment.name


class WashBath(models.Model):
    equipment = models.OneToOneField(
        Equipment, primary_key=True, on_delete=models.PROTECT, related_name="wash_bath"
    )
    purpose = models.CharField(max_length=20, choices=ContactPurpose.choices)
    capacity_ml = models.PositiveIntegerField()

    class Meta:
        ordering = ["equipment__code"]
        constraints = [
            models.CheckConstraint(
                condition=Q(capacity_ml__gt=0),
                name="wash_bath_capacity_positive",
                violation_error_message="A wash bath needs a capacity above zero.",
            ),
        ]

    def __str__(self) -> str:
        return self.equipment.name


class EquipmentEvent(models.Model):
    """Something done to one machine, tank or device."""

    equipment = models.ForeignKey(Equipment, on_delete=models.PROTECT, related_name="events")
    kind = models.CharField(max_length=20, choices=EventKind.choices)
    occurred_at = models.DateTimeField()
    recorded_at = models.DateTimeField(auto_now_add=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    lot = models.ForeignKey(
        "production.Lot", null=True, blank=True, on_delete=models.PROTECT, related_name="events"
    )
    quantity_ml = models.PositiveIntegerField(null=True, blank=True)
    moved_to = models.ForeignKey(
        Printer, null=True, blank=True, on_delete=models.PROTECT, related_name="tanks_moved_in"
    )
    value = models.DecimalField(max_digits=10, decimal_places=3, null=True, blank=True)
    unit = models.CharField(max_length=20, blank=True)
    note = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["-occurred_at", "-id"]
        indexes = [
            # The latest event of a kind before a moment: every age.
            models.Index(fields=["equipment", "kind", "-occurred_at"], name="event_latest_of_kind"),
        ]
        constraints = [
            models.CheckConstraint(
                condition=~Q(kind=EventKind.MOVED) | Q(moved_to__isnull=False),
                name="event_moved_names_printer",
                violation_error_message="Say which printer the tank moved to.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.equipment.code} {self.get_kind_display().lower()} {self.occurred_at:%Y-%m-%d}"
