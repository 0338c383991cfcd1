"""The manager's pages over the latest analysis; the engine itself never runs here."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from labtrack.accounts.choices import Capability
from labtrack.errors import NotFound
from labtrack.web import actor_of, asks_part, attempt, csv_response, page, submission_key
from qa.doors import doors
from qa.evidence_pages import PAGES
from qa.evidence_pages.asking import Asking
from qa.evidence_pages.week import week
from qa.forms import AnalysisForm, CostsForm
from qa.models import Action
from qa.queries.costs import costs_in_force
from qa.queries.trend_names import trend_names
from qa.services.analyses import Analysed, analysed, try_again
from qa.services.costs import COSTS, set_costs

TITLES = {
    "causes": ("Causes", "What goes with lost work, adjusted for what goes along with it."),
    "tanks": ("Tanks", "When they go bad, when to filter them, and what the next build risks."),
    "late": ("Found late", "Flaws that passed an inspection that could have found them."),
    "platform": ("Platform", "Where on the platform work is lost."),
    "cost": ("Cost", "What a good part costs, and how many to print."),
}


@require_safe
@page(Capability.TRENDS_READ)
def this_week(request: HttpRequest) -> HttpResponse:
    """What to change this week: at most three suspected causes worth acting on."""
    form, found = _analysed(request)
    context = _context(request, form, found, "week")
    if found is not None and found.result is not None:
        open_actions = list(
            Action.objects.filter(closed_at__isnull=True).select_related("responsible").order_by("check_on")
        )
        context["week"] = week(_asking(found, "week"), open_actions)
    context["may_act"] = actor_of(request).may(Capability.IMPROVE)
    return _answer(request, "qa/this_week.html", context, form)


@require_safe
@page(Capability.TRENDS_READ)
def evidence_page(request: HttpRequest, place: str) -> HttpResponse:
    """One page of findings."""
    form, found = _analysed(request)
    context = _context(request, form, found, place)
    if found is not None and found.result is not None:
        context["sections"] = PAGES[place](_asking(found, place))
    if place == "cost":
        context |= costs_context(request)
    return _answer(request, "qa/evidence.html", context, form)


@require_safe
@page(Capability.TRENDS_READ)
def evidence_csv(request: HttpRequest, place: str, name: str) -> HttpResponseBase:
    """The numbers of one chart of a page."""
    _, found = _analysed(request)
    if place not in PAGES or found is None or found.result is None:
        raise NotFound("There are no such numbers yet.")
    for section in PAGES[place](_asking(found, place)):
        if section.chart is not None and section.chart.name == name:
            return csv_response(f"{name}.csv", section.chart.columns, section.chart.csv_rows())
    raise NotFound("There is no such chart.")


@require_POST
@page(Capability.TRENDS_READ)
def analyse_again(request: HttpRequest) -> HttpResponse:
    """Ask once more for an analysis that failed."""
    form = AnalysisForm.filled(request.POST)
    if form.is_valid():
        unit, since = form.asked()
        try_again(actor=actor_of(request), unit=unit, since=since)
        return redirect(f"{reverse('qa:this-week')}?unit={unit}&since={since or ''}")
    return redirect("qa:this-week")


@require_http_methods(["POST"])
@page(Capability.COSTS)
def costs(request: HttpRequest) -> HttpResponse:
    """A new version of what things cost."""
    form = CostsForm(request.POST)
    if form.is_valid():
        data = form.cleaned_data
        done = attempt(
            form,
            lambda: set_costs(
                actor=actor_of(request),
                key=submission_key(request),
                based_on=data["based_on"],
                currency=data["currency"],
                values={name: data[name] for name in COSTS},
                note=data["note"],
            ),
        )
        if done is not None:
            messages.success(request, "The costs are in force. The figures in money are computed again.")
            return redirect("qa:cost")
    asked = AnalysisForm.filled({})
    asked.is_valid()
    context = _context(request, asked, None, "cost") | costs_context(request, form)
    return render(request, "qa/evidence.html", context, status=422)


def costs_context(request: HttpRequest, form: CostsForm | None = None) -> dict[str, Any]:
    """The costs in force, and the form for who may change them."""
    latest = costs_in_force()
    may_change = actor_of(request).may(Capability.COSTS)
    if form is None and may_change:
        form = CostsForm(instance=latest, initial={"based_on": latest.version if latest else 0, "note": ""})
    shown = CostsForm(instance=latest) if latest else None
    rows = [(field.label, field.value()) for field in shown if field.name in COSTS] if shown else []
    return {"costs": latest, "cost_rows": rows, "costs_form": form, "may_set_costs": may_change}


def _analysed(request: HttpRequest) -> tuple[AnalysisForm, Analysed | None]:
    form = AnalysisForm.filled(request.GET)
    if not form.is_valid():
        return form, None
    unit, since = form.asked()
    return form, analysed(actor=actor_of(request), unit=unit, since=since)


def _asking(found: Analysed, place: str) -> Asking:
    assert found.result is not None
    return Asking(found.unit, found.since, found.result, trend_names(), place)


def _context(request: HttpRequest, form: AnalysisForm, found: Analysed | None, place: str) -> dict[str, Any]:
    title, lead = TITLES.get(place, ("", ""))
    return {
        "form": form,
        "found": found,
        "place": place,
        "doors": doors(place),
        "page_title": title,
        "page_lead": lead,
        "query": f"unit={found.unit}&since={found.since or ''}" if found else "",
        "result": found.result if found else None,
    }


def _answer(request: HttpRequest, template: str, context: dict[str, Any], form: AnalysisForm) -> HttpResponse:
    if asks_part(request):
        # While it waits only the progress is sent; once it is done the whole page is fetched anew.
        found = context["found"]
        if found is None or not found.waiting:
            return HttpResponse(headers={"HX-Refresh": "true"})
        return render(request, "qa/parts/analysis_state.html", context)
    return render(request, template, context, status=422 if form.errors else 200)
