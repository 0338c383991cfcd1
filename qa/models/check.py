"""Checks of meshes and the limits they judged by."""

from __future__ import annotations

from django.conf import settings
from django.core.serializers.json import DjangoJSONEncoder
from django.db import models
from django.db.models import Q

from cases.models import Blob, MeshUse
from labtrack.jobs.models import Job
from qa.choices import CheckState, Verdict


class LimitVersion(models.Model):
    """One dated version of the lab's limits; the latest is in force. Never edited."""

    version = models.PositiveIntegerField(unique=True)
    content = models.JSONField(help_text="The engine's limit set, as JSON.")
    note = models.CharField("why it changed", max_length=200)
    active_from = models.DateTimeField()
    recorded_at = models.DateTimeField(auto_now_add=True)
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )

    class Meta:
        ordering = ["-version"]

    def __str__(self) -> str:
        return f"Limits, version {self.version}"


class MeshCheckManager(models.Manager["MeshCheck"]):
    """Leaves the profile, thousands of numbers, in the database until it is drawn."""

    def get_queryset(self) -> models.QuerySet[MeshCheck]:
        return super().get_queryset().defer("profile")


class MeshCheck(models.Model):
    """What the engine said of one mesh, under one key: same key, same figures; old results stay.

    ``key`` is a digest over mesh, unit, role, placement, layer, limits and engine version.
    """

    mesh = models.ForeignKey(MeshUse, on_delete=models.PROTECT, related_name="checks")
    key = models.CharField(max_length=64)
    engine = models.CharField(max_length=40)
    limits = models.ForeignKey(LimitVersion, on_delete=models.PROTECT, related_name="checks")
    request = models.JSONField(default=dict, encoder=DjangoJSONEncoder)
    job = models.ForeignKey(Job, null=True, on_delete=models.SET_NULL, related_name="+")
    state = models.CharField(max_length=10, choices=CheckState.choices, default=CheckState.WAITING)
    verdict = models.CharField(max_length=10, choices=Verdict.choices, blank=True)
    figures = models.JSONField(default=dict, encoder=DjangoJSONEncoder)
    findings = models.JSONField(default=list, encoder=DjangoJSONEncoder, help_text="One row per check.")
    sections = models.JSONField(
        default=list,
        encoder=DjangoJSONEncoder,
        help_text="Names of the figures and rows of each group, with its verdict.",
    )
    profile = models.JSONField(default=dict, encoder=DjangoJSONEncoder, help_text="Area over height.")
    preview = models.ForeignKey(Blob, null=True, on_delete=models.PROTECT, related_name="+")
    maps = models.JSONField(
        default=list,
        encoder=DjangoJSONEncoder,
        help_text="What the preview can be coloured by: title, unit, scale, limit, worst places.",
    )
    map_values = models.ForeignKey(
        Blob, null=True, on_delete=models.PROTECT, related_name="+", help_text="Their values at its vertices."
    )
    sentence = models.TextField(blank=True, help_text="Why it could not be checked.")
    asked_at = models.DateTimeField(auto_now_add=True)
    finished_at = models.DateTimeField(null=True, blank=True)

    objects = MeshCheckManager()

    class Meta:
        ordering = ["-asked_at", "-id"]
        constraints = [
            models.UniqueConstraint(fields=["mesh", "key"], name="mesh_check_once_per_key"),
            models.CheckConstraint(
                condition=Q(state=CheckState.WAITING, finished_at__isnull=True, verdict="")
                | (Q(state=CheckState.DONE, finished_at__isnull=False) & ~Q(verdict=""))
                | (Q(state=CheckState.REFUSED, finished_at__isnull=False, verdict="") & ~Q(sentence="")),
                name="mesh_check_state_consistent",
            ),
        ]
        indexes = [
            # The latest check of a mesh.
            models.Index(fields=["mesh", "-id"], name="mesh_check_latest"),
        ]

    def __str__(self) -> str:
        return f"check of {self.mesh}"


class InsertionAxis(models.Model):
    """The direction in which what is formed over a design comes off, chosen anew. Never edited.

    ``x``, ``y``, ``z`` are a unit vector in the frame of the mesh's file; none of them: along the forming
    axis, as it is formed. The latest choice for a file in its case is in force, also when the file's unit or
    role is restated.
    """

    mesh = models.ForeignKey(MeshUse, on_delete=models.PROTECT, related_name="insertion_axes")
    x = models.FloatField(null=True, blank=True)
    y = models.FloatField(null=True, blank=True)
    z = models.FloatField(null=True, blank=True)
    recorded_at = models.DateTimeField(auto_now_add=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(x__isnull=True, y__isnull=True, z__isnull=True)
                # Said outright: a check that comes to nothing, as with one number missing, would pass.
                | Q(x__isnull=False, y__isnull=False, z__isnull=False)
                & Q(x__range=(-1.0, 1.0), y__range=(-1.0, 1.0), z__range=(-1.0, 1.0))
                & ~Q(x=0.0, y=0.0, z=0.0),
                name="insertion_axis_is_a_direction",
                violation_error_message="The direction needs three numbers that are not all zero.",
            ),
        ]

    def __str__(self) -> str:
        return f"insertion of {self.mesh.original_name}: {self.words}"

    @property
    def vector(self) -> list[float] | None:
        """The unit vector; None for as it is formed."""
        return None if self.x is None or self.y is None or self.z is None else [self.x, self.y, self.z]

    @property
    def words(self) -> str:
        """The direction to three places, or that it is none of its own."""
        vector = self.vector
        return "as it is formed" if vector is None else ", ".join(f"{side:.3f}" for side in vector)
