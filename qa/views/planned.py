"""Comparisons: planned with a margin, run in a drawn order, judged, and kept."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from labtrack.accounts.choices import Capability
from labtrack.web import actor_of, attempt, csv_response, page, posted, submission_key
from qa.choices import ComparisonKind
from qa.doors import doors
from qa.forms import CloseActionForm
from qa.forms_studies import PlanForm, RunForm
from qa.models import ComparisonRun, PlannedComparison
from qa.services.planned_comparisons import (
    close_comparison,
    plan_comparison,
    plan_sizes,
    record_run,
    verdict_of,
)

MOST = 100


@require_safe
@page(Capability.TRENDS_READ)
def planned(request: HttpRequest) -> HttpResponse:
    """Open comparisons and the archive."""
    rows = list(PlannedComparison.objects.prefetch_related("runs")[:MOST])
    context = {
        "open": [_row(row) for row in rows if row.closed_at is None],
        "closed": [row for row in rows if row.closed_at is not None],
        "may_plan": actor_of(request).may(Capability.IMPROVE),
        "doors": doors("comparisons"),
    }
    return render(request, "qa/planned.html", context)


def _row(plan: PlannedComparison) -> dict[str, Any]:
    runs = list(plan.runs.all())
    return {"plan": plan, "made": sum(run.build_id is not None for run in runs), "runs": len(runs)}


@require_http_methods(["GET", "HEAD", "POST"])
@page(Capability.IMPROVE)
def plan_open(request: HttpRequest) -> HttpResponse:
    """Plan a comparison; says how large it must be for what is to be told."""
    form = PlanForm(posted(request), initial={"kind": ComparisonKind.LOST, "margin": 3, "blocks": 10})
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        done = attempt(
            form,
            lambda: plan_comparison(
                actor=actor_of(request),
                key=submission_key(request),
                title=data["title"],
                kind=data["kind"],
                arm_a=data["arm_a"],
                arm_b=data["arm_b"],
                how=data["how"],
                margin=data["margin"],
                blocks=data["blocks"],
                per_block=data["per_block"],
            ),
        )
        if done is not None:
            messages.success(request, "The comparison is planned, and the order of its builds is drawn.")
            return redirect("qa:planned-one", comparison_id=done.thing.pk)
    context = {"form": form, "sizes": plan_sizes(actor=actor_of(request)), "doors": doors("comparisons")}
    return render(request, "qa/plan_open.html", context, status=422 if form.errors else 200)


@require_safe
@page(Capability.SHOP_READ)
def planned_one(request: HttpRequest, comparison_id: int) -> HttpResponse:
    """One comparison: the runs to make, and how it stands."""
    return _shown(request, get_object_or_404(PlannedComparison, pk=comparison_id))


@require_safe
@page(Capability.SHOP_READ)
def planned_csv(request: HttpRequest, comparison_id: int) -> HttpResponseBase:
    """The run list."""
    plan = get_object_or_404(PlannedComparison, pk=comparison_id)
    rows = [
        (
            run.order,
            run.block,
            run.arm,
            run.build.label if run.build else "",
            " ".join(f"{value:g}" for value in run.values),
        )
        for run in plan.runs.select_related("build", "comparison")
    ]
    return csv_response(f"comparison-{plan.pk}.csv", ("order", "block", "way", "build", "measured"), rows)


@require_safe
@page(Capability.TRENDS_READ)
def planned_figures(request: HttpRequest, comparison_id: int) -> HttpResponseBase:
    """The figures of the verdict, and of the cost."""
    plan = get_object_or_404(PlannedComparison, pk=comparison_id)
    verdict = verdict_of(plan)
    rows = [
        (about, one["name"], one["n"], one["value"], one["low"], one["high"])
        for about, part in (("verdict", verdict), ("cost", verdict.get("cost", {})))
        for one in part.get("figures", [])
    ]
    columns = ("about", "figure", "n", "value", "from", "to")
    return csv_response(f"comparison-{plan.pk}-figures.csv", columns, rows)


@require_POST
@page(Capability.SHOP_WRITE)
def planned_run(request: HttpRequest, run_id: int) -> HttpResponse:
    """Say which build was made for a run."""
    run = get_object_or_404(ComparisonRun, pk=run_id)
    form = RunForm(request.POST)
    if form.is_valid():
        data = form.cleaned_data
        done = attempt(
            form,
            lambda: record_run(
                actor=actor_of(request), run_id=run.pk, build_number=data["build"], values=data["values"]
            ),
        )
        if done is not None:
            return redirect("qa:planned-one", comparison_id=run.comparison_id)
    return _shown(request, run.comparison, run_form=form)


@require_POST
@page(Capability.IMPROVE)
def planned_close(request: HttpRequest, comparison_id: int) -> HttpResponse:
    """Keep the verdict as it stands."""
    plan = get_object_or_404(PlannedComparison, pk=comparison_id)
    form = CloseActionForm(request.POST)
    if form.is_valid():
        done = attempt(
            form,
            lambda: close_comparison(
                actor=actor_of(request), comparison_id=plan.pk, note=form.cleaned_data["note"]
            ),
        )
        if done is not None:
            messages.success(request, "The verdict is kept.")
            return redirect("qa:planned-one", comparison_id=plan.pk)
    return _shown(request, plan, close_form=form)


def _shown(
    request: HttpRequest,
    plan: PlannedComparison,
    *,
    run_form: RunForm | None = None,
    close_form: CloseActionForm | None = None,
) -> HttpResponse:
    actor = actor_of(request)
    runs = list(plan.runs.select_related("build", "comparison"))
    is_open = plan.closed_at is None
    upcoming = next((run for run in runs if run.build_id is None), None) if is_open else None
    verdict = verdict_of(plan)
    context = {
        "plan": plan,
        "runs": runs,
        "next": upcoming,
        "verdict": verdict,
        "cost": verdict.get("cost") if actor.may(Capability.TRENDS_READ) else None,
        "is_lost": plan.kind == ComparisonKind.LOST,
        "run_form": (run_form or RunForm()) if upcoming and actor.may(Capability.SHOP_WRITE) else None,
        "close_form": (close_form or CloseActionForm())
        if is_open and actor.may(Capability.IMPROVE)
        else None,
        "doors": doors("comparisons") if actor.may(Capability.TRENDS_READ) else [],
    }
    wrong = (run_form and run_form.errors) or (close_form and close_form.errors)
    return render(request, "qa/planned_one.html", context, status=422 if wrong else 200)
