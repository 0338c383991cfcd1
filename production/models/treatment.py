"""Post-processing that several parts go through together: drip, wash, dry, supports, cure."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from production.choices import TREATMENT_STEPS, Step
from production.models.build import Part
from production.models.equipment import Equipment


class TreatmentRun(models.Model):
    """One run at a bath or unit. A part washed again is in another run: loops are counted."""

    step = models.CharField(max_length=20, choices=[(step.value, step.label) for step in TREATMENT_STEPS])
    equipment = models.ForeignKey(
        Equipment, null=True, blank=True, on_delete=models.PROTECT, related_name="treatment_runs"
    )
    program = models.CharField(max_length=60, blank=True)
    started_at = models.DateTimeField()
    finished_at = models.DateTimeField()
    temperature_c = models.DecimalField(max_digits=4, decimal_places=1, null=True, blank=True)
    note = models.CharField(max_length=200, blank=True)
    recorded_at = models.DateTimeField(auto_now_add=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    parts = models.ManyToManyField(Part, through="TreatedPart", related_name="treatments")

    class Meta:
        ordering = ["-started_at", "-id"]
        constraints = [
            models.CheckConstraint(condition=Q(step__in=TREATMENT_STEPS), name="treatment_step_known"),
            models.CheckConstraint(
                condition=Q(finished_at__gte=F("started_at")),
                name="treatment_ends_after_start",
                violation_error_message="The run cannot end before it started.",
            ),
            models.CheckConstraint(
                condition=~Q(step__in=(Step.WASH, Step.CURE)) | Q(equipment__isnull=False),
                name="treatment_names_equipment",
                violation_error_message="Say which bath or curing unit was used.",
            ),
        ]
        indexes = [
            # Parts through a bath since it was filled.
            models.Index(fields=["equipment", "started_at"], name="treatment_by_equipment"),
        ]

    def __str__(self) -> str:
        return f"{self.get_step_display()} {self.started_at:%Y-%m-%d %H:%M}"


class TreatedPart(models.Model):
    """A part in a run; ``turn`` counts how often it has been through this step."""

    run = models.ForeignKey(TreatmentRun, on_delete=models.PROTECT, related_name="treated")
    part = models.ForeignKey(Part, on_delete=models.PROTECT, related_name="treated")
    turn = models.PositiveSmallIntegerField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["run", "part"],
                name="part_once_per_run",
                violation_error_message="A part can be in a run only once.",
            ),
            models.CheckConstraint(condition=Q(turn__gte=1), name="treated_part_turn_from_one"),
        ]

    def __str__(self) -> str:
        return f"{self.part} in {self.run}"
