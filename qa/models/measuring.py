"""Prints held against their designs: by scan, by caliper, and by the morning's check block."""

from __future__ import annotations

from django.conf import settings
from django.core.serializers.json import DjangoJSONEncoder
from django.db import models
from django.db.models import Q

from cases.models import Blob, MeshUse
from labtrack.jobs.models import Job
from production.models import Equipment, Part, Printer
from qa.choices import CheckState, IdentityAnswer, PicturesState, Side, Verdict
from qa.models.check import LimitVersion


class LandmarkSheet(models.Model):
    """One version of the places marked on a design and the distances named between them. Never edited.

    ``content`` holds ``landmarks`` (name, at_mm: x, y, z in the design's frame, mm) and ``distances``
    (name, along: the names of its landmarks, design_mm).
    """

    mesh = models.ForeignKey(MeshUse, on_delete=models.PROTECT, related_name="landmark_sheets")
    version = models.PositiveIntegerField()
    content = models.JSONField(encoder=DjangoJSONEncoder)
    recorded_at = models.DateTimeField(auto_now_add=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["mesh", "-version"]
        constraints = [
            models.UniqueConstraint(
                fields=["mesh", "version"],
                name="landmark_sheet_version_unique",
                violation_error_message="Somebody changed the landmarks meanwhile. Look at them again.",
            ),
        ]

    def __str__(self) -> str:
        return f"landmarks of {self.mesh.original_name}, version {self.version}"


class PrintComparisonManager(models.Manager["PrintComparison"]):
    """Leaves the result, thousands of numbers, in the database until it is shown."""

    def get_queryset(self) -> models.QuerySet[PrintComparison]:
        return super().get_queryset().defer("result", "histogram")


class PrintComparison(models.Model):
    """What the engine said of one scan of one part, under one key: same key, same figures; old ones stay.

    ``key`` is a digest over scan, reference, candidates, landmarks, tolerances, device uncertainty and
    engine version. ``reference`` is the design or prepared file of the part's placement. The result comes
    first; ``preview`` and ``picture`` follow by a job of their own (``pictures_job``).
    """

    part = models.ForeignKey(Part, on_delete=models.PROTECT, related_name="comparisons")
    scan = models.ForeignKey(MeshUse, on_delete=models.PROTECT, related_name="comparisons")
    reference = models.ForeignKey(MeshUse, on_delete=models.PROTECT, related_name="+")
    landmarks = models.ForeignKey(
        LandmarkSheet, null=True, on_delete=models.PROTECT, related_name="comparisons"
    )
    device = models.ForeignKey(Equipment, null=True, on_delete=models.PROTECT, related_name="comparisons")
    limits = models.ForeignKey(LimitVersion, on_delete=models.PROTECT, related_name="comparisons")
    key = models.CharField(max_length=64)
    engine = models.CharField(max_length=40)
    request = models.JSONField(encoder=DjangoJSONEncoder, help_text="What it was judged by.")
    candidates = models.JSONField(default=list, help_text="Other designs it was held against: mesh, name.")
    job = models.ForeignKey(Job, null=True, on_delete=models.SET_NULL, related_name="+")
    state = models.CharField(max_length=10, choices=CheckState.choices, default=CheckState.WAITING)
    verdict = models.CharField(max_length=10, choices=Verdict.choices, blank=True)
    identity = models.CharField(max_length=10, choices=IdentityAnswer.choices, blank=True)
    accepted = models.BooleanField(default=False, help_text="Pose found, and it is this design.")
    counts = models.BooleanField(
        default=False, help_text="For trueness and precision: surely a print of this design, good or bad."
    )
    mean_mm = models.FloatField(null=True, help_text="Bias of the working surface.")
    p95_abs_mm = models.FloatField(null=True, help_text="95th percentile of its magnitude.")
    result = models.JSONField(default=dict, encoder=DjangoJSONEncoder)
    histogram = models.JSONField(default=dict, encoder=DjangoJSONEncoder)
    preview = models.ForeignKey(Blob, null=True, on_delete=models.PROTECT, related_name="+")
    picture = models.ForeignKey(Blob, null=True, on_delete=models.PROTECT, related_name="+")
    pictures_job = models.ForeignKey(Job, null=True, on_delete=models.SET_NULL, related_name="+")
    sentence = models.TextField(blank=True, help_text="The verdict's reason, or why there is none.")
    occurred_at = models.DateTimeField(help_text="When the part was scanned.")
    asked_at = models.DateTimeField(auto_now_add=True)
    finished_at = models.DateTimeField(null=True, blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    objects = PrintComparisonManager()

    class Meta:
        ordering = ["-asked_at", "-id"]
        constraints = [
            models.UniqueConstraint(fields=["part", "scan", "key"], name="comparison_once_per_key"),
            models.CheckConstraint(
                condition=Q(state=CheckState.WAITING, finished_at__isnull=True, verdict="")
                | (Q(state=CheckState.DONE, finished_at__isnull=False) & ~Q(verdict="") & ~Q(identity=""))
                | (Q(state=CheckState.REFUSED, finished_at__isnull=False, verdict="") & ~Q(sentence="")),
                name="comparison_state_consistent",
            ),
            models.CheckConstraint(
                condition=Q(preview__isnull=True, picture__isnull=True)
                | Q(state=CheckState.DONE, preview__isnull=False, picture__isnull=False),
                name="comparison_pictures_of_result",
                violation_error_message="Both pictures are stored together, once there is a result.",
            ),
        ]
        indexes = [
            # The latest comparison of a part.
            models.Index(fields=["part", "-id"], name="comparison_latest"),
        ]

    def __str__(self) -> str:
        return f"comparison of {self.part}"

    @property
    def pictures_state(self) -> PicturesState | None:
        """None while there is no result to draw."""
        if self.state != CheckState.DONE:
            return None
        if self.picture_id is not None:
            return PicturesState.READY
        under_way = self.pictures_job is not None and not self.pictures_job.is_final
        return PicturesState.WAITING if under_way else PicturesState.FAILED


class CaliperMeasurement(models.Model):
    """Named distances of one part, measured by hand in one go, against one version of the landmarks."""

    part = models.ForeignKey(Part, on_delete=models.PROTECT, related_name="caliper_measurements")
    landmarks = models.ForeignKey(
        LandmarkSheet, on_delete=models.PROTECT, related_name="caliper_measurements"
    )
    device = models.ForeignKey(Equipment, null=True, on_delete=models.PROTECT, related_name="+")
    limits = models.ForeignKey(LimitVersion, on_delete=models.PROTECT, related_name="+")
    tolerance_mm = models.FloatField()
    uncertainty_mm = models.FloatField(help_text="Expanded uncertainty U (k = 2) judged with.")
    uncertainty_studied = models.BooleanField(help_text="Whether a study of the device stands behind it.")
    verdict = models.CharField(max_length=10, choices=Verdict.choices)
    note = models.CharField(max_length=200, blank=True)
    occurred_at = models.DateTimeField()
    recorded_at = models.DateTimeField(auto_now_add=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["-occurred_at", "-id"]

    def __str__(self) -> str:
        return f"caliper measurement of {self.part}"


class CaliperValue(models.Model):
    measurement = models.ForeignKey(CaliperMeasurement, on_delete=models.PROTECT, related_name="values")
    name = models.CharField(max_length=60)
    design_mm = models.FloatField()
    measured_mm = models.DecimalField(max_digits=7, decimal_places=3)
    error_mm = models.FloatField(help_text="Measured less design.")
    verdict = models.CharField(max_length=10, choices=Verdict.choices)
    sentence = models.CharField(max_length=300)

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(fields=["measurement", "name"], name="caliper_distance_once"),
            models.CheckConstraint(
                condition=Q(measured_mm__gt=0),
                name="caliper_value_positive",
                violation_error_message="A measured length is above 0 mm.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name} {self.measured_mm} mm"


class MorningProof(models.Model):
    """A check block of one printer, measured by caliper on one day."""

    printer = models.ForeignKey(Printer, on_delete=models.PROTECT, related_name="proofs")
    device = models.ForeignKey(Equipment, null=True, on_delete=models.PROTECT, related_name="+")
    limits = models.ForeignKey(LimitVersion, on_delete=models.PROTECT, related_name="+")
    day = models.DateField(help_text="In the lab's time zone.")
    tolerance_mm = models.FloatField()
    uncertainty_mm = models.FloatField()
    uncertainty_studied = models.BooleanField()
    verdict = models.CharField(max_length=10, choices=Verdict.choices)
    note = models.CharField(max_length=200, blank=True)
    occurred_at = models.DateTimeField()
    recorded_at = models.DateTimeField(auto_now_add=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["-occurred_at", "-id"]
        indexes = [
            # The proofs of a printer in time order: its chart, and which covers a part.
            models.Index(fields=["printer", "day"], name="proof_by_printer_day"),
        ]

    def __str__(self) -> str:
        return f"check block of {self.printer} on {self.day}"

    @property
    def by_side(self) -> list[ProofValue | None]:
        """The block's sides in the order of ``Side``; None for one that was not measured."""
        found = {value.side: value for value in self.values.all()}
        return [found.get(side.value) for side in Side]


class ProofValue(models.Model):
    proof = models.ForeignKey(MorningProof, on_delete=models.PROTECT, related_name="values")
    side = models.CharField(max_length=1, choices=Side.choices)
    nominal_mm = models.DecimalField(max_digits=7, decimal_places=3)
    measured_mm = models.DecimalField(max_digits=7, decimal_places=3)
    error_mm = models.FloatField(help_text="Measured less nominal.")
    verdict = models.CharField(max_length=10, choices=Verdict.choices)
    sentence = models.CharField(max_length=300)

    class Meta:
        ordering = ["side"]
        constraints = [
            models.UniqueConstraint(fields=["proof", "side"], name="proof_side_once"),
            models.CheckConstraint(
                condition=Q(measured_mm__gt=0, nominal_mm__gt=0),
                name="proof_value_positive",
                violation_error_message="A length is above 0 mm.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_side_display()} {self.measured_mm} mm"
