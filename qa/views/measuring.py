"""Landmarks of a design, calipers of a part, and check blocks of the printers."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from cases.models import MeshUse
from cases.queries import mesh_for
from labtrack.accounts.choices import Capability
from labtrack.errors import NotFound
from labtrack.web import actor_of, attempt, csv_response, page, submission_key
from production.choices import EquipmentKind
from production.models import Equipment, Printer
from production.queries.lab import printers_in_service
from qa.choices import Side
from qa.measuring_forms import CaliperForm, LandmarksForm, ProofForm
from qa.proof_charts import proof_charts, proof_csv_rows
from qa.queries.devices import devices_of, known_devices
from qa.queries.measuring import calipers_of, last_nominals, part_of_number, proofs, without_proof_today
from qa.services.calipers import measure_by_caliper
from qa.services.landmarks import MARKABLE, place_landmarks, sheet_in_force, sheet_text
from qa.services.proofs import prove_printer

RECENT = 30
PROOF_COLUMNS = (
    "day", "occurred_at", "printer", "side", "nominal_mm", "measured_mm", "error_mm", "verdict",
    "tolerance_mm", "uncertainty_mm", "uncertainty_studied", "device", "by", "note",
)  # fmt: skip
CALIPER_COLUMNS = (
    "part", "occurred_at", "distance", "design_mm", "measured_mm", "error_mm", "verdict", "tolerance_mm",
    "uncertainty_mm", "uncertainty_studied", "device", "by", "note",
)  # fmt: skip


def _markable(request: HttpRequest, mesh_id: int) -> MeshUse:
    mesh = mesh_for(actor_of(request), mesh_id)
    if mesh.role not in MARKABLE:
        raise NotFound("Landmarks are placed on a design or a prepared file.")
    return mesh


@require_http_methods(["GET", "HEAD", "POST"])
@page(Capability.SHOP_READ)
def landmarks(request: HttpRequest, mesh_id: int) -> HttpResponse:
    """Mark places on a design once: by clicking, by typing, or from a CSV file."""
    actor = actor_of(request)
    mesh = _markable(request, mesh_id)
    sheet = sheet_in_force(mesh)
    own = mesh.landmark_sheets.order_by("-version").first()
    version = own.version if own else 0
    initial = {"text": sheet_text(sheet.content if sheet else None), "based_on": version}
    form = LandmarksForm(initial=initial)
    if request.method == "POST":
        actor.require(Capability.INSPECT)
        form = LandmarksForm(request.POST, request.FILES)
        if form.is_valid():
            done = attempt(
                form,
                lambda: place_landmarks(
                    actor=actor,
                    key=submission_key(request),
                    mesh_id=mesh.pk,
                    text=form.listed(),
                    based_on=form.cleaned_data["based_on"],
                ),
            )
            if done is not None:
                messages.success(
                    request,
                    f"Version {done.thing.version} is in force: every scan and every caliper sheet of "
                    "this design uses it from now on.",
                )
                return redirect("qa:landmarks", mesh.pk)
    context = {
        "mesh": mesh,
        "sheet": sheet,
        "borrowed": sheet is not None and own is None,
        "form": form,
        "may_write": actor.may(Capability.INSPECT),
        "marks": sheet.content["landmarks"] if sheet else [],
        "has_preview": mesh.checks.filter(preview__isnull=False).exists(),
    }
    return render(request, "qa/landmarks.html", context, status=422 if form.errors else 200)


@require_safe
@page(Capability.SHOP_READ)
def landmarks_csv(request: HttpRequest, mesh_id: int) -> HttpResponse:
    """The list in force, as it can be sent back."""
    mesh = _markable(request, mesh_id)
    sheet = sheet_in_force(mesh)
    response = HttpResponse(
        sheet_text(sheet.content if sheet else None), content_type="text/csv; charset=utf-8"
    )
    response["Content-Disposition"] = f'attachment; filename="landmarks-{mesh.pk}.csv"'
    return response


@require_http_methods(["GET", "HEAD", "POST"])
@page(Capability.SHOP_READ)
def calipers(request: HttpRequest, number: int) -> HttpResponse:
    """The caliper sheet of a part: its design's distances, to be measured by hand."""
    actor = actor_of(request)
    part = part_of_number(number)
    sheet = sheet_in_force(part.preparation.design)
    distances = sheet.content["distances"] if sheet else []
    form = CaliperForm(initial={"device": _only(EquipmentKind.CALIPER)}, distances=distances)
    if request.method == "POST":
        actor.require(Capability.INSPECT)
        form = CaliperForm(request.POST, distances=distances)
        if form.is_valid():
            done = attempt(
                form,
                lambda: measure_by_caliper(
                    actor=actor,
                    key=submission_key(request),
                    part=part,
                    measured=form.measured(),
                    device=form.cleaned_data["device"],
                    occurred_at=form.cleaned_data["occurred_at"],
                    note=form.cleaned_data["note"],
                ),
            )
            if done is not None:
                messages.success(
                    request, f"{part.mark} is measured: {done.thing.get_verdict_display().lower()}."
                )
                return redirect("qa:calipers", part.number)
    context = {
        "part": part,
        "design": part.preparation.design,
        "sheet": sheet,
        "distances": distances,
        "form": form,
        "may_write": actor.may(Capability.INSPECT),
        "measurements": calipers_of(part)[:RECENT],
        "known": known_devices(EquipmentKind.CALIPER),
    }
    return render(request, "qa/calipers.html", context, status=422 if form.errors else 200)


