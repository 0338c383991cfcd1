"""Clinics, cases, appliances and meshes for scripts: thin over the services."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from django.db.models import QuerySet
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, OpenApiResponse, extend_schema
from rest_framework.exceptions import APIException
from rest_framework.parsers import MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from cases.api import serializers as shapes
from cases.api.digests import stated_digest
from cases.choices import MeshOrigin
from cases.models import IN_USE, Appliance, Case, Clinic, MeshUse
from cases.queries import (
    case_for,
    case_list,
    case_number,
    clinic_of,
    mesh_for,
    visible_appliances,
    visible_cases,
    visible_clinics,
    visible_meshes,
    with_state,
)
from cases.services.file_store import Received, received
from cases.services.log_case import log_case
from cases.services.meshes import attach_mesh, check_unit
from cases.services.order import LineOrder, add_order_line
from cases.uploads import (
    FORM_OVERHEAD_BYTES,
    drain,
    mesh_limit,
    prepare_form_upload,
    received_from_form,
    refuse_large_body,
    stated_length,
)
from labtrack.accounts.choices import Capability
from labtrack.api.parsers import BoundedJsonParser
from labtrack.api.views import KEY, ApiView, made_status
from labtrack.audit.services.submissions import Outcome
from labtrack.errors import DomainError, NotFound, Refused

DIGEST = OpenApiParameter(
    "Content-Digest",
    str,
    OpenApiParameter.HEADER,
    description="RFC 9530: sha-256=:base64:. Repr-Digest is read too. 422 when it does not match.",
)


class ClinicListView(ApiView):
    """Clinics that the token's owner sees."""

    required_scope = Capability.CASES_READ
    serializer_class = shapes.ClinicSerializer

    def get_queryset(self) -> QuerySet[Clinic]:
        return visible_clinics(self.actor)

    @extend_schema(operation_id="clinics_list")
    def get(self, request: Request) -> Response:
        return self.listed(self.get_queryset())


class ClinicView(ApiView):
    """One clinic, by its code."""

    required_scope = Capability.CASES_READ
    serializer_class = shapes.ClinicSerializer

    @extend_schema(operation_id="clinics_retrieve")
    def get(self, request: Request, code: str) -> Response:
        clinic = visible_clinics(self.actor).filter(code=code).first()
        if clinic is None:
            raise NotFound("There is no such clinic.")
        return Response(self.get_serializer(clinic).data)


class CaseListView(ApiView):
    """Cases: those that need somebody first come first."""

    required_scope = Capability.CASES_READ
    method_scopes = {"POST": Capability.CASES_WRITE}
    serializer_class = shapes.CaseSerializer

    @extend_schema(operation_id="cases_list", parameters=[shapes.CaseFilterSerializer])
    def get(self, request: Request) -> Response:
        asked = shapes.CaseFilterSerializer(data=request.query_params)
        asked.is_valid(raise_exception=True)
        wanted = asked.validated_data
        cases = case_list(
            self.actor,
            text=wanted.get("search", ""),
            state=wanted.get("state", ""),
            due_until=wanted.get("due_until"),
        )
        if "clinic" in wanted:
            cases = cases.filter(clinic__code=wanted["clinic"])
        if "clinic_reference" in wanted:
            cases = cases.filter(clinic_reference=wanted["clinic_reference"])
        if "number" in wanted:
            number = case_number(wanted["number"])
            cases = cases.filter(number=number) if number is not None else cases.none()
        return self.listed(cases)

    @extend_schema(
        operation_id="cases_create",
        parameters=[KEY],
        request=shapes.NewCaseSerializer,
        responses={200: shapes.CaseSerializer, 201: shapes.CaseSerializer},
    )
    def post(self, request: Request) -> Response:
        """Log a case with its order."""
        asked = shapes.NewCaseSerializer(data=request.data)
        asked.is_valid(raise_exception=True)
        wanted = dict(asked.validated_data)
        clinic = self._clinic(wanted.pop("clinic", ""))
        lines = [LineOrder(**line) for line in wanted.pop("lines")]
        outcome = log_case(actor=self.actor, key=self.key, clinic_id=clinic.pk, lines=lines, **wanted)
        stated = with_state(visible_cases(self.actor).select_related("clinic")).get(pk=outcome.thing.pk)
        return Response(self.get_serializer(stated).data, status=made_status(outcome.repeated))

    def _clinic(self, code: str) -> Clinic:
        clinic = visible_clinics(self.actor).filter(code=code).first() if code else clinic_of(self.actor)
        if clinic is None:
            if code:
                raise NotFound("There is no such clinic.")
            raise Refused("clinic-missing", "Say which clinic the case is from.", field="clinic")
        return clinic


