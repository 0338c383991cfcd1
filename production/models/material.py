"""Materials, what their instructions allow, and lots."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from cases.choices import Tissue
from production.choices import ContactPurpose, MaterialKind, Translucency


class Material(models.Model):
    """A resin, filament, sheet or solvent as bought. What it may be used for is in its instructions."""

    code = models.SlugField(max_length=30, unique=True)
    kind = models.CharField(max_length=20, choices=MaterialKind.choices)
    name = models.CharField(max_length=80)
    colour = models.CharField(max_length=40, blank=True)
    translucency = models.CharField(max_length=10, choices=Translucency.choices, blank=True)
    density_g_per_ml = models.DecimalField(max_digits=5, decimal_places=3, null=True, blank=True)
    price = models.DecimalField(
        max_digits=8, decimal_places=2, null=True, blank=True, help_text="Per litre, kilogram or sheet."
    )
    consumption_factor = models.DecimalField(
        max_digits=4,
        decimal_places=2,
        default=1,
        help_text="Bought volume per part volume; above 1 for losses.",
    )
    thickness_mm = models.DecimalField(max_digits=4, decimal_places=2, null=True, blank=True)
    active = models.BooleanField(default=True)
    recorded_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["kind", "name"]
        constraints = [
            models.CheckConstraint(
                # Not null is said too: a check that comes out unknown passes.
                condition=~Q(kind=MaterialKind.SHEET) | Q(thickness_mm__isnull=False, thickness_mm__gt=0),
                name="material_sheet_has_thickness",
                violation_error_message="A sheet needs its nominal thickness.",
            ),
            models.CheckConstraint(
                condition=Q(consumption_factor__gte=1),
                name="material_consumption_at_least_one",
                violation_error_message="The consumption factor is at least 1.",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class MaterialInstruction(models.Model):
    """One stored version of the maker's instructions for use: it alone says what the material is for.

    In force from ``approved_at``; the latest approved version counts. ``contact_hours_max`` is the
    longest summed contact it allows, in hours; empty with a tissue means no limit is stated.
    """

    material = models.ForeignKey(Material, on_delete=models.PROTECT, related_name="instructions")
    version = models.PositiveIntegerField()
    document = models.CharField(max_length=200, help_text="Title, edition and date of the document.")
    intended_use = models.CharField(max_length=20, choices=ContactPurpose.choices)
    tissue = models.CharField(max_length=10, choices=Tissue.choices, default=Tissue.NONE)
    contact_hours_max = models.PositiveIntegerField(null=True, blank=True)
    recorded_at = models.DateTimeField(auto_now_add=True)
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    approved_at = models.DateTimeField(null=True, blank=True)
    approved_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )

    class Meta:
        ordering = ["material", "-version"]
        constraints = [
            models.UniqueConstraint(fields=["material", "version"], name="instruction_version_unique"),
            models.CheckConstraint(
                condition=(Q(intended_use=ContactPurpose.MODEL) & Q(tissue=Tissue.NONE))
                | (Q(intended_use=ContactPurpose.PATIENT_CONTACT) & ~Q(tissue=Tissue.NONE)),
                name="instruction_contact_names_tissue",
                violation_error_message="Patient contact names a tissue; a model material names none.",
            ),
            models.CheckConstraint(
                condition=Q(approved_at__isnull=True, approved_by__isnull=True)
                | Q(approved_at__isnull=False, approved_by__isnull=False),
                name="instruction_approval_has_person",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.material} instructions, version {self.version}"


class Lot(models.Model):
    material = models.ForeignKey(Material, on_delete=models.PROTECT, related_name="lots")
    number = models.CharField(max_length=60)
    received_on = models.DateField()
    opened_at = models.DateTimeField(null=True, blank=True)
    expires_on = models.DateField(null=True, blank=True)
    quarantined_at = models.DateTimeField(null=True, blank=True)
    quarantine_reason = models.CharField(max_length=200, blank=True)
    recorded_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["material", "number"]
        constraints = [
            models.UniqueConstraint(
                fields=["material", "number"],
                name="lot_number_unique",
                violation_error_message="This material already has a lot of that number.",
            ),
            models.CheckConstraint(
                condition=Q(expires_on__isnull=True) | Q(expires_on__gte=F("received_on")),
                name="lot_expires_after_receipt",
                violation_error_message="The lot expires before it was received.",
            ),
            models.CheckConstraint(
                condition=Q(quarantined_at__isnull=True, quarantine_reason="")
                | (Q(quarantined_at__isnull=False) & ~Q(quarantine_reason="")),
                name="lot_quarantine_has_reason",
                violation_error_message="Say why the lot is quarantined.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.material} lot {self.number}"
