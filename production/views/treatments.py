"""Runs of drip, wash, dry, remove supports and cure."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from labtrack.accounts.choices import Capability
from labtrack.errors import DomainError, NotFound, Refused
from labtrack.usecase import use_case
from labtrack.web import actor_of, add_refusal, page, posted, submission_key
from labtrack.whole_numbers import LARGEST, whole_number
from production.answer_sheet import answer_sheet, answered_rows
from production.choices import TREATMENT_STEPS, Outcome, Step
from production.forms import RunForm
from production.models import Build, Part, TreatmentRun
from production.queries.ages import bath_age, lamp_age
from production.queries.bench import TREATMENT_ORDER, waiting_parts
from production.queries.instructions import standing_answers
from production.services.builds import NO_BUILD
from production.services.treatments import EQUIPMENT_OF_STEP, record_treatment
from production.views.shop_pages import answer_sheets, by_number, marked_parts, posted_ids, powers

CAUTIONS: dict[str, tuple[str, ...]] = {
    Step.DRIP: ("resin",),
    Step.WASH: ("resin", "solvent"),
    Step.DRY: ("solvent",),
    Step.REMOVE_SUPPORTS: ("resin", "dust"),
    Step.CURE: ("uv", "solvent"),
}


@page(Capability.SHOP_WRITE)
@require_http_methods(["GET", "HEAD", "POST"])
def new_run(request: HttpRequest, step: str) -> HttpResponse:
    """Record a run: parts ticked or scanned, minutes and end, and the answers, in one submission."""
    if step not in TREATMENT_STEPS:
        raise Http404
    form = RunForm(
        posted(request),
        kind=EQUIPMENT_OF_STEP.get(step),
        initial=_last_settings(step),
    )
    data = posted(request)
    sheet = answer_sheet(step, timezone.now(), data=data)
    status = 200
    if request.method == "POST" and form.is_valid():
        try:
            run = _record(request, step, form, sheet)
        except DomainError as refusal:
            add_refusal(form, refusal)
            status = refusal.status
        else:
            messages.success(request, _said(run))
            return redirect("production:run", pk=run.pk)
    elif request.method == "POST":
        status = 422
    context = {
        "step": Step(step),
        "form": form,
        "sheet": sheet,
        "groups": _groups(request, step),
        "cautions": CAUTIONS[step],
        "marks": request.POST.get("marks", ""),
    }
    return render(request, "production/run_new.html", context, status=status)


def _last_settings(step: str) -> dict[str, Any]:
    last = TreatmentRun.objects.filter(step=step).order_by("-pk").first()
    if last is None:
        return {}
    minutes = (last.finished_at - last.started_at).total_seconds() / 60
    return {
        "equipment": last.equipment_id,
        "program": last.program,
        "minutes": f"{minutes:.1f}".removesuffix(".0"),
        "temperature_c": last.temperature_c,
    }


def _groups(request: HttpRequest, step: str) -> list[dict[str, Any]]:
    """Builds with their parts to tick: the build asked for, or those that wait for this step."""
    chosen = set(posted_ids(request, "part"))
    asked = whole_number(request.GET.get("build", ""))
    if asked is not None:
        build = by_number(Build.objects.all(), asked, NO_BUILD)
        parts = build.parts.exclude(outcome=Outcome.SCRAPPED).select_related("appliance__case")
        groups = [(build, list(parts.order_by("number")), request.method != "POST")]
    else:
        waiting = waiting_parts(timezone.now()).get(step, [])
        groups = [(group.build, group.parts, False) for group in waiting]
    return [
        {
            "build": build,
            "parts": [{"part": part, "chosen": ticked or part.pk in chosen} for part in parts],
        }
        for build, parts, ticked in groups
    ]


def _record(request: HttpRequest, step: str, form: RunForm, sheet: Any) -> TreatmentRun:
    actor = actor_of(request)
    key = submission_key(request)
    values = form.cleaned_data
    ticked = posted_ids(request, "part")
    scanned = [pk for pk in marked_parts(request.POST.get("marks", "")) if pk not in ticked]
    ended = values["finished_at"] or timezone.now()
    equipment = values.get("equipment")
    with use_case():
        run = record_treatment(
            actor=actor,
            key=key,
            step=step,
            part_ids=[*ticked, *scanned],
            started_at=ended - timedelta(minutes=float(values["minutes"])),
            finished_at=ended,
            equipment_id=equipment.pk if equipment else None,
            program=values.get("program", ""),
            temperature_c=values["temperature_c"],
            note=values["note"],
        ).thing
        answer_sheets(request, actor, key=key, sheets=[sheet], subject="treatment", subject_ids=[run.pk])
    return run


def _said(run: TreatmentRun) -> str:
    count = run.treated.count()
    again = run.treated.filter(turn__gt=1).count()
    said = f"{run.get_step_display()} recorded for {count} part{'s' if count != 1 else ''}."
    if again:
        said += f" {again} of them had been through this step before."
    return said


@page(Capability.SHOP_READ)
@require_http_methods(["GET", "HEAD", "POST"])
def run(request: HttpRequest, pk: int) -> HttpResponse:
    """One run with its parts, the age of its bath or lamp then, and its answers, which may be completed."""
    found = (
        TreatmentRun.objects.select_related("equipment", "by").filter(pk=pk).first()
        if pk <= LARGEST
        else None
    )
    if found is None:
        raise NotFound("There is no such run.")
    actor = actor_of(request)
    data = posted(request)
    sheet = answer_sheet(found.step, found.finished_at, subject="treatment", subject_id=pk, data=data)
    status = 200
    refusal = ""
    if request.method == "POST":
        actor.require(Capability.SHOP_WRITE)
        try:
            answered = answer_sheets(
                request,
                actor,
                key=submission_key(request),
                sheets=[sheet],
                subject="treatment",
                subject_ids=[pk],
            )
            if not answered:
                raise Refused("nothing-answered", "Nothing is answered. Answer at least one item.")
        except DomainError as error:
            refusal, status = error.sentence, error.status
        else:
            messages.success(request, f"{answered} answers recorded.")
            return redirect("production:run", pk=pk)
    started = found.started_at
    context = {
        "run": found,
        "treated": found.treated.select_related("part__build", "part__appliance__case").order_by("part"),
        "minutes": (found.finished_at - started).total_seconds() / 60,
        "bath": bath_age(found.equipment_id, started)
        if found.step == Step.WASH and found.equipment_id
        else None,
        "lamp": lamp_age(found.equipment_id, started)
        if found.step == Step.CURE and found.equipment_id
        else None,
        "sheet": sheet,
        "answers": answered_rows(standing_answers("treatment", [pk])),
        "refusal": refusal,
        "cautions": CAUTIONS[found.step],
        "next": _next(found),
        **powers(actor),
    }
    return render(request, "production/run.html", context, status=status)


def _next(found: TreatmentRun) -> dict[str, Any] | None:
    """The usual next step for the same build, when all parts are of one."""
    builds = set(Part.objects.filter(treated__run=found).values_list("build__number", flat=True))
    if found.step not in TREATMENT_ORDER or len(builds) != 1:
        return None
    place = TREATMENT_ORDER.index(Step(found.step)) + 1
    if place == len(TREATMENT_ORDER):
        return None
    return {"step": TREATMENT_ORDER[place], "build": builds.pop()}
