"""The two tables that feed the evidence, and the tally that keeps the trends fast.

Rows are copies of what the records said then; they are kept by each change and can be rebuilt from
the records, with equal results.
"""

from __future__ import annotations

from django.core.serializers.json import DjangoJSONEncoder
from django.db import models
from django.db.models import Q

from production.choices import Outcome
from production.models import Part, Piece
from qa.choices import EvidenceSource, EvidenceUnit
from qa.models.history import HistoryImport


class _OfFile(models.Model):
    """What may come from an imported file.

    The database does not look up the file of every row, which took PostgreSQL half as long again as storing
    it: evidence rows are stored together with their source rows, whose file it does look up, and what has
    lost its file shows nowhere.
    """

    history = models.ForeignKey(
        HistoryImport,
        null=True,
        blank=True,
        on_delete=models.CASCADE,
        related_name="+",
        db_index=False,
        db_constraint=False,
    )

    class Meta:
        abstract = True


class _Factors(_OfFile):
    """What both tables carry of how, where and by whom it was made."""

    source = models.CharField(max_length=10, choices=EvidenceSource.choices, default=EvidenceSource.LAB)
    label = models.CharField(max_length=80)
    occurred_at = models.DateTimeField()
    day = models.DateField()
    build = models.CharField(max_length=80, blank=True, help_text="Parts of one build share causes.")
    printer = models.CharField(max_length=80)
    process = models.CharField(max_length=40, blank=True)
    grade = models.CharField(max_length=20, blank=True)
    material = models.CharField(max_length=80, blank=True)
    lot = models.CharField(max_length=80, blank=True)
    colour = models.CharField(max_length=80, blank=True)
    translucency = models.CharField(max_length=40, blank=True)
    profile = models.CharField(max_length=80, blank=True)
    tank = models.CharField(max_length=80, blank=True)
    days_since_filter = models.FloatField(null=True)
    builds_since_filter = models.PositiveIntegerField(null=True)
    layers_since_filter = models.PositiveIntegerField(null=True)
    ml_since_filter = models.FloatField(null=True)
    operator = models.CharField(max_length=120, blank=True)
    steps = models.JSONField(
        default=dict, encoder=DjangoJSONEncoder, help_text="Item code to status of the answer."
    )
    defects = models.JSONField(
        default=list, encoder=DjangoJSONEncoder, help_text="kind|step of origin|step found, each once."
    )
    outcome = models.CharField(max_length=10, choices=Outcome.choices, blank=True)
    lost = models.BooleanField(default=False)
    defective = models.BooleanField(default=False, help_text="Any defect found, lost or not.")
    contaminated = models.BooleanField(default=False, help_text="Any defect of the contamination list.")
    mature = models.BooleanField(default=False)
    case_label = models.CharField(max_length=80, blank=True)
    clinic = models.CharField(max_length=120, blank=True)
    appliance_kind = models.CharField(max_length=80, blank=True)

    class Meta:
        abstract = True


class PrintAttempt(_Factors):
    """One row per part, from its build on."""

    part = models.ForeignKey(Part, null=True, on_delete=models.PROTECT, related_name="+", db_index=False)
    layer_um = models.PositiveSmallIntegerField(null=True)
    orientation = models.CharField(max_length=40, blank=True)
    platform_x_mm = models.FloatField(null=True)
    platform_y_mm = models.FloatField(null=True)
    supports = models.BooleanField(null=True)
    hollow = models.BooleanField(null=True)
    resin_temp_c = models.FloatField(null=True)
    bath_parts = models.PositiveIntegerField(null=True)
    lamp_hours = models.FloatField(null=True)

    class Meta:
        indexes = [
            # The records behind a trend.
            models.Index(fields=["day"], name="attempt_by_day"),
            # What is left out of it, and what time has made mature.
            models.Index(fields=["day"], condition=Q(mature=False), name="attempt_immature"),
            # The rows of one imported file.
            models.Index(fields=["history"], condition=Q(history__isnull=False), name="attempt_of_history"),
        ]
        constraints = [
            # Imported rows, which have no part, need no place in it.
            models.UniqueConstraint(
                fields=["part"], condition=Q(part__isnull=False), name="attempt_once_a_part"
            ),
            models.CheckConstraint(
                condition=Q(source=EvidenceSource.IMPORT) | Q(part__isnull=False),
                name="attempt_of_the_lab_has_part",
            ),
        ]

    def __str__(self) -> str:
        return self.label


