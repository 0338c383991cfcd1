"""Preparing, planning, and the page of one build."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from labtrack.accounts.choices import Capability
from labtrack.audit.services.submissions import part_key
from labtrack.errors import DomainError, Refused
from labtrack.usecase import use_case
from labtrack.web import actor_of, add_refusal, page, posted, submission_key
from labtrack.whole_numbers import whole_number
from production.answer_sheet import answer_sheet, answered_rows
from production.choices import TREATMENT_STEPS, BuildState, Outcome, PartPurpose, Step
from production.forms import FinishForm, PlanForm, PreparationForm
from production.hooks import build_panels
from production.models import Build, Preparation
from production.queries.ages import tank_age
from production.queries.bench import (
    TREATMENT_ORDER,
    appliances_to_prepare,
    parts_of_build,
    preparations_to_print,
    times_name,
)
from production.queries.instructions import standing_answers
from production.queries.lab import held_reasons
from production.services.builds import (
    NO_BUILD,
    PlannedPart,
    cancel_build,
    fail_build,
    finish_build,
    plan_build,
    start_build,
    tank_in,
)
from production.services.outcomes import PartResult, record_part_outcomes
from production.services.preparations import PreparationSettings, Prepared, record_preparations
from production.views.shop_pages import answer_sheets, by_number, posted_ids, powers

PER_PAGE = 60
MOST_COPIES = 50


@page(Capability.SHOP_WRITE)
@require_http_methods(["GET", "HEAD", "POST"])
def prepare(request: HttpRequest) -> HttpResponse:
    """Record how designs were made ready: many at once, with the last settings filled in."""
    last = Preparation.objects.order_by("-pk").first()
    form = PreparationForm(posted(request), initial=_settings_of(last))
    sheet = answer_sheet(Step.PREPARE, timezone.now(), data=posted(request))
    status = 200
    if request.method == "POST" and form.is_valid():
        actor = actor_of(request)
        key = submission_key(request)
        chosen = posted_ids(request, "appliance")
        designs = dict(appliances_to_prepare().filter(pk__in=chosen).values_list("pk", "design_id"))
        try:
            with use_case():
                made = record_preparations(
                    actor=actor,
                    key=key,
                    prepared=[Prepared(pk, designs[pk]) for pk in chosen if pk in designs],
                    settings=PreparationSettings(
                        **{name: value for name, value in form.cleaned_data.items() if name != "occurred_at"}
                    ),
                    occurred_at=form.cleaned_data["occurred_at"],
                )
                ids = [row.pk for row in made]
                answer_sheets(request, actor, key=key, sheets=[sheet], subject="preparation", subject_ids=ids)
        except DomainError as refusal:
            add_refusal(form, refusal)
            status = refusal.status
        else:
            messages.success(request, f"{len(made)} prepared. Now choose the printer.")
            chosen_text = ",".join(str(row.pk) for row in made)
            return redirect(f"{reverse('production:plan')}?chosen={chosen_text}")
    elif request.method == "POST":
        status = 422
    page_obj = Paginator(appliances_to_prepare(), PER_PAGE).get_page(request.GET.get("page"))
    context = {
        "form": form,
        "page_obj": page_obj,
        "sheet": sheet,
        "chosen": set(posted_ids(request, "appliance")),
    }
    return render(request, "production/prepare.html", context, status=status)


def _settings_of(last: Preparation | None) -> dict[str, Any]:
    if last is None:
        return {}
    names = ("profile_name", "profile_revision", "layer_um", "orientation", "hollow", "wall_mm", "supports")
    return {name: getattr(last, name) for name in names} | {
        "tilt_deg": last.tilt_deg,
        "compensation_percent": last.compensation_percent,
    }


@page(Capability.SHOP_WRITE)
@require_http_methods(["GET", "HEAD", "POST"])
def plan(request: HttpRequest) -> HttpResponse:
    """Plan a build of several prepared parts, and start it in the same submission when it starts now."""
    form = PlanForm(posted(request), initial={"start_now": True})
    status = 200
    if request.method == "POST" and form.is_valid():
        try:
            build = _plan(request, form)
        except DomainError as refusal:
            add_refusal(form, refusal)
            status = refusal.status
        else:
            return redirect("production:build", number=build.number)
    elif request.method == "POST":
        status = 422
    search = request.GET.get("q", "").strip()[:40]
    page_obj = Paginator(preparations_to_print(search), PER_PAGE).get_page(request.GET.get("page"))
    rows: Any = page_obj.object_list
    for preparation in rows:
        preparation.copies = request.POST.get(f"copies-{preparation.pk}", "1")
    preset = request.GET.get("chosen", "") if request.method != "POST" else ""
    chosen = {pk for pk in map(whole_number, preset.split(",")) if pk is not None}
    context = {
        "form": form,
        "page_obj": page_obj,
        "search": search,
        "chosen": chosen | set(posted_ids(request, "preparation")),
    }
    return render(request, "production/plan.html", context, status=status)


def _plan(request: HttpRequest, form: PlanForm) -> Build:
    actor = actor_of(request)
    key = submission_key(request)
    values = form.cleaned_data
    printer, tank = values["printer"], values["tank"]
    if tank is None and printer.needs_tank:
        tank = tank_in(printer)
    copies = [
        PlannedPart(pk) for pk in posted_ids(request, "preparation") for _ in range(_copies(request, pk))
    ]
    with use_case():
        build = plan_build(
            actor=actor,
            key=key,
            printer_id=printer.pk,
            tank_id=tank.pk if tank else None,
            filament_lot_id=values["filament_lot"].pk if values["filament_lot"] else None,
            parts=copies,
        ).thing
        if values["start_now"]:
            start_build(
                actor=actor,
                key=part_key(key, "start"),
                build_id=build.pk,
                resin_temp_c=values["resin_temp_c"],
            )
    started = "started" if values["start_now"] else "planned"
    messages.success(
        request, f"{build.label} {started} with {len(copies)} part{'s' if len(copies) > 1 else ''}."
    )
    return build


def _copies(request: HttpRequest, pk: int) -> int:
    """How many of one prepared design; what is no such count is refused, never guessed."""
    text = request.POST.get(f"copies-{pk}", "1").strip()
    count = whole_number(text, most=MOST_COPIES)
    if not count:
        design = Preparation.objects.filter(pk=pk).select_related("appliance__case").first()
        name = f" of {design.appliance.label}" if design else ""
        raise Refused(
            "copies-unclear",
            f"How many{name}? “{text[:10]}” is no count: type a whole number from 1 to {MOST_COPIES}.",
        )
    return count


@page(Capability.SHOP_READ)
@require_safe
def build(request: HttpRequest, number: int) -> HttpResponse:
    """Facts, parts with their outcome, and the answers to the print's work instruction."""
    return _build_page(request, _found(number))


