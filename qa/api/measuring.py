"""Scans, calipers, landmarks and check blocks for scripts: thin over the services."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet
from drf_spectacular.utils import OpenApiResponse, extend_schema
from rest_framework.exceptions import APIException
from rest_framework.parsers import MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from cases.choices import MeshOrigin
from cases.queries import mesh_for
from cases.services.meshes import check_unit
from cases.uploads import (
    FORM_OVERHEAD_BYTES,
    drain,
    mesh_limit,
    prepare_form_upload,
    received_from_form,
    refuse_large_body,
)
from labtrack.accounts.choices import Capability
from labtrack.api.parsers import BoundedJsonParser
from labtrack.api.views import KEY, ApiView, made_status
from labtrack.audit.services.submissions import Outcome
from labtrack.errors import DomainError, NotFound, Refused
from production.choices import EquipmentKind
from production.models import Printer
from qa.api import measuring_serializers as shapes
from qa.choices import CheckState
from qa.comparison_page import next_steps
from qa.models import CaliperMeasurement, LandmarkSheet, MorningProof, PrintComparison
from qa.queries.devices import device_for
from qa.queries.measuring import calipers_of, comparison_for, comparisons, part_of_mark, proofs
from qa.services.calipers import measure_by_caliper
from qa.services.comparisons import compare_scan
from qa.services.landmarks import MARKABLE, place_landmarks, sheet_in_force, sheet_text
from qa.services.proofs import SideLength, prove_printer


class PartComparisonsView(ApiView):
    """The comparisons of a part, the latest first; POST uploads a scan of it and asks for another.

    Uploading needs the scope to record inspections and the one to attach meshes.
    """

    required_scope = Capability.SHOP_READ
    method_scopes = {"POST": Capability.INSPECT}
    serializer_class = shapes.ComparisonSerializer
    parser_classes = (BoundedJsonParser, MultiPartParser)

    @extend_schema(operation_id="parts_comparisons_list")
    def get(self, request: Request, mark: str) -> Response:
        part = part_of_mark(mark)
        rows = comparisons().filter(part=part).select_related("limits").defer(None).defer("histogram")
        page = self.paginate_queryset(rows)
        answers = [_comparison_answer(row) for row in page or []]
        return self.get_paginated_response(self.get_serializer(answers, many=True).data)

    @extend_schema(
        operation_id="parts_comparisons_create",
        parameters=[KEY],
        request={"multipart/form-data": shapes.ScanUploadSerializer},
        responses={
            200: OpenApiResponse(shapes.ComparisonSerializer, "It was asked for before; nothing changed."),
            201: shapes.ComparisonSerializer,
            411: OpenApiResponse(description="The body came without its length."),
            413: OpenApiResponse(description="The file is larger than 200,000,000 bytes."),
        },
    )
    def post(self, request: Request, mark: str) -> Response:
        """Upload a scan of a printed part by its mark; a worker compares it with its design."""
        try:
            outcome = self._take(request, mark)
        except (DomainError, APIException):
            drain(request._request)
            raise
        row = comparison_for(outcome.thing.pk)
        answer = self.get_serializer(_comparison_answer(row)).data
        return Response(answer, status=made_status(outcome.repeated))

    def _take(self, request: Request, mark: str) -> Outcome[PrintComparison]:
        part = part_of_mark(mark)
        http = request._request
        if not (request.content_type or "").startswith("multipart/"):
            raise Refused("file-missing", "Send the scan as a form (multipart/form-data), field 'file'.")
        refuse_large_body(http, limit_bytes=mesh_limit(), allowance_bytes=FORM_OVERHEAD_BYTES)
        arrived = prepare_form_upload(http, limit_bytes=mesh_limit())
        data: Any = request.data
        arrived.require_all()
        check_unit(str(data.get("unit", "")))
        asked = shapes.ScanFactsSerializer(data=data)
        asked.is_valid(raise_exception=True)
        facts = asked.validated_data
        uploaded = request.FILES.get("file")
        if uploaded is None:
            raise Refused("file-missing", "Send the file in the field 'file'.", field="file")
        with received_from_form(uploaded) as source:
            return compare_scan(
                actor=self.actor,
                key=self.key,
                part=part,
                source=source,
                original_name=uploaded.name or "",
                unit=facts["unit"],
                device=device_for(facts["device"], EquipmentKind.SCANNER),
                against=facts["against"],
                occurred_at=facts["occurred_at"],
                origin=MeshOrigin.API,
                stated_sha256=facts.get("sha256", ""),
            )


class ComparisonView(ApiView):
    """One comparison: its state, and its result once it is done."""

    required_scope = Capability.SHOP_READ
    serializer_class = shapes.ComparisonSerializer

    @extend_schema(operation_id="comparisons_retrieve")
    def get(self, request: Request, pk: int) -> Response:
        return Response(self.get_serializer(_comparison_answer(comparison_for(pk))).data)


def _comparison_answer(row: PrintComparison) -> dict[str, Any]:
    job = row.job
    done = row.state == CheckState.DONE
    return {
        "id": row.pk,
        "part": row.part.mark,
        "scan": row.scan_id,
        "reference": row.reference_id,
        "candidates": row.candidates,
        "device": row.device.code if row.device else None,
        "state": row.state,
        "progress": 1.0 if done else (job.progress if job else 0.0),
        "progress_text": job.progress_text if job and not done else "",
        "sentence": row.sentence,
        "verdict": row.verdict or None,
        "identity": row.identity or None,
        "accepted": row.accepted,
        "tolerance_mm": row.request["tolerance_mm"],
        "uncertainty_mm": row.request["uncertainty_mm"],
        "uncertainty_studied": row.request["uncertainty_studied"],
        "engine": row.engine,
        "limits_version": row.limits.version,
        "next_steps": next_steps(row),
        "pictures": row.pictures_state,
        "result": row.result,
        "occurred_at": row.occurred_at,
        "asked_at": row.asked_at,
        "finished_at": row.finished_at,
    }


class PartCalipersView(ApiView):
    """Hand measurements of a part, the latest first; POST records one."""

    required_scope = Capability.SHOP_READ
    method_scopes = {"POST": Capability.INSPECT}
    serializer_class = shapes.CaliperSerializer

    @extend_schema(operation_id="parts_calipers_list")
    def get(self, request: Request, mark: str) -> Response:
        return self.listed(calipers_of(part_of_mark(mark)))

    @extend_schema(
        operation_id="parts_calipers_create",
        parameters=[KEY],
        request=shapes.NewCaliperSerializer,
        responses={200: shapes.CaliperSerializer, 201: shapes.CaliperSerializer},
    )
    def post(self, request: Request, mark: str) -> Response:
        """Record named distances of a part in mm; they are judged against its design's."""
        part = part_of_mark(mark)
        asked = shapes.NewCaliperSerializer(data=request.data)
        asked.is_valid(raise_exception=True)
        wanted = asked.validated_data
        names = [one["name"] for one in wanted["values"]]
        if len(set(names)) != len(names):
            raise Refused("distance-twice", "A distance is given twice.", field="values")
        outcome: Outcome[CaliperMeasurement] = measure_by_caliper(
            actor=self.actor,
            key=self.key,
            part=part,
            measured={one["name"]: one["measured_mm"] for one in wanted["values"]},
            device=device_for(wanted["device"], EquipmentKind.CALIPER),
            occurred_at=wanted["occurred_at"],
            note=wanted["note"],
        )
        row = calipers_of(part).get(pk=outcome.thing.pk)
        return Response(self.get_serializer(row).data, status=made_status(outcome.repeated))


