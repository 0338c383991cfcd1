"""Shapes of what the API says of checks, limits, series and print times."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from cases.choices import Arch, MeshRole
from qa.choices import CheckState, Verdict

MOST_PARTS = 200


class LimitSerializer(serializers.Serializer[Any]):
    value = serializers.FloatField()
    unit = serializers.CharField()
    source = serializers.CharField()  # type: ignore[assignment]
    version = serializers.CharField()


class CheckRowSerializer(serializers.Serializer[Any]):
    """One judged figure. ``value`` and ``limit`` are null where there is none."""

    name = serializers.CharField()
    verdict = serializers.ChoiceField(choices=Verdict.choices)
    value = serializers.FloatField(allow_null=True)
    unit = serializers.CharField()
    limit = LimitSerializer(allow_null=True)
    sentence = serializers.CharField()


class SectionSerializer(serializers.Serializer[Any]):
    """What one group found: the names of its figures and of its rows."""

    name = serializers.CharField()
    words = serializers.CharField()
    verdict = serializers.ChoiceField(choices=Verdict.choices)
    figures = serializers.ListField(child=serializers.CharField())
    checks = serializers.ListField(child=serializers.CharField())


class SurfaceMapSerializer(serializers.Serializer[Any]):
    """A map of the 3-D view, without its values. ``places``: x, y, z in the file's frame in mm, value."""

    name = serializers.CharField()
    title = serializers.CharField()
    unit = serializers.CharField()
    low = serializers.FloatField()
    high = serializers.FloatField()
    limit = serializers.FloatField(allow_null=True)
    worse = serializers.ChoiceField(choices=[("low", "low"), ("high", "high"), ("none", "none")])
    note = serializers.CharField()
    places = serializers.ListField(child=serializers.ListField(child=serializers.FloatField()))


class MoveSerializer(serializers.Serializer[Any]):
    name = serializers.CharField()
    before = serializers.JSONField(allow_null=True)
    after = serializers.JSONField(allow_null=True)


class MovedSerializer(serializers.Serializer[Any]):
    """What differs from the finished check before this one. Null limits mean none."""

    before_limits_version = serializers.IntegerField()
    before_engine = serializers.CharField()
    before_verdict = serializers.ChoiceField(choices=Verdict.choices)
    verdicts = MoveSerializer(many=True)
    limits = MoveSerializer(many=True)
    figures = MoveSerializer(many=True)
    request = MoveSerializer(many=True)


class PreparedChangeSerializer(serializers.Serializer[Any]):
    """What preparation changed against the design. ``scale_percent`` is null where it cannot be told."""

    design = serializers.IntegerField(help_text="The design's mesh.")
    scale_percent = serializers.FloatField(allow_null=True)
    sentences = serializers.ListField(child=serializers.CharField())


class MeshCheckSerializer(serializers.Serializer[Any]):
    """``state`` waiting: ask again. refused: ``sentence`` says why. done: the rest is what
    ``check_design --json`` prints, with the version of the limits and what moved since the check before."""

    mesh = serializers.IntegerField()
    state = serializers.ChoiceField(choices=CheckState.choices)
    progress = serializers.FloatField(help_text="0 to 1")
    progress_text = serializers.CharField()
    sentence = serializers.CharField()
    verdict = serializers.ChoiceField(choices=Verdict.choices, allow_null=True)
    engine = serializers.CharField()
    limits_version = serializers.IntegerField()
    current = serializers.BooleanField(help_text="Made under the limits, printers and engine in force.")
    request = serializers.DictField(child=serializers.JSONField(), help_text="What it was checked as.")
    figures = serializers.DictField(child=serializers.JSONField())
    checks = CheckRowSerializer(many=True)
    sections = SectionSerializer(many=True)
    maps = SurfaceMapSerializer(many=True)
    moved = MovedSerializer(allow_null=True)
    prepared = serializers.IntegerField(
        allow_null=True, help_text="The prepared file made from this design, if any: its check counts."
    )
    prepared_change = PreparedChangeSerializer(allow_null=True)
    asked_at = serializers.DateTimeField()
    finished_at = serializers.DateTimeField(allow_null=True)


class LayerSerializer(serializers.Serializer[Any]):
    """One layer. ``area_cm2`` is null where its outline is open."""

    height_mm = serializers.FloatField()
    area_cm2 = serializers.FloatField(allow_null=True)
    starts_in_mid_air = serializers.IntegerField()
    suction_pocket_seals = serializers.IntegerField()


