"""What was submitted, so that the same submission twice changes nothing."""

from __future__ import annotations

from django.conf import settings
from django.db import models


class Submission(models.Model):
    """One idempotency key of one person, and the thing that the submission made."""

    actor = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    key = models.CharField(max_length=100)
    use_case = models.CharField(max_length=60)
    payload_digest = models.CharField(max_length=64)
    recorded_at = models.DateTimeField(auto_now_add=True)
    result_type = models.CharField(max_length=60, blank=True)
    result_id = models.BigIntegerField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["actor", "key"], name="submission_key_unique_per_person"),
        ]

    def __str__(self) -> str:
        return f"{self.use_case} {self.key}"
