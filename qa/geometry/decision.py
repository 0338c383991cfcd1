"""Pass, fail or cannot tell, by ISO 14253-1: the device's expanded uncertainty guards the limit.

Conformity is proven only inside the tolerance reduced by the uncertainty, nonconformity only outside the
tolerance enlarged by it; between the two nothing is proven. Source: ISO 14253-1:2017, default rule at 95 %.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

Verdict = Literal["pass", "fail", "unknown"]


@dataclass(frozen=True)
class Decision:
    """``value_mm`` judged against ``limit_mm`` with ``uncertainty_mm`` (expanded, k = 2)."""

    verdict: Verdict
    value_mm: float
    limit_mm: float
    uncertainty_mm: float
    sentence: str


def decide(what: str, value_mm: float, limit_mm: float, uncertainty_mm: float) -> Decision:
    """Judge a magnitude against an upper limit. Raises ValueError on a limit or uncertainty below zero."""
    if not (limit_mm > 0 and uncertainty_mm >= 0):
        raise ValueError("the limit must be above zero and the uncertainty not below it")
    size = abs(value_mm)
    shown = f"{what} is {size:.3f} mm, limit {limit_mm:.3f} mm, device uncertainty {uncertainty_mm:.3f} mm"
    if not math.isfinite(value_mm):
        return Decision("unknown", value_mm, limit_mm, uncertainty_mm, f"{what} could not be measured.")
    if size <= limit_mm - uncertainty_mm:
        return Decision("pass", value_mm, limit_mm, uncertainty_mm, f"{shown}: within.")
    if size > limit_mm + uncertainty_mm:
        return Decision("fail", value_mm, limit_mm, uncertainty_mm, f"{shown}: outside.")
    near = "so close to the limit that this device cannot tell"
    if uncertainty_mm >= limit_mm:
        near = "the device is too coarse for this limit"
    return Decision("unknown", value_mm, limit_mm, uncertainty_mm, f"{shown}: {near}.")


def worst(verdicts: list[Verdict]) -> Verdict:
    """One verdict for several: fail before unknown before pass; unknown when there are none."""
    if "fail" in verdicts:
        return "fail"
    return "unknown" if "unknown" in verdicts or not verdicts else "pass"
