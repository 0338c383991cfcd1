"""Seals over the record of changes, made by a task with a key kept outside the database."""

from __future__ import annotations

from django.db import models

from labtrack.audit.models.record import AuditRecord


class AuditSeal(models.Model):
    """A keyed digest over a run of records and over the seal before it."""

    position = models.PositiveBigIntegerField(unique=True, help_text="1, 2, 3 … without gaps.")
    made_at = models.DateTimeField(auto_now_add=True)
    records = models.PositiveIntegerField()
    digest = models.CharField(max_length=64, help_text="HMAC-SHA-256, in hexadecimal.")

    class Meta:
        ordering = ["position"]

    def __str__(self) -> str:
        return f"seal {self.position} over {self.records} records"


class SealedRecord(models.Model):
    """Which seal covers a record. Apart from the record, which nobody may update.

    ``digest`` is the record's own, so that a changed record is named and not only its seal.
    """

    record = models.OneToOneField(
        AuditRecord, primary_key=True, on_delete=models.PROTECT, related_name="sealed"
    )
    seal = models.ForeignKey(AuditSeal, on_delete=models.PROTECT, related_name="+")
    digest = models.CharField(max_length=64, help_text="HMAC-SHA-256 of the record, in hexadecimal.")

    def __str__(self) -> str:
        return f"record {self.record_id} in seal {self.seal_id}"
