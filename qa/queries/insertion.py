"""The insertion axis in force: the latest choice for a file in its case."""

from __future__ import annotations

from collections.abc import Sequence

from cases.models import MeshUse
from qa.models import InsertionAxis

Place = tuple[int, int]


def place_of(mesh: MeshUse) -> Place:
    """What a choice is for: the case and the file, whichever way the file is used there."""
    return mesh.case_id, mesh.blob_id


def axis_in_force(mesh: MeshUse) -> InsertionAxis | None:
    """The latest choice, if there ever was one."""
    return (
        InsertionAxis.objects.select_related("by")
        .filter(mesh__case=mesh.case_id, mesh__blob=mesh.blob_id)
        .order_by("-pk")
        .first()
    )


def axes_in_force(meshes: Sequence[MeshUse]) -> dict[Place, InsertionAxis]:
    """The same of many meshes in one query, by ``place_of``."""
    rows = InsertionAxis.objects.filter(
        mesh__case__in={mesh.case_id for mesh in meshes}, mesh__blob__in={mesh.blob_id for mesh in meshes}
    )
    return {place_of(row.mesh): row for row in rows.select_related("mesh").order_by("pk")}
