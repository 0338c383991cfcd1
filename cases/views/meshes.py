"""Attaching meshes to a case, and one mesh's own page."""

from __future__ import annotations

from typing import Any, cast

from django.contrib import messages
from django.core.files.uploadedfile import UploadedFile
from django.http import FileResponse, HttpRequest, HttpResponse, HttpResponseBase, JsonResponse
from django.shortcuts import redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.csrf import csrf_exempt, csrf_protect
from django.views.decorators.http import require_GET, require_http_methods, require_POST, require_safe

from cases.case_page import mesh_row, mesh_rows, withdrawn_meshes
from cases.forms import MeshForm, ReasonForm, ReplaceForm, RestateForm
from cases.hooks import mesh_panels
from cases.models import Appliance, Case, MeshUse
from cases.queries import case_for, live_appliances, mesh_for, suggest_appliance
from cases.services.file_store import blob_path
from cases.services.meshes import assign_mesh, attach_mesh, replace_mesh, restate_mesh, withdraw_mesh
from cases.uploads import (
    FORM_OVERHEAD_BYTES,
    MOST_FORM_BYTES,
    ArrivedBytes,
    drain,
    mesh_limit,
    prepare_form_upload,
    received_from_form,
    refuse_large_body,
)
from cases.views.case import render_case, say_refusals
from labtrack.accounts.choices import Capability
from labtrack.audit.services.submissions import Outcome, part_key
from labtrack.errors import DomainError, NotFound, Refused
from labtrack.web import actor_of, attempt, page, submission_key
from labtrack.whole_numbers import whole_number


@csrf_exempt  # checked by _attach, once the streaming of the body is set up
@require_http_methods(["GET", "HEAD", "POST"])
@page(Capability.CASES_READ)
def meshes(request: HttpRequest, number: int) -> HttpResponseBase:
    """GET: the case's meshes, for the page to refresh. POST: attach files."""
    case = case_for(actor_of(request), number)
    if request.method != "POST":
        return _mesh_list(request, case)
    actor_of(request).require(Capability.CASES_WRITE)
    try:
        one = wants_json(request)
        refuse_large_body(
            request,
            limit_bytes=mesh_limit() if one else MOST_FORM_BYTES,
            allowance_bytes=FORM_OVERHEAD_BYTES,
        )
        arrived = prepare_form_upload(request, limit_bytes=mesh_limit())
        return cast(HttpResponseBase, _attach(request, case, arrived))
    except DomainError as error:
        drain(request)
        return _refused(request, case, error)


def wants_json(request: HttpRequest) -> bool:
    """Whether the page's script sends the file, one at a time, and not the form itself."""
    return request.headers.get("Accept", "") == "application/json"


def _mesh_list(request: HttpRequest, case: Case) -> HttpResponse:
    actor = actor_of(request)
    appliances = list(case.appliances.select_related("case", "line", "remake"))
    context = {
        "case": case,
        "meshes": mesh_rows(case, request, appliances),
        "may_write": actor.may(Capability.CASES_WRITE) and case.voided_at is None,
        "withdrawn": withdrawn_meshes(case),
    }
    return render(request, "cases/mesh_list.html", context)


@csrf_protect
def _attach(request: HttpRequest, case: Case, arrived: ArrivedBytes) -> HttpResponse:
    actor = actor_of(request)
    form = MeshForm(request.POST, actor=actor, appliances=list(live_appliances(case)), auto_id="mesh_%s")
    files = request.FILES.getlist("files")
    arrived.require_all()
    if not files:
        raise Refused("file-missing", "Choose the file to attach.", field="files")
    if not form.is_valid():
        if wants_json(request):
            raise _first_error(form)
        messages.error(request, "The files were not stored. Choose what they are, then attach them again.")
        return render_case(request, case.number, status=422, mesh_form=form)
    if wants_json(request):
        return _attach_for_script(request, case, files[0], form.cleaned_data)
    key = submission_key(request)
    refused: list[DomainError] = []
    for index, uploaded in enumerate(files):
        try:
            own_key = part_key(key, str(index))
            outcome = _attach_one(request, case, uploaded, form.cleaned_data, own_key)
            messages.success(request, _said(outcome))
        except DomainError as error:
            messages.error(request, f"{uploaded.name}: {error.sentence}")
            refused.append(error)
    if len(refused) == len(files):
        return render_case(request, case.number, status=refused[0].status, mesh_form=form)
    return redirect("cases:case", number=case.number)


