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
from qa.choices import EvidenceUnit
from qa.doors import NARROWED, doors
from qa.evidence_pages import PAGES
from qa.evidence_pages.asking import Asking
from qa.evidence_pages.week import week
from qa.forms import AnalysisForm, CostsForm
from qa.models import Action
from qa.queries.costs import costs_in_force
from qa.queries.levels import known_levels
from qa.queries.selection import EVERYTHING
from qa.queries.trend_names import trend_names
from qa.selection_words import narrowing_of, selection_words
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
    form, found = _analysed(request, "week")
    context = _context(form, found, "week")
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
    form, found = _analysed(request, place)
    context = _context(form, found, place)
    if found is not None and found.result is not None:
        context["sections"] = PAGES[place](_asking(found, place))
    if place == "cost":
        context |= costs_context(request)
    return _answer(request, "qa/evidence.html", context, form)


@require_safe
@page(Capability.TRENDS_READ)
def evidence_csv(request: HttpRequest, place: str, name: str) -> HttpResponseBase:
    """The numbers of one chart of a page."""
    _, found = _analysed(request, place)
    if place not in PAGES or found is None or found.result is None:
        raise NotFound("There are no such numbers yet.")
    for section in PAGES[place](_asking(found, place)):
        if section.chart is not None and section.chart.name == name:
            return csv_response(f"{name}.csv", section.chart.columns, section.chart.csv_rows())
    raise NotFound("There is no such chart.")


@require_POST
@page(Capability.TRENDS_READ)
def analyse_again(request: HttpRequest) -> HttpResponse:
    """Ask once more for an analysis that failed; the address says which, and of which page."""
    place = request.GET.get("place")
    place = place if place in PAGES else "week"
    form = AnalysisForm.filled(request.GET, narrows=place in NARROWED)
    where = reverse("qa:this-week" if place == "week" else f"qa:{place}")
    if not form.is_valid():
        return redirect(where)
    unit, since, selection = form.asked()
    try_again(actor=actor_of(request), unit=unit, since=since, selection=selection)
    return redirect(f"{where}?{form.query()}")


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
    context = _context(asked, None, "cost") | costs_context(request, form)
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


def _analysed(request: HttpRequest, place: str) -> tuple[AnalysisForm, Analysed | None]:
    form = AnalysisForm.filled(request.GET, narrows=place in NARROWED)
    if not form.is_valid():
        return form, None
    unit, since, selection = form.asked()
    return form, analysed(actor=actor_of(request), unit=unit, since=since, selection=selection)


def _asking(found: Analysed, place: str) -> Asking:
    assert found.result is not None
    asked = found.asked
    return Asking(asked.unit, asked.since, found.result, trend_names(), place, asked.selection)


def _context(form: AnalysisForm, found: Analysed | None, place: str) -> dict[str, Any]:
    title, lead = TITLES.get(place, ("", ""))
    context = {
        "form": form,
        "found": found,
        "place": place,
        "doors": doors(place, form.kept() if found else ""),
        "page_title": title,
        "page_lead": lead,
        "query": form.query() if found else "",
        "result": found.result if found else None,
    }
    return context | _narrowed_to(form, found) if place in NARROWED else context


def _narrowed_to(form: AnalysisForm, found: Analysed | None) -> dict[str, Any]:
    """The filter of a page, and in words what it is narrowed to."""
    names, unit = trend_names(), form.data["unit"]
    offered = known_levels(EvidenceUnit(unit)) if unit in EvidenceUnit.values else {}
    context: dict[str, Any] = {"narrowing": narrowing_of(form, offered, names)}
    if found is None:
        return context
    return context | {
        "of": selection_words(found.asked.selection, names),
        "things": found.unit.things,
        "everything": form.query(of=EVERYTHING),
    }


def _answer(request: HttpRequest, template: str, context: dict[str, Any], form: AnalysisForm) -> HttpResponse:
    if asks_part(request):
        # While it waits only the progress is sent; once it is done the whole page is fetched anew.
        found = context["found"]
        if found is None or not found.waiting:
            return HttpResponse(headers={"HX-Refresh": "true"})
        return render(request, "qa/parts/analysis_state.html", context)
    return render(request, template, context, status=422 if form.errors else 200)
