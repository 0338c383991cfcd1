"""Studies of measuring devices, and planned comparisons of two ways of making."""

from __future__ import annotations

from django.conf import settings
from django.core.serializers.json import DjangoJSONEncoder
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q

from production.models import Build, Equipment
from qa.choices import AgreementKind, ComparisonKind


class DeviceStudy(models.Model):
    """A crossed gauge study: every part measured by every appraiser in every trial, in a drawn order.

    ``values`` is a list by part of lists by appraiser of one value a trial, in mm; empty until entered.
    """

    device = models.ForeignKey(Equipment, on_delete=models.PROTECT, related_name="studies")
    characteristic = models.CharField("what is measured", max_length=80)
    parts = models.PositiveSmallIntegerField(
        default=10, validators=[MinValueValidator(2), MaxValueValidator(30)]
    )
    appraisers = models.PositiveSmallIntegerField(
        "people", default=3, validators=[MinValueValidator(1), MaxValueValidator(6)]
    )
    trials = models.PositiveSmallIntegerField(
        "times each", default=3, validators=[MinValueValidator(2), MaxValueValidator(5)]
    )
    seed = models.PositiveIntegerField(help_text="Of the drawn order.")
    planned_at = models.DateTimeField(auto_now_add=True)
    planned_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    values = models.JSONField(default=list, encoder=DjangoJSONEncoder)
    bias_mm = models.FloatField(
        "known offset from a reference in mm", default=0, help_text="Measured less true, where it is known."
    )
    result = models.JSONField(null=True, encoder=DjangoJSONEncoder)
    judged_at = models.DateTimeField(null=True, blank=True)
    judged_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(judged_at__isnull=True, result__isnull=True)
                | Q(judged_at__isnull=False, result__isnull=False),
                name="device_study_judged_with_result",
            ),
            models.CheckConstraint(
                condition=Q(parts__gte=2, trials__gte=2, appraisers__gte=1),
                name="device_study_can_be_judged",
                violation_error_message="A study needs two parts and two trials at least.",
            ),
        ]

    def __str__(self) -> str:
        return f"Study {self.pk} of {self.device}"


class AgreementStudy(models.Model):
    """Whether two methods measure the same, or two people grade the same. Never edited."""

    kind = models.CharField(max_length=10, choices=AgreementKind.choices)
    title = models.CharField("what is compared", max_length=120)
    first = models.CharField("first method or person", max_length=60)
    second = models.CharField("second method or person", max_length=60)
    pairs = models.JSONField(encoder=DjangoJSONEncoder, help_text="One pair for each item.")
    result = models.JSONField(encoder=DjangoJSONEncoder)
    judged_at = models.DateTimeField(auto_now_add=True)
    judged_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["-id"]

    def __str__(self) -> str:
        return f"Agreement {self.pk}: {self.title}"


class PlannedComparison(models.Model):
    """Is the new way as good as the one it is held against? The margin is stated beforehand."""

    title = models.CharField("the question", max_length=160)
    kind = models.CharField("what is judged", max_length=10, choices=ComparisonKind.choices)
    arm_a = models.CharField("the new way", max_length=80)
    arm_b = models.CharField("held against", max_length=80)
    how = models.CharField("how each is made, so that somebody else can", max_length=500, blank=True)
    margin = models.FloatField("how much worse may be accepted")
    blocks = models.PositiveSmallIntegerField(validators=[MinValueValidator(1), MaxValueValidator(60)])
    per_block = models.PositiveSmallIntegerField(
        "builds of each way in a block", default=1, validators=[MinValueValidator(1), MaxValueValidator(10)]
    )
    seed = models.PositiveIntegerField(help_text="Of the drawn order.")
    planned_at = models.DateTimeField(auto_now_add=True)
    planned_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    verdict = models.JSONField(null=True, encoder=DjangoJSONEncoder, help_text="As it stood when closed.")
    closing_note = models.CharField(max_length=300, blank=True)
    closed_at = models.DateTimeField(null=True, blank=True)
    closed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(margin__gt=0),
                name="comparison_margin_stated",
                violation_error_message="State a margin above zero beforehand.",
            ),
            models.CheckConstraint(
                condition=~Q(arm_a=F("arm_b")),
                name="comparison_of_two_ways",
                violation_error_message="Name the two ways, each by its own name.",
            ),
            models.CheckConstraint(
                condition=Q(closed_at__isnull=True, closed_by__isnull=True)
                | Q(closed_at__isnull=False, closed_by__isnull=False, verdict__isnull=False),
                name="comparison_closed_with_verdict",
            ),
        ]

    def __str__(self) -> str:
        return f"Comparison {self.pk}: {self.title}"


class ComparisonRun(models.Model):
    """One place in the drawn order, the way it gets, and the build that was made for it."""

    comparison = models.ForeignKey(PlannedComparison, on_delete=models.CASCADE, related_name="runs")
    order = models.PositiveSmallIntegerField()
    block = models.PositiveSmallIntegerField()
    is_a = models.BooleanField()
    build = models.ForeignKey(
        Build, null=True, blank=True, on_delete=models.PROTECT, related_name="comparison_runs"
    )
    values = models.JSONField(
        default=list, encoder=DjangoJSONEncoder, help_text="What was measured on its parts."
    )
    made_at = models.DateTimeField(null=True, blank=True)
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )

    class Meta:
        ordering = ["comparison_id", "order"]
        constraints = [
            models.UniqueConstraint(fields=["comparison", "order"], name="comparison_run_once"),
            models.UniqueConstraint(
                fields=["comparison", "build"],
                condition=Q(build__isnull=False),
                name="comparison_build_once",
                violation_error_message="This build is already a run of this comparison.",
            ),
            models.CheckConstraint(
                condition=Q(build__isnull=True, made_at__isnull=True, made_by__isnull=True)
                | Q(build__isnull=False, made_at__isnull=False, made_by__isnull=False),
                name="comparison_run_made_by_somebody",
                violation_error_message="A run that was made has its build, its moment and its person.",
            ),
        ]

    def __str__(self) -> str:
        return f"Run {self.order} of {self.comparison}"

    @property
    def arm(self) -> str:
        return self.comparison.arm_a if self.is_a else self.comparison.arm_b
