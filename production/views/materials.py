"""Materials, their instructions, lots, and qualified combinations."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from labtrack.accounts.choices import Capability
from labtrack.errors import DomainError, NotFound, Refused
from labtrack.web import actor_of, add_refusal, page, posted, submission_key
from labtrack.whole_numbers import LARGEST
from production.forms import (
    CombinationForm,
    LotForm,
    MaterialForm,
    MaterialInstructionForm,
    ReasonForm,
)
from production.models import Lot, Material, MaterialInstruction, ProcessCombination
from production.queries.lab import held_reasons, lots_of, material_rows
from production.queries.materials import instructions_in_force
from production.queries.trace import stays_of
from production.services import combinations as combination_services
from production.services import materials as services
from production.views.shop_pages import powers


@page(Capability.SHOP_READ)
@require_safe
def materials(request: HttpRequest) -> HttpResponse:
    context = {"rows": material_rows(timezone.now()), **powers(actor_of(request))}
    return render(request, "production/materials.html", context)


@page(Capability.EQUIPMENT)
@require_http_methods(["GET", "HEAD", "POST"])
def add_material(request: HttpRequest) -> HttpResponse:
    form = MaterialForm(posted(request))
    status = 200 if request.method != "POST" else 422
    if request.method == "POST" and form.is_valid():
        try:
            made = services.add_material(
                actor=actor_of(request), key=submission_key(request), **form.cleaned_data
            ).thing
        except DomainError as refusal:
            add_refusal(form, refusal)
            status = refusal.status
        else:
            messages.success(request, f"{made.name} is added. Record its instructions next.")
            return redirect("production:material", code=made.code)
    return render(request, "production/material_add.html", {"form": form}, status=status)


@page(Capability.SHOP_READ)
@require_http_methods(["GET", "HEAD", "POST"])
def material(request: HttpRequest, code: str) -> HttpResponse:
    """One material: what it may be used for, its versions of instructions, its lots."""
    found = Material.objects.filter(code=code).first()
    if found is None:
        raise NotFound("There is no material of that code.")
    actor = actor_of(request)
    what = request.POST.get("what", "")
    lot_form = LotForm(request.POST if what == "lot" else None)
    instruction_form = MaterialInstructionForm(request.POST if what == "instruction" else None)
    form = {"lot": lot_form, "instruction": instruction_form}.get(what)
    status = 200
    if request.method == "POST":
        actor.require(Capability.EQUIPMENT)
        if form is None:
            raise Refused("what-unknown", "Choose what to record: a lot, or an edition of the instructions.")
        status = 422
        if form.is_valid():
            try:
                if what == "lot":
                    services.receive_lot(
                        actor=actor, key=submission_key(request), material_id=found.pk, **form.cleaned_data
                    )
                    messages.success(request, "The lot is booked.")
                else:
                    services.record_material_instruction(
                        actor=actor, key=submission_key(request), material_id=found.pk, **form.cleaned_data
                    )
                    messages.success(request, "Recorded. It counts once quality approves it.")
            except DomainError as refusal:
                add_refusal(form, refusal)
                status = refusal.status
            else:
                return redirect("production:material", code=code)
    now = timezone.now()
    context = {
        "material": found,
        "lots": lots_of(found),
        "today": timezone.localdate(now),
        "instructions": found.instructions.select_related("recorded_by", "approved_by"),
        "in_force": instructions_in_force([found.pk], now).get(found.pk),
        "lot_form": lot_form,
        "instruction_form": instruction_form,
        **powers(actor),
    }
    return render(request, "production/material.html", context, status=status)


@page(Capability.LIMITS)
@require_POST
def approve(request: HttpRequest, instruction_id: int) -> HttpResponse:
    found = MaterialInstruction.objects.select_related("material").filter(pk=instruction_id).first()
    if found is None:
        raise NotFound("There are no such instructions.")
    services.approve_material_instruction(actor=actor_of(request), instruction_id=found.pk)
    messages.success(request, f"Version {found.version} is approved and in force.")
    return redirect("production:material", code=found.material.code)


@page(Capability.SHOP_READ)
@require_safe
def lot(request: HttpRequest, pk: int) -> HttpResponse:
    """One lot: dates, where it is, and what may be done with it."""
    found = Lot.objects.select_related("material").filter(pk=pk).first() if pk <= LARGEST else None
    if found is None:
        raise NotFound("There is no such lot.")
    context = {
        "lot": found,
        "today": timezone.localdate(),
        "events": found.events.select_related("equipment", "by"),
        "stays": len(stays_of(found)),
        "held": held_reasons("lot", [pk]).get(pk, ""),
        "reason": ReasonForm(),
        **powers(actor_of(request)),
    }
    return render(request, "production/lot.html", context)


@page(Capability.SHOP_WRITE)
@require_POST
def change_lot(request: HttpRequest, pk: int) -> HttpResponse:
    """Open, quarantine, or lift the quarantine, as the button says."""
    actor = actor_of(request)
    reason = request.POST.get("reason", "")
    what = request.POST.get("what", "")
    if what == "open":
        services.open_lot(actor=actor, lot_id=pk)
        messages.success(request, "Recorded as opened.")
    elif what == "quarantine":
        services.quarantine_lot(actor=actor, lot_id=pk, reason=reason)
        messages.success(request, "Quarantined: nothing more may be made from it. Its trace shows what was.")
    elif what == "lift":
        services.lift_quarantine(actor=actor, lot_id=pk, reason=reason)
        messages.success(request, "The quarantine is lifted.")
    else:
        raise Refused("what-unknown", "Choose what to do with the lot.")
    return redirect("production:lot", pk=pk)


@page(Capability.SHOP_READ)
@require_http_methods(["GET", "HEAD", "POST"])
def combinations(request: HttpRequest) -> HttpResponse:
    """Qualified combinations; quality adds and withdraws."""
    actor = actor_of(request)
    form = CombinationForm(posted(request))
    status = 200
    if request.method == "POST":
        actor.require(Capability.LIMITS)
        status = 422
        if form.is_valid():
            values = form.cleaned_data
            printer, used = values.pop("printer"), values.pop("material")
            try:
                combination_services.qualify_combination(
                    actor=actor,
                    key=submission_key(request),
                    printer_id=printer.pk,
                    material_id=used.pk,
                    **values,
                )
            except DomainError as refusal:
                add_refusal(form, refusal)
                status = refusal.status
            else:
                messages.success(request, "The combination is qualified.")
                return redirect("production:combinations")
    rows = ProcessCombination.objects.select_related("printer__equipment", "material", "qualified_by")
    context = {"rows": rows, "form": form, **powers(actor)}
    return render(request, "production/combinations.html", context, status=status)


@page(Capability.LIMITS)
@require_POST
def withdraw(request: HttpRequest, pk: int) -> HttpResponse:
    combination_services.withdraw_combination(
        actor=actor_of(request), combination_id=pk, reason=request.POST.get("reason", "")
    )
    messages.success(request, "The qualification is withdrawn.")
    return redirect("production:combinations")
