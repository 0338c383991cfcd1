"""The limits in force, their sources, and changing them."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from labtrack.accounts.choices import Capability
from labtrack.web import actor_of, attempt, page, posted, submission_key
from qa.forms import LimitsForm
from qa.models import LimitVersion
from qa.queries.limits import limits_in_force
from qa.services.limits import change_limits


@require_http_methods(["GET", "HEAD", "POST"])
@page(Capability.SHOP_READ)
def limits(request: HttpRequest) -> HttpResponse:
    """Everyone of the lab sees them; who may change them also gets the form."""
    actor = actor_of(request)
    version = limits_in_force()
    form = LimitsForm(posted(request), version=version)
    if request.method == "POST":
        actor.require(Capability.LIMITS)
        if form.is_valid():
            done = attempt(
                form,
                lambda: change_limits(
                    actor=actor,
                    key=submission_key(request),
                    based_on=form.cleaned_data["based_on"],
                    values=form.values(),
                    sources=form.sources(),
                    source=form.cleaned_data["source"],
                    note=form.cleaned_data["note"],
                ),
            )
            if done is not None:
                messages.success(
                    request,
                    f"Version {done.thing.version} is in force. Checks that are done keep their version; "
                    "check a mesh, or a whole series, again on its page and it says what moved.",
                )
                return redirect("qa:limits")
    context = {
        "version": version,
        "form": form,
        "may_change": actor.may(Capability.LIMITS),
        "history": LimitVersion.objects.select_related("recorded_by").order_by("-version")[:20],
    }
    return render(request, "qa/limits.html", context, status=422 if form.errors else 200)
