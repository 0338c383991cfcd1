"""The clinics that send cases, and who belongs to which."""

from __future__ import annotations

from django.conf import settings
from django.db import models

from cases.choices import ToothNotation


class Clinic(models.Model):
    code = models.SlugField(max_length=20, unique=True, help_text="Short word used on labels.")
    name = models.CharField(max_length=120, unique=True)
    tooth_notation = models.CharField(max_length=20, choices=ToothNotation.choices, default=ToothNotation.FDI)
    active = models.BooleanField(default=True)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


class ClinicMembership(models.Model):
    """Clinic staff see the cases of exactly one clinic."""

    user = models.OneToOneField(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="membership")
    clinic = models.ForeignKey(Clinic, on_delete=models.PROTECT, related_name="memberships")

    def __str__(self) -> str:
        return f"{self.user} at {self.clinic}"
