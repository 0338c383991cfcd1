"""The cases list: what needs this person first."""

from __future__ import annotations

from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from cases.forms import CaseFilterForm
from cases.queries import case_list
from labtrack.accounts.choices import Capability
from labtrack.web import actor_of, asks_part, page

CASES_PER_PAGE = 50


@require_safe
@page(Capability.CASES_READ)
def list_cases(request: HttpRequest) -> HttpResponse:
    actor = actor_of(request)
    form = CaseFilterForm(request.GET or None, actor=actor)
    chosen = form.chosen() if form.is_bound else {}
    found = Paginator(case_list(actor, **chosen), CASES_PER_PAGE).get_page(request.GET.get("page"))
    context = {
        "form": form,
        "cases": found,
        "filtered": any(value for value in chosen.values()),
        "may_write": actor.may(Capability.CASES_WRITE),
        "may_clinics": actor.may(Capability.CLINICS),
        "today": timezone.localdate(),
        "is_lab": actor.user.is_lab,
    }
    template = "cases/list_results.html" if asks_part(request) else "cases/list.html"
    return render(request, template, context)
