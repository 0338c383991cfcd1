"""What quality does when something happens in cases or in the shop: small, and in their transaction."""

from __future__ import annotations

from django.db.models import QuerySet

from cases.models import Appliance, MeshUse
from production.models import Build, EquipmentEvent, Part, Piece, Preparation, TreatmentRun
from qa.services.checks import check_attached
from qa.services.evidence import keep_evidence


def on_mesh_attached(mesh: MeshUse) -> None:
    check_attached(mesh)


def on_preparation_made(preparation: Preparation) -> None:
    """A prepared file is judged at the layer it was prepared for, once that is known."""
    if preparation.prepared is not None:
        check_attached(preparation.prepared)


def on_part_changed(part: Part) -> None:
    keep_evidence(parts=[part.pk])


def on_piece_changed(piece: Piece) -> None:
    # Of an appliance that was made again the last piece is the one it was for: siblings hang together.
    siblings = Piece.objects.filter(appliance_id=piece.appliance_id).values_list("pk", flat=True)
    keep_evidence(pieces=siblings)


def on_appliance_remade(remake: Appliance) -> None:
    pieces = Piece.objects.filter(appliance=remake.remake_of).values_list("pk", flat=True)
    keep_evidence(pieces=pieces)


def on_build_changed(build: Build) -> None:
    """A build's own parts, and when it was entered late those of later builds in its tank."""
    keep_evidence(parts=_parts_of(Build.objects.filter(pk=build.pk)))
    if build.tank_id is not None and build.started_at is not None:
        later = Build.objects.filter(tank_id=build.tank_id, started_at__gt=build.started_at)
        keep_evidence(aged=_parts_of(later))


def on_tank_changed(event: EquipmentEvent) -> None:
    later = Build.objects.filter(tank_id=event.equipment_id, started_at__gte=event.occurred_at)
    keep_evidence(aged=_parts_of(later))


def on_treatment_recorded(run: TreatmentRun) -> None:
    """Parts washed or cured after a run that is entered late: their bath and lamp are older now."""
    if run.equipment_id is not None:
        later = Part.objects.filter(
            treated__run__equipment_id=run.equipment_id, treated__run__started_at__gt=run.started_at
        )
        keep_evidence(parts=later.order_by().values_list("pk", flat=True).distinct())


def on_equipment_changed(event: EquipmentEvent) -> None:
    """A bath or lamp event that is entered late changes the ages of the runs after it."""
    parts = Part.objects.filter(
        treated__run__equipment_id=event.equipment_id, treated__run__started_at__gte=event.occurred_at
    )
    keep_evidence(parts=parts.order_by().values_list("pk", flat=True).distinct())


def _parts_of(builds: QuerySet[Build]) -> QuerySet[Part, int]:
    return Part.objects.filter(build__in=builds).order_by().values_list("pk", flat=True)
