"""Work instructions and what was answered to them."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from production.choices import WORK_STEPS, AnswerKind, AnswerStatus
from production.models.build import Build, Part
from production.models.forming import FormingCycle, Piece
from production.models.preparation import Preparation
from production.models.treatment import TreatmentRun

SUBJECTS = ("preparation", "build", "part", "treatment", "cycle", "piece")


def _exactly_one_subject() -> Q:
    condition = Q()
    for chosen in SUBJECTS:
        condition |= Q(**{f"{name}__isnull": name != chosen for name in SUBJECTS})
    return condition


class WorkInstruction(models.Model):
    """One version of the instruction for one step; the latest active one is in use."""

    step = models.CharField(max_length=20, choices=[(step.value, step.label) for step in WORK_STEPS])
    version = models.PositiveIntegerField()
    title = models.CharField(max_length=120)
    caution = models.TextField(blank=True, help_text="Shown before the work, in full.")
    active_from = models.DateTimeField()
    recorded_at = models.DateTimeField(auto_now_add=True)
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="+",
        help_text="Nobody: shipped with Fitledger.",
    )

    class Meta:
        ordering = ["step", "-version"]
        constraints = [
            models.UniqueConstraint(fields=["step", "version"], name="work_instruction_version_unique"),
        ]

    def __str__(self) -> str:
        return f"{self.title}, version {self.version}"


class InstructionItem(models.Model):
    """One question. ``code`` stays the same across versions, so that the evidence can follow it."""

    instruction = models.ForeignKey(WorkInstruction, on_delete=models.PROTECT, related_name="items")
    position = models.PositiveSmallIntegerField()
    code = models.SlugField(max_length=40)
    text = models.CharField(max_length=200)
    kind = models.CharField(max_length=10, choices=AnswerKind.choices)
    unit = models.CharField(max_length=20, blank=True)
    low = models.DecimalField(max_digits=10, decimal_places=3, null=True, blank=True)
    high = models.DecimalField(max_digits=10, decimal_places=3, null=True, blank=True)
    choices = models.JSONField(default=list, blank=True, help_text="Allowed words, for a choice.")
    within = models.JSONField(default=list, blank=True, help_text="Words that count as within limits.")
    limit_source = models.CharField(max_length=120, blank=True)

    class Meta:
        ordering = ["instruction", "position"]
        constraints = [
            models.UniqueConstraint(fields=["instruction", "code"], name="item_code_unique_in_version"),
            models.UniqueConstraint(fields=["instruction", "position"], name="item_position_unique"),
            models.CheckConstraint(
                condition=Q(low__isnull=True) | Q(high__isnull=True) | Q(low__lte=F("high")),
                name="item_limits_in_order",
                violation_error_message="The lower limit lies above the upper one.",
            ),
        ]

    def __str__(self) -> str:
        return self.text


class Answer(models.Model):
    """What was answered to one item for one thing. A correction is a new answer that replaces the old.

    Not done, done out of limits and not recorded are three different things; the last is the absence
    of a row.
    """

    item = models.ForeignKey(InstructionItem, on_delete=models.PROTECT, related_name="answers")
    status = models.CharField(max_length=20, choices=AnswerStatus.choices)
    number = models.DecimalField(max_digits=10, decimal_places=3, null=True, blank=True)
    word = models.CharField(max_length=60, blank=True)
    moment = models.DateTimeField(null=True, blank=True)
    preparation = models.ForeignKey(
        Preparation, null=True, blank=True, on_delete=models.PROTECT, related_name="answers"
    )
    build = models.ForeignKey(Build, null=True, blank=True, on_delete=models.PROTECT, related_name="answers")
    part = models.ForeignKey(Part, null=True, blank=True, on_delete=models.PROTECT, related_name="answers")
    treatment = models.ForeignKey(
        TreatmentRun, null=True, blank=True, on_delete=models.PROTECT, related_name="answers"
    )
    cycle = models.ForeignKey(
        FormingCycle, null=True, blank=True, on_delete=models.PROTECT, related_name="answers"
    )
    piece = models.ForeignKey(Piece, null=True, blank=True, on_delete=models.PROTECT, related_name="answers")
    # No one-to-one: while it is being replaced an answer points at itself, and one that was itself a
    # correction is pointed at already.
    replaced_by = models.ForeignKey(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="replaces"
    )
    occurred_at = models.DateTimeField()
    recorded_at = models.DateTimeField(auto_now_add=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["occurred_at", "id"]
        constraints = [
            models.CheckConstraint(condition=_exactly_one_subject(), name="answer_about_one_thing"),
            *(
                models.UniqueConstraint(
                    fields=["item", subject],
                    condition=Q(**{f"{subject}__isnull": False, "replaced_by__isnull": True}),
                    name=f"answer_stands_once_per_{subject}",
                    violation_error_message="This item is already answered; correct the answer instead.",
                )
                for subject in SUBJECTS
            ),
        ]

    def __str__(self) -> str:
        return f"{self.item.code}: {self.get_status_display()}"