def _found(number: int) -> Build:
    rows = Build.objects.select_related(
        "printer__equipment", "tank__equipment", "filament_lot__material", "operator"
    )
    build: Build = by_number(rows, number, NO_BUILD)
    return build


def _build_page(
    request: HttpRequest, build: Build, *, form: FinishForm | None = None, status: int = 200
) -> HttpResponse:
    actor = actor_of(request)
    data = posted(request)
    at = build.started_at or timezone.now()
    parts = list(parts_of_build([build.pk]))
    for part in parts:
        part.chosen = data.get(f"outcome-{part.pk}", "") if data else part.outcome
        part.reason = data.get(f"reason-{part.pk}", "") if data else ""
    answers = standing_answers("build", [build.pk])
    context = {
        "build": build,
        "parts": parts,
        "form": form or FinishForm(initial={"layers": build.layers, "resin_ml": build.resin_ml}),
        "outcomes": Outcome.choices,
        "sheet": answer_sheet(Step.PRINT, at, subject="build", subject_id=build.pk, data=data),
        "answers": answered_rows(answers),
        "tank": tank_age(build.tank_id, at) if build.tank_id else None,
        "running": build.state == BuildState.RUNNING,
        "planned": build.state == BuildState.PLANNED,
        "ended": build.state in (BuildState.FINISHED, BuildState.FAILED),
        "cautions": ("resin",),
        "next_steps": _next_steps(parts, filament=build.tank_id is None),
        "open_outcomes": sum(1 for part in parts if not part.outcome),
        "direct": [
            part
            for part in parts
            if part.purpose == PartPurpose.APPLIANCE and part.outcome != Outcome.SCRAPPED and not _piece(part)
        ],
        "held": held_reasons("build", [build.pk]).get(build.pk, ""),
        "held_parts": held_reasons("part", [part.pk for part in parts]),
        "panels": build_panels.shown(build, request),
        **powers(actor),
    }
    return render(request, "production/build.html", context, status=status)


