"""What a material's instructions allow at a moment."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from production.models import MaterialInstruction


def instructions_in_force(material_ids: Sequence[int], at: datetime) -> dict[int, MaterialInstruction]:
    """The latest approved version of each material's instructions at ``at``; none where none was approved."""
    in_force: dict[int, MaterialInstruction] = {}
    rows = MaterialInstruction.objects.filter(
        material__in=material_ids, approved_at__isnull=False, approved_at__lte=at
    ).order_by("material", "version")
    for row in rows:
        in_force[row.material_id] = row
    return in_force
