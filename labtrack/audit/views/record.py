"""The record of changes, newest first."""

from __future__ import annotations

from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_http_methods

from labtrack.accounts.choices import Capability
from labtrack.audit.forms import RecordFilterForm
from labtrack.audit.queries import changes_of, latest_seal, records_matching
from labtrack.web import asks_part, page

PER_PAGE = 50


@require_http_methods(["GET", "HEAD"])
@page(Capability.AUDIT_READ)
def record(request: HttpRequest) -> HttpResponse:
    form = RecordFilterForm(request.GET)
    wanted = form.cleaned_data if form.is_valid() else {}
    person = wanted.get("person")
    records = records_matching(
        person_id=person.pk if person else None,
        action=wanted.get("action", ""),
        subject_type=wanted.get("subject", ""),
        text=wanted.get("text", ""),
        since=wanted.get("since"),
        until=wanted.get("until"),
    )
    page_obj = Paginator(records, PER_PAGE).get_page(request.GET.get("page"))
    context = {
        "form": form,
        "page_obj": page_obj,
        "changes": changes_of(list(page_obj)),
        "seal": latest_seal(),
    }
    name = "audit/record_results.html" if asks_part(request) else "audit/record.html"
    return render(request, name, context)