class LandmarksView(ApiView):
    """The landmarks in force on a design; POST puts a new version in force."""

    required_scope = Capability.SHOP_READ
    method_scopes = {"POST": Capability.INSPECT}
    serializer_class = shapes.LandmarksSerializer
    parser_classes = (BoundedJsonParser,)

    @extend_schema(operation_id="meshes_landmarks_retrieve")
    def get(self, request: Request, mesh_id: int) -> Response:
        mesh = mesh_for(self.actor, mesh_id)
        if mesh.role not in MARKABLE:
            raise NotFound("Landmarks are placed on a design or a prepared file.")
        return Response(self.get_serializer(_landmarks_answer(sheet_in_force(mesh))).data)

    @extend_schema(
        operation_id="meshes_landmarks_create",
        parameters=[KEY],
        request=shapes.NewLandmarksSerializer,
        responses={200: shapes.LandmarksSerializer, 201: shapes.LandmarksSerializer},
    )
    def post(self, request: Request, mesh_id: int) -> Response:
        """Mark places and name distances on a design; each is put on the nearest place of its surface."""
        mesh_for(self.actor, mesh_id)
        asked = shapes.NewLandmarksSerializer(data=request.data)
        asked.is_valid(raise_exception=True)
        outcome = place_landmarks(
            actor=self.actor,
            key=self.key,
            mesh_id=mesh_id,
            text=asked.validated_data["text"],
            based_on=asked.validated_data["based_on"],
        )
        answer = self.get_serializer(_landmarks_answer(outcome.thing)).data
        return Response(answer, status=made_status(outcome.repeated))


def _landmarks_answer(sheet: LandmarkSheet | None) -> dict[str, Any]:
    content = sheet.content if sheet else {"landmarks": [], "distances": []}
    return {"version": sheet.version if sheet else 0, "content": content, "text": sheet_text(content)}


class ProofListView(ApiView):
    """Check blocks, the latest first; POST records one."""

    required_scope = Capability.SHOP_READ
    method_scopes = {"POST": Capability.SHOP_WRITE}
    serializer_class = shapes.ProofSerializer

    def get_queryset(self) -> QuerySet[MorningProof]:
        return proofs()

    @extend_schema(operation_id="proofs_list", parameters=[shapes.ProofFilterSerializer])
    def get(self, request: Request) -> Response:
        asked = shapes.ProofFilterSerializer(data=request.query_params)
        asked.is_valid(raise_exception=True)
        rows = self.get_queryset()
        if "printer" in asked.validated_data:
            rows = rows.filter(printer__equipment__code=asked.validated_data["printer"].lower())
        return self.listed(rows)

    @extend_schema(
        operation_id="proofs_create",
        parameters=[KEY],
        request=shapes.NewProofSerializer,
        responses={200: shapes.ProofSerializer, 201: shapes.ProofSerializer},
    )
    def post(self, request: Request) -> Response:
        """Record a printer's check block: what each side should be and what it is, mm."""
        asked = shapes.NewProofSerializer(data=request.data)
        asked.is_valid(raise_exception=True)
        wanted = asked.validated_data
        printer = Printer.objects.filter(equipment__code__iexact=wanted["printer"]).first()
        if printer is None:
            raise Refused("printer-unknown", "There is no printer of that code.", field="printer")
        outcome = prove_printer(
            actor=self.actor,
            key=self.key,
            printer=printer,
            sides=[SideLength(**one) for one in wanted["sides"]],
            device=device_for(wanted["device"], EquipmentKind.CALIPER),
            occurred_at=wanted["occurred_at"],
            note=wanted["note"],
        )
        row = proofs().get(pk=outcome.thing.pk)
        return Response(self.get_serializer(row).data, status=made_status(outcome.repeated))