class CaseView(ApiView):
    """One case, by its number."""

    required_scope = Capability.CASES_READ
    serializer_class = shapes.CaseSerializer

    @extend_schema(operation_id="cases_retrieve")
    def get(self, request: Request, number: int) -> Response:
        case = case_for(self.actor, number)
        stated = with_state(visible_cases(self.actor).select_related("clinic")).get(pk=case.pk)
        return Response(self.get_serializer(stated).data)


class ApplianceListView(ApiView):
    """The appliances of a case; POST orders more."""

    required_scope = Capability.CASES_READ
    method_scopes = {"POST": Capability.CASES_WRITE}
    serializer_class = shapes.ApplianceSerializer

    @extend_schema(operation_id="cases_appliances_list")
    def get(self, request: Request, number: int) -> Response:
        case = case_for(self.actor, number)
        return self.listed(_appliances(self, case))

    @extend_schema(
        operation_id="cases_appliances_create",
        parameters=[KEY],
        request=shapes.LineOrderSerializer,
        responses={200: shapes.OrderedSerializer, 201: shapes.OrderedSerializer},
    )
    def post(self, request: Request, number: int) -> Response:
        """Order one more line: a whole aligner series, or one thing per arch."""
        case = case_for(self.actor, number)
        asked = shapes.LineOrderSerializer(data=request.data)
        asked.is_valid(raise_exception=True)
        outcome = add_order_line(actor=self.actor, key=self.key, case_number=case.number, line=asked.line())
        answer = {
            "line": outcome.thing,
            "appliances": _appliances(self, case).filter(line=outcome.thing),
        }
        return Response(shapes.OrderedSerializer(answer).data, status=made_status(outcome.repeated))