class NamedLimitSerializer(LimitSerializer):
    name = serializers.CharField()
    meaning = serializers.CharField()


class LimitVersionSerializer(serializers.Serializer[Any]):
    """One dated version of the limits; only people change them, on their page."""

    version = serializers.IntegerField()
    in_force = serializers.BooleanField()
    active_from = serializers.DateTimeField()
    note = serializers.CharField(help_text="Why it changed.")
    by = serializers.CharField(allow_null=True)
    limits = NamedLimitSerializer(many=True)


class TimeFilterSerializer(serializers.Serializer[Any]):
    """Left out, it is the usual number of each printer and profile."""

    parts = serializers.IntegerField(min_value=1, max_value=MOST_PARTS, required=False)


class PrintTimeSerializer(serializers.Serializer[Any]):
    """Minutes of one build of ``parts`` parts like the mesh; null where the lab's builds cannot tell, and
    ``basis`` says why. ``low`` to ``high`` holds 95 % of such builds."""

    printer = serializers.CharField()
    profile = serializers.CharField()
    layer_um = serializers.IntegerField()
    parts = serializers.IntegerField()
    layers = serializers.IntegerField()
    minutes = serializers.FloatField(allow_null=True)
    low_minutes = serializers.FloatField(allow_null=True)
    high_minutes = serializers.FloatField(allow_null=True)
    n = serializers.IntegerField(help_text="Builds it was learned from.")
    more_needed = serializers.IntegerField()
    basis = serializers.CharField()
    method = serializers.CharField()
    source = serializers.CharField()  # type: ignore[assignment]


class SeriesListSerializer(serializers.Serializer[Any]):
    line = serializers.IntegerField()
    arch = serializers.ChoiceField(choices=Arch.choices)
    round = serializers.IntegerField()
    stages = serializers.IntegerField()


class StageFigureSerializer(serializers.Serializer[Any]):
    """One figure of a stage. ``expected`` by the series' trend; ``z`` in modified z-scores; ``change`` since
    the stage before. Null where there is none."""

    name = serializers.CharField()
    value = serializers.FloatField(allow_null=True)
    expected = serializers.FloatField(allow_null=True)
    z = serializers.FloatField(allow_null=True)
    change = serializers.FloatField(allow_null=True)
    stands_out = serializers.BooleanField()


class StageSerializer(serializers.Serializer[Any]):
    stage = serializers.IntegerField()
    mesh = serializers.IntegerField(allow_null=True)
    role = serializers.ChoiceField(choices=MeshRole.choices, allow_null=True)
    state = serializers.ChoiceField(choices=CheckState.choices, allow_null=True)
    verdict = serializers.ChoiceField(choices=Verdict.choices, allow_null=True)
    stands_out = serializers.BooleanField()
    figures = StageFigureSerializer(many=True)


class SeriesSerializer(serializers.Serializer[Any]):
    """A whole aligner series, the stages that stand out first."""

    case = serializers.IntegerField()
    line = serializers.IntegerField()
    arch = serializers.ChoiceField(choices=Arch.choices)
    checked = serializers.IntegerField()
    waiting = serializers.IntegerField()
    progress = serializers.FloatField(help_text="0 to 1")
    rule = serializers.CharField()
    stages = StageSerializer(many=True)


class InsertionSerializer(serializers.Serializer[Any]):
    """``choice`` 0: nobody chose yet. ``axis``: a unit vector in the file's frame; null as it is formed."""

    choice = serializers.IntegerField()
    axis = serializers.ListField(child=serializers.FloatField(), allow_null=True)
    by = serializers.CharField(allow_null=True)
    recorded_at = serializers.DateTimeField(allow_null=True)


class NewInsertionSerializer(serializers.Serializer[Any]):
    axis = serializers.ListField(
        child=serializers.FloatField(min_value=-1e9, max_value=1e9), min_length=3, max_length=3,
        allow_null=True,
        help_text="x, y, z in the file's frame, of any length but zero; null for as it is formed.",
    )  # fmt: skip
    based_on = serializers.IntegerField(
        required=False, allow_null=True, default=None, min_value=0, max_value=10**12,
        help_text="The choice you read; refused when another came since.",
    )  # fmt: skip
