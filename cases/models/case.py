"""A case: what one clinic asks for one patient."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from cases.models.clinic import Clinic


class Case(models.Model):
    """``number`` is the lab's own, from a counter row; a voided case keeps its number for ever."""

    number = models.PositiveBigIntegerField(unique=True)
    clinic = models.ForeignKey(Clinic, on_delete=models.PROTECT, related_name="cases")
    clinic_reference = models.CharField("the clinic's reference", max_length=60, blank=True)
    patient_code = models.CharField(max_length=40, help_text="A code, never a name.")
    prescriber = models.CharField(max_length=120)
    appointment_on = models.DateField(null=True, blank=True)
    ship_by = models.DateField(null=True, blank=True)
    note = models.TextField(blank=True)
    occurred_at = models.DateTimeField(help_text="When the order was given.")
    recorded_at = models.DateTimeField(auto_now_add=True)
    logged_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    voided_at = models.DateTimeField(null=True, blank=True)
    void_reason = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["-number"]
        constraints = [
            models.UniqueConstraint(
                fields=["clinic", "clinic_reference"],
                condition=~Q(clinic_reference="") & Q(voided_at__isnull=True),
                name="case_reference_unique_per_clinic",
                violation_error_message="This clinic already has a case under that reference.",
            ),
            models.CheckConstraint(
                condition=Q(appointment_on__isnull=True)
                | Q(ship_by__isnull=True)
                | Q(ship_by__lte=F("appointment_on")),
                name="case_ships_before_appointment",
                violation_error_message="The ship-by date lies after the appointment.",
            ),
            models.CheckConstraint(
                condition=Q(voided_at__isnull=True, void_reason="")
                | (Q(voided_at__isnull=False) & ~Q(void_reason="")),
                name="case_void_has_reason",
                violation_error_message="Say why the case is voided.",
            ),
        ]
        indexes = [
            # A clinic's own list, newest first.
            models.Index(fields=["clinic", "-number"], name="case_by_clinic"),
            # What is due.
            models.Index(fields=["ship_by"], name="case_by_ship_date"),
        ]

    def __str__(self) -> str:
        return self.label

    @property
    def label(self) -> str:
        return f"C-{self.number:05d}"


class ClinicWait(models.Model):
    """The lab waits for the clinic: the case's clock stands still from ``since`` to ``until``."""

    case = models.ForeignKey(Case, on_delete=models.PROTECT, related_name="waits")
    question = models.TextField()
    answer = models.TextField(blank=True)
    since = models.DateTimeField()
    until = models.DateTimeField(null=True, blank=True)
    asked_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    answered_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    recorded_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["since"]
        constraints = [
            models.UniqueConstraint(
                fields=["case"],
                condition=Q(until__isnull=True),
                name="case_waits_once_at_a_time",
                violation_error_message="This case is already waiting for the clinic.",
            ),
            models.CheckConstraint(
                condition=Q(until__isnull=True) | Q(until__gte=F("since")),
                name="wait_ends_after_start",
                violation_error_message="The wait cannot end before it began.",
            ),
            models.CheckConstraint(
                condition=Q(until__isnull=True, answer="", answered_by__isnull=True)
                | (Q(until__isnull=False, answered_by__isnull=False) & ~Q(answer="")),
                name="wait_ends_with_answer",
                violation_error_message="The wait ends with an answer and with who gave it.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.case}: {self.question[:40]}"
