"""Files and what they are used for. Access is by use, never by digest."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from cases.choices import MeshOrigin, MeshRole, Unit
from cases.models.appliance import Appliance
from cases.models.case import Case

IN_USE = Q(replaced_by__isnull=True, withdrawn_at__isnull=True)


class Blob(models.Model):
    """Bytes, stored once under their digest in the file store."""

    sha256 = models.CharField(max_length=64, unique=True)
    size_bytes = models.PositiveBigIntegerField()
    stored_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(size_bytes__gt=0), name="blob_not_empty"),
        ]

    def __str__(self) -> str:
        return self.sha256[:12]

    @property
    def path(self) -> str:
        """Where it lies below the file store."""
        return f"blobs/{self.sha256[:2]}/{self.sha256}"


class MeshUseQuerySet(models.QuerySet["MeshUse"]):
    def in_use(self) -> MeshUseQuerySet:
        """Those that were neither replaced nor withdrawn."""
        return self.filter(IN_USE)


class MeshUse(models.Model):
    """One mesh in one case: its role, the unit its numbers are in, and where it came from."""

    case = models.ForeignKey(Case, on_delete=models.PROTECT, related_name="meshes")
    appliance = models.ForeignKey(
        Appliance, null=True, blank=True, on_delete=models.PROTECT, related_name="meshes"
    )
    role = models.CharField(max_length=20, choices=MeshRole.choices)
    blob = models.ForeignKey(Blob, on_delete=models.PROTECT, related_name="uses")
    unit = models.CharField(max_length=5, choices=Unit.choices)
    file_format = models.CharField(max_length=12)
    triangles = models.PositiveIntegerField()
    original_name = models.CharField(max_length=200)
    origin = models.CharField(max_length=10, choices=MeshOrigin.choices)
    uploaded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    occurred_at = models.DateTimeField(help_text="When the scan or design was made or sent.")
    recorded_at = models.DateTimeField(auto_now_add=True)
    replaced_by = models.OneToOneField(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="replaces"
    )
    withdrawn_at = models.DateTimeField(null=True, blank=True)
    withdrawal_reason = models.CharField(max_length=200, blank=True)

    objects = MeshUseQuerySet.as_manager()

    class Meta:
        ordering = ["case", "id"]
        constraints = [
            # Two, since SQLite cannot treat a missing appliance as equal to another missing one.
            models.UniqueConstraint(
                fields=["case", "appliance", "role", "blob", "unit"],
                condition=IN_USE & Q(appliance__isnull=False),
                name="mesh_use_once_per_appliance",
                violation_error_message="This very file is already attached there.",
            ),
            models.UniqueConstraint(
                fields=["case", "role", "blob", "unit"],
                condition=IN_USE & Q(appliance__isnull=True),
                name="mesh_use_once_per_case",
                violation_error_message="This very file is already attached there.",
            ),
            models.CheckConstraint(condition=Q(triangles__gt=0), name="mesh_use_has_triangles"),
            models.CheckConstraint(
                condition=Q(withdrawn_at__isnull=True, withdrawal_reason="")
                | Q(withdrawn_at__isnull=False, replaced_by__isnull=True) & ~Q(withdrawal_reason=""),
                name="mesh_use_withdrawn_with_reason",
                violation_error_message="Say why the file is withdrawn; one that was replaced is out of use.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.case.label} {self.get_role_display().lower()} {self.original_name}"

    @property
    def is_in_use(self) -> bool:
        return self.replaced_by_id is None and self.withdrawn_at is None
