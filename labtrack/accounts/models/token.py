"""Tokens of scripts: only a digest is kept."""

from __future__ import annotations

from django.conf import settings
from django.db import models


class ApiToken(models.Model):
    """A script's key. It acts as its owner, narrowed to ``scopes``, until ``expires_at``."""

    owner = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="tokens")
    name = models.CharField(max_length=80, help_text="What uses it, for example: scanner in room 2.")
    prefix = models.CharField(max_length=12, help_text="First characters, to tell tokens apart.")
    digest = models.CharField(max_length=64, unique=True, help_text="SHA-256 of the token.")
    scopes = models.JSONField(default=list)
    created_at = models.DateTimeField(auto_now_add=True)
    expires_at = models.DateTimeField()
    last_used_at = models.DateTimeField(null=True, blank=True)
    revoked_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-created_at"]
        constraints = [
            models.UniqueConstraint(
                fields=["owner", "name"],
                condition=models.Q(revoked_at=None),
                name="token_name_unique_per_owner",
                violation_error_message="You already have a token of that name.",
            ),
            models.CheckConstraint(
                condition=models.Q(expires_at__gt=models.F("created_at")),
                name="token_expires_after_creation",
                violation_error_message="The expiry must lie in the future.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name} ({self.prefix}…)"
