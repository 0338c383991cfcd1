"""What is to be built next for planned comparisons."""

from __future__ import annotations

from django.db.models import OuterRef, Subquery

from qa.models import ComparisonRun


def next_runs() -> list[ComparisonRun]:
    """The next run to make of each comparison under way, the oldest comparison first."""
    waiting = ComparisonRun.objects.filter(comparison__closed_at__isnull=True, build__isnull=True)
    first = waiting.filter(comparison=OuterRef("comparison")).order_by("order").values("pk")[:1]
    return list(waiting.filter(pk=Subquery(first)).select_related("comparison").order_by("comparison_id"))
