"""Whether the part needs supports as it stands, and why; drawn from base contact and layers."""

from __future__ import annotations

from typing import Any

from qa.geometry.contact import ContactFigures
from qa.geometry.layers import LayerFigures
from qa.geometry.limits import LimitSet
from qa.geometry.subject import CheckRequest
from qa.geometry.verdicts import Check


def judge_supports(
    contact: ContactFigures, layers: LayerFigures, request: CheckRequest, limits: LimitSet
) -> tuple[dict[str, Any], Check]:
    """The figures ``supports_needed`` and ``supports_why``, and their row."""
    del request
    if contact.contact_fraction is None or layers.mid_air_starts is None:
        why = contact.refused or layers.refused
        row = Check(
            "supports", "unknown", None, "", None, f"Whether it needs supports cannot be told: {why}."
        )
        return {"supports_needed": None, "supports_why": []}, row
    reasons = []
    if contact.contact_fraction < limits.value("contact_min"):
        reasons.append("it does not stand on the platform")
    if layers.mid_air_starts > limits.value("mid_air_max"):
        reasons.append("something starts in mid-air")
    if layers.overhang_cm2 > limits.value("overhang_max"):
        reasons.append("large surfaces face down at a shallow angle")
    figures = {"supports_needed": bool(reasons), "supports_why": reasons}
    if not reasons:
        return figures, Check("supports", "pass", 0, "", None, "It prints without supports as it stands.")
    sentence = f"It needs supports as it stands: {', and '.join(reasons)}."
    return figures, Check("supports", "review", 1, "", None, sentence)
