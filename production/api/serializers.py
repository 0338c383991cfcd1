"""Shapes of what the shop's API takes and gives; the services decide."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from labtrack.whole_numbers import LARGEST
from production.choices import BuildState, EventKind, Outcome
from production.models import Build, Equipment, EquipmentEvent, Part

MOST_PARTS = 500


class PartSerializer(serializers.ModelSerializer[Part]):
    """A part by its mark; ``outcome`` is its outcome so far."""

    build = serializers.IntegerField(source="build.number", read_only=True)
    appliance = serializers.CharField(source="appliance.label", read_only=True)
    case = serializers.IntegerField(source="appliance.case.number", read_only=True)

    class Meta:
        model = Part
        fields = (
            "number",
            "mark",
            "build",
            "case",
            "appliance",
            "appliance_id",
            "preparation_id",
            "purpose",
            "platform_x_mm",
            "platform_y_mm",
            "rotation_deg",
            "outcome",
            "outcome_at",
        )
        read_only_fields = fields


class BuildSerializer(serializers.ModelSerializer[Build]):
    """A build; printer and tank by the code on their labels."""

    printer = serializers.CharField(source="printer.equipment.code", read_only=True)
    tank = serializers.SerializerMethodField()
    filament_lot = serializers.SerializerMethodField()
    operator = serializers.CharField(source="operator.name", read_only=True)
    parts = PartSerializer(many=True, read_only=True)

    class Meta:
        model = Build
        fields = (
            "number",
            "label",
            "state",
            "printer",
            "tank",
            "filament_lot",
            "profile_name",
            "profile_revision",
            "layer_um",
            "layers",
            "resin_ml",
            "resin_temp_c",
            "occurred_at",
            "started_at",
            "finished_at",
            "failure",
            "operator",
            "parts",
        )
        read_only_fields = fields

    @extend_schema_field(serializers.CharField(allow_null=True))
    def get_tank(self, build: Build) -> str | None:
        return build.tank.equipment.code if build.tank else None

    @extend_schema_field(serializers.CharField(allow_null=True))
    def get_filament_lot(self, build: Build) -> str | None:
        return build.filament_lot.number if build.filament_lot else None


class BuildFilterSerializer(serializers.Serializer[Any]):
    state = serializers.ChoiceField(choices=BuildState.choices, required=False)
    printer = serializers.CharField(max_length=20, required=False, help_text="Code of the printer.")


class PlannedPartSerializer(serializers.Serializer[Any]):
    """A part to print: its preparation, and its place measured from the platform's centre."""

    preparation_id = serializers.IntegerField(min_value=1, max_value=LARGEST)
    platform_x_mm = serializers.DecimalField(
        max_digits=6, decimal_places=1, required=False, allow_null=True, default=None
    )
    platform_y_mm = serializers.DecimalField(
        max_digits=6, decimal_places=1, required=False, allow_null=True, default=None
    )
    rotation_deg = serializers.DecimalField(max_digits=5, decimal_places=1, default=Decimal(0))


class NewBuildSerializer(serializers.Serializer[Any]):
    """A vat printer needs ``tank``, a filament printer ``filament_lot_id``. ``start`` starts it at once."""

    printer = serializers.CharField(max_length=20, help_text="Code of the printer.")
    tank = serializers.CharField(
        max_length=20, required=False, allow_blank=True, default="", help_text="Code."
    )
    filament_lot_id = serializers.IntegerField(
        min_value=1, max_value=LARGEST, required=False, allow_null=True, default=None
    )
    parts = PlannedPartSerializer(many=True, allow_empty=False, max_length=MOST_PARTS)  # type: ignore[call-arg]
    start = serializers.BooleanField(default=False)
    occurred_at = serializers.DateTimeField(required=False, allow_null=True, default=None)


class PartOutcomeSerializer(serializers.Serializer[Any]):
    """How one part came off the printer, by its number; rework and scrapped need a reason."""

    part = serializers.IntegerField(min_value=1, max_value=LARGEST, help_text="Number of the part.")
    outcome = serializers.ChoiceField(choices=Outcome.choices)
    reason = serializers.CharField(max_length=200, required=False, allow_blank=True, default="")


class BuildStartSerializer(serializers.Serializer[Any]):
    started_at = serializers.DateTimeField(required=False, allow_null=True, default=None)
    resin_temp_c = serializers.DecimalField(
        max_digits=4, decimal_places=1, required=False, allow_null=True, default=None
    )


class BuildEndSerializer(serializers.Serializer[Any]):
    """The end of a build. With ``failure`` it failed: parts without an outcome are scrapped, and its tank
    then needs filtering and film inspection."""

    finished_at = serializers.DateTimeField(required=False, allow_null=True, default=None)
    layers = serializers.IntegerField(
        min_value=1, max_value=1_000_000, required=False, allow_null=True, default=None
    )
    resin_ml = serializers.DecimalField(
        max_digits=8, decimal_places=2, min_value=Decimal(0), required=False, allow_null=True, default=None
    )
    failure = serializers.CharField(max_length=200, required=False, allow_blank=True, default="")
    outcomes = PartOutcomeSerializer(  # type: ignore[call-arg]
        many=True, required=False, default=list, max_length=MOST_PARTS
    )


class EquipmentSerializer(serializers.ModelSerializer[Equipment]):
    class Meta:
        model = Equipment
        fields = ("code", "kind", "name", "note", "in_service_from", "retired_at")
        read_only_fields = fields


class EventSerializer(serializers.ModelSerializer[EquipmentEvent]):
    """One thing done to one machine, tank or device."""

    equipment = serializers.CharField(source="equipment.code", read_only=True)
    moved_to = serializers.SerializerMethodField()
    by = serializers.CharField(source="by.name", read_only=True)

    class Meta:
        model = EquipmentEvent
        fields = (
            "id",
            "equipment",
            "kind",
            "occurred_at",
            "recorded_at",
            "lot_id",
            "quantity_ml",
            "moved_to",
            "value",
            "unit",
            "note",
            "by",
        )
        read_only_fields = fields

    @extend_schema_field(serializers.CharField(allow_null=True))
    def get_moved_to(self, event: EquipmentEvent) -> str | None:
        return event.moved_to.equipment.code if event.moved_to else None


class NewEventSerializer(serializers.Serializer[Any]):
    """Filling and topping up a tank name the lot; a move names the printer by its code.

    Retiring and putting back in service are for people, at the pages.
    """

    kind = serializers.ChoiceField(choices=EventKind.choices)
    occurred_at = serializers.DateTimeField(required=False, allow_null=True, default=None)
    lot_id = serializers.IntegerField(
        min_value=1, max_value=LARGEST, required=False, allow_null=True, default=None
    )
    quantity_ml = serializers.IntegerField(
        min_value=1, max_value=1_000_000, required=False, allow_null=True, default=None
    )
    moved_to = serializers.CharField(max_length=20, required=False, allow_blank=True, default="")
    value = serializers.DecimalField(
        max_digits=10, decimal_places=3, required=False, allow_null=True, default=None
    )
    unit = serializers.CharField(max_length=20, required=False, allow_blank=True, default="")
    note = serializers.CharField(max_length=300, required=False, allow_blank=True, default="")
