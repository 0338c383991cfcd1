"""Thermoforming: batches, cycles, and the pieces they give."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from cases.models import Appliance
from production.choices import PIECE_STEPS, Outcome
from production.models.build import Part
from production.models.equipment import Equipment
from production.models.material import Lot


class FormingBatch(models.Model):
    """A run at one forming machine: cycle after cycle, one sheet each."""

    number = models.PositiveBigIntegerField(unique=True)
    machine = models.ForeignKey(Equipment, on_delete=models.PROTECT, related_name="forming_batches")
    started_at = models.DateTimeField()
    finished_at = models.DateTimeField(null=True, blank=True)
    operator = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    note = models.CharField(max_length=200, blank=True)
    recorded_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["-number"]
        constraints = [
            models.CheckConstraint(
                condition=Q(finished_at__isnull=True) | Q(finished_at__gte=F("started_at")),
                name="forming_batch_ends_after_start",
                violation_error_message="The batch cannot end before it started.",
            ),
            models.UniqueConstraint(
                fields=["machine"],
                condition=Q(finished_at__isnull=True),
                name="machine_runs_one_batch",
                violation_error_message="This machine already has an open batch. Close that one first.",
            ),
        ]

    def __str__(self) -> str:
        return self.label

    @property
    def label(self) -> str:
        return f"F-{self.number:05d}"


class FormingCycle(models.Model):
    """One sheet drawn over one model. ``forming`` counts how often this model was formed over."""

    batch = models.ForeignKey(FormingBatch, on_delete=models.PROTECT, related_name="cycles")
    position = models.PositiveSmallIntegerField()
    part = models.ForeignKey(Part, on_delete=models.PROTECT, related_name="cycles")
    forming = models.PositiveSmallIntegerField()
    sheet_lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="cycles")
    heat_s = models.PositiveSmallIntegerField()
    sheet_temp_c = models.DecimalField(max_digits=4, decimal_places=1, null=True, blank=True)
    pressure_bar = models.DecimalField(max_digits=4, decimal_places=2, null=True, blank=True)
    hold_s = models.PositiveSmallIntegerField(null=True, blank=True)
    cool_s = models.PositiveSmallIntegerField(null=True, blank=True)
    interval_s = models.PositiveIntegerField(
        null=True, blank=True, help_text="Since the machine's last cycle."
    )
    occurred_at = models.DateTimeField()
    recorded_at = models.DateTimeField(auto_now_add=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["batch", "position"]
        constraints = [
            models.UniqueConstraint(fields=["batch", "position"], name="cycle_position_unique"),
            models.UniqueConstraint(
                fields=["part", "forming"],
                name="cycle_forming_counted_once",
                violation_error_message="Somebody formed over this model in the same moment. Look again.",
            ),
            models.CheckConstraint(
                condition=Q(pressure_bar__isnull=True) | Q(pressure_bar__gte=-1, pressure_bar__lte=12),
                name="cycle_pressure_plausible",
                violation_error_message="The pressure is between -1 (vacuum) and 12 bar.",
            ),
            models.CheckConstraint(
                condition=Q(sheet_temp_c__isnull=True) | Q(sheet_temp_c__gte=20, sheet_temp_c__lte=300),
                name="cycle_temperature_plausible",
                violation_error_message="The sheet temperature is between 20 and 300 °C.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.batch.label} cycle {self.position}"


class Piece(models.Model):
    """One appliance in hand: formed in a cycle, or printed directly as a part."""

    number = models.PositiveBigIntegerField(unique=True)
    appliance = models.ForeignKey(Appliance, on_delete=models.PROTECT, related_name="pieces")
    cycle = models.ForeignKey(
        FormingCycle, null=True, blank=True, on_delete=models.PROTECT, related_name="pieces"
    )
    part = models.OneToOneField(
        Part, null=True, blank=True, on_delete=models.PROTECT, related_name="direct_piece"
    )
    outcome = models.CharField(max_length=10, choices=Outcome.choices, blank=True)
    outcome_at = models.DateTimeField(null=True, blank=True)
    occurred_at = models.DateTimeField()
    recorded_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["number"]
        constraints = [
            models.CheckConstraint(
                condition=Q(cycle__isnull=False, part__isnull=True)
                | Q(cycle__isnull=True, part__isnull=False),
                name="piece_formed_or_printed",
                violation_error_message="A piece is either formed or printed directly.",
            ),
            models.CheckConstraint(
                condition=Q(outcome="", outcome_at__isnull=True)
                | (~Q(outcome="") & Q(outcome_at__isnull=False)),
                name="piece_outcome_has_time",
            ),
        ]

    def __str__(self) -> str:
        return self.mark

    @property
    def mark(self) -> str:
        return f"A-{self.number:06d}"


class PieceStep(models.Model):
    """Work on one piece: trim, finish, disinfect, pack."""

    piece = models.ForeignKey(Piece, on_delete=models.PROTECT, related_name="steps")
    step = models.CharField(max_length=20, choices=[(step.value, step.label) for step in PIECE_STEPS])
    note = models.CharField(max_length=200, blank=True)
    occurred_at = models.DateTimeField()
    recorded_at = models.DateTimeField(auto_now_add=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["occurred_at", "id"]
        constraints = [
            models.CheckConstraint(condition=Q(step__in=PIECE_STEPS), name="piece_step_known"),
        ]

    def __str__(self) -> str:
        return f"{self.piece} {self.step}"
