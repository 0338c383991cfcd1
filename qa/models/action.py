"""Corrective action: what is done about a suspected cause, and how its effect will be judged."""

from __future__ import annotations

from django.conf import settings
from django.core.serializers.json import DjangoJSONEncoder
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q

from qa.choices import EvidenceUnit


class Action(models.Model):
    """Who does what from when on; what is hoped for and when it is looked at is said beforehand."""

    what = models.CharField("what is done", max_length=200)
    why = models.CharField("why", max_length=500, blank=True)
    unit = models.CharField(max_length=5, choices=EvidenceUnit.choices, default=EvidenceUnit.PART)
    factor = models.CharField(max_length=120, blank=True, help_text="The suspected cause it is about.")
    responsible = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+", verbose_name="who does it"
    )
    starts_on = models.DateField("from when on")
    check_on = models.DateField("when its effect is looked at")
    hoped_per_100 = models.DecimalField(
        "parts saved per 100, at least, to be worth it",
        max_digits=5,
        decimal_places=2,
        validators=[MinValueValidator(0), MaxValueValidator(100)],
    )
    before_days = models.PositiveSmallIntegerField(
        "days before it that it is compared with",
        default=90,
        validators=[MinValueValidator(7), MaxValueValidator(730)],
    )
    opened_at = models.DateTimeField(auto_now_add=True)
    opened_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    closed_at = models.DateTimeField(null=True, blank=True)
    closed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    closing_note = models.CharField(max_length=300, blank=True)
    effect = models.JSONField(
        null=True, encoder=DjangoJSONEncoder, help_text="How its effect was judged when it was closed."
    )

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(check_on__gt=F("starts_on")),
                name="action_checked_after_start",
                violation_error_message="Its effect can be looked at only after it started.",
            ),
            models.CheckConstraint(
                condition=Q(hoped_per_100__gt=0),
                name="action_hopes_for_something",
                violation_error_message="Say how many parts per 100 it should save, above zero.",
            ),
            models.CheckConstraint(
                condition=Q(closed_at__isnull=True, closed_by__isnull=True)
                | Q(closed_at__isnull=False, closed_by__isnull=False),
                name="action_closed_by_somebody",
            ),
        ]
        indexes = [
            # What is open, by when it is looked at.
            models.Index(fields=["check_on"], condition=Q(closed_at__isnull=True), name="action_open"),
        ]

    def __str__(self) -> str:
        return f"Action {self.pk}: {self.what}"
