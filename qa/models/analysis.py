"""What the evidence engine found, kept until the data change; and what the lab says things cost."""

from __future__ import annotations

from django.conf import settings
from django.core.serializers.json import DjangoJSONEncoder
from django.core.validators import MinValueValidator
from django.db import models
from django.db.models import F, Q

from labtrack.jobs.models import Job
from qa.choices import CheckState, EvidenceUnit


class EvidenceVersion(models.Model):
    """A single row that counts changes of the evidence: an analysis of an older count is out of date."""

    version = models.PositiveBigIntegerField(default=0)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(pk=1), name="evidence_version_is_one_row"),
        ]

    def __str__(self) -> str:
        return f"evidence {self.version}"


class CostVersion(models.Model):
    """What things cost, in the lab's own money: one dated version; the latest is in force. Never edited."""

    version = models.PositiveIntegerField(unique=True)
    currency = models.CharField(max_length=8)
    lost_part = models.DecimalField(
        max_digits=9, decimal_places=2, null=True, blank=True, validators=[MinValueValidator(0)]
    )
    filter_tank = models.DecimalField(
        max_digits=9, decimal_places=2, null=True, blank=True, validators=[MinValueValidator(0)]
    )
    failed_build = models.DecimalField(
        max_digits=9, decimal_places=2, null=True, blank=True, validators=[MinValueValidator(0)]
    )
    remake = models.DecimalField(
        max_digits=9, decimal_places=2, null=True, blank=True, validators=[MinValueValidator(0)]
    )
    labour_per_h = models.DecimalField(
        max_digits=9, decimal_places=2, null=True, blank=True, validators=[MinValueValidator(0)]
    )
    machine_per_h = models.DecimalField(
        max_digits=9, decimal_places=2, null=True, blank=True, validators=[MinValueValidator(0)]
    )
    labour_min = models.DecimalField(
        "handling of one part in minutes, where it is not recorded",
        max_digits=7,
        decimal_places=2,
        null=True,
        blank=True,
        validators=[MinValueValidator(0)],
    )
    late_step = models.DecimalField(
        max_digits=9, decimal_places=2, null=True, blank=True, validators=[MinValueValidator(0)]
    )
    note = models.CharField("where the figures come from", max_length=200)
    active_from = models.DateTimeField()
    recorded_at = models.DateTimeField(auto_now_add=True)
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )

    class Meta:
        ordering = ["-version"]
        constraints = [
            models.CheckConstraint(
                condition=Q(lost_part__isnull=True) | Q(lost_part__gte=0),
                name="cost_lost_part_not_negative",
                violation_error_message="A cost cannot be below zero.",
            ),
        ]

    def __str__(self) -> str:
        return f"Costs, version {self.version}"


class EvidenceAnalysis(models.Model):
    """One answer of the evidence engine for a unit, a range and a selection. The latest done one is shown.

    ``key`` names what was asked of which data under which costs: the same key has the same result.
    """

    key = models.CharField(max_length=64, unique=True)
    unit = models.CharField(max_length=5, choices=EvidenceUnit.choices)
    since = models.DateField(null=True, blank=True)
    selection = models.TextField(
        blank=True, default="", help_text="What it was narrowed to, canonical; empty for everything."
    )
    version = models.PositiveBigIntegerField()
    costs = models.ForeignKey(CostVersion, null=True, on_delete=models.PROTECT, related_name="+")
    job = models.ForeignKey(Job, null=True, on_delete=models.SET_NULL, related_name="+")
    state = models.CharField(max_length=10, choices=CheckState.choices, default=CheckState.WAITING)
    result = models.JSONField(null=True, encoder=DjangoJSONEncoder)
    sentence = models.TextField(blank=True, help_text="Why it could not be computed.")
    asked_at = models.DateTimeField(auto_now_add=True)
    finished_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(state=CheckState.WAITING, finished_at__isnull=True)
                | (Q(state=CheckState.DONE, finished_at__isnull=False, result__isnull=False))
                | (Q(state=CheckState.REFUSED, finished_at__isnull=False) & ~Q(sentence="")),
                name="analysis_state_consistent",
            ),
        ]
        indexes = [
            # The latest of a unit and range.
            models.Index(fields=["unit", "since", "-id"], name="analysis_latest"),
        ]

    def __str__(self) -> str:
        return f"evidence of {self.unit}s, {self.version}"


class NarrowedTrends(models.Model):
    """Counts of the rows of a selection over some days and the days they are compared with.

    ``key`` names what was asked of which data: the same key has the same result.
    """

    key = models.CharField(max_length=64, unique=True)
    unit = models.CharField(max_length=5, choices=EvidenceUnit.choices)
    start = models.DateField()
    end = models.DateField()
    than_start = models.DateField()
    than_end = models.DateField()
    selection = models.TextField(help_text="What it was narrowed to, canonical.")
    version = models.PositiveBigIntegerField()
    job = models.ForeignKey(Job, null=True, on_delete=models.SET_NULL, related_name="+")
    state = models.CharField(max_length=10, choices=CheckState.choices, default=CheckState.WAITING)
    result = models.JSONField(null=True, encoder=DjangoJSONEncoder)
    sentence = models.TextField(blank=True, help_text="Why it could not be counted.")
    asked_at = models.DateTimeField(auto_now_add=True)
    finished_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(state=CheckState.WAITING, finished_at__isnull=True)
                | (Q(state=CheckState.DONE, finished_at__isnull=False, result__isnull=False))
                | (Q(state=CheckState.REFUSED, finished_at__isnull=False) & ~Q(sentence="")),
                name="narrowed_state_consistent",
            ),
            models.CheckConstraint(
                condition=Q(start__lte=F("end"), than_start__lte=F("than_end")),
                name="narrowed_days_in_order",
                violation_error_message="The range ends before it starts.",
            ),
            models.CheckConstraint(
                condition=~Q(selection=""),
                name="narrowed_to_something",
                violation_error_message="Everything is counted in the tally.",
            ),
        ]

    def __str__(self) -> str:
        return f"trends of {self.unit}s, {self.start} to {self.end}, {self.version}"
