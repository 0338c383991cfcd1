"""Inspections and trends for scripts: thin over the services."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.db.models import Q, QuerySet
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import status
from rest_framework.request import Request
from rest_framework.response import Response

from labtrack.accounts.choices import Capability
from labtrack.api.views import KEY, ApiView
from labtrack.errors import NotFound, Refused
from production.models import Part
from qa.api import serializers as shapes
from qa.choices import CheckState, EvidenceUnit, Measure
from qa.evidence_pages.words import without_names
from qa.models import Inspection
from qa.queries.inspections import find_mark, inspections_of
from qa.queries.narrowed import TrendsAsked, narrowed_view
from qa.queries.selection import parse_selection
from qa.queries.tally import DEFAULT_DAYS, Range, TallyView, read_tally
from qa.queries.trend_names import trend_names
from qa.services.analyses import Analysed, analysed
from qa.services.inspections import Look, record_inspections
from qa.services.narrowed_trends import narrowed
from qa.trend_charts import BUILDERS
from qa.trend_charts.trend import Trend


class InspectionListView(ApiView):
    """Inspections, the latest first; POST records one or many."""

    required_scope = Capability.SHOP_READ
    method_scopes = {"POST": Capability.INSPECT}
    serializer_class = shapes.InspectionSerializer

    def get_queryset(self) -> QuerySet[Inspection]:
        return inspections_of(Q())

    @extend_schema(operation_id="inspections_list", parameters=[shapes.InspectionFilterSerializer])
    def get(self, request: Request) -> Response:
        asked = shapes.InspectionFilterSerializer(data=request.query_params)
        asked.is_valid(raise_exception=True)
        wanted = asked.validated_data
        rows = self.get_queryset()
        if "mark" in wanted:
            thing = find_mark(wanted["mark"])
            rows = rows.filter(part=thing) if isinstance(thing, Part) else rows.filter(piece=thing)
        for name in ("step", "verdict"):
            if name in wanted:
                rows = rows.filter(**{name: wanted[name]})
        if "since" in wanted:
            rows = rows.filter(occurred_at__gte=wanted["since"])
        return self.listed(rows)

    @extend_schema(
        operation_id="inspections_create",
        parameters=[KEY],
        request=shapes.NewInspectionSerializer,
        responses={201: shapes.InspectionSerializer(many=True)},
    )
    def post(self, request: Request) -> Response:
        """Record what was seen of parts and pieces at one step; all of it, or nothing."""
        asked = shapes.NewInspectionSerializer(data=request.data)
        asked.is_valid(raise_exception=True)
        wanted = asked.validated_data
        made = record_inspections(
            actor=self.actor,
            key=self.key,
            step=wanted["step"],
            looks=[_look(data) for data in wanted["looks"]],
            occurred_at=wanted.get("occurred_at"),
            method=wanted["method"],
        )
        rows = inspections_of(Q(pk__in=[row.pk for row in made])).order_by("pk")
        return Response(self.get_serializer(rows, many=True).data, status=status.HTTP_201_CREATED)


def _look(data: dict[str, Any]) -> Look:
    thing = find_mark(data["mark"])
    is_part = isinstance(thing, Part)
    return shapes.look_of(data, part_id=thing.pk if is_part else None, piece_id=None if is_part else thing.pk)


class _TrendBase(ApiView):
    required_scope = Capability.TRENDS_READ
    serializer_class = shapes.TrendSerializer

    def answer(self, tell: Callable[[TallyView], Any]) -> Response:
        """What ``tell`` makes of the counts asked for; 202 while a worker still counts a selection."""
        shape = shapes.TrendFilterSerializer(data=self.request.query_params)
        shape.is_valid(raise_exception=True)
        measure, asked = Measure(shape.validated_data["measure"]), _trends_asked(shape.validated_data)
        if asked.selection.is_all:
            return Response(tell(read_tally(unit=asked.unit, measure=measure, days=asked.days)))
        found = narrowed(actor=self.actor, asked=asked)
        coming = found.coming
        if coming is None:
            assert found.counts is not None  # what waits for nothing is counted
            return Response(tell(narrowed_view(asked, measure, found.counts)))
        if coming.state == CheckState.REFUSED:
            raise Refused("not-counted", coming.sentence)
        counting = {"state": coming.state, "progress": coming.job.progress if coming.job else 0.0}
        return Response(shapes.CountingSerializer(counting).data, status=status.HTTP_202_ACCEPTED)


def _trends_asked(wanted: dict[str, Any]) -> TrendsAsked:
    end = wanted.get("end") or timezone.localdate()
    start = wanted.get("start") or Range.last(DEFAULT_DAYS, today=end).start
    unit, days = EvidenceUnit(wanted["unit"]), Range(start, end)
    return TrendsAsked(unit, days, days.before, parse_selection(wanted.get("of", []), unit))


class TrendListView(_TrendBase):
    """Every chart of a range of days, as its numbers."""

    pagination_class = None

    @extend_schema(
        operation_id="trends_list",
        parameters=[shapes.TrendFilterSerializer],
        responses={200: shapes.TrendSerializer(many=True), 202: shapes.CountingSerializer},
    )
    def get(self, request: Request) -> Response:
        names = trend_names()

        def every(view: TallyView) -> Any:
            rows = [_trend_answer(name, build(view, names), view) for name, build in BUILDERS.items()]
            return self.get_serializer(rows, many=True).data

        return self.answer(every)


class TrendView(_TrendBase):
    """One chart of a range of days, as its numbers."""

    @extend_schema(
        operation_id="trends_retrieve",
        parameters=[shapes.TrendFilterSerializer],
        responses={200: shapes.TrendSerializer, 202: shapes.CountingSerializer},
    )
    def get(self, request: Request, name: str) -> Response:
        build = BUILDERS.get(name)
        if build is None:
            raise NotFound(f"There is no such chart. There are: {', '.join(BUILDERS)}.")
        names = trend_names()
        return self.answer(
            lambda view: self.get_serializer(_trend_answer(name, build(view, names), view)).data
        )


def _trend_answer(name: str, trend: Trend, view: TallyView) -> dict[str, Any]:
    return {
        "name": name,
        "title": trend.chart.title,
        "start": view.range.start,
        "end": view.range.end,
        "measure": view.measure,
        "unit": view.unit,
        "n": view.total.n,
        "count": view.total.bad,
        "immature": view.immature,
        "sentence": trend.sentence,
        "method": trend.method,
        "note": trend.chart.note,
        "rows": trend.data,
    }


class EvidenceView(ApiView):
    """What costs good parts, when tanks go bad, and where parts are lost. Computed by a worker."""

    required_scope = Capability.TRENDS_READ
    serializer_class = shapes.EvidenceSerializer

    @extend_schema(operation_id="evidence_retrieve", parameters=[shapes.EvidenceFilterSerializer])
    def get(self, request: Request) -> Response:
        asked = shapes.EvidenceFilterSerializer(data=request.query_params)
        asked.is_valid(raise_exception=True)
        unit = EvidenceUnit(asked.validated_data["unit"])
        found = analysed(
            actor=self.actor,
            unit=unit,
            since=asked.validated_data.get("since"),
            selection=parse_selection(asked.validated_data.get("of", []), unit),
        )
        return Response(self.get_serializer(_evidence_answer(found)).data)


def _evidence_answer(found: Analysed) -> dict[str, Any]:
    coming, job = found.coming, found.coming.job if found.coming else None
    return {
        "state": coming.state if coming else CheckState.DONE,
        "progress": job.progress if job else float(coming is None),
        "sentence": coming.sentence if coming else "",
        "computed_at": found.done.finished_at if found.done else None,
        "up_to_date": coming is None,
        "evidence": without_names(found.result["report"]) if found.result else None,
    }