class MeshListView(ApiView):
    """The meshes of a case; POST attaches one."""

    required_scope = Capability.CASES_READ
    method_scopes = {"POST": Capability.CASES_WRITE}
    serializer_class = shapes.MeshSerializer
    parser_classes = (BoundedJsonParser, MultiPartParser)

    @extend_schema(operation_id="cases_meshes_list", parameters=[shapes.MeshFilterSerializer])
    def get(self, request: Request, number: int) -> Response:
        case = case_for(self.actor, number)
        asked = shapes.MeshFilterSerializer(data=request.query_params)
        asked.is_valid(raise_exception=True)
        meshes = visible_meshes(self.actor).filter(case=case).order_by("pk")
        if asked.validated_data["current"]:
            meshes = meshes.filter(IN_USE)
        if "role" in asked.validated_data:
            meshes = meshes.filter(role=asked.validated_data["role"])
        if "sha256" in asked.validated_data:
            meshes = meshes.filter(blob__sha256=asked.validated_data["sha256"].lower())
        return self.listed(meshes)

    @extend_schema(
        operation_id="cases_meshes_create",
        parameters=[
            KEY,
            DIGEST,
            *(
                OpenApiParameter(name, kind, OpenApiParameter.QUERY, description=description)
                for name, kind, description in (
                    ("role", str, "For a raw body: what the file is."),
                    ("unit", str, "For a raw body: mm, cm, m or inch."),
                    ("appliance", int, "For a raw body: id of the appliance."),
                    ("name", str, "For a raw body: the file's own name."),
                    ("occurred_at", OpenApiTypes.DATETIME, "For a raw body: when it was scanned."),
                )
            ),
        ],
        request={
            "application/octet-stream": OpenApiTypes.BINARY,
            "multipart/form-data": shapes.MeshUploadSerializer,
        },
        responses={
            200: OpenApiResponse(shapes.MeshSerializer, "It was attached before; nothing changed."),
            201: shapes.MeshSerializer,
            411: OpenApiResponse(description="The body came without its length."),
            413: OpenApiResponse(description="The file is larger than 200,000,000 bytes."),
        },
    )
    def post(self, request: Request, number: int) -> Response:
        """Attach a mesh: the file as the body (facts in the address), or a multipart form.

        The same key, or the same file in the same role for the same appliance, answers 200 with what
        was made the first time.
        """
        try:
            outcome = self._attach(request, number)
        except (DomainError, APIException):
            drain(request._request)
            raise
        mesh = mesh_for(self.actor, outcome.thing.pk)
        return Response(self.get_serializer(mesh).data, status=made_status(outcome.repeated))

    def _attach(self, request: Request, number: int) -> Outcome[MeshUse]:
        case = case_for(self.actor, number)
        digest = stated_digest(request)
        multipart = (request.content_type or "").startswith("multipart/")
        with self._from_form(request) if multipart else self._from_body(request) as (source, facts, sha256):
            if digest and sha256 and digest != sha256.lower():
                raise Refused("digest-ambiguous", "Header and form state different digests.", field="sha256")
            return attach_mesh(
                actor=self.actor,
                key=self.key,
                case_number=case.number,
                role=facts["role"],
                unit=facts["unit"],
                appliance_id=facts.get("appliance"),
                source=source,
                original_name=facts["name"],
                origin=MeshOrigin.API,
                stated_sha256=sha256 or digest,
                occurred_at=facts["occurred_at"],
            )

    @contextmanager
    def _from_body(self, request: Request) -> Iterator[tuple[Received, dict[str, Any], str]]:
        facts = _facts(request.query_params)
        http = request._request
        refuse_large_body(http, limit_bytes=mesh_limit())
        with received(http.read, limit_bytes=mesh_limit(), stated_bytes=stated_length(http)) as source:
            yield source, facts, ""

    @contextmanager
    def _from_form(self, request: Request) -> Iterator[tuple[Received, dict[str, Any], str]]:
        http = request._request
        refuse_large_body(http, limit_bytes=mesh_limit(), allowance_bytes=FORM_OVERHEAD_BYTES)
        arrived = prepare_form_upload(http, limit_bytes=mesh_limit())
        data: Any = request.data
        arrived.require_all()
        facts = _facts(data)
        uploaded = request.FILES.get("file")
        if uploaded is None:
            raise Refused("file-missing", "Send the file in the field 'file'.", field="file")
        facts["name"] = facts["name"] or uploaded.name or ""
        with received_from_form(uploaded) as source:
            yield source, facts, str(data.get("sha256", ""))


class MeshView(ApiView):
    """One mesh of a case."""

    required_scope = Capability.CASES_READ
    serializer_class = shapes.MeshSerializer

    @extend_schema(operation_id="cases_meshes_retrieve")
    def get(self, request: Request, number: int, mesh_id: int) -> Response:
        mesh = mesh_for(self.actor, mesh_id)
        if mesh.case.number != number:
            raise NotFound("This case has no such mesh.")
        return Response(self.get_serializer(mesh).data)


def _appliances(view: ApiView, case: Case) -> QuerySet[Appliance]:
    return visible_appliances(view.actor).filter(case=case).order_by("line", "arch", "stage", "copy", "pk")


def _facts(data: Any) -> dict[str, Any]:
    """What is said of the mesh, with the unit's own sentence when it is missing or unknown."""
    check_unit(str(data.get("unit", "")))
    asked = shapes.MeshFactsSerializer(data=data)
    asked.is_valid(raise_exception=True)
    return dict(asked.validated_data)
