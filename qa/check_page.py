"""What the page of a check shows, gathered from the check, its neighbours and the lab's records."""

from __future__ import annotations

from typing import Any

from django.urls import reverse

from cases.choices import MeshRole
from cases.models import MeshUse
from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from qa.check_figures import findings, leading, rounded, sections, unit_words
from qa.check_forms import InsertionForm
from qa.choices import CheckState
from qa.layer_chart import profile_chart
from qa.models import MeshCheck
from qa.queries.check_keys import is_current
from qa.queries.checks import moved_since_before
from qa.queries.insertion import axis_in_force
from qa.queries.prepared import prepared_change, prepared_of
from qa.queries.print_time import MeshTime, mesh_times, words_of
from qa.queries.resin import resin_needs
from qa.services.insertion import takes_insertion

EARLIER = 20
MOST_PARTS = 200


def check_context(
    mesh: MeshUse, check: MeshCheck | None, actor: Actor, *, parts: int | None
) -> dict[str, Any]:
    """Everything the templates read. ``parts`` is how many a build would hold, for the print time."""
    context: dict[str, Any] = {
        "mesh": mesh,
        "check": check,
        "waiting": check is not None and check.state == CheckState.WAITING,
        "may_write": actor.may(Capability.CASES_WRITE),
    }
    if check is None:
        return context
    context["earlier"] = list(
        mesh.checks.exclude(pk=check.pk).select_related("limits").order_by("-pk")[:EARLIER]
    )
    if check.state != CheckState.DONE:
        return context
    context |= {
        "leading": leading(check),
        "judged": len(findings(check)),
        "sections": sections(check),
        "chart": profile_chart(check),
        "current": is_current(check),
        "moved": moved_since_before(check),
        "viewer": viewer_settings(check),
        "maps": shown_maps(check),
        "turn": turn_of(check),
    }
    context |= _of_preparation(mesh, check)
    appliance = mesh.appliance
    if appliance is not None and appliance.stage and mesh.role in (MeshRole.DESIGN, MeshRole.PREPARED):
        place = [mesh.case.number, appliance.line_id, appliance.arch]
        context["series"] = {"url": reverse("qa:series", args=place)}
    if actor.may(Capability.SHOP_READ):
        context |= {
            "resin": resin_needs(check.figures),
            "times": [time_row(one) for one in mesh_times(check.figures, parts=parts)],
            "parts": parts,
            "most_parts": MOST_PARTS,
        }
    return context


def insertion_context(mesh: MeshUse, actor: Actor, form: InsertionForm | None = None) -> dict[str, Any]:
    """The insertion axis in force and, for who may choose another, the form; nothing where none is asked."""
    if not takes_insertion(mesh):
        return {}
    choice = axis_in_force(mesh)
    context: dict[str, Any] = {"insertion": {"choice": choice, "words": choice.words if choice else ""}}
    if actor.may(Capability.CASES_WRITE) and mesh.is_in_use and mesh.case.voided_at is None:
        context["insertion"]["form"] = form or InsertionForm.showing(choice)
    return context


def _of_preparation(mesh: MeshUse, check: MeshCheck) -> dict[str, Any]:
    if mesh.role == MeshRole.PREPARED:
        return {"prepared_change": prepared_change(mesh, check)}
    if mesh.role == MeshRole.DESIGN:
        return {"prepared": prepared_of(mesh)}
    return {}


def turn_of(check: MeshCheck) -> dict[str, Any] | None:
    """The rotation that stands the part better, where there is one worth turning it for."""
    turn, rotation = check.figures.get("stand_turn_deg"), check.figures.get("stand_rotation")
    if turn is None or rotation is None or turn < 0.1:
        return None
    return {
        "turn_deg": turn,
        "rotation": rotation,
        "height_mm": check.figures.get("stand_height_mm"),
        "area_cm2": check.figures.get("stand_area_cm2"),
    }


def viewer_settings(check: MeshCheck) -> dict[str, Any]:
    """What the 3-D view reads from the page: its maps, where their values are, and the better rotation."""
    turn = turn_of(check)
    return {
        "maps": [
            one
            | {"url": reverse("qa:map", args=[check.mesh_id, one["name"]]), "unit": unit_words(one["unit"])}
            for one in check.maps
        ],
        "rotation": turn["rotation"] if turn else None,
    }


def shown_maps(check: MeshCheck) -> list[dict[str, Any]]:
    """Each map with its worst places as rows: number, where (x, y, z in the file) and value."""
    made = []
    for one in check.maps:
        places = [
            {
                "number": number,
                "where": [rounded(float(side)) for side in place[:3]],
                "value": rounded(float(place[3])),
            }
            for number, place in enumerate(one["places"], start=1)
        ]
        made.append(one | {"unit": unit_words(one["unit"]), "rows": places, "limit_text": _limit_text(one)})
    return made


def _limit_text(one: dict[str, Any]) -> str:
    if one["limit"] is None:
        return ""
    unit = unit_words(one["unit"])
    return f"Limit: {one['limit']:g}{'' if unit == '°' else ' '}{unit}."


def time_row(one: MeshTime) -> dict[str, Any]:
    """One line of the print times: in words, or why it cannot be told."""
    estimate = one.estimate
    interval = estimate.interval
    return {
        "setting": one.history.setting,
        "parts": one.parts,
        "layers": one.layers,
        "n": estimate.n,
        "time": "" if estimate.minutes is None else words_of(estimate.minutes),
        "low": "" if interval is None or interval.low is None else words_of(interval.low),
        "high": "" if interval is None or interval.high is None else words_of(interval.high),
        "why": estimate.why,
    }