def _only(kind: EquipmentKind) -> Equipment | None:
    """The device to offer: the lab's only one of its kind."""
    found = list(devices_of(kind)[:2])
    return found[0] if len(found) == 1 else None


@require_safe
@page(Capability.SHOP_READ)
def calipers_csv(request: HttpRequest, number: int) -> HttpResponseBase:
    """All hand measurements of a part."""
    part = part_of_number(number)
    rows = (
        [
            part.mark, row.occurred_at.isoformat(), value.name, value.design_mm, value.measured_mm,
            value.error_mm, value.verdict, row.tolerance_mm, row.uncertainty_mm, row.uncertainty_studied,
            row.device.code if row.device else "", row.by.name, row.note,
        ]
        for row in calipers_of(part)
        for value in row.values.all()
    )  # fmt: skip
    return csv_response(f"{part.mark}-calipers.csv", CALIPER_COLUMNS, rows)


@require_http_methods(["GET", "HEAD", "POST"])
@page(Capability.SHOP_READ)
def proof_entry(request: HttpRequest) -> HttpResponse:
    """Enter a check block; the charts of each printer are one step away."""
    actor = actor_of(request)
    printers = list(printers_in_service())
    chosen = next((one for one in printers if one.equipment.code == request.GET.get("printer")), None)
    form = ProofForm(initial=_offered(chosen))
    if request.method == "POST":
        actor.require(Capability.SHOP_WRITE)
        form = ProofForm(request.POST)
        if form.is_valid():
            data = form.cleaned_data
            done = attempt(
                form,
                lambda: prove_printer(
                    actor=actor,
                    key=submission_key(request),
                    printer=data["printer"],
                    sides=form.sides(),
                    device=data["device"],
                    occurred_at=data["occurred_at"],
                    note=data["note"],
                ),
            )
            if done is not None:
                word = done.thing.get_verdict_display().lower()
                messages.success(request, f"Check block of {done.thing.printer}: {word}.")
                return redirect("qa:proofs-of", done.thing.printer.equipment.code)
    context = {
        "form": form,
        "printers": printers,
        "sides": list(Side),
        "missing": without_proof_today(printers, timezone.localdate()),
        "recent": proofs()[:RECENT],
        "may_write": actor.may(Capability.SHOP_WRITE),
        "known": known_devices(EquipmentKind.CALIPER),
    }
    return render(request, "qa/proofs.html", context, status=422 if form.errors else 200)


def _offered(printer: Printer | None) -> dict[str, Any]:
    offered: dict[str, Any] = {"device": _only(EquipmentKind.CALIPER)}
    if printer is not None:
        offered["printer"] = printer
        offered |= {f"nominal_{side}": value for side, value in last_nominals(printer).items()}
    return offered


def _printer(code: str) -> Printer:
    found = Printer.objects.select_related("equipment").filter(equipment__code=code).first()
    if found is None:
        raise NotFound("There is no printer of that code.")
    return found


@require_safe
@page(Capability.SHOP_READ)
def proofs_of(request: HttpRequest, code: str) -> HttpResponse:
    """The charts of one printer's check blocks, and each block."""
    printer = _printer(code)
    rows = list(proofs(printer)[:400])
    context = {
        "printer": printer,
        "charts": proof_charts(printer, rows),
        "recent": rows[:RECENT],
        "sides": list(Side),
        "may_write": actor_of(request).may(Capability.SHOP_WRITE),
    }
    return render(request, "qa/proofs_of.html", context)


@require_safe
@page(Capability.SHOP_READ)
def proofs_csv(request: HttpRequest, code: str) -> HttpResponseBase:
    """Every side of every check block of a printer."""
    return csv_response(f"check-blocks-{code}.csv", PROOF_COLUMNS, proof_csv_rows(proofs(_printer(code))))