def _attach_for_script(
    request: HttpRequest, case: Case, uploaded: UploadedFile[Any], chosen: dict[str, Any]
) -> JsonResponse:
    outcome = _attach_one(request, case, uploaded, chosen, submission_key(request))
    return JsonResponse(
        {"id": outcome.thing.pk, "repeated": outcome.repeated, "sentence": _said(outcome)},
        status=200 if outcome.repeated else 201,
    )


def _attach_one(
    request: HttpRequest, case: Case, uploaded: UploadedFile[Any], chosen: dict[str, Any], key: str
) -> Outcome[MeshUse]:
    with received_from_form(uploaded) as source:
        return attach_mesh(
            actor=actor_of(request),
            key=key,
            case_number=case.number,
            role=chosen["role"],
            unit=chosen["unit"],
            appliance_id=chosen["appliance"],
            source=source,
            original_name=uploaded.name or "",
        )


def _said(outcome: Outcome[MeshUse]) -> str:
    name = outcome.thing.original_name
    if outcome.repeated:
        return f"{name} was attached before; nothing changed."
    return f"{name} is attached: {outcome.thing.triangles:,} triangles."


def _first_error(form: Any) -> Refused:
    name, errors = next(iter(form.errors.items()))
    label = form.fields[name].label or name.capitalize() if name in form.fields else "The form"
    return Refused("invalid", f"{label}: {errors[0]}", field=name)


def _refused(request: HttpRequest, case: Case, error: DomainError) -> HttpResponse:
    if wants_json(request):
        return JsonResponse({"code": error.code, "sentence": error.sentence}, status=error.status)
    if isinstance(error, NotFound):
        raise error
    messages.error(request, error.sentence)
    return render_case(request, case.number, status=error.status)


@require_GET
@never_cache
@page(Capability.CASES_READ)
def row(request: HttpRequest, number: int, mesh_id: int) -> HttpResponse:
    """One mesh's row, asked for again while something of it is still to come."""
    mesh = _mesh_of(request, number, mesh_id)
    appliances = [] if mesh.appliance_id else list(live_appliances(mesh.case))
    actor = actor_of(request)
    context = {
        "row": mesh_row(mesh, request, appliances),
        "case": mesh.case,
        "may_write": actor.may(Capability.CASES_WRITE) and mesh.case.voided_at is None,
    }
    return render(request, "cases/mesh_row.html", context)


@require_safe
@page(Capability.CASES_READ)
def file(request: HttpRequest, number: int, mesh_id: int) -> FileResponse:
    """The file itself, under its own name: given by use, so a digest alone opens nothing."""
    mesh = _mesh_of(request, number, mesh_id)
    try:
        content = blob_path(mesh.blob).open("rb")
    except FileNotFoundError:
        raise NotFound(
            "The file is not in the file store any more. Tell the person who looks after this installation."
        ) from None
    response = FileResponse(
        content, as_attachment=True, filename=mesh.original_name, content_type="application/octet-stream"
    )
    response["Cache-Control"] = "private, no-store"
    return response


@require_safe
@page(Capability.CASES_READ)
def mesh(request: HttpRequest, number: int, mesh_id: int) -> HttpResponse:
    return _render_mesh(request, _mesh_of(request, number, mesh_id))


@require_POST
@page(Capability.CASES_WRITE)
def restate(request: HttpRequest, number: int, mesh_id: int) -> HttpResponse:
    subject = _mesh_of(request, number, mesh_id)
    form = RestateForm(request.POST, actor=actor_of(request))
    if form.is_valid():
        done = attempt(
            form,
            lambda: restate_mesh(
                actor=actor_of(request),
                key=submission_key(request),
                mesh_id=mesh_id,
                unit=form.cleaned_data["unit"],
                role=form.cleaned_data["role"],
            ),
        )
        if done is not None:
            messages.success(
                request, f"{subject.original_name} is restated. What was found before stays with the old one."
            )
            return redirect("cases:mesh", number=number, mesh_id=done.thing.pk)
    return _render_mesh(request, subject, status=422, restate_form=form)


@csrf_exempt  # checked by _replace, once the streaming of the body is set up
@require_POST
@page(Capability.CASES_WRITE)
def replace(request: HttpRequest, number: int, mesh_id: int) -> HttpResponseBase:
    subject = _mesh_of(request, number, mesh_id)
    try:
        refuse_large_body(request, limit_bytes=mesh_limit(), allowance_bytes=FORM_OVERHEAD_BYTES)
        arrived = prepare_form_upload(request, limit_bytes=mesh_limit())
        return cast(HttpResponseBase, _replace(request, subject, arrived))
    except DomainError:
        drain(request)
        raise


