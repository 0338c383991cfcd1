"""The record of changes: append-only, by database triggers (see the app's second migration)."""

from __future__ import annotations

from django.conf import settings
from django.core.serializers.json import DjangoJSONEncoder
from django.db import models


class AuditRecord(models.Model):
    """One change of one thing, with the whole of it before and after."""

    recorded_at = models.DateTimeField(auto_now_add=True)
    actor = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+")
    via = models.CharField(max_length=20, help_text="page, api or command")
    action = models.CharField(max_length=60, help_text="What was done, for example: case.logged")
    subject_type = models.CharField(max_length=60, help_text="app_label.model")
    subject_id = models.BigIntegerField()
    subject_label = models.CharField(max_length=200)
    before = models.JSONField(null=True, encoder=DjangoJSONEncoder)
    after = models.JSONField(null=True, encoder=DjangoJSONEncoder)
    reason = models.TextField(blank=True)

    class Meta:
        ordering = ["-id"]
        indexes = [
            # The history panel of one thing.
            models.Index(fields=["subject_type", "subject_id", "-id"], name="audit_by_subject"),
        ]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(before__isnull=False) | models.Q(after__isnull=False),
                name="audit_has_before_or_after",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.action} {self.subject_label}"
