"""What a lab has told of its costs, in its own money; every figure in money needs these."""

from __future__ import annotations

from dataclasses import dataclass

from qa.statistics.results import StatisticsError


@dataclass(frozen=True, slots=True)
class Costs:
    """``lost_part``: what one lost part costs, remake included. ``filter_tank``: filtering a tank once.
    ``failed_build``: what a failed build costs beyond its parts. ``labour_per_h``, ``machine_per_h``:
    hourly rates. ``None`` where not known."""

    lost_part: float | None = None
    filter_tank: float | None = None
    failed_build: float | None = None
    labour_per_h: float | None = None
    machine_per_h: float | None = None

    def __post_init__(self) -> None:
        known = (self.lost_part, self.filter_tank, self.failed_build, self.labour_per_h, self.machine_per_h)
        if any(value is not None and value < 0 for value in known):
            raise StatisticsError("costs", "A cost cannot be below zero.")
