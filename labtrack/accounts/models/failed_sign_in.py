"""Failed sign-ins, kept for as long as they slow the next try."""

from __future__ import annotations

from django.db import models


class FailedSignIn(models.Model):
    """One wrong password or badge. ``subject`` is the name that was tried, in lower case."""

    subject = models.CharField(max_length=80)
    address = models.CharField(max_length=64)
    at = models.DateTimeField(auto_now_add=True)

    class Meta:
        indexes = [
            # The limits: recent failures of one name, and of one address.
            models.Index(fields=["subject", "at"], name="failed_by_subject"),
            models.Index(fields=["address", "at"], name="failed_by_address"),
        ]

    def __str__(self) -> str:
        return f"{self.subject} from {self.address}"