def _piece(part: Any) -> Any:
    return getattr(part, "direct_piece", None)


def _next_steps(parts: list[Any], *, filament: bool) -> list[dict[str, Any]]:
    if filament:
        return []
    counted = []
    alive = [part for part in parts if part.outcome != Outcome.SCRAPPED]
    for step in TREATMENT_STEPS:
        done = sum(1 for part in alive if getattr(part, times_name(step)))
        counted.append({"step": step, "done": done, "of": len(alive), "usual": step in TREATMENT_ORDER})
    return counted


@page(Capability.SHOP_WRITE)
@require_POST
def start(request: HttpRequest, number: int) -> HttpResponse:
    build = _found(number)
    start_build(actor=actor_of(request), key=submission_key(request), build_id=build.pk)
    messages.success(request, f"{build.label} started.")
    return redirect("production:build", number=number)


@page(Capability.SHOP_WRITE)
@require_POST
def cancel(request: HttpRequest, number: int) -> HttpResponse:
    build = _found(number)
    cancel_build(
        actor=actor_of(request),
        key=submission_key(request),
        build_id=build.pk,
        reason=request.POST.get("reason", ""),
    )
    messages.success(request, f"{build.label} is cancelled; its appliances wait to be printed again.")
    return redirect("production:build", number=number)


@page(Capability.SHOP_WRITE)
@require_POST
def record(request: HttpRequest, number: int) -> HttpResponse:
    """One submission: the end of the build if it is running, outcomes of parts, and answers."""
    build = _found(number)
    form = FinishForm(request.POST)
    if not form.is_valid():
        return _build_page(request, build, form=form, status=422)
    try:
        with use_case():
            said = _record(request, build, form)
    except DomainError as refusal:
        add_refusal(form, refusal)
        return _build_page(request, _found(number), form=form, status=refusal.status)
    messages.success(request, said)
    return redirect("production:build", number=number)


def _record(request: HttpRequest, build: Build, form: FinishForm) -> str:
    actor = actor_of(request)
    key = submission_key(request)
    results = _results(request, build)
    what = request.POST.get("what", "answers")
    if what not in ("finish", "fail", "answers"):
        raise Refused("what-unknown", "Choose what to record: the end of the build, its failure, or answers.")
    values = form.cleaned_data
    said = []
    if what in ("finish", "fail"):
        shared = {
            "actor": actor,
            "key": part_key(key, "end"),
            "build_id": build.pk,
            "finished_at": values["finished_at"],
            "outcomes": results,
            "layers": values["layers"],
            "resin_ml": values["resin_ml"],
        }
        if what == "fail":
            fail_build(failure=values["failure"], **shared)
            said.append(f"{build.label} is recorded as failed.")
        else:
            finish_build(**shared)
            said.append(f"{build.label} is finished.")
    elif results:
        record_part_outcomes(actor=actor, key=part_key(key, "outcomes"), step=Step.PRINT, results=results)
        said.append(f"{len(results)} outcomes recorded.")
    if what == "finish":
        said += _still_open(build)
    at = build.started_at or timezone.now()
    sheet = answer_sheet(Step.PRINT, at, data=request.POST)
    answered = answer_sheets(request, actor, key=key, sheets=[sheet], subject="build", subject_ids=[build.pk])
    if answered:
        said.append(f"{answered} answers recorded.")
    return " ".join(said) or "Nothing was chosen, so nothing changed."


def _still_open(build: Build) -> list[str]:
    """What is left to say of a build that has just ended."""
    count = build.parts.filter(outcome="").count()
    if not count:
        return []
    return [f"{count} part{'s have' if count > 1 else ' has'} no outcome yet: say below how they came out."]


def _results(request: HttpRequest, build: Build) -> list[PartResult]:
    """Outcomes that were chosen and differ from what is recorded."""
    results = []
    for pk, outcome in build.parts.order_by("number").values_list("pk", "outcome"):
        chosen = request.POST.get(f"outcome-{pk}", "")
        if chosen and chosen != outcome:
            results.append(PartResult(pk, chosen, request.POST.get(f"reason-{pk}", "")))
    return results
