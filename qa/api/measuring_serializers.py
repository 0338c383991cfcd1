"""Shapes of what the API of measuring takes and gives; the services decide."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from cases.choices import Unit
from qa.choices import CheckState, IdentityAnswer, PicturesState, Reference, Side, Verdict

MOST_LENGTHS = 40


class ScanUploadSerializer(serializers.Serializer[Any]):
    """A multipart form with the scan."""

    file = serializers.FileField(
        help_text="STL, PLY, OBJ or 3MF, told apart by content; at most 200,000,000 bytes."
    )
    unit = serializers.ChoiceField(
        choices=Unit.choices, help_text="Unit of the file's numbers; never guessed."
    )
    device = serializers.CharField(
        required=False, default="", allow_blank=True, max_length=20, help_text="Code of the scanner."
    )
    against = serializers.ChoiceField(
        choices=Reference.choices, default=Reference.DESIGN, help_text="What the scan is held against."
    )
    occurred_at = serializers.DateTimeField(
        required=False, allow_null=True, default=None, help_text="When it was scanned; now if left out."
    )
    sha256 = serializers.RegexField(
        r"^[0-9a-fA-F]{64}$", required=False, help_text="SHA-256 of the file; refused when it does not match."
    )


class ScanFactsSerializer(ScanUploadSerializer):
    """The same without the file, which is streamed apart."""

    file = None  # type: ignore[assignment]


class CandidateSerializer(serializers.Serializer[Any]):
    mesh = serializers.IntegerField()
    name = serializers.CharField()


class ComparisonSerializer(serializers.Serializer[Any]):
    """``state`` waiting: ask again. refused: ``sentence`` says why. done: ``result`` is what
    ``compare_print --json`` prints, with what the page needs beside it. The pictures of the page, PDF and
    PNG follow the result: ``pictures``."""

    id = serializers.IntegerField()
    part = serializers.CharField(help_text="Its mark.")
    scan = serializers.IntegerField(help_text="Id of the scan's mesh.")
    reference = serializers.IntegerField(help_text="Id of the mesh it is held against.")
    candidates = CandidateSerializer(many=True)
    device = serializers.CharField(allow_null=True, help_text="Code of the scanner.")
    state = serializers.ChoiceField(choices=CheckState.choices)
    progress = serializers.FloatField(help_text="0 to 1")
    progress_text = serializers.CharField()
    sentence = serializers.CharField()
    verdict = serializers.ChoiceField(choices=Verdict.choices, allow_null=True)
    identity = serializers.ChoiceField(choices=IdentityAnswer.choices, allow_null=True)
    accepted = serializers.BooleanField()
    tolerance_mm = serializers.FloatField()
    uncertainty_mm = serializers.FloatField(help_text="Expanded uncertainty U (k = 2) judged with.")
    uncertainty_studied = serializers.BooleanField(help_text="False: no study of the device yet.")
    engine = serializers.CharField()
    limits_version = serializers.IntegerField()
    next_steps = serializers.ListField(child=serializers.CharField())
    pictures = serializers.ChoiceField(
        choices=PicturesState.choices, allow_null=True, help_text="Null until there is a result."
    )
    result = serializers.DictField(child=serializers.JSONField())
    occurred_at = serializers.DateTimeField()
    asked_at = serializers.DateTimeField()
    finished_at = serializers.DateTimeField(allow_null=True)


class CaliperLengthSerializer(serializers.Serializer[Any]):
    """``name`` of one of the design's distances."""

    name = serializers.CharField(max_length=60)
    measured_mm = serializers.DecimalField(max_digits=7, decimal_places=3)


class NewCaliperSerializer(serializers.Serializer[Any]):
    values = CaliperLengthSerializer(many=True, allow_empty=False, max_length=MOST_LENGTHS)  # type: ignore[call-arg]
    device = serializers.CharField(
        required=False, default="", allow_blank=True, max_length=20, help_text="Code of the caliper."
    )
    occurred_at = serializers.DateTimeField(required=False, allow_null=True, default=None)
    note = serializers.CharField(required=False, default="", allow_blank=True, max_length=200)


class CaliperValueSerializer(serializers.Serializer[Any]):
    name = serializers.CharField()
    design_mm = serializers.FloatField()
    measured_mm = serializers.FloatField()
    error_mm = serializers.FloatField()
    verdict = serializers.ChoiceField(choices=Verdict.choices)
    sentence = serializers.CharField()


class CaliperSerializer(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    part = serializers.CharField(source="part.mark")
    device = serializers.CharField(source="device.code", default=None, allow_null=True)
    verdict = serializers.ChoiceField(choices=Verdict.choices)
    tolerance_mm = serializers.FloatField()
    uncertainty_mm = serializers.FloatField()
    uncertainty_studied = serializers.BooleanField()
    landmarks_version = serializers.IntegerField(source="landmarks.version")
    occurred_at = serializers.DateTimeField()
    note = serializers.CharField()
    values = CaliperValueSerializer(many=True, source="values.all")


class LandmarksSerializer(serializers.Serializer[Any]):
    """``version`` 0: nothing is marked yet. ``text`` is the list as it can be sent back."""

    version = serializers.IntegerField()
    content = serializers.DictField(child=serializers.JSONField())
    text = serializers.CharField()


class NewLandmarksSerializer(serializers.Serializer[Any]):
    text = serializers.CharField(
        max_length=20_000,
        trim_whitespace=False,
        help_text="name,x_mm,y_mm,z_mm in the design's frame; below their own header distance,from,to.",
    )
    based_on = serializers.IntegerField(
        required=False, allow_null=True, default=None, min_value=0, max_value=10**6,
        help_text="The version you read; refused when another came since.",
    )  # fmt: skip


class ProofSideSerializer(serializers.Serializer[Any]):
    side = serializers.ChoiceField(choices=Side.choices)
    nominal_mm = serializers.DecimalField(max_digits=7, decimal_places=3)
    measured_mm = serializers.DecimalField(max_digits=7, decimal_places=3)


class NewProofSerializer(serializers.Serializer[Any]):
    printer = serializers.CharField(max_length=20, help_text="Code of the printer.")
    sides = ProofSideSerializer(many=True, allow_empty=False, max_length=3)  # type: ignore[call-arg]
    device = serializers.CharField(
        required=False, default="", allow_blank=True, max_length=20, help_text="Code of the caliper."
    )
    occurred_at = serializers.DateTimeField(required=False, allow_null=True, default=None)
    note = serializers.CharField(required=False, default="", allow_blank=True, max_length=200)


class ProofValueSerializer(serializers.Serializer[Any]):
    side = serializers.ChoiceField(choices=Side.choices)
    nominal_mm = serializers.FloatField()
    measured_mm = serializers.FloatField()
    error_mm = serializers.FloatField()
    verdict = serializers.ChoiceField(choices=Verdict.choices)
    sentence = serializers.CharField()


class ProofSerializer(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    printer = serializers.CharField(source="printer.equipment.code")
    device = serializers.CharField(source="device.code", default=None, allow_null=True)
    day = serializers.DateField()
    verdict = serializers.ChoiceField(choices=Verdict.choices)
    tolerance_mm = serializers.FloatField()
    uncertainty_mm = serializers.FloatField()
    uncertainty_studied = serializers.BooleanField()
    occurred_at = serializers.DateTimeField()
    note = serializers.CharField()
    values = ProofValueSerializer(many=True, source="values.all")


class ProofFilterSerializer(serializers.Serializer[Any]):
    printer = serializers.CharField(required=False, max_length=20, help_text="Code of the printer.")
