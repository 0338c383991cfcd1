"""Baselines of charts over time: frozen on purpose, so that a change shows against how it was."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from qa.choices import EvidenceUnit, Measure


class FrozenBaseline(models.Model):
    """The days whose average and spread a chart is held against, until they are let go or replaced."""

    unit = models.CharField(max_length=5, choices=EvidenceUnit.choices)
    measure = models.CharField(max_length=20, choices=Measure.choices)
    start = models.DateField("from")
    end = models.DateField("to")
    note = models.CharField("why these days", max_length=200)
    frozen_at = models.DateTimeField(auto_now_add=True)
    frozen_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    ended_at = models.DateTimeField(null=True, blank=True)
    ended_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.UniqueConstraint(
                fields=["unit", "measure"],
                condition=Q(ended_at__isnull=True),
                name="baseline_one_in_force",
                violation_error_message="Another baseline is in force. Let it go first.",
            ),
            models.CheckConstraint(
                condition=Q(end__gte=F("start")),
                name="baseline_ends_after_start",
                violation_error_message="The range ends before it starts.",
            ),
        ]

    def __str__(self) -> str:
        return f"Baseline of {self.measure}, {self.start} to {self.end}"
