"""Shapes of what the API takes and gives; the services decide."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from rest_framework import serializers

from cases.choices import ApplianceKind, CaseState, MeshRole, Tissue, Unit
from cases.models import Appliance, Case, Clinic, MeshUse, OrderLine
from cases.services.order import MOST_COPIES, MOST_DAYS, MOST_ROUNDS, MOST_STAGES, LineOrder


class ClinicSerializer(serializers.ModelSerializer[Clinic]):
    class Meta:
        model = Clinic
        fields = ("id", "code", "name", "tooth_notation", "active")
        read_only_fields = fields


class LineOrderSerializer(serializers.Serializer[Any]):
    """One thing to be made. ``upper`` and ``lower``: stages of an aligner series, else 1 or 0."""

    kind = serializers.ChoiceField(choices=ApplianceKind.choices)
    upper = serializers.IntegerField(min_value=0, max_value=MOST_STAGES, default=0)
    lower = serializers.IntegerField(min_value=0, max_value=MOST_STAGES, default=0)
    first_stage = serializers.IntegerField(min_value=1, max_value=999, default=1)
    copies = serializers.IntegerField(min_value=1, max_value=MOST_COPIES, default=1)
    round = serializers.IntegerField(min_value=0, max_value=MOST_ROUNDS, default=0)
    direct_print = serializers.BooleanField(default=False)
    tissue = serializers.ChoiceField(choices=Tissue.choices, required=False, allow_null=True)
    hours_per_day = serializers.DecimalField(
        max_digits=4, decimal_places=1, min_value=0, max_value=24, default=Decimal(0)
    )
    days = serializers.IntegerField(min_value=0, max_value=MOST_DAYS, default=0)
    sheet_wish = serializers.CharField(max_length=80, allow_blank=True, default="")
    sheet_mm = serializers.DecimalField(
        max_digits=4, decimal_places=2, min_value=0, max_value=10, required=False, allow_null=True
    )
    note = serializers.CharField(max_length=300, allow_blank=True, default="")

    def line(self) -> LineOrder:
        return LineOrder(**self.validated_data)


class NewCaseSerializer(serializers.Serializer[Any]):
    clinic = serializers.SlugField(
        max_length=20, required=False, help_text="The clinic's code. Clinic staff may leave it out."
    )
    patient_code = serializers.CharField(max_length=40, help_text="A code, never a name.")
    prescriber = serializers.CharField(max_length=120)
    clinic_reference = serializers.CharField(max_length=60, allow_blank=True, default="")
    appointment_on = serializers.DateField(required=False, allow_null=True, default=None)
    ship_by = serializers.DateField(required=False, allow_null=True, default=None)
    note = serializers.CharField(max_length=5000, allow_blank=True, default="")
    occurred_at = serializers.DateTimeField(
        required=False, allow_null=True, default=None, help_text="When the order was given; now if left out."
    )
    lines = LineOrderSerializer(many=True, required=False, default=list)


class CaseSerializer(serializers.ModelSerializer[Case]):
    label = serializers.CharField(  # type: ignore[assignment]  # the base class has one of its own
        read_only=True, help_text="As on labels: C-00012."
    )
    clinic = serializers.SlugRelatedField[Clinic](slug_field="code", read_only=True)
    state = serializers.ChoiceField(choices=CaseState.choices, read_only=True)
    due_on = serializers.DateField(read_only=True, allow_null=True)
    appliance_count = serializers.IntegerField(read_only=True)
    mesh_count = serializers.IntegerField(read_only=True)

    class Meta:
        model = Case
        fields = (
            "number",
            "label",
            "clinic",
            "clinic_reference",
            "patient_code",
            "prescriber",
            "appointment_on",
            "ship_by",
            "due_on",
            "note",
            "state",
            "occurred_at",
            "recorded_at",
            "appliance_count",
            "mesh_count",
        )
        read_only_fields = fields


class ApplianceSerializer(serializers.ModelSerializer[Appliance]):
    label = serializers.CharField(read_only=True)  # type: ignore[assignment]
    kind = serializers.ChoiceField(source="line.kind", choices=ApplianceKind.choices, read_only=True)
    round = serializers.IntegerField(source="line.round", read_only=True)
    direct_print = serializers.BooleanField(source="line.direct_print", read_only=True)

    class Meta:
        model = Appliance
        fields = (
            "id",
            "label",
            "line",
            "kind",
            "arch",
            "stage",
            "copy",
            "round",
            "direct_print",
            "remake_of",
            "remake_number",
            "remake_reason",
            "cancelled_at",
            "cancel_reason",
        )
        read_only_fields = fields


class LineSerializer(serializers.ModelSerializer[OrderLine]):
    class Meta:
        model = OrderLine
        fields = (
            "id",
            "position",
            "kind",
            "round",
            "direct_print",
            "tissue",
            "hours_per_day",
            "days",
            "sheet_wish",
            "sheet_mm",
            "note",
        )
        read_only_fields = fields


class OrderedSerializer(serializers.Serializer[Any]):
    """A new order line and the appliances it asks for."""

    line = LineSerializer(read_only=True)
    appliances = ApplianceSerializer(many=True, read_only=True)


class MeshSerializer(serializers.ModelSerializer[MeshUse]):
    case = serializers.IntegerField(source="case.number", read_only=True)
    sha256 = serializers.CharField(source="blob.sha256", read_only=True)
    size_bytes = serializers.IntegerField(source="blob.size_bytes", read_only=True)

    class Meta:
        model = MeshUse
        fields = (
            "id",
            "case",
            "appliance",
            "role",
            "unit",
            "file_format",
            "triangles",
            "original_name",
            "sha256",
            "size_bytes",
            "origin",
            "occurred_at",
            "recorded_at",
            "replaced_by",
            "withdrawn_at",
            "withdrawal_reason",
        )
        read_only_fields = fields


class MeshFactsSerializer(serializers.Serializer[Any]):
    """What is said of a mesh, in the form or in the address."""

    role = serializers.ChoiceField(choices=MeshRole.choices, help_text="What the file is.")
    unit = serializers.ChoiceField(
        choices=Unit.choices, help_text="Unit of the file's numbers; never guessed."
    )
    appliance = serializers.IntegerField(
        required=False, min_value=1, help_text="Id of the appliance it is for; the whole case if left out."
    )
    name = serializers.CharField(
        required=False, max_length=400, allow_blank=True, default="", help_text="The file's own name."
    )
    occurred_at = serializers.DateTimeField(
        required=False, allow_null=True, default=None, help_text="When it was scanned; now if left out."
    )


class MeshUploadSerializer(MeshFactsSerializer):
    """A multipart form with the file."""

    file = serializers.FileField(
        help_text="STL, PLY, OBJ or 3MF, told apart by content; at most 200,000,000 bytes."
    )
    sha256 = serializers.RegexField(
        r"^[0-9a-fA-F]{64}$", required=False, help_text="SHA-256 of the file; refused when it does not match."
    )


class MeshFilterSerializer(serializers.Serializer[Any]):
    role = serializers.ChoiceField(choices=MeshRole.choices, required=False)
    sha256 = serializers.RegexField(r"^[0-9a-fA-F]{64}$", required=False)
    current = serializers.BooleanField(
        required=False, default=True, help_text="Without those that were replaced."
    )


class CaseFilterSerializer(serializers.Serializer[Any]):
    clinic = serializers.SlugField(required=False, help_text="The clinic's code.")
    clinic_reference = serializers.CharField(required=False, help_text="Exactly, the clinic's own reference.")
    number = serializers.CharField(required=False, help_text="12 or C-00012.")
    state = serializers.ChoiceField(choices=CaseState.choices, required=False)
    due_until = serializers.DateField(required=False)
    search = serializers.CharField(required=False, max_length=100)
