"""Logging a case on one page."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from cases.forms import CaseForm, LineForm, OrderFormSet, ordered_lines
from cases.services.log_case import log_case
from cases.services.order import MOST_LINES
from labtrack.accounts.choices import Capability
from labtrack.errors import DomainError
from labtrack.web import actor_of, add_refusal, page, submission_key
from labtrack.whole_numbers import whole_number

PREFIX = "lines"


@require_http_methods(["GET", "HEAD", "POST"])
@page(Capability.CASES_WRITE)
def log(request: HttpRequest) -> HttpResponse:
    if request.method != "POST":
        return _form_page(request, *_blank(request), status=200)
    if "add_line" in request.POST:
        return _form_page(request, *_with_another_line(request), status=200, added=True)
    form = CaseForm(request.POST, actor=actor_of(request))
    lines = OrderFormSet(request.POST, prefix=PREFIX)
    if not (form.is_valid() & lines.is_valid()):
        return _form_page(request, form, lines, status=422)
    wanted = dict(form.cleaned_data)
    try:
        outcome = log_case(
            actor=actor_of(request),
            key=submission_key(request),
            clinic_id=wanted.pop("clinic").pk,
            lines=ordered_lines(lines),
            **wanted,
        )
    except DomainError as error:
        add_refusal(form, error)
        return _form_page(request, form, lines, status=error.status)
    messages.success(request, f"{outcome.thing.label} is logged. Attach its meshes below.")
    return redirect("cases:case", number=outcome.thing.number)


def _blank(request: HttpRequest) -> tuple[CaseForm, Any]:
    return CaseForm(actor=actor_of(request)), OrderFormSet(initial=[{}], prefix=PREFIX)


def _with_another_line(request: HttpRequest) -> tuple[CaseForm, Any]:
    """The form as it was typed so far, not judged yet, with one more line."""
    actor = actor_of(request)
    typed = {name: request.POST[name] for name in CaseForm(actor=actor).fields if name in request.POST}
    # One fewer than an order takes: the new one comes behind them.
    count = min(whole_number(request.POST.get(f"{PREFIX}-TOTAL_FORMS", "")) or 0, MOST_LINES - 1)
    lines = []
    for index in range(count):
        own = f"{PREFIX}-{index}-"
        lines.append(
            {
                name: request.POST.get(own + name, "")
                for name in LineForm.base_fields
                if own + name in request.POST
            }
        )
    return CaseForm(initial=typed, actor=actor), OrderFormSet(initial=[*lines, {}], prefix=PREFIX)


def _form_page(
    request: HttpRequest, form: CaseForm, lines: Any, *, status: int, added: bool = False
) -> HttpResponse:
    if added:
        lines.forms[-1].fields["kind"].widget.attrs["autofocus"] = True
    context = {"form": form, "lines": lines, "added": added}
    return render(request, "cases/log.html", context, status=status)
