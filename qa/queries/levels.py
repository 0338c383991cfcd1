"""Levels that records may be chosen by: read from the rows by a worker, and offered from what it kept."""

from __future__ import annotations

from django.db.models import Max, Q, Sum

from qa.choices import STEP_AXIS, CheckState, EvidenceUnit
from qa.models import EvidenceAnalysis, EvidenceTally
from qa.queries.published import counts
from qa.queries.range import Range
from qa.queries.selection import FACTORS, PIECE_FACTORS, STANDING_AXES, factors_of, is_standing, model_of
from qa.queries.tally import TallyView

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


def offered_by(view: TallyView) -> dict[str, list[str]]:
    """The same as ``standing_levels``, of a view of everything that is read already."""
    return {axis: sorted(view.axis(axis)) for axis in view.levels if is_standing(axis)}


def standing_levels(unit: EvidenceUnit, days: Range) -> dict[str, list[str]]:
    """Printers, materials, tanks and answers of steps in these days, from the tally."""
    cells = EvidenceTally.objects.filter(
        counts(),
        Q(axis__in=STANDING_AXES) | Q(axis__startswith=STEP_AXIS),
        unit=unit,
        day__gte=days.start,
        day__lte=days.end,
        parts__gt=0,
    )
    found: dict[str, list[str]] = {}
    for axis, level in cells.order_by("axis", "level").values_list("axis", "level").distinct():
        found.setdefault(axis, []).append(level)
    return found


def known_levels(unit: EvidenceUnit) -> dict[str, list[str]]:
    """What the latest analysis of the unit found to choose from; empty before there is one."""
    latest = EvidenceAnalysis.objects.filter(unit=unit, state=CheckState.DONE).order_by("-id")
    kept = latest.values_list("result__levels", flat=True).first() or {}
    may = factors_of(unit)
    return {factor: kept[factor] for factor in kept if factor in may or factor.startswith(STEP_AXIS)}
