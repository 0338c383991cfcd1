"""Levels that records may be chosen by: read from the rows by a worker, and offered from what it kept."""

from __future__ import annotations

from django.db.models import Max, Sum

from qa.choices import STEP_AXIS, CheckState, EvidenceUnit
from qa.models import EvidenceAnalysis, EvidenceTally
from qa.queries.published import counts
from qa.queries.selection import FACTORS, PIECE_FACTORS, factors_of, model_of

MOST_OFFERED = 200  # of one factor, those used last


def used_levels(unit: EvidenceUnit) -> dict[str, list[str]]:
    """Levels of each factor and step in the records, at most ``MOST_OFFERED``. Reads every row."""
    found: dict[str, list[str]] = {}
    rows = model_of(unit).objects.filter(counts()).order_by()
    for factor in (*FACTORS, *(PIECE_FACTORS if unit == EvidenceUnit.PIECE else ())):
        used = rows.exclude(**{factor: ""}).values(factor).annotate(last=Max("day")).order_by("-last", factor)
        if levels := sorted(used.values_list(factor, flat=True)[:MOST_OFFERED]):
            found[factor] = levels
    cells = EvidenceTally.objects.filter(counts(), unit=unit, axis__startswith=STEP_AXIS)
    answers = cells.values("axis", "level").annotate(n=Sum("parts")).filter(n__gt=0)
    for axis, level in answers.order_by("axis", "level").values_list("axis", "level"):
        found.setdefault(axis, []).append(level)
    return found


def known_levels(unit: EvidenceUnit) -> dict[str, list[str]]:
    """What the latest analysis of the unit found to choose from; empty before there is one."""
    latest = EvidenceAnalysis.objects.filter(unit=unit, state=CheckState.DONE).order_by("-id")
    kept = latest.values_list("result__levels", flat=True).first() or {}
    may = factors_of(unit)
    return {factor: kept[factor] for factor in kept if factor in may or factor.startswith(STEP_AXIS)}
