"""What is ordered: a line of an order, and each appliance of it."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from cases.choices import ApplianceKind, Arch, Tissue
from cases.models.case import Case


class OrderLine(models.Model):
    """One thing asked for: a series of aligners, a retainer for both arches, a study model."""

    case = models.ForeignKey(Case, on_delete=models.PROTECT, related_name="lines")
    position = models.PositiveSmallIntegerField()
    kind = models.CharField(max_length=30, choices=ApplianceKind.choices)
    round = models.PositiveSmallIntegerField("refinement round", default=0)
    direct_print = models.BooleanField(
        "printed directly", default=False, help_text="No working model, no forming."
    )
    tissue = models.CharField(max_length=10, choices=Tissue.choices, default=Tissue.MUCOSA)
    hours_per_day = models.DecimalField(max_digits=4, decimal_places=1, default=0)
    days = models.PositiveSmallIntegerField(default=0, help_text="Planned days of wear of one appliance.")
    sheet_wish = models.CharField("sheet asked for", max_length=80, blank=True)
    sheet_mm = models.DecimalField(max_digits=4, decimal_places=2, null=True, blank=True)
    note = models.CharField(max_length=300, blank=True)
    recorded_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["case", "position"]
        constraints = [
            models.UniqueConstraint(fields=["case", "position"], name="order_line_position_unique"),
            models.CheckConstraint(
                condition=Q(hours_per_day__gte=0, hours_per_day__lte=24),
                name="order_line_hours_in_a_day",
                violation_error_message="Hours per day must lie between 0 and 24.",
            ),
            models.CheckConstraint(
                condition=Q(sheet_mm__isnull=True) | Q(sheet_mm__gt=0, sheet_mm__lte=10),
                name="order_line_sheet_thickness",
                violation_error_message="A sheet is between 0 and 10 mm thick.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.case} line {self.position}: {self.get_kind_display()}"


class Appliance(models.Model):
    """One appliance to hand over. ``stage`` is 0 where there are no stages; a remake is a new one."""

    line = models.ForeignKey(OrderLine, on_delete=models.PROTECT, related_name="appliances")
    case = models.ForeignKey(Case, on_delete=models.PROTECT, related_name="appliances")
    arch = models.CharField(max_length=10, choices=Arch.choices)
    stage = models.PositiveSmallIntegerField(default=0)
    copy = models.PositiveSmallIntegerField(default=1)
    remake_of = models.OneToOneField(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="remake"
    )
    remake_number = models.PositiveSmallIntegerField(
        default=0, help_text="0 for the first one, 1 for its remake, 2 for the remake of that."
    )
    remake_reason = models.CharField(max_length=200, blank=True)
    recorded_at = models.DateTimeField(auto_now_add=True)
    cancelled_at = models.DateTimeField(null=True, blank=True)
    cancel_reason = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["case", "line", "arch", "stage", "copy", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["line", "arch", "stage", "copy", "remake_number"],
                name="appliance_unique_in_line",
                violation_error_message="This order line already has that arch, stage and copy.",
            ),
            models.CheckConstraint(condition=Q(copy__gte=1), name="appliance_copy_from_one"),
            models.CheckConstraint(
                condition=Q(remake_of__isnull=True, remake_number=0, remake_reason="")
                | (Q(remake_of__isnull=False, remake_number__gt=0) & ~Q(remake_reason="")),
                name="appliance_remake_has_reason",
                violation_error_message="Say why it is made again.",
            ),
            models.CheckConstraint(
                condition=Q(cancelled_at__isnull=True, cancel_reason="")
                | (Q(cancelled_at__isnull=False) & ~Q(cancel_reason="")),
                name="appliance_cancel_has_reason",
                violation_error_message="Say why it is cancelled.",
            ),
        ]

    def __str__(self) -> str:
        return self.label

    @property
    def label(self) -> str:
        """Case, what, arch, stage, round, copy and remake in short; unlike any other of the case.

        C-00012 U07 · C-00012 L01 round 1 copy 2 · C-00012 night guard U remake 1. Reads ``case`` and
        ``line``: select both for lists.
        """
        return f"{self.case.label} {self.short_label}"

    @property
    def short_label(self) -> str:
        """The label without the case."""
        letter = self.arch[0].upper()
        if self.line.kind == ApplianceKind.ALIGNER:
            parts = [f"{letter}{self.stage:02d}"]
        else:
            stage = f"{self.stage:02d}" if self.stage else ""
            parts = [f"{self.line.get_kind_display().lower()} {letter}{stage}"]
        if self.line.round:
            parts.append(f"round {self.line.round}")
        if self.copy > 1:
            parts.append(f"copy {self.copy}")
        if self.remake_number:
            parts.append(f"remake {self.remake_number}")
        return " ".join(parts)
