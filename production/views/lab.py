"""Equipment with its derived ages, and its events."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from labtrack.accounts.choices import Capability
from labtrack.errors import DomainError, NotFound, Refused
from labtrack.web import actor_of, add_refusal, page, posted, submission_key
from production.choices import EVENTS_OF_KIND, EquipmentKind, EventKind
from production.forms import EquipmentForm, EventForm, ReasonForm
from production.hooks import lab_panels
from production.models import Equipment
from production.queries.ages import bath_age, care_age, lamp_age, tank_age
from production.queries.lab import equipment_rows, events_of, held_reasons, open_holds
from production.services.equipment import (
    PrinterDetails,
    VesselDetails,
    add_equipment,
    record_event,
    retire_equipment,
    return_equipment,
)
from production.views.shop_pages import powers

PER_PAGE = 40
CAUTIONS: dict[str, str] = {
    EquipmentKind.TANK: "resin",
    EquipmentKind.WASH_BATH: "solvent",
    EquipmentKind.CURING_UNIT: "uv",
}


@page(Capability.SHOP_READ)
@require_safe
def lab(request: HttpRequest) -> HttpResponse:
    """All equipment in service with its ages, and the ways to materials, instructions and holds."""
    retired = request.GET.get("retired") == "yes"
    rows = equipment_rows(timezone.now(), retired=retired)
    groups = [
        {"kind": kind, "rows": [row for row in rows if row.equipment.kind == kind]} for kind in EquipmentKind
    ]
    context = {
        "groups": [group for group in groups if group["rows"]],
        "retired": retired,
        "holds": len(open_holds()),
        "panels": lab_panels.shown(None, request),
        **powers(actor_of(request)),
    }
    return render(request, "production/lab.html", context)


@page(Capability.EQUIPMENT)
@require_http_methods(["GET", "HEAD", "POST"])
def add(request: HttpRequest) -> HttpResponse:
    form = EquipmentForm(posted(request))
    status = 200 if request.method != "POST" else 422
    if request.method == "POST" and form.is_valid():
        try:
            made = _add(request, form.cleaned_data)
        except DomainError as refusal:
            add_refusal(form, refusal)
            status = refusal.status
        else:
            messages.success(request, f"{made.name} is added.")
            return redirect("production:equipment", code=made.code)
    return render(request, "production/equipment_add.html", {"form": form}, status=status)


def _add(request: HttpRequest, values: dict[str, Any]) -> Equipment:
    kind = values["kind"]
    printer = vessel = None
    if kind == EquipmentKind.PRINTER:
        names = ("process", "vat", "grade", "platform_x_mm", "platform_y_mm", "build_height_mm")
        printer = PrinterDetails(**{name: values[name] for name in names})
    if kind in (EquipmentKind.TANK, EquipmentKind.WASH_BATH):
        vessel = VesselDetails(values["purpose"], values["capacity_ml"])
    return add_equipment(
        actor=actor_of(request),
        key=submission_key(request),
        code=values["code"],
        kind=kind,
        name=values["name"],
        note=values["note"],
        in_service_from=values["in_service_from"],
        printer=printer,
        vessel=vessel,
    ).thing


def _found(code: str) -> Equipment:
    found = Equipment.objects.select_related("printer", "tank", "wash_bath").filter(code=code).first()
    if found is None:
        raise NotFound("There is no equipment of that code.")
    return found


@page(Capability.SHOP_READ)
@require_http_methods(["GET", "HEAD", "POST"])
def equipment(request: HttpRequest, code: str) -> HttpResponse:
    """One machine: ages, contents, events, and the form for the next event."""
    found = _found(code)
    actor = actor_of(request)
    form = EventForm(posted(request), equipment=found)
    status = 200
    if request.method == "POST":
        actor.require(Capability.SHOP_WRITE)
        status = 422
        if form.is_valid():
            try:
                event = _record(request, found, form.cleaned_data)
            except DomainError as refusal:
                add_refusal(form, refusal)
                status = refusal.status
            else:
                messages.success(request, f"{found.name}: {event.get_kind_display().lower()} recorded.")
                return redirect("production:equipment", code=code)
    now = timezone.now()
    kind = found.kind
    care = care_age(found.pk, now)
    shown = [event for event in EVENTS_OF_KIND[kind] if event not in (EventKind.RETIRED, EventKind.RETURNED)]
    context = {
        "equipment": found,
        "form": form,
        "tank": tank_age(found.pk, now) if kind == EquipmentKind.TANK else None,
        "bath": bath_age(found.pk, now) if kind == EquipmentKind.WASH_BATH else None,
        "lamp": lamp_age(found.pk, now) if kind == EquipmentKind.CURING_UNIT else None,
        "care": [
            (event.label, days) for event in shown if (days := care.days_since(event.value)) is not None
        ],
        "page_obj": Paginator(events_of(found), PER_PAGE).get_page(request.GET.get("page")),
        "reason": ReasonForm(),
        "held": held_reasons("equipment", [found.pk]).get(found.pk, ""),
        "caution": CAUTIONS.get(kind, ""),
        **powers(actor),
    }
    return render(request, "production/equipment.html", context, status=status)


def _record(request: HttpRequest, found: Equipment, values: dict[str, Any]) -> Any:
    lot, moved_to = values.get("lot"), values.get("moved_to")
    return record_event(
        actor=actor_of(request),
        key=submission_key(request),
        equipment_id=found.pk,
        kind=values["kind"],
        occurred_at=values["occurred_at"],
        lot_id=lot.pk if lot else None,
        quantity_ml=values.get("quantity_ml"),
        moved_to_id=moved_to.pk if moved_to else None,
        value=values.get("value"),
        unit=values.get("unit", ""),
        note=values["note"],
    ).thing


@page(Capability.EQUIPMENT)
@require_POST
def service(request: HttpRequest, code: str) -> HttpResponse:
    """Retire, or put back in service, as the button says: what another person did meanwhile is not undone."""
    found = _found(code)
    what = request.POST.get("what", "")
    change = {"retire": retire_equipment, "return": return_equipment}.get(what)
    if change is None:
        raise Refused("what-unknown", "Choose whether to retire it or to put it back in service.")
    change(
        actor=actor_of(request),
        key=submission_key(request),
        equipment_id=found.pk,
        reason=request.POST.get("reason", ""),
    )
    words = "back in service" if what == "return" else "retired"
    messages.success(request, f"{found.name} is {words}.")
    return redirect("production:equipment", code=code)
