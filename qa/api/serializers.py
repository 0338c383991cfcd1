"""Shapes of what the API of quality takes and gives; the services decide."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from production.choices import WORK_STEPS, Outcome, Step
from qa.choices import CheckState, EvidenceUnit, Measure, Severity, Verdict
from qa.models import Defect, Inspection
from qa.queries.selection import LONGEST
from qa.services.inspections import FoundDefect, Look

STEP_CHOICES = [(step.value, step.label) for step in WORK_STEPS]
MOST_LOOKS = 200
MOST_DEFECTS = 20


class DefectSerializer(serializers.ModelSerializer[Defect]):
    kind = serializers.SlugField(source="kind.code")

    class Meta:
        model = Defect
        fields = ("kind", "origin", "found", "severity", "tooth", "note")
        read_only_fields = fields


class InspectionSerializer(serializers.ModelSerializer[Inspection]):
    part = serializers.CharField(source="part.mark", default=None, allow_null=True, read_only=True)
    piece = serializers.CharField(source="piece.mark", default=None, allow_null=True, read_only=True)
    by = serializers.CharField(source="by.name", read_only=True)
    defects = DefectSerializer(many=True, read_only=True)

    class Meta:
        model = Inspection
        fields = (
            "id",
            "part",
            "piece",
            "step",
            "verdict",
            "method",
            "note",
            "occurred_at",
            "recorded_at",
            "by",
            "defects",
        )
        read_only_fields = fields


class InspectionFilterSerializer(serializers.Serializer[Any]):
    mark = serializers.CharField(required=False, max_length=20, help_text="P-000123 or A-000045.")
    step = serializers.ChoiceField(choices=STEP_CHOICES, required=False)
    verdict = serializers.ChoiceField(choices=Verdict.choices, required=False)
    since = serializers.DateTimeField(required=False)


class NewDefectSerializer(serializers.Serializer[Any]):
    """``origin`` left out means the usual one of the kind; ``tooth`` is an FDI number."""

    kind = serializers.SlugField(max_length=40)
    severity = serializers.ChoiceField(choices=Severity.choices, default=Severity.MAJOR)
    origin = serializers.ChoiceField(choices=Step.choices, required=False, allow_blank=True, default="")
    tooth = serializers.IntegerField(min_value=11, max_value=85, required=False, allow_null=True)
    note = serializers.CharField(max_length=200, allow_blank=True, default="")


class NewLookSerializer(serializers.Serializer[Any]):
    """One thing. ``outcome`` left out lets the verdict decide; setting one also needs shop:write."""

    mark = serializers.CharField(max_length=20, help_text="P-000123 or A-000045.")
    verdict = serializers.ChoiceField(choices=Verdict.choices)
    outcome = serializers.ChoiceField(choices=Outcome.choices, required=False, allow_null=True)
    note = serializers.CharField(max_length=300, allow_blank=True, default="")
    defects = NewDefectSerializer(many=True, default=list, max_length=MOST_DEFECTS)  # type: ignore[call-arg]


class NewInspectionSerializer(serializers.Serializer[Any]):
    """One or many things that were looked at at one step; all are recorded, or none."""

    step = serializers.ChoiceField(choices=STEP_CHOICES)
    looks = NewLookSerializer(many=True, allow_empty=False, max_length=MOST_LOOKS)  # type: ignore[call-arg]
    method = serializers.CharField(max_length=60, allow_blank=True, default="")
    occurred_at = serializers.DateTimeField(required=False, allow_null=True)


def look_of(data: dict[str, Any], *, part_id: int | None, piece_id: int | None) -> Look:
    """The look that validated data describes."""
    return Look(
        part_id=part_id,
        piece_id=piece_id,
        verdict=data["verdict"],
        outcome=data.get("outcome"),
        note=data["note"],
        defects=[FoundDefect(**defect) for defect in data["defects"]],
    )


class OnlyField(serializers.ListField):
    """What an answer is narrowed to."""

    def __init__(self) -> None:
        super().__init__(
            child=serializers.CharField(max_length=LONGEST),
            required=False,
            help_text="Only what has this, as factor|level, once for each: printer|Cobble, "
            "step:wash|not-done. Different factors are and, levels of one factor or.",
        )


class TrendFilterSerializer(serializers.Serializer[Any]):
    """Left out, the range is the last 90 days."""

    start = serializers.DateField(required=False, help_text="First day, counted.")
    end = serializers.DateField(required=False, help_text="Last day, counted.")
    measure = serializers.ChoiceField(choices=Measure.choices, default=Measure.LOST)
    unit = serializers.ChoiceField(choices=EvidenceUnit.choices, default=EvidenceUnit.PART)
    of = OnlyField()

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        start, end = attrs.get("start"), attrs.get("end")
        if start is not None and end is not None and start > end:
            raise serializers.ValidationError({"end": "The range ends before it starts."})
        return attrs


class TrendSerializer(serializers.Serializer[Any]):
    """One chart. ``rows`` are objects whose members depend on the chart; rates are per 100."""

    name = serializers.CharField()
    title = serializers.CharField()
    start = serializers.DateField()
    end = serializers.DateField()
    measure = serializers.ChoiceField(choices=Measure.choices)
    unit = serializers.ChoiceField(choices=EvidenceUnit.choices)
    n = serializers.IntegerField()
    count = serializers.IntegerField()
    immature = serializers.IntegerField(help_text="Left out: no settled outcome yet.")
    sentence = serializers.CharField()
    method = serializers.CharField()
    note = serializers.CharField()
    rows = serializers.ListField(child=serializers.DictField(child=serializers.JSONField()))


class CountingSerializer(serializers.Serializer[Any]):
    """A worker still counts what was asked for: ask again."""

    state = serializers.ChoiceField(choices=CheckState.choices)
    progress = serializers.FloatField(help_text="0 to 1")


class EvidenceFilterSerializer(serializers.Serializer[Any]):
    unit = serializers.ChoiceField(choices=EvidenceUnit.choices, default=EvidenceUnit.PART)
    since = serializers.DateField(required=False, help_text="Only what was printed on this day or later.")
    of = OnlyField()


class EvidenceSerializer(serializers.Serializer[Any]):
    """``state`` waiting: the evidence changed and is being computed; ask again. ``evidence`` is the latest
    finished answer, in the form of ``manage.py evidence --json``, or null before the first."""

    state = serializers.ChoiceField(choices=CheckState.choices)
    progress = serializers.FloatField(help_text="0 to 1")
    sentence = serializers.CharField()
    computed_at = serializers.DateTimeField(allow_null=True)
    up_to_date = serializers.BooleanField()
    evidence = serializers.DictField(child=serializers.JSONField(), allow_null=True)
