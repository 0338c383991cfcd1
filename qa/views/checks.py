"""The page of a mesh's check, its preview with the maps on it, and its numbers."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.views.decorators.http import require_POST, require_safe

from cases.models import MeshUse
from cases.queries import mesh_for
from cases.services.file_store import blob_path
from labtrack.accounts.choices import Capability
from labtrack.errors import NotFound
from labtrack.web import actor_of, asks_part, attempt, csv_response, page, submission_key
from labtrack.whole_numbers import whole_number
from qa.check_forms import InsertionForm
from qa.check_page import MOST_PARTS, check_context, insertion_context
from qa.choices import CheckState
from qa.geometry.errors import GeometryError
from qa.geometry.maps import MapPack
from qa.layer_chart import COLUMNS, profile_rows
from qa.models import MeshCheck
from qa.queries.checks import compare_checks, latest_check
from qa.services.checks import check_again
from qa.services.insertion import choose_insertion


@require_safe
@page(Capability.CHECKS_READ)
def check(request: HttpRequest, mesh_id: int) -> HttpResponse:
    """The latest check of a mesh; asks again by itself while a worker is on it."""
    actor = actor_of(request)
    mesh = mesh_for(actor, mesh_id)
    latest = latest_check(mesh)
    context = check_context(mesh, latest, actor, parts=_asked_parts(request))
    context |= insertion_context(mesh, actor)
    if asks_part(request):
        # While it waits only the progress is sent; once it is done the whole page is fetched anew.
        if not context["waiting"]:
            return HttpResponse(headers={"HX-Refresh": "true"})
        return render(request, "qa/check_progress.html", context)
    if context.get("moved") is not None or request.GET.get("before"):
        context["moved"] = _asked_moves(request, mesh, latest) or context.get("moved")
    return render(request, "qa/check.html", context)


def _asked_parts(request: HttpRequest) -> int | None:
    """How many parts a build would hold, if the address says a number that a platform could hold."""
    return whole_number(request.GET.get("parts", ""), most=MOST_PARTS) or None


def _asked_moves(request: HttpRequest, mesh: MeshUse, latest: MeshCheck | None) -> object | None:
    """What moved since the earlier check that the address names."""
    asked = whole_number(request.GET.get("before", ""))
    if latest is None or latest.state != CheckState.DONE or asked is None:
        return None
    before = (
        mesh.checks.select_related("limits").filter(pk=asked, state=CheckState.DONE, pk__lt=latest.pk).first()
    )
    return None if before is None else compare_checks(before, latest)


@require_POST
@page(Capability.CASES_WRITE)
def again(request: HttpRequest, mesh_id: int) -> HttpResponse:
    """Check under the limits and engine in force; old results stay."""
    actor = actor_of(request)
    check_again(actor=actor, mesh=mesh_for(actor, mesh_id))
    messages.success(request, "The check is asked for. Earlier results stay below.")
    return redirect("qa:check", mesh_id=mesh_id)


@require_POST
@page(Capability.CASES_WRITE)
def insertion(request: HttpRequest, mesh_id: int) -> HttpResponse:
    """Choose the direction in which what is formed over it comes off; a new check is asked for."""
    actor = actor_of(request)
    mesh = mesh_for(actor, mesh_id)
    form = InsertionForm(request.POST)
    if form.is_valid():
        done = attempt(
            form,
            lambda: choose_insertion(
                actor=actor,
                key=submission_key(request),
                mesh_id=mesh.pk,
                axis=form.axis(),
                based_on=form.cleaned_data["based_on"],
            ),
        )
        if done is not None:
            messages.success(
                request,
                f"Insertion axis: {done.thing.words}. A check is asked for; earlier results stay below.",
            )
            return redirect("qa:check", mesh_id=mesh_id)
    latest = latest_check(mesh)
    context = check_context(mesh, latest, actor, parts=None) | insertion_context(mesh, actor, form)
    return render(request, "qa/check.html", context, status=422)


@require_safe
@page(Capability.CHECKS_READ)
def preview(request: HttpRequest, mesh_id: int) -> HttpResponseBase:
    """The decimated mesh for the 3-D view, for who may see the mesh's case."""
    done = _pictured(mesh_for(actor_of(request), mesh_id))
    if done is None or done.preview is None:
        raise NotFound("There is no picture of this mesh yet.")
    return _bytes(blob_path(done.preview).read_bytes())


@require_safe
@page(Capability.CHECKS_READ)
def surface_map(request: HttpRequest, mesh_id: int, name: str) -> HttpResponseBase:
    """One map's values at the preview's vertices."""
    done = _pictured(mesh_for(actor_of(request), mesh_id))
    if done is None or done.map_values is None:
        raise NotFound("There is no such map of this mesh.")
    try:
        only = MapPack.from_bytes(blob_path(done.map_values).read_bytes()).only(name)
    except GeometryError as error:
        raise NotFound(error.sentence) from None
    return _bytes(only.to_bytes())


def _pictured(mesh: MeshUse) -> MeshCheck | None:
    """The latest check with a picture: its preview and its maps belong together."""
    return (
        mesh.checks.filter(preview__isnull=False)
        .select_related("preview", "map_values")
        .order_by("-pk")
        .first()
    )


def _bytes(content: bytes) -> HttpResponse:
    response = HttpResponse(content, content_type="application/octet-stream")
    # A new check makes new pictures under the same address.
    response["Cache-Control"] = "private, no-cache"
    return response


@require_safe
@page(Capability.CHECKS_READ)
def profile(request: HttpRequest, mesh_id: int) -> HttpResponseBase:
    """Every layer as CSV."""
    mesh = mesh_for(actor_of(request), mesh_id)
    done = mesh.checks.filter(state=CheckState.DONE).order_by("-pk").first()
    if done is None:
        raise NotFound("There are no layers of this mesh yet.")
    return csv_response(f"layers-{mesh.pk}.csv", COLUMNS, profile_rows(done))
