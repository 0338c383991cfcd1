"""Actions: opened on a suspected cause, followed, and closed with their effect."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.formats import date_format
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from labtrack.accounts.choices import Capability
from labtrack.web import actor_of, attempt, page, posted, submission_key
from qa.choices import EvidenceUnit
from qa.doors import doors
from qa.evidence_pages.rates import per_100
from qa.forms import ActionForm, CloseActionForm
from qa.models import Action
from qa.services.actions import close_action, effect_of, open_action

CHECK_AFTER_DAYS = 60
MOST = 100


@require_safe
@page(Capability.TRENDS_READ)
def actions(request: HttpRequest) -> HttpResponse:
    """What is open and what was closed, the latest first."""
    rows = Action.objects.select_related("responsible", "closed_by").order_by("closed_at", "check_on")
    context = {
        "open": [row for row in rows if row.closed_at is None],
        "closed": list(Action.objects.filter(closed_at__isnull=False).select_related("responsible")[:MOST]),
        "doors": doors("week"),
        "may_act": actor_of(request).may(Capability.IMPROVE),
    }
    return render(request, "qa/actions.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@page(Capability.IMPROVE)
def action_open(request: HttpRequest) -> HttpResponse:
    """Plan an action: what, who, from when on, and when its effect is looked at."""
    form = ActionForm(posted(request), initial=_suggested(request))
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        done = attempt(
            form,
            lambda: open_action(
                actor=actor_of(request),
                key=submission_key(request),
                what=data["what"],
                why=data["why"],
                responsible_id=data["responsible"].pk,
                starts_on=data["starts_on"],
                check_on=data["check_on"],
                hoped_per_100=data["hoped_per_100"],
                before_days=data["before_days"],
                unit=data["unit"],
                factor=data["factor"],
            ),
        )
        if done is not None:
            messages.success(
                request, f"The action is open. Its effect is looked at on {done.thing.check_on}."
            )
            return redirect("qa:action", action_id=done.thing.pk)
    context = {"form": form, "doors": doors("week")}
    return render(request, "qa/action_open.html", context, status=422 if form.errors else 200)


def _suggested(request: HttpRequest) -> dict[str, Any]:
    today = timezone.localdate()
    asked = request.GET
    unit = asked.get("unit", "")
    return {
        "why": asked.get("why", "")[:500],
        "factor": asked.get("factor", "")[:120],
        "unit": unit if unit in EvidenceUnit.values else EvidenceUnit.PART.value,
        "hoped_per_100": asked.get("hoped", "")[:6],
        "responsible": request.user.pk,
        "starts_on": today,
        "check_on": today + timedelta(days=CHECK_AFTER_DAYS),
    }


@require_safe
@page(Capability.TRENDS_READ)
def action(request: HttpRequest, action_id: int) -> HttpResponse:
    """One action with how its effect looks."""
    return _shown(request, get_object_or_404(Action, pk=action_id))


@require_POST
@page(Capability.IMPROVE)
def action_close(request: HttpRequest, action_id: int) -> HttpResponse:
    """Close it, keeping how its effect was judged."""
    found = get_object_or_404(Action, pk=action_id)
    form = CloseActionForm(request.POST)
    if form.is_valid():
        done = attempt(
            form,
            lambda: close_action(
                actor=actor_of(request),
                action_id=found.pk,
                note=form.cleaned_data["note"],
            ),
        )
        if done is not None:
            messages.success(request, "The action is closed.")
            return redirect("qa:action", action_id=found.pk)
    return _shown(request, found, form)


def _periods(found: Action, effect: dict[str, Any] | None) -> list[dict[str, Any]]:
    """Losses before and after, per 100."""
    if effect is None:
        return []
    names = {
        "before": f"Before, up to {found.before_days} days",
        "after": f"From {date_format(found.starts_on, 'j M Y')} on",
    }
    return [
        {
            "name": name,
            "n": effect[which]["n"],
            "lost": effect[which]["count"],
            "rate": per_100(effect[which]["rate"]),
            "low": per_100(effect[which]["ci95"][0]),
            "high": per_100(effect[which]["ci95"][1]),
        }
        for which, name in names.items()
    ]


def _shown(request: HttpRequest, found: Action, form: CloseActionForm | None = None) -> HttpResponse:
    actor = actor_of(request)
    may_act = actor.may(Capability.IMPROVE)
    effect = effect_of(actor=actor, action=found)
    context = {
        "action": found,
        "effect": effect,
        "periods": _periods(found, effect),
        "doors": doors("week"),
        "today": timezone.localdate(),
        "form": form or CloseActionForm() if may_act and found.closed_at is None else None,
    }
    return render(request, "qa/action.html", context, status=422 if form and form.errors else 200)
