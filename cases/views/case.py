"""The case page and what is done on it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from cases.case_page import case_page, is_live
from cases.choices import CaseState
from cases.forms import AnswerForm, CaseFactsForm, LineForm, MeshForm, QuestionForm, ReasonForm
from cases.hooks import appliance_progress
from cases.models import Appliance
from cases.queries import appliance_for, case_for
from cases.services.log_case import change_case, void_case
from cases.services.order import LineOrder, add_order_lines, cancel_appliance, remake_appliance
from cases.services.waits import answer_clinic, ask_clinic
from cases.uploads import mesh_limit
from labtrack.accounts.choices import Capability
from labtrack.errors import NotFound
from labtrack.web import actor_of, attempt, page, posted, submission_key


def say_refusals(request: HttpRequest, forms_back: Iterable[forms.Form]) -> None:
    """For a page that shows its forms no more: what stood on them, as notices."""
    for form in forms_back:
        for errors in form.errors.values():
            messages.error(request, " ".join(str(error) for error in errors))


@require_safe
@page(Capability.CASES_READ)
def show(request: HttpRequest, number: int) -> HttpResponse:
    return render_case(request, number)


def render_case(request: HttpRequest, number: int, *, status: int = 200, **bound: forms.Form) -> HttpResponse:
    """The case page; ``bound`` are forms that came back with something to mend, by their name there."""
    actor = actor_of(request)
    shown = case_page(actor, number, request)
    may_write = actor.may(Capability.CASES_WRITE) and shown.state != CaseState.VOIDED
    appliances = [
        entry.appliance
        for table in shown.lines
        for row in table.rows
        for entry in (*row.upper, *row.lower)
        if entry.is_live
    ]
    context: dict[str, Any] = {
        "shown": shown,
        "case": shown.case,
        "today": timezone.localdate(),
        "is_lab": actor.user.is_lab,
        "may_write": may_write,
        "upload_limit_bytes": mesh_limit(),
    }
    if may_write:
        context |= {
            "mesh_form": MeshForm(actor=actor, appliances=appliances, auto_id="mesh_%s"),
            "line_form": LineForm(auto_id="line_%s"),
            "question_form": QuestionForm(auto_id="question_%s"),
            "answer_form": AnswerForm(auto_id="answer_%s"),
            "void_form": ReasonForm(auto_id="void_%s"),
        }
    else:
        say_refusals(request, bound.values())
    return render(request, "cases/case.html", context | bound, status=status)


@require_http_methods(["GET", "HEAD", "POST"])
@page(Capability.CASES_WRITE)
def change(request: HttpRequest, number: int) -> HttpResponse:
    actor = actor_of(request)
    case = case_for(actor, number)
    form = CaseFactsForm.of(case, posted(request))
    if request.method == "POST" and form.is_valid():
        done = attempt(form, lambda: change_case(actor=actor, case_number=number, **form.cleaned_data))
        if done is not None:
            messages.success(request, f"{case.label} is changed.")
            return redirect("cases:case", number=number)
    context = {"case": case, "form": form}
    return render(request, "cases/change.html", context, status=422 if form.errors else 200)


@require_POST
@page(Capability.CASES_WRITE)
def void(request: HttpRequest, number: int) -> HttpResponse:
    actor = actor_of(request)
    form = ReasonForm(request.POST, auto_id="void_%s")
    if form.is_valid():
        done = attempt(
            form,
            lambda: void_case(
                actor=actor,
                key=submission_key(request),
                case_number=number,
                reason=form.cleaned_data["reason"],
            ),
        )
        if done is not None:
            messages.success(request, f"{done.thing.label} is voided. Its number stays used.")
            return redirect("cases:case", number=number)
    return render_case(request, number, status=422, void_form=form)


@require_POST
@page(Capability.CASES_WRITE)
def ask(request: HttpRequest, number: int) -> HttpResponse:
    actor = actor_of(request)
    form = QuestionForm(request.POST, auto_id="question_%s")
    if form.is_valid():
        done = attempt(
            form,
            lambda: ask_clinic(
                actor=actor,
                key=submission_key(request),
                case_number=number,
                question=form.cleaned_data["question"],
            ),
        )
        if done is not None:
            messages.success(request, "The clinic sees the question. The clock stands still.")
            return redirect("cases:case", number=number)
    return render_case(request, number, status=422, question_form=form)


@require_POST
@page(Capability.CASES_WRITE)
def answer(request: HttpRequest, number: int) -> HttpResponse:
    actor = actor_of(request)
    form = AnswerForm(request.POST, auto_id="answer_%s")
    if form.is_valid():
        done = attempt(
            form,
            lambda: answer_clinic(
                actor=actor,
                key=submission_key(request),
                case_number=number,
                answer=form.cleaned_data["answer"],
            ),
        )
        if done is not None:
            messages.success(request, "The answer is noted. The clock runs on.")
            return redirect("cases:case", number=number)
    return render_case(request, number, status=422, answer_form=form)


@require_POST
@page(Capability.CASES_WRITE)
def add_line(request: HttpRequest, number: int) -> HttpResponse:
    form = LineForm(request.POST, auto_id="line_%s")
    if form.is_valid():
        lines = form.lines()
        if not lines:
            form.add_error("kind", "Choose what is to be made.")
        elif attempt(form, lambda: _order(request, number, lines)) is not None:
            messages.success(request, "The order is longer by one line.")
            return redirect("cases:case", number=number)
    return render_case(request, number, status=422, line_form=form)


def _order(request: HttpRequest, number: int, lines: list[LineOrder]) -> Any:
    return add_order_lines(
        actor=actor_of(request), key=submission_key(request), case_number=number, lines=lines
    )


@require_safe
@page(Capability.CASES_READ)
def appliance(request: HttpRequest, number: int, appliance_id: int) -> HttpResponse:
    return _render_appliance(request, _appliance_of(request, number, appliance_id))


@require_POST
@page(Capability.CASES_WRITE)
def cancel(request: HttpRequest, number: int, appliance_id: int) -> HttpResponse:
    subject = _appliance_of(request, number, appliance_id)
    form = ReasonForm(request.POST, auto_id="cancel_%s")
    if form.is_valid():
        done = attempt(
            form,
            lambda: cancel_appliance(
                actor=actor_of(request),
                key=submission_key(request),
                appliance_id=appliance_id,
                reason=form.cleaned_data["reason"],
            ),
        )
        if done is not None:
            messages.success(request, f"{subject.label} is cancelled.")
            return redirect("cases:case", number=number)
    return _render_appliance(request, subject, status=422, cancel_form=form)


@require_POST
@page(Capability.CASES_WRITE)
def remake(request: HttpRequest, number: int, appliance_id: int) -> HttpResponse:
    subject = _appliance_of(request, number, appliance_id)
    form = ReasonForm(request.POST, auto_id="remake_%s")
    if form.is_valid():
        done = attempt(
            form,
            lambda: remake_appliance(
                actor=actor_of(request),
                key=submission_key(request),
                appliance_id=appliance_id,
                reason=form.cleaned_data["reason"],
            ),
        )
        if done is not None:
            messages.success(request, f"{done.thing.label} is ordered.")
            return redirect("cases:appliance", number=number, appliance_id=done.thing.pk)
    return _render_appliance(request, subject, status=422, remake_form=form)


def _appliance_of(request: HttpRequest, number: int, appliance_id: int) -> Appliance:
    subject = appliance_for(actor_of(request), appliance_id)
    if subject.case.number != number:
        raise NotFound("This case has no such appliance.")
    return subject


def _render_appliance(
    request: HttpRequest, subject: Appliance, *, status: int = 200, **bound: forms.Form
) -> HttpResponse:
    actor = actor_of(request)
    live = is_live(subject) and subject.case.voided_at is None
    if not live:
        say_refusals(request, bound.values())
    context: dict[str, Any] = {
        "appliance": subject,
        "case": subject.case,
        "progress": appliance_progress.of([subject]).get(subject.pk),
        "remake": getattr(subject, "remake", None),
        "meshes": subject.meshes.in_use(),
        "may_cancel": live and actor.may(Capability.CASES_WRITE),
        "may_remake": live and actor.may(Capability.CASES_WRITE) and actor.user.is_lab,
        "cancel_form": ReasonForm(auto_id="cancel_%s"),
        "remake_form": ReasonForm(auto_id="remake_%s"),
    }
    return render(request, "cases/appliance.html", context | bound, status=status)
