"""What the lab says things cost."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

import numpy as np
import numpy.typing as npt
import pandas as pd

from qa.models import CostVersion
from qa.queries.evidence_frame import lab_costs
from qa.statistics.costs import Costs
from qa.statistics.evidence import part_cost


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


def attempt_costs(builds: Sequence[int | None], materials: Sequence[str]) -> npt.NDArray[np.float64]:
    """What the attempt at each part cost, by its build and material; not-a-number where nothing is known."""
    version = costs_in_force()
    frame = pd.DataFrame(lab_costs(list(builds), list(materials)))
    if version is not None and version.labour_min is not None:
        frame["labour_min"] = float(version.labour_min)
    return part_cost(frame, engine_costs(version))
