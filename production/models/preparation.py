"""What lies between a design and a build, and which ways of making are qualified."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from cases.models import Appliance, MeshUse
from production.choices import Orientation
from production.models.equipment import Printer
from production.models.material import Material


class Preparation(models.Model):
    """How one design was made ready for printing. ``prepared`` is the file made from it, if kept."""

    appliance = models.ForeignKey(Appliance, on_delete=models.PROTECT, related_name="preparations")
    design = models.ForeignKey(MeshUse, on_delete=models.PROTECT, related_name="preparations")
    prepared = models.ForeignKey(
        MeshUse, null=True, blank=True, on_delete=models.PROTECT, related_name="prepared_for"
    )
    profile_name = models.CharField("exposure profile", max_length=60)
    profile_revision = models.CharField(max_length=20)
    layer_um = models.PositiveSmallIntegerField()
    orientation = models.CharField(max_length=10, choices=Orientation.choices, default=Orientation.FLAT)
    tilt_deg = models.DecimalField(max_digits=4, decimal_places=1, default=0)
    hollow = models.BooleanField(default=False)
    wall_mm = models.DecimalField(max_digits=4, decimal_places=2, null=True, blank=True)
    supports = models.BooleanField(default=False)
    compensation_percent = models.DecimalField(max_digits=5, decimal_places=3, default=0)
    occurred_at = models.DateTimeField()
    recorded_at = models.DateTimeField(auto_now_add=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["-occurred_at", "-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(layer_um__gte=5, layer_um__lte=1000),
                name="preparation_layer_plausible",
                violation_error_message="A layer is between 5 and 1000 µm.",
            ),
            models.CheckConstraint(
                condition=Q(tilt_deg__gte=0, tilt_deg__lte=90),
                name="preparation_tilt_plausible",
                violation_error_message="The tilt is between 0 and 90 degrees.",
            ),
            models.CheckConstraint(
                # Not null is said too: a check that comes out unknown passes.
                condition=Q(hollow=False) | Q(wall_mm__isnull=False, wall_mm__gt=0),
                name="preparation_hollow_has_wall",
                violation_error_message="A hollow part needs its wall thickness.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.appliance.label} {self.profile_name} {self.layer_um} µm"


class ProcessCombination(models.Model):
    """Printer, material, profile, wash and cure that were shown to work together, or not yet.

    A patient-contact piece needs a qualified one.
    """

    printer = models.ForeignKey(Printer, on_delete=models.PROTECT, related_name="combinations")
    material = models.ForeignKey(Material, on_delete=models.PROTECT, related_name="combinations")
    profile_name = models.CharField(max_length=60)
    wash_program = models.CharField(max_length=60)
    cure_program = models.CharField(max_length=60)
    basis = models.CharField(max_length=300, help_text="What shows that it works: report, date.")
    qualified_at = models.DateTimeField()
    qualified_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    withdrawn_at = models.DateTimeField(null=True, blank=True)
    withdraw_reason = models.CharField(max_length=200, blank=True)
    recorded_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["printer", "material"]
        constraints = [
            models.UniqueConstraint(
                fields=["printer", "material", "profile_name", "wash_program", "cure_program"],
                condition=Q(withdrawn_at__isnull=True),
                name="combination_qualified_once",
                violation_error_message="This combination is already qualified.",
            ),
            models.CheckConstraint(
                condition=Q(withdrawn_at__isnull=True, withdraw_reason="")
                | (Q(withdrawn_at__isnull=False) & ~Q(withdraw_reason="")),
                name="combination_withdrawal_has_reason",
                violation_error_message="Say why the qualification is withdrawn.",
            ),
        ]

    def __str__(self) -> str:
        return (
            f"{self.printer}, {self.material}, {self.profile_name}, {self.wash_program}, {self.cure_program}"
        )
