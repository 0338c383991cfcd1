"""Clinics: for who may add and change them."""

from __future__ import annotations

from django.contrib import messages
from django.db.models import Count
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from cases.forms import ChangeClinicForm, ClinicForm
from cases.queries import clinic_for, visible_clinics
from cases.services.clinics import add_clinic, change_clinic
from labtrack.accounts.choices import Capability
from labtrack.web import actor_of, attempt, page, posted, submission_key


@require_http_methods(["GET", "HEAD", "POST"])
@page(Capability.CLINICS)
def clinics(request: HttpRequest) -> HttpResponse:
    actor = actor_of(request)
    form = ClinicForm(posted(request))
    if request.method == "POST" and form.is_valid():
        done = attempt(
            form, lambda: add_clinic(actor=actor, key=submission_key(request), **form.cleaned_data)
        )
        if done is not None:
            messages.success(request, f"{done.thing.name} can send cases now.")
            return redirect("cases:clinics")
    counted = visible_clinics(actor).annotate(
        case_count=Count("cases", distinct=True), staff_count=Count("memberships", distinct=True)
    )
    context = {"form": form, "clinics": counted}
    return render(request, "cases/clinics.html", context, status=422 if form.errors else 200)


@require_http_methods(["GET", "HEAD", "POST"])
@page(Capability.CLINICS)
def clinic(request: HttpRequest, clinic_id: int) -> HttpResponse:
    actor = actor_of(request)
    subject = clinic_for(actor, clinic_id)
    names = ("code", "name", "tooth_notation", "active")
    form = ChangeClinicForm(posted(request), initial={name: getattr(subject, name) for name in names})
    if request.method == "POST" and form.is_valid():
        done = attempt(form, lambda: change_clinic(actor=actor, clinic_id=clinic_id, **form.cleaned_data))
        if done is not None:
            messages.success(request, f"{done.name} is changed.")
            return redirect("cases:clinics")
    staff = subject.memberships.select_related("user").order_by("user__name")
    context = {"clinic": subject, "form": form, "staff": staff}
    return render(request, "cases/clinic.html", context, status=422 if form.errors else 200)
