"""How worn baths and lamps were at the start of runs: many runs at once, as ``ages`` says for one."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta

from django.db.models import Count, DurationField, ExpressionWrapper, F, OuterRef, Subquery, Sum
from django.db.models.functions import Coalesce

from labtrack.statements import Statement
from production.choices import EventKind, Step
from production.models import EquipmentEvent, TreatedPart, TreatmentRun


def _last_event(kind: str) -> Subquery:
    events = EquipmentEvent.objects.filter(
        equipment=OuterRef("equipment"), kind=kind, occurred_at__lte=OuterRef("started_at")
    )
    return Subquery(events.order_by("-occurred_at", "-id").values("occurred_at")[:1])


_WASHED_BEFORE = (
    TreatedPart.objects.filter(
        run__equipment=OuterRef("equipment"),
        run__started_at__gte=OuterRef("since"),
        run__started_at__lt=OuterRef("started_at"),
    )
    .order_by()
    .values("run__equipment")
    .annotate(count=Count("pk"))
    .values("count")
)
_CURED_BEFORE = (
    TreatmentRun.objects.filter(
        equipment=OuterRef("equipment"),
        step=Step.CURE,
        started_at__gte=OuterRef("since"),
        started_at__lt=OuterRef("started_at"),
    )
    .order_by()
    .values("equipment")
    .annotate(
        length=Sum(
            ExpressionWrapper(F("finished_at") - F("started_at"), output_field=DurationField()),
            output_field=DurationField(),
        )
    )
    .values("length")
)
_BATHS = Statement(
    lambda ids: (
        TreatmentRun.objects.filter(pk__in=ids)
        .order_by()
        .annotate(since=_last_event(EventKind.FILLED))
        .annotate(parts_before=Subquery(_WASHED_BEFORE))
        .values_list("pk", "since", "parts_before")
    )
)
_LAMPS = Statement(
    lambda ids: (
        TreatmentRun.objects.filter(pk__in=ids)
        .order_by()
        .annotate(since=Coalesce(_last_event(EventKind.LAMP_CHANGED), F("equipment__in_service_from")))
        .annotate(length=Subquery(_CURED_BEFORE, output_field=DurationField()))
        .values_list("pk", "since", "length")
    )
)


def bath_parts_before(run_ids: Iterable[int]) -> dict[int, int]:
    """Parts through the bath since it was filled, before each wash; a bath never filled has no age."""
    return {pk: parts or 0 for pk, since, parts in _BATHS.rows(run_ids) if since is not None}


def lamp_hours_before(run_ids: Iterable[int]) -> dict[int, float]:
    """Hours of the lamp at the start of each cure."""
    return {
        pk: round((length or timedelta()).total_seconds() / 3600, 3)
        for pk, since, length in _LAMPS.rows(run_ids)
        if since is not None
    }
