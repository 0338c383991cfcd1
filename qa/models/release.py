"""Release: a gate, a signature, and nothing ever edited."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from cases.models import Case
from production.models import Piece
from qa.choices import SignatureMeaning


class Concession(models.Model):
    """Leave to go on with one piece although one item of the gate is not met."""

    piece = models.ForeignKey(Piece, on_delete=models.PROTECT, related_name="concessions")
    gate_item = models.CharField(max_length=40)
    reason = models.CharField(max_length=300)
    granted_at = models.DateTimeField()
    valid_until = models.DateTimeField()
    granted_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["-granted_at"]
        constraints = [
            models.CheckConstraint(
                condition=Q(valid_until__gt=F("granted_at")),
                name="concession_ends_after_start",
                violation_error_message="The concession must end after it is granted.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.piece}: {self.gate_item}"


class Release(models.Model):
    """A signature over some pieces of one case. Withdrawn by a new record, never edited."""

    number = models.PositiveBigIntegerField(unique=True)
    case = models.ForeignKey(Case, on_delete=models.PROTECT, related_name="releases")
    gate = models.JSONField(help_text="Every item of the gate for every piece, as it stood.")
    meaning = models.CharField(max_length=20, choices=SignatureMeaning.choices)
    signed_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    signed_at = models.DateTimeField()
    recorded_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["-number"]

    def __str__(self) -> str:
        return self.label

    @property
    def label(self) -> str:
        return f"R-{self.number:05d}"


class ReleasedPiece(models.Model):
    """``standing`` is true until the release is withdrawn; a piece stands released once."""

    release = models.ForeignKey(Release, on_delete=models.PROTECT, related_name="released")
    piece = models.ForeignKey(Piece, on_delete=models.PROTECT, related_name="released")
    standing = models.BooleanField(default=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["piece"],
                condition=Q(standing=True),
                name="piece_released_once",
                violation_error_message="This piece is already released.",
            ),
            models.UniqueConstraint(fields=["release", "piece"], name="piece_once_per_release"),
        ]

    def __str__(self) -> str:
        return f"{self.piece} in {self.release}"


class ReleaseWithdrawal(models.Model):
    release = models.OneToOneField(Release, on_delete=models.PROTECT, related_name="withdrawal")
    reason = models.CharField(max_length=300)
    signed_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    signed_at = models.DateTimeField()
    recorded_at = models.DateTimeField(auto_now_add=True)

    def __str__(self) -> str:
        return f"withdrawal of {self.release}"
