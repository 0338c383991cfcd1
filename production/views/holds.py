"""Holds: who placed what on hold, and lifting."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.http import require_POST, require_safe

from labtrack.accounts.choices import Capability
from labtrack.web import actor_of, page, submission_key
from labtrack.whole_numbers import whole_number
from production.links import url_of
from production.queries.lab import lifted_holds, open_holds
from production.services.holds import lift_hold, place_hold
from production.views.shop_pages import powers


@page(Capability.SHOP_READ)
@require_safe
def holds(request: HttpRequest) -> HttpResponse:
    context = {
        "open": [_row(hold) for hold in open_holds()],
        "lifted": [_row(hold) for hold in lifted_holds()],
        **powers(actor_of(request)),
    }
    return render(request, "production/holds.html", context)


def _row(hold: object) -> dict[str, object]:
    thing = next(
        held
        for name in ("equipment", "lot", "build", "part", "piece")
        if (held := getattr(hold, name)) is not None
    )
    return {"hold": hold, "thing": thing, "url": url_of(thing)}


@page(Capability.SHOP_WRITE)
@require_POST
def place(request: HttpRequest) -> HttpResponse:
    """Put a thing on hold, from its own page."""
    place_hold(
        actor=actor_of(request),
        key=submission_key(request),
        held=request.POST.get("held", ""),
        held_id=whole_number(request.POST.get("held_id", "")) or 0,
        reason=request.POST.get("reason", ""),
    )
    messages.success(request, "On hold. Nothing may be done with it until quality lifts the hold.")
    return _back(request)


@page(Capability.RELEASE)
@require_POST
def lift(request: HttpRequest, pk: int) -> HttpResponse:
    lift_hold(actor=actor_of(request), hold_id=pk, reason=request.POST.get("reason", ""))
    messages.success(request, "The hold is lifted.")
    return _back(request)


def _back(request: HttpRequest) -> HttpResponse:
    target = request.POST.get("next", "")
    if url_has_allowed_host_and_scheme(target, allowed_hosts={request.get_host()}):
        return redirect(target)
    return redirect("production:holds")
