"""One's own password, PIN and badge."""

from __future__ import annotations

from collections.abc import Callable

from django import forms
from django.contrib import messages
from django.contrib.auth import update_session_auth_hash
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from labtrack.accounts.actor import Actor
from labtrack.accounts.forms import OwnBadgeForm, OwnPinForm, PasswordForm
from labtrack.accounts.models import User
from labtrack.accounts.services.own_sign_in import change_badge, change_password, change_pin
from labtrack.errors import DomainError, Refused
from labtrack.web import actor_of, add_refusal, page


def _change_password(actor: Actor, form: forms.Form) -> str:
    change_password(actor=actor, current=form.cleaned_data["current"], new=form.cleaned_data["new"])
    return "Your password is changed. Other places where you were signed in are signed out."


def _change_pin(actor: Actor, form: forms.Form) -> str:
    pin = form.cleaned_data["pin"]
    change_pin(actor=actor, current=form.cleaned_data["current"], pin=pin)
    return "Your PIN is set." if pin else "You have no PIN now."


def _change_badge(actor: Actor, form: forms.Form) -> str:
    code = form.cleaned_data["badge"]
    change_badge(actor=actor, current=form.cleaned_data["current"], code=code)
    return "Your badge is set." if code else "You have no badge now."


FORMS: dict[str, tuple[type[forms.Form], Callable[[Actor, forms.Form], str]]] = {
    "password": (PasswordForm, _change_password),
    "pin": (OwnPinForm, _change_pin),
    "badge": (OwnBadgeForm, _change_badge),
}


@require_http_methods(["GET", "HEAD", "POST"])
@page()
def own(request: HttpRequest) -> HttpResponse:
    actor = actor_of(request)
    sent = request.POST.get("what", "") if request.method == "POST" else ""
    if request.method == "POST" and sent not in FORMS:
        raise Refused("what-unknown", "Choose what to change: your password, your PIN or your badge.")
    shown = {
        name: kind(request.POST if name == sent else None, auto_id=f"{name}_%s")
        for name, (kind, _) in FORMS.items()
    }
    status = 200
    if sent in FORMS:
        form = shown[sent]
        status = 422
        if form.is_valid():
            try:
                sentence = FORMS[sent][1](actor, form)
            except DomainError as error:
                add_refusal(form, error)
                status = error.status
            else:
                update_session_auth_hash(request, User.objects.get(pk=actor.user.pk))
                messages.success(request, sentence)
                return redirect("accounts:own")
    context = {
        "forms": shown,
        "has_pin": bool(actor.user.pin),
        "has_badge": bool(actor.user.badge),
    }
    return render(request, "accounts/own.html", context, status=status)
