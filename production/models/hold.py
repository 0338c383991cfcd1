"""Holds: nothing held may go on until quality lifts it."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from production.models.build import Build, Part
from production.models.equipment import Equipment
from production.models.forming import Piece
from production.models.material import Lot

HELD = ("equipment", "lot", "build", "part", "piece")


def _exactly_one_held() -> Q:
    condition = Q()
    for chosen in HELD:
        condition |= Q(**{f"{name}__isnull": name != chosen for name in HELD})
    return condition


class Hold(models.Model):
    equipment = models.ForeignKey(
        Equipment, null=True, blank=True, on_delete=models.PROTECT, related_name="holds"
    )
    lot = models.ForeignKey(Lot, null=True, blank=True, on_delete=models.PROTECT, related_name="holds")
    build = models.ForeignKey(Build, null=True, blank=True, on_delete=models.PROTECT, related_name="holds")
    part = models.ForeignKey(Part, null=True, blank=True, on_delete=models.PROTECT, related_name="holds")
    piece = models.ForeignKey(Piece, null=True, blank=True, on_delete=models.PROTECT, related_name="holds")
    reason = models.CharField(max_length=200)
    placed_at = models.DateTimeField()
    placed_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    lifted_at = models.DateTimeField(null=True, blank=True)
    lifted_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    lift_reason = models.CharField(max_length=200, blank=True)
    recorded_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["-placed_at", "-id"]
        constraints = [
            models.CheckConstraint(condition=_exactly_one_held(), name="hold_on_one_thing"),
            models.CheckConstraint(
                condition=Q(lifted_at__isnull=True, lifted_by__isnull=True, lift_reason="")
                | (
                    Q(lifted_at__isnull=False, lifted_at__gte=F("placed_at"), lifted_by__isnull=False)
                    & ~Q(lift_reason="")
                ),
                name="hold_lift_has_reason",
                violation_error_message="Say why the hold is lifted.",
            ),
        ]

    def __str__(self) -> str:
        return f"hold: {self.reason}"
