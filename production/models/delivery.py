"""What left the lab, and what the clinic said of it."""

from __future__ import annotations

from django.conf import settings
from django.db import models

from cases.models import Case
from production.choices import FitResult
from production.models.forming import Piece


class Delivery(models.Model):
    """One parcel of one case. Only released pieces may be in it."""

    number = models.PositiveBigIntegerField(unique=True)
    case = models.ForeignKey(Case, on_delete=models.PROTECT, related_name="deliveries")
    handed_to = models.CharField(max_length=120)
    occurred_at = models.DateTimeField()
    recorded_at = models.DateTimeField(auto_now_add=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["-number"]

    def __str__(self) -> str:
        return self.label

    @property
    def label(self) -> str:
        return f"D-{self.number:05d}"


class DeliveredPiece(models.Model):
    delivery = models.ForeignKey(Delivery, on_delete=models.PROTECT, related_name="delivered")
    piece = models.OneToOneField(Piece, on_delete=models.PROTECT, related_name="delivered")

    def __str__(self) -> str:
        return f"{self.piece} in {self.delivery}"


class FitAnswer(models.Model):
    """What the clinic found in the mouth, and whether anyone was harmed."""

    piece = models.ForeignKey(Piece, on_delete=models.PROTECT, related_name="fit_answers")
    result = models.CharField(max_length=20, choices=FitResult.choices)
    harmed = models.BooleanField("was anyone harmed?")
    note = models.TextField(blank=True)
    occurred_at = models.DateTimeField()
    recorded_at = models.DateTimeField(auto_now_add=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["-occurred_at", "-id"]

    def __str__(self) -> str:
        return f"{self.piece}: {self.get_result_display()}"
