"""Counting changes of the evidence, so that an analysis knows whether it still holds."""

from __future__ import annotations

from django.db.models import F

from qa.models import EvidenceVersion


def evidence_changed() -> None:
    """Count one change, in the transaction that made it. Call last: the row is every writer's."""
    if not EvidenceVersion.objects.filter(pk=1).update(version=F("version") + 1):
        EvidenceVersion.objects.bulk_create([EvidenceVersion(pk=1, version=1)], ignore_conflicts=True)


def evidence_version() -> int:
    """How many changes there were; 0 before the first."""
    return EvidenceVersion.objects.filter(pk=1).values_list("version", flat=True).first() or 0
