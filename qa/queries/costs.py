"""What the lab says things cost."""

from __future__ import annotations

from decimal import Decimal

from qa.models import CostVersion
from qa.statistics.costs import Costs


def costs_in_force() -> CostVersion | None:
    """The latest version; None before anybody set one."""
    return CostVersion.objects.order_by("-version").first()


def engine_costs(version: CostVersion | None) -> Costs:
    """The costs as the engine takes them; unknown where nothing was said."""
    if version is None:
        return Costs()
    return Costs(
        lost_part=_number(version.lost_part),
        filter_tank=_number(version.filter_tank),
        failed_build=_number(version.failed_build),
        labour_per_h=_number(version.labour_per_h),
        machine_per_h=_number(version.machine_per_h),
    )


def _number(value: Decimal | None) -> float | None:
    return None if value is None else float(value)
