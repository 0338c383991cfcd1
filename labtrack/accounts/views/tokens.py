"""Tokens of scripts: one's own, and everybody's for administrators."""

from __future__ import annotations

from datetime import date, datetime, time

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST

from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.accounts.forms import TokenForm
from labtrack.accounts.models import ApiToken
from labtrack.accounts.services.tokens import make_token, offered_scopes, revoke_token, seen_tokens
from labtrack.errors import DomainError
from labtrack.web import actor_of, add_refusal, page, posted, submission_key


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page()
def tokens(request: HttpRequest) -> HttpResponse:
    actor = actor_of(request)
    form = TokenForm(posted(request), scopes=offered_scopes(actor))
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                made = make_token(
                    actor=actor,
                    key=submission_key(request),
                    name=form.cleaned_data["name"],
                    scopes=form.cleaned_data["scopes"],
                    expires_at=_end_of(form.cleaned_data["expires_on"]),
                )
            except DomainError as error:
                add_refusal(form, error)
                status = error.status
            else:
                return render(
                    request, "accounts/token_once.html", {"token": made.token, "secret": made.secret}
                )
    context = {
        "form": form,
        "rows": _rows(actor),
        "everybody": actor.may(Capability.PEOPLE),
        "by_password": actor.by_password,
    }
    return render(request, "accounts/tokens.html", context, status=status)


@require_POST
@page()
def revoke(request: HttpRequest, token_id: int) -> HttpResponse:
    token = revoke_token(actor=actor_of(request), token_id=token_id)
    messages.success(request, f"The token “{token.name}” no longer works.")
    return redirect("accounts:tokens")


def _rows(actor: Actor) -> list[dict[str, object]]:
    now = timezone.now()
    return [{"token": token, "state": _state(token, now)} for token in seen_tokens(actor)]


def _state(token: ApiToken, now: datetime) -> str:
    if token.revoked_at is not None:
        return "revoked"
    return "expired" if token.expires_at <= now else "works"


def _end_of(day: date) -> datetime:
    return timezone.make_aware(datetime.combine(day, time(23, 59, 59)))
