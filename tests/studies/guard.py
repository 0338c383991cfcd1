"""Judge the guard band: simulated devices measure prints whose true figure is known.

The device's error is normal with standard deviation U / 2 (U: expanded uncertainty, k = 2). Stated risk of a
wrong accept: at most 2.3 % for a print exactly at its limit (one side of a 95.4 % interval), less beyond it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from qa.geometry.decision import decide

LIMIT_MM = 0.25
STATED_RISK = float(stats.norm.sf(2.0))


@dataclass(frozen=True)
class Row:
    """Verdicts of ``trials`` measurements of a print whose true figure is ``truth_mm``."""

    uncertainty_mm: float
    truth_mm: float
    trials: int
    passed: int
    failed: int

    def miss(self) -> str | None:
        """A wrong accept or reject beyond what the stated risk allows by chance (0.1 %)."""
        wrong = self.passed if self.truth_mm >= LIMIT_MM else self.failed
        if wrong > stats.binom.ppf(0.999, self.trials, STATED_RISK):
            return f"U {self.uncertainty_mm}, true {self.truth_mm}: wrong in {wrong} of {self.trials}"
        return None


def run(*, trials: int, seed: int) -> list[Row]:
    """Devices of several uncertainties on prints at, inside and outside the limit."""
    random = np.random.default_rng(seed)
    rows = []
    for uncertainty in (0.01, 0.02, 0.05, 0.1):
        for off in (-2.0, -1.0, -0.5, 0.0, 0.5, 1.0, 2.0):
            truth = LIMIT_MM + off * uncertainty
            told = [
                decide("", value, LIMIT_MM, uncertainty).verdict
                for value in truth + random.normal(0.0, uncertainty / 2.0, trials)
            ]
            rows.append(Row(uncertainty, truth, trials, told.count("pass"), told.count("fail")))
    return rows


def table(rows: list[Row]) -> str:
    """One row per device and true figure."""
    lines = [
        "| U, mm | true figure, mm (limit 0.250) | trials | pass | fail | cannot tell |",
        "|---:|---:|---:|---:|---:|---:|",
    ]
    for one in rows:
        shares = [one.passed, one.failed, one.trials - one.passed - one.failed]
        told = " | ".join(f"{100 * share / one.trials:.2f} %" for share in shares)
        lines.append(f"| {one.uncertainty_mm:.2f} | {one.truth_mm:.3f} | {one.trials:,} | {told} |")
    return "\n".join(lines)
