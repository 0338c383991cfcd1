"""Make the evidence tables again from the records."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand

from qa.models import EvidenceTally, FormedPieceRow, PrintAttempt
from qa.services.evidence import promote_mature, rebuild_evidence


class Command(BaseCommand):
    help = (
        "Make every evidence row and the whole tally again from the records, in bounded memory and one "
        "transaction. Imported history is kept. The result equals what the changes kept."
    )

    def handle(self, *args: Any, **options: Any) -> None:
        promote_mature()
        verbose = options["verbosity"] > 1
        rebuild_evidence(report=self.stdout.write if verbose else lambda line: None)
        self.stdout.write(
            f"{PrintAttempt.objects.count()} print attempts, {FormedPieceRow.objects.count()} pieces, "
            f"{EvidenceTally.objects.count()} counts."
        )