@csrf_protect
def _replace(request: HttpRequest, subject: MeshUse, arrived: ArrivedBytes) -> HttpResponse:
    form = ReplaceForm(request.POST, request.FILES, auto_id="replace_%s")
    arrived.require_all()
    if form.is_valid():
        done = attempt(form, lambda: _replace_by(request, subject, form))
        if done is not None:
            messages.success(request, f"{done.thing.original_name} replaces {subject.original_name}.")
            return redirect("cases:mesh", number=subject.case.number, mesh_id=done.thing.pk)
    return _render_mesh(request, subject, status=422, replace_form=form)


def _replace_by(request: HttpRequest, subject: MeshUse, form: ReplaceForm) -> Outcome[MeshUse]:
    uploaded = form.cleaned_data["file"]
    with received_from_form(uploaded) as source:
        return replace_mesh(
            actor=actor_of(request),
            key=submission_key(request),
            mesh_id=subject.pk,
            source=source,
            original_name=uploaded.name or "",
            unit=form.cleaned_data["unit"],
        )


@require_POST
@page(Capability.CASES_WRITE)
def withdraw(request: HttpRequest, number: int, mesh_id: int) -> HttpResponse:
    subject = _mesh_of(request, number, mesh_id)
    form = ReasonForm(request.POST, auto_id="withdraw_%s")
    if form.is_valid():
        done = attempt(
            form,
            lambda: withdraw_mesh(
                actor=actor_of(request),
                key=submission_key(request),
                mesh_id=mesh_id,
                reason=form.cleaned_data["reason"],
            ),
        )
        if done is not None:
            messages.success(request, f"{subject.original_name} is withdrawn. It stays readable on its page.")
            return redirect("cases:case", number=number)
    return _render_mesh(request, subject, status=422, withdraw_form=form)


@require_POST
@page(Capability.CASES_WRITE)
def assign(request: HttpRequest, number: int) -> HttpResponse:
    """Confirm offers: each ``offer`` is a mesh and the appliance its file name spells."""
    actor = actor_of(request)
    case = case_for(actor, number)
    offers = request.POST.getlist("offer")[:200]
    if not offers:
        messages.error(request, "Nothing is chosen. Choose at least one file whose appliance you confirm.")
        return render_case(request, number, status=422)
    for offer in offers:
        mesh_id, appliance_id = _pair(offer)
        subject = _mesh_of(request, number, mesh_id)
        try:
            done = assign_mesh(actor=actor, mesh_id=mesh_id, appliance_id=appliance_id)
            messages.success(request, f"{done.original_name} is for {_label(done, case)}.")
        except NotFound:
            raise
        except DomainError as error:
            messages.error(request, f"{subject.original_name}: {error.sentence}")
    return redirect("cases:case", number=number)


def _label(mesh: MeshUse, case: Case) -> str:
    return mesh.appliance.short_label if mesh.appliance else case.label


def _pair(offer: str) -> tuple[int, int]:
    mesh_id, appliance_id = map(whole_number, offer.partition(":")[::2])
    if mesh_id is None or appliance_id is None:
        raise Refused("offer-unreadable", "The page is out of date. Open the case again.")
    return mesh_id, appliance_id


def _mesh_of(request: HttpRequest, number: int, mesh_id: int) -> MeshUse:
    subject = mesh_for(actor_of(request), mesh_id)
    if subject.case.number != number:
        raise NotFound("This case has no such mesh.")
    return subject


def _render_mesh(request: HttpRequest, subject: MeshUse, *, status: int = 200, **bound: Any) -> HttpResponse:
    actor = actor_of(request)
    may_write = actor.may(Capability.CASES_WRITE) and subject.is_in_use and subject.case.voided_at is None
    if not may_write:
        say_refusals(request, bound.values())
    appliances: list[Appliance] = list(live_appliances(subject.case))
    offer = None
    if subject.appliance_id is None:
        offer = suggest_appliance(subject.original_name, appliances, case_number=subject.case.number)
    panels = mesh_panels.shown(subject, request)
    context: dict[str, Any] = {
        "mesh": subject,
        "case": subject.case,
        "panels": panels,
        "waiting": any(panel.context.get("waiting") for panel in panels),
        "earlier": list(subject.case.meshes.filter(replaced_by=subject)),
        "may_write": may_write,
        "appliances": appliances if subject.appliance_id is None else [],
        "offer": offer,
        "restate_form": RestateForm(initial={"unit": subject.unit, "role": subject.role}, actor=actor),
        "replace_form": ReplaceForm(auto_id="replace_%s"),
        "withdraw_form": ReasonForm(auto_id="withdraw_%s"),
    }
    return render(request, "cases/mesh.html", context | bound, status=status)
