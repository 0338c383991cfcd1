"""The page of a mesh's check, its preview and its numbers."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.views.decorators.http import require_POST, require_safe

from cases.models import MeshUse
from cases.queries import mesh_for
from cases.services.file_store import blob_path
from labtrack.accounts.choices import Capability
from labtrack.errors import NotFound
from labtrack.web import actor_of, csv_response, page
from qa.check_page import LEADING, findings, main_figures, other_figures, profile_chart, profile_rows
from qa.choices import CheckState
from qa.models import MeshCheck
from qa.services.checks import check_again, is_current


def latest_check(mesh: MeshUse) -> MeshCheck | None:
    return mesh.checks.select_related("limits", "job", "mesh__blob", "mesh__case").order_by("-pk").first()


@require_safe
@page(Capability.CHECKS_READ)
def check(request: HttpRequest, mesh_id: int) -> HttpResponse:
    """The latest check of a mesh; asks again by itself while a worker is on it."""
    mesh = mesh_for(actor_of(request), mesh_id)
    latest = latest_check(mesh)
    context: dict[str, Any] = {
        "mesh": mesh,
        "check": latest,
        "waiting": latest is not None and latest.state == CheckState.WAITING,
    }
    if latest is not None and latest.state == CheckState.DONE:
        rows = findings(latest)
        context |= {
            "leading": rows[:LEADING],
            "findings": rows,
            "figures": main_figures(latest),
            "more_figures": other_figures(latest),
            "chart": profile_chart(latest),
            "current": is_current(latest),
        }
    if latest is not None:
        context["earlier"] = mesh.checks.exclude(pk=latest.pk).select_related("limits").order_by("-pk")[:20]
    if request.headers.get("HX-Request"):
        # While it waits only the progress is sent; once it is done the whole page is fetched anew.
        if not context["waiting"]:
            return HttpResponse(headers={"HX-Refresh": "true"})
        return render(request, "qa/check_progress.html", context)
    return render(request, "qa/check.html", context)


@require_POST
@page(Capability.CASES_WRITE)
def again(request: HttpRequest, mesh_id: int) -> HttpResponse:
    """Check under the limits and engine in force; old results stay."""
    actor = actor_of(request)
    check_again(actor=actor, mesh=mesh_for(actor, mesh_id))
    messages.success(request, "The check is asked for. Earlier results stay below.")
    return redirect("qa:check", mesh_id=mesh_id)


@require_safe
@page(Capability.CHECKS_READ)
def preview(request: HttpRequest, mesh_id: int) -> HttpResponseBase:
    """The decimated mesh for the 3-D view, for who may see the mesh's case."""
    mesh = mesh_for(actor_of(request), mesh_id)
    done = mesh.checks.filter(preview__isnull=False).select_related("preview").order_by("-pk").first()
    if done is None or done.preview is None:
        raise NotFound("There is no picture of this mesh yet.")
    response = HttpResponse(blob_path(done.preview).read_bytes(), content_type="application/octet-stream")
    response["Cache-Control"] = "private, max-age=3600"
    return response


@require_safe
@page(Capability.CHECKS_READ)
def profile(request: HttpRequest, mesh_id: int) -> HttpResponseBase:
    """Every layer as CSV."""
    mesh = mesh_for(actor_of(request), mesh_id)
    done = mesh.checks.filter(state=CheckState.DONE).order_by("-pk").first()
    if done is None:
        raise NotFound("There are no layers of this mesh yet.")
    return csv_response(
        f"layers-{mesh.pk}.csv", ("height_mm", "area_cm2", "starts_in_mid_air"), profile_rows(done)
    )