class FormedPieceRow(_Factors):
    """One row per piece: everything of its part, and how it was formed."""

    piece = models.ForeignKey(Piece, null=True, on_delete=models.PROTECT, related_name="+", db_index=False)
    forming_machine = models.CharField(max_length=80, blank=True)
    sheet = models.CharField(max_length=80, blank=True)
    sheet_lot = models.CharField(max_length=80, blank=True)
    formings = models.PositiveSmallIntegerField(null=True)
    model_age_days = models.FloatField(null=True)
    heat_s = models.PositiveSmallIntegerField(null=True)
    interval_s = models.PositiveIntegerField(null=True)
    remade = models.BooleanField(default=False)
    returned = models.BooleanField(default=False, help_text="Did not fit.")

    class Meta:
        indexes = [
            # The records behind a trend.
            models.Index(fields=["day"], name="piece_row_by_day"),
            # What is left out of it, and what time has made mature.
            models.Index(fields=["day"], condition=Q(mature=False), name="piece_row_immature"),
            # The rows of one imported file.
            models.Index(fields=["history"], condition=Q(history__isnull=False), name="piece_row_of_history"),
        ]
        constraints = [
            # Imported rows, which have no piece, need no place in it.
            models.UniqueConstraint(
                fields=["piece"], condition=Q(piece__isnull=False), name="piece_row_once_a_piece"
            ),
            models.CheckConstraint(
                condition=Q(source=EvidenceSource.IMPORT) | Q(piece__isnull=False),
                name="piece_row_of_the_lab_has_piece",
            ),
        ]

    def __str__(self) -> str:
        return self.label


class EvidenceTally(_OfFile):
    """Parts, and apart from them pieces, counted by day, axis and level: what the trends read.

    ``axis`` is what the level belongs to: ``all``, ``build``, ``printer``, ``grade``, ``material``,
    ``colour``, ``translucency``, ``tank``, ``tank-days``, ``tank-builds``, ``step:<item>`` (level: status
    of the answer) and ``defect`` (level: kind|origin|found). Only mature rows are counted. A cell may fall
    back to zero and stay: it says the same as no cell. Imported files have cells of their own, so that
    publishing one is a single flag.
    """

    unit = models.CharField(max_length=5, choices=EvidenceUnit.choices)
    day = models.DateField()
    axis = models.CharField(max_length=120)
    level = models.CharField(max_length=120)
    parts = models.IntegerField(default=0, help_text="How many of the unit are counted here.")
    lost = models.IntegerField(default=0)
    defective = models.IntegerField(default=0)
    contaminated = models.IntegerField(default=0)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["unit", "day", "axis", "level"],
                condition=Q(history__isnull=True),
                name="tally_cell_unique",
            ),
            models.UniqueConstraint(
                fields=["history", "unit", "day", "axis", "level"],
                condition=Q(history__isnull=False),
                name="tally_imported_cell_unique",
            ),
            models.CheckConstraint(
                condition=Q(parts__gte=0, lost__gte=0, defective__gte=0, contaminated__gte=0),
                name="tally_never_negative",
            ),
        ]
        indexes = [
            # One axis over a range of days: the spread between builds.
            models.Index(fields=["unit", "axis", "day"], name="tally_by_axis"),
        ]

    def __str__(self) -> str:
        return f"{self.unit} {self.day} {self.axis} {self.level}"
