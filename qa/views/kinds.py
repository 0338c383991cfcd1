"""The vocabulary of defects."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from labtrack.accounts.choices import Capability
from labtrack.errors import NotFound
from labtrack.web import actor_of, attempt, page, posted
from qa.forms import KindForm
from qa.models import DefectKind
from qa.services.kinds import save_kind


@require_http_methods(["GET", "HEAD", "POST"])
@page(Capability.SHOP_READ)
def kinds(request: HttpRequest) -> HttpResponse:
    """All kinds; who may change limits may add one."""
    return _page(request, None)


@require_http_methods(["GET", "HEAD", "POST"])
@page(Capability.LIMITS)
def kind(request: HttpRequest, kind_id: int) -> HttpResponse:
    """Change one kind. What was recorded under it keeps it."""
    found = DefectKind.objects.filter(pk=kind_id).first()
    if found is None:
        raise NotFound("There is no such kind of defect.")
    return _page(request, found)


def _page(request: HttpRequest, found: DefectKind | None) -> HttpResponse:
    actor = actor_of(request)
    form = KindForm(posted(request), instance=found)
    if found is not None:
        form.fields["code"].disabled = True
    if request.method == "POST":
        actor.require(Capability.LIMITS)
        if form.is_valid():
            done = attempt(
                form, lambda: save_kind(actor=actor, pk=found.pk if found else None, **form.cleaned_data)
            )
            if done is not None:
                messages.success(request, f"“{done.name}” is saved.")
                return redirect("qa:kinds")
    context = {
        "kinds": DefectKind.objects.order_by("scope", "name"),
        "form": form,
        "changing": found,
        "may_change": actor.may(Capability.LIMITS),
    }
    return render(request, "qa/kinds.html", context, status=422 if form.errors else 200)
