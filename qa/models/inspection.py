"""Inspections and the defects they found."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from cases.models import Blob
from production.choices import WORK_STEPS, Step
from production.models import Part, Piece
from qa.choices import DefectScope, Severity, Verdict


class DefectKind(models.Model):
    """The lab's vocabulary of defects: seeded, editable, never deleted once used."""

    code = models.SlugField(max_length=40, unique=True)
    name = models.CharField(max_length=80, unique=True)
    scope = models.CharField(max_length=10, choices=DefectScope.choices)
    usual_origin = models.CharField(max_length=20, choices=Step.choices)
    contamination = models.BooleanField(
        default=False, help_text="On the list of defects that a dirty tank makes."
    )
    hint = models.CharField(max_length=200, blank=True, help_text="Usual causes.")
    active = models.BooleanField(default=True)

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


class Inspection(models.Model):
    """One look at one part or piece at one step."""

    part = models.ForeignKey(
        Part, null=True, blank=True, on_delete=models.PROTECT, related_name="inspections"
    )
    piece = models.ForeignKey(
        Piece, null=True, blank=True, on_delete=models.PROTECT, related_name="inspections"
    )
    step = models.CharField(max_length=20, choices=[(step.value, step.label) for step in WORK_STEPS])
    verdict = models.CharField(max_length=10, choices=Verdict.choices)
    method = models.CharField(max_length=60, blank=True, help_text="By eye, with magnifier, on the model …")
    note = models.CharField(max_length=300, blank=True)
    occurred_at = models.DateTimeField()
    recorded_at = models.DateTimeField(auto_now_add=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["-occurred_at", "-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(part__isnull=False, piece__isnull=True)
                | Q(part__isnull=True, piece__isnull=False),
                name="inspection_of_one_thing",
                violation_error_message="An inspection is of one part or one piece.",
            ),
        ]

    def __str__(self) -> str:
        return f"inspection of {self.part or self.piece} at {self.get_step_display().lower()}"


class Defect(models.Model):
    """A nonconformity: what, where it comes from, where it was found, how bad."""

    inspection = models.ForeignKey(Inspection, on_delete=models.PROTECT, related_name="defects")
    kind = models.ForeignKey(DefectKind, on_delete=models.PROTECT, related_name="defects")
    origin = models.CharField("step of origin", max_length=20, choices=Step.choices)
    found = models.CharField(
        "step found", max_length=20, choices=[(step.value, step.label) for step in WORK_STEPS]
    )
    severity = models.CharField(max_length=10, choices=Severity.choices)
    tooth = models.PositiveSmallIntegerField(null=True, blank=True, help_text="FDI number (ISO 3950).")
    photo = models.ForeignKey(Blob, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(tooth__isnull=True)
                | Q(tooth__gte=11, tooth__lte=18)
                | Q(tooth__gte=21, tooth__lte=28)
                | Q(tooth__gte=31, tooth__lte=38)
                | Q(tooth__gte=41, tooth__lte=48)
                | Q(tooth__gte=51, tooth__lte=55)
                | Q(tooth__gte=61, tooth__lte=65)
                | Q(tooth__gte=71, tooth__lte=75)
                | Q(tooth__gte=81, tooth__lte=85),
                name="defect_tooth_is_fdi",
                violation_error_message="That is no tooth number after ISO 3950.",
            ),
        ]

    def __str__(self) -> str:
        return self.kind.name
