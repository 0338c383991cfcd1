"""Builds, parts and equipment events for scripts beside printers and tanks: thin over the services."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from labtrack.accounts.choices import Capability
from labtrack.api.views import KEY, ApiView, made_status
from labtrack.audit.services.submissions import part_key
from labtrack.errors import NotFound, Refused
from labtrack.usecase import use_case
from labtrack.whole_numbers import LARGEST, whole_number
from production.api import serializers as shapes
from production.choices import EquipmentKind
from production.links import read_mark
from production.models import Build, Equipment, EquipmentEvent, Part
from production.services.builds import (
    NO_BUILD,
    PlannedPart,
    fail_build,
    finish_build,
    plan_build,
    start_build,
)
from production.services.equipment import record_event
from production.services.outcomes import PartResult


def builds() -> QuerySet[Build]:
    return (
        Build.objects.select_related(
            "printer__equipment", "tank__equipment", "filament_lot__material", "operator"
        )
        .prefetch_related("parts__appliance__case", "parts__build")
        .order_by("-number")
    )


def _build(number: int) -> Build:
    build = builds().filter(number=number).first() if 0 < number <= LARGEST else None
    if build is None:
        raise NotFound(NO_BUILD)
    return build


def _coded(code: str, *, field: str, kind: str) -> int:
    """The id of the machine of that code and kind; ``Refused`` at its field."""
    found = Equipment.objects.filter(code=code, kind=kind).values_list("pk", flat=True).first()
    if found is None:
        label = EquipmentKind(kind).label.lower()
        raise Refused("code-unknown", f"There is no {label} with the code “{code[:20]}”.", field=field)
    return found


class BuildListView(ApiView):
    """Builds, newest first."""

    required_scope = Capability.SHOP_READ
    method_scopes = {"POST": Capability.SHOP_WRITE}
    serializer_class = shapes.BuildSerializer

    @extend_schema(operation_id="builds_list", parameters=[shapes.BuildFilterSerializer])
    def get(self, request: Request) -> Response:
        asked = shapes.BuildFilterSerializer(data=request.query_params)
        asked.is_valid(raise_exception=True)
        rows = builds()
        if "state" in asked.validated_data:
            rows = rows.filter(state=asked.validated_data["state"])
        if "printer" in asked.validated_data:
            rows = rows.filter(printer__equipment__code=asked.validated_data["printer"])
        return self.listed(rows)

    @extend_schema(
        operation_id="builds_create",
        parameters=[KEY],
        request=shapes.NewBuildSerializer,
        responses={200: shapes.BuildSerializer, 201: shapes.BuildSerializer},
    )
    def post(self, request: Request) -> Response:
        """Plan a build of prepared designs, and start it when asked."""
        asked = shapes.NewBuildSerializer(data=request.data)
        asked.is_valid(raise_exception=True)
        wanted = asked.validated_data
        actor, key = self.actor, self.key
        actor.require(Capability.SHOP_WRITE)
        printer_id = _coded(wanted["printer"], field="printer", kind=EquipmentKind.PRINTER)
        tank_id = _coded(wanted["tank"], field="tank", kind=EquipmentKind.TANK) if wanted["tank"] else None
        with use_case():
            outcome = plan_build(
                actor=actor,
                key=part_key(key, "plan"),
                printer_id=printer_id,
                tank_id=tank_id,
                filament_lot_id=wanted["filament_lot_id"],
                parts=[PlannedPart(**part) for part in wanted["parts"]],
                occurred_at=wanted["occurred_at"],
            )
            if wanted["start"]:
                start_build(
                    actor=actor,
                    key=part_key(key, "start"),
                    build_id=outcome.thing.pk,
                    started_at=wanted["occurred_at"],
                )
        return Response(
            self.get_serializer(_build(outcome.thing.number)).data, status=made_status(outcome.repeated)
        )


class BuildView(ApiView):
    """One build with its parts."""

    required_scope = Capability.SHOP_READ
    serializer_class = shapes.BuildSerializer

    @extend_schema(operation_id="builds_retrieve")
    def get(self, request: Request, number: int) -> Response:
        return Response(self.get_serializer(_build(number)).data)


class BuildStartView(ApiView):
    """A planned build starts."""

    required_scope = Capability.SHOP_WRITE
    serializer_class = shapes.BuildSerializer

    @extend_schema(
        operation_id="builds_start",
        parameters=[KEY],
        request=shapes.BuildStartSerializer,
        responses={200: shapes.BuildSerializer},
    )
    def post(self, request: Request, number: int) -> Response:
        """Start it; printer and tank are judged as they are now."""
        asked = shapes.BuildStartSerializer(data=request.data)
        asked.is_valid(raise_exception=True)
        build = _build(number)
        start_build(actor=self.actor, key=self.key, build_id=build.pk, **asked.validated_data)
        return Response(self.get_serializer(_build(number)).data)


class BuildEndView(ApiView):
    """A running build ends, well or not."""

    required_scope = Capability.SHOP_WRITE
    serializer_class = shapes.BuildSerializer

    @extend_schema(
        operation_id="builds_end",
        parameters=[KEY],
        request=shapes.BuildEndSerializer,
        responses={200: shapes.BuildSerializer},
    )
    def post(self, request: Request, number: int) -> Response:
        """Record the end with the outcome of its parts."""
        asked = shapes.BuildEndSerializer(data=request.data)
        asked.is_valid(raise_exception=True)
        wanted = dict(asked.validated_data)
        build = _build(number)
        results = _results(build, wanted.pop("outcomes"))
        failure = wanted.pop("failure")
        shared: dict[str, Any] = {
            "actor": self.actor,
            "key": self.key,
            "build_id": build.pk,
            "outcomes": results,
        }
        if failure:
            fail_build(failure=failure, **shared, **wanted)
        else:
            finish_build(**shared, **wanted)
        return Response(self.get_serializer(_build(number)).data)


def _results(build: Build, outcomes: list[dict[str, Any]]) -> list[PartResult]:
    ids = dict(build.parts.values_list("number", "pk"))
    results = []
    for said in outcomes:
        if said["part"] not in ids:
            raise Refused(
                "part-not-in-build", f"Part {said['part']} is not in {build.label}.", field="outcomes"
            )
        results.append(PartResult(ids[said["part"]], said["outcome"], said["reason"]))
    return results


class PartView(ApiView):
    """One part, by its mark (P-000123) or its number."""

    required_scope = Capability.SHOP_READ
    serializer_class = shapes.PartSerializer

    @extend_schema(operation_id="parts_retrieve")
    def get(self, request: Request, mark: str) -> Response:
        read = read_mark(mark)
        number = read[1] if read is not None and read[0] == "P" else whole_number(mark)
        parts = Part.objects.select_related("build", "appliance__case")
        part = parts.filter(number=number).first() if number is not None else None
        if part is None:
            raise NotFound("There is no part of that mark.")
        return Response(self.get_serializer(part).data)


class EquipmentListView(ApiView):
    """Equipment, retired ones included."""

    required_scope = Capability.SHOP_READ
    serializer_class = shapes.EquipmentSerializer

    @extend_schema(operation_id="equipment_list")
    def get(self, request: Request) -> Response:
        return self.listed(Equipment.objects.order_by("kind", "code"))


class EventListView(ApiView):
    """What was done to one machine, tank or device, newest first."""

    required_scope = Capability.SHOP_READ
    method_scopes = {"POST": Capability.SHOP_WRITE}
    serializer_class = shapes.EventSerializer

    @extend_schema(operation_id="equipment_events_list")
    def get(self, request: Request, code: str) -> Response:
        return self.listed(_events().filter(equipment=_equipment(code)))

    @extend_schema(
        operation_id="equipment_events_create",
        parameters=[KEY],
        request=shapes.NewEventSerializer,
        responses={200: shapes.EventSerializer, 201: shapes.EventSerializer},
    )
    def post(self, request: Request, code: str) -> Response:
        """Record an event, for example a tank's top-up from a scale."""
        asked = shapes.NewEventSerializer(data=request.data)
        asked.is_valid(raise_exception=True)
        wanted = dict(asked.validated_data)
        moved_to = wanted.pop("moved_to")
        printer_id = _coded(moved_to, field="moved_to", kind=EquipmentKind.PRINTER) if moved_to else None
        outcome = record_event(
            actor=self.actor,
            key=self.key,
            equipment_id=_equipment(code).pk,
            moved_to_id=printer_id,
            **wanted,
        )
        return Response(
            self.get_serializer(_events().get(pk=outcome.thing.pk)).data, status=made_status(outcome.repeated)
        )


def _events() -> QuerySet[EquipmentEvent]:
    return EquipmentEvent.objects.select_related("equipment", "by", "moved_to__equipment").order_by(
        "-occurred_at", "-pk"
    )


def _equipment(code: str) -> Equipment:
    found = Equipment.objects.filter(code=code).first()
    if found is None:
        raise NotFound("There is no equipment of that code.")
    return found
