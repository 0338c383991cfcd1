"""Measuring: what each device can tell, studies of it, and whether methods and people agree."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_safe

from labtrack.accounts.choices import Capability
from labtrack.web import actor_of, attempt, csv_response, page, posted, submission_key
from production.choices import MEASURING_KINDS
from qa.doors import doors
from qa.forms_studies import AgreementForm, DeviceStudyForm, StudyValuesForm
from qa.models import AgreementStudy, DeviceStudy
from qa.queries.devices import known_devices
from qa.services.studies import judge_agreement, judge_study, plan_study, reading_order

MOST = 100


@require_http_methods(["GET", "HEAD", "POST"])
@page(Capability.TRENDS_READ)
def measuring_studies(request: HttpRequest) -> HttpResponse:
    """Every measuring device with its uncertainty, and the studies; a posted form plans another."""
    actor = actor_of(request)
    form = DeviceStudyForm(posted(request)) if actor.may(Capability.IMPROVE) else None
    if request.method == "POST":
        actor.require(Capability.IMPROVE)
        assert form is not None
        if form.is_valid():
            data = form.cleaned_data
            done = attempt(
                form,
                lambda: plan_study(
                    actor=actor,
                    key=submission_key(request),
                    device_id=data["device"].pk,
                    characteristic=data["characteristic"],
                    parts=data["parts"],
                    appraisers=data["appraisers"],
                    trials=data["trials"],
                ),
            )
            if done is not None:
                messages.success(request, "The study is planned, and the order of its readings is drawn.")
                return redirect("qa:study", study_id=done.thing.pk)
    context = {
        "devices": known_devices(*MEASURING_KINDS),
        "studies": DeviceStudy.objects.select_related("device")[:MOST],
        "agreements": AgreementStudy.objects.all()[:MOST],
        "form": form,
        "doors": doors("measuring"),
    }
    return render(request, "qa/studies.html", context, status=422 if form and form.errors else 200)


@require_http_methods(["GET", "HEAD", "POST"])
@page(Capability.TRENDS_READ)
def study(request: HttpRequest, study_id: int) -> HttpResponse:
    """One study: the order to measure in, the readings, and the verdict."""
    actor = actor_of(request)
    found = get_object_or_404(DeviceStudy.objects.select_related("device"), pk=study_id)
    form = None
    if actor.may(Capability.IMPROVE) and found.judged_at is None:
        form = StudyValuesForm(posted(request), study=found)
    if request.method == "POST":
        actor.require(Capability.IMPROVE)
        form = form or StudyValuesForm(request.POST, study=found)
        if form.is_valid():
            values, bias = form.values(), form.cleaned_data["bias_mm"] or 0.0
            done = attempt(
                form,
                lambda: judge_study(actor=actor, study_id=found.pk, values=values, bias_mm=bias),
            )
            if done is not None:
                messages.success(request, _told(done))
                return redirect("qa:study", study_id=found.pk)
    context = {
        "study": found,
        "order": reading_order(found),
        "form": form,
        "doors": doors("measuring"),
    }
    return render(request, "qa/study.html", context, status=422 if form and form.errors else 200)


def _told(judged: DeviceStudy) -> str:
    size = (judged.result or {}).get("uncertainty_mm")
    if not size:
        return "The study is judged. No uncertainty can be told from it."
    return f"The study is judged. Parts measured with this device are judged with U = {size:.3f} mm now."


@require_safe
@page(Capability.TRENDS_READ)
def study_csv(request: HttpRequest, study_id: int) -> HttpResponseBase:
    """The readings in their drawn order, with what was read."""
    found = get_object_or_404(DeviceStudy, pk=study_id)
    rows = []
    for place, (trial, person, part) in enumerate(reading_order(found), start=1):
        value = found.values[part - 1][person - 1][trial - 1] if found.values else ""
        rows.append((place, trial, person, part, value))
    return csv_response(f"study-{found.pk}.csv", ("order", "time", "person", "part", "value_mm"), rows)


@require_http_methods(["GET", "HEAD", "POST"])
@page(Capability.IMPROVE)
def agreement_new(request: HttpRequest) -> HttpResponse:
    """Give the pairs of two methods or people, and have them judged."""
    form = AgreementForm(posted(request))
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        done = attempt(
            form,
            lambda: judge_agreement(
                actor=actor_of(request),
                key=submission_key(request),
                kind=data["kind"],
                title=data["title"],
                first=data["first"],
                second=data["second"],
                pairs=data["pairs"],
            ),
        )
        if done is not None:
            return redirect("qa:agreement", study_id=done.thing.pk)
    context = {"form": form, "doors": doors("measuring")}
    return render(request, "qa/agreement_new.html", context, status=422 if form.errors else 200)


@require_safe
@page(Capability.TRENDS_READ)
def agreement(request: HttpRequest, study_id: int) -> HttpResponse:
    """What was judged of two methods or people, and the pairs."""
    found = get_object_or_404(AgreementStudy, pk=study_id)
    return render(request, "qa/agreement.html", {"agreement": found, "doors": doors("measuring")})


@require_safe
@page(Capability.TRENDS_READ)
def agreement_csv(request: HttpRequest, study_id: int) -> HttpResponseBase:
    """The pairs."""
    found = get_object_or_404(AgreementStudy, pk=study_id)
    return csv_response(f"agreement-{found.pk}.csv", (found.first, found.second), found.pairs)
