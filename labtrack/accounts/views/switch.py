"""Handing the tablet to another operator."""

from __future__ import annotations

from django.contrib import messages
from django.contrib.auth import login
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.views.decorators.http import require_http_methods

from labtrack.accounts.forms import BadgeForm, PinForm
from labtrack.accounts.models import User
from labtrack.accounts.services.operator import operators, switch_by_badge, switch_by_pin
from labtrack.accounts.views.sign_in import BACKEND, safe_next
from labtrack.errors import DomainError
from labtrack.web import SWITCHED, actor_of, add_refusal, client_address, page


@require_http_methods(["GET", "HEAD", "POST"])
@page()
def switch(request: HttpRequest) -> HttpResponse:
    """By badge (a scanner that types) or by name and PIN."""
    actor = actor_of(request)
    by_badge = request.method == "POST" and request.POST.get("by") == "badge"
    by_pin = request.method == "POST" and not by_badge
    badge_form = BadgeForm(request.POST if by_badge else None)
    pin_form = PinForm(request.POST if by_pin else None, operators=operators(actor))
    form = badge_form if by_badge else pin_form
    status = 422 if request.method == "POST" else 200
    if form.is_bound and form.is_valid():
        try:
            user = _operator(request, badge_form if by_badge else None, pin_form)
        except DomainError as error:
            add_refusal(form, error)
            status = error.status
        else:
            return _hand_over(request, user)
    context = {
        "badge_form": badge_form,
        "pin_form": pin_form,
        "next": request.POST.get("next") or request.GET.get("next", ""),
    }
    return render(request, "accounts/switch.html", context, status=status)


def _operator(request: HttpRequest, badge_form: BadgeForm | None, pin_form: PinForm) -> User:
    actor = actor_of(request)
    if badge_form is not None:
        return switch_by_badge(
            actor=actor, code=badge_form.cleaned_data["badge"], address=client_address(request)
        )
    data = pin_form.cleaned_data
    return switch_by_pin(actor=actor, user_id=data["operator"], pin=data["pin"])


def _hand_over(request: HttpRequest, user: User) -> HttpResponse:
    """Nothing of the former operator's session stays; the new one is marked as come by badge or PIN."""
    target = safe_next(request)
    same_person = user.pk == request.user.pk
    if not same_person:
        request.session.flush()
        login(request, user, backend=BACKEND)
        request.session[SWITCHED] = True
    messages.success(request, f"The operator is now {user.name}.")
    return HttpResponseRedirect(target)
