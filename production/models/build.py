"""Builds and the parts in them (ISO/ASTM 52900)."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from cases.models import Appliance
from production.choices import FINAL_BUILD_STATES, BuildState, Outcome, PartPurpose, Step
from production.models.equipment import Printer, Tank
from production.models.material import Lot
from production.models.preparation import Preparation


class Build(models.Model):
    """One run of a printer. A vat build names its tank, a filament build its lot."""

    number = models.PositiveBigIntegerField(unique=True)
    printer = models.ForeignKey(Printer, on_delete=models.PROTECT, related_name="builds")
    tank = models.ForeignKey(Tank, null=True, blank=True, on_delete=models.PROTECT, related_name="builds")
    filament_lot = models.ForeignKey(
        Lot, null=True, blank=True, on_delete=models.PROTECT, related_name="builds"
    )
    profile_name = models.CharField(max_length=60)
    profile_revision = models.CharField(max_length=20)
    layer_um = models.PositiveSmallIntegerField()
    layers = models.PositiveIntegerField(null=True, blank=True)
    resin_ml = models.DecimalField(max_digits=8, decimal_places=2, null=True, blank=True)
    resin_temp_c = models.DecimalField(max_digits=4, decimal_places=1, null=True, blank=True)
    state = models.CharField(max_length=10, choices=BuildState.choices, default=BuildState.PLANNED)
    started_at = models.DateTimeField(null=True, blank=True)
    finished_at = models.DateTimeField(null=True, blank=True)
    failure = models.CharField("what went wrong", max_length=200, blank=True)
    operator = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    occurred_at = models.DateTimeField(help_text="When it was planned.")
    recorded_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["-number"]
        constraints = [
            models.CheckConstraint(
                condition=Q(tank__isnull=False, filament_lot__isnull=True)
                | Q(tank__isnull=True, filament_lot__isnull=False),
                name="build_tank_or_filament",
                violation_error_message="A vat build names its tank, a filament build its lot.",
            ),
            models.CheckConstraint(
                condition=Q(finished_at__isnull=True)
                | Q(started_at__isnull=True)
                | Q(finished_at__gte=F("started_at")),
                name="build_ends_after_start",
                violation_error_message="The build cannot end before it started.",
            ),
            models.CheckConstraint(
                condition=Q(state__in=FINAL_BUILD_STATES, finished_at__isnull=False)
                | (~Q(state__in=FINAL_BUILD_STATES) & Q(finished_at__isnull=True)),
                name="build_final_means_finished",
            ),
            models.CheckConstraint(
                condition=Q(state__in=(BuildState.PLANNED, BuildState.CANCELLED))
                | Q(started_at__isnull=False),
                name="build_running_means_started",
            ),
            models.UniqueConstraint(
                fields=["printer"],
                condition=Q(state=BuildState.RUNNING),
                name="printer_runs_one_build",
                violation_error_message="This printer is already running a build. Finish that one first.",
            ),
            models.UniqueConstraint(
                fields=["tank"],
                condition=Q(state=BuildState.RUNNING),
                name="tank_runs_one_build",
                violation_error_message="This tank is already in a running build.",
            ),
        ]
        indexes = [
            # Builds of a tank since a moment: ages, and what a shedding tank touched.
            models.Index(fields=["tank", "started_at"], name="build_by_tank"),
        ]

    def __str__(self) -> str:
        return self.label

    @property
    def label(self) -> str:
        return f"B-{self.number:05d}"


class Part(models.Model):
    """One printed body with its place on the platform and the mark it bears."""

    number = models.PositiveBigIntegerField(unique=True)
    build = models.ForeignKey(Build, on_delete=models.PROTECT, related_name="parts")
    preparation = models.ForeignKey(Preparation, on_delete=models.PROTECT, related_name="parts")
    appliance = models.ForeignKey(Appliance, on_delete=models.PROTECT, related_name="parts")
    purpose = models.CharField(max_length=20, choices=PartPurpose.choices)
    platform_x_mm = models.DecimalField(max_digits=6, decimal_places=1, null=True, blank=True)
    platform_y_mm = models.DecimalField(max_digits=6, decimal_places=1, null=True, blank=True)
    rotation_deg = models.DecimalField(max_digits=5, decimal_places=1, default=0)
    outcome = models.CharField(
        max_length=10, choices=Outcome.choices, blank=True, help_text="Kept by its steps."
    )
    outcome_at = models.DateTimeField(null=True, blank=True)
    recorded_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["build", "number"]
        constraints = [
            models.CheckConstraint(
                condition=Q(outcome="", outcome_at__isnull=True)
                | (~Q(outcome="") & Q(outcome_at__isnull=False)),
                name="part_outcome_has_time",
            ),
        ]

    def __str__(self) -> str:
        return self.mark

    @property
    def mark(self) -> str:
        """Embossed or written on the part."""
        return f"P-{self.number:06d}"


class PartOutcome(models.Model):
    """How a part came out of one step; the latest is its outcome so far."""

    part = models.ForeignKey(Part, on_delete=models.PROTECT, related_name="outcomes")
    step = models.CharField(max_length=20, choices=Step.choices)
    outcome = models.CharField(max_length=10, choices=Outcome.choices)
    reason = models.CharField(max_length=200, blank=True)
    occurred_at = models.DateTimeField()
    recorded_at = models.DateTimeField(auto_now_add=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["occurred_at", "id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(outcome=Outcome.GOOD)
                | (Q(outcome__in=(Outcome.REWORK, Outcome.SCRAPPED)) & ~Q(reason="")),
                name="part_outcome_has_reason",
                violation_error_message="Say in a few words why it needs rework or was scrapped.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.part} {self.outcome} at {self.step}"
