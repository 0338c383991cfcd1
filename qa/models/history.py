"""History that was imported from a file: its rows as they were read, kept apart from the lab's record."""

from __future__ import annotations

from django.conf import settings
from django.core.serializers.json import DjangoJSONEncoder
from django.db import models
from django.db.models import Q


class HistoryImport(models.Model):
    """One file. Its rows count from ``published_at`` on; until then nothing of it shows anywhere.

    A file is known again by its digest, so that importing it twice changes nothing.
    """

    digest = models.CharField(max_length=64, help_text="SHA-256 of the file.")
    name = models.CharField(max_length=200)
    rows = models.PositiveIntegerField(default=0)
    notes = models.JSONField(default=list, encoder=DjangoJSONEncoder)
    started_at = models.DateTimeField(auto_now_add=True)
    alive_at = models.DateTimeField(help_text="When its import last wrote; a dead one is cleared away.")
    published_at = models.DateTimeField(null=True, blank=True)
    imported_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.UniqueConstraint(
                fields=["digest"],
                condition=Q(published_at__isnull=False),
                name="history_file_once",
                violation_error_message="This file is already imported.",
            ),
        ]

    def __str__(self) -> str:
        return f"Imported history {self.pk}: {self.name}"


class HistoryRows(models.Model):
    """Consecutive rows of an imported file, by column, as they were read: the source of evidence rows.

    ``columns`` maps each column of the file to one value a row; dates are ISO 8601, several defects of a
    row a list, what was not recorded null, and numbers packed (``qa.history_columns``).
    """

    history = models.ForeignKey(HistoryImport, on_delete=models.CASCADE, related_name="chunks")
    first_row = models.PositiveIntegerField(help_text="As a spreadsheet numbers it; the header is row 1.")
    count = models.PositiveIntegerField()
    columns = models.JSONField(encoder=DjangoJSONEncoder)

    class Meta:
        ordering = ["history_id", "first_row"]
        constraints = [
            models.UniqueConstraint(fields=["history", "first_row"], name="history_rows_once"),
        ]

    def __str__(self) -> str:
        return f"{self.count} rows from {self.first_row} of {self.history}"
