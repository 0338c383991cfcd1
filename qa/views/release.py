"""The gate of every piece of a case, and signing its release."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_POST, require_safe

from cases.models import Case
from cases.queries import case_for
from labtrack.accounts.choices import Capability
from labtrack.errors import NotFound
from labtrack.web import actor_of, attempt, page, submission_key
from labtrack.whole_numbers import whole_number
from qa.choices import SignatureMeaning
from qa.forms import ConcessionForm, SignForm, WithdrawForm
from qa.models import Release
from qa.queries.releases import PieceState, pieces_of_case, releases_of_case
from qa.services.release import grant_concession, release_pieces, sign, withdraw_release


@require_safe
@page(Capability.SHOP_READ)
def release(request: HttpRequest, number: int) -> HttpResponse:
    """Every piece of the case with its gate; who may release also gets the signature."""
    return _page(request, case_for(actor_of(request), number))


def _page(
    request: HttpRequest,
    case: Case,
    *,
    sign_form: forms.Form | None = None,
    concession_form: forms.Form | None = None,
    withdraw_form: forms.Form | None = None,
    withdrawing: int = 0,
) -> HttpResponse:
    states = pieces_of_case(case)
    bound = sign_form or concession_form or withdraw_form
    context: dict[str, Any] = {
        "case": case,
        "ready": [state for state in states if state.gate is not None and state.gate.open],
        "barred": [
            state for state in states if state.gate is not None and not state.gate.open and not state.lost
        ],
        "lost": [state for state in states if state.lost and state.release is None],
        "released": [state for state in states if state.release is not None],
        "releases": releases_of_case(case),
        "sign_form": sign_form or SignForm(piece_ids=[state.piece.pk for state in states]),
        "concession_form": concession_form or ConcessionForm(auto_id=False),
        "withdraw_form": withdraw_form or WithdrawForm(auto_id="withdraw_%s"),
        "withdrawing": withdrawing,
        "chosen": _chosen(sign_form, states),
        "meaning": SignatureMeaning.RELEASED.label,
        "may_release": actor_of(request).may(Capability.RELEASE),
    }
    return render(request, "qa/release.html", context, status=422 if bound is not None else 200)


def _chosen(form: forms.Form | None, states: list[PieceState]) -> list[int]:
    if form is None:
        return [state.piece.pk for state in states if state.gate is not None and state.gate.open]
    ids = map(whole_number, form.data.getlist("pieces"))  # type: ignore[attr-defined]
    return [pk for pk in ids if pk is not None]


@require_POST
@page(Capability.RELEASE)
def sign_release(request: HttpRequest, number: int) -> HttpResponse:
    actor = actor_of(request)
    case = case_for(actor, number)
    piece_ids = [state.piece.pk for state in pieces_of_case(case)]
    form = SignForm(request.POST, piece_ids=piece_ids)
    if form.is_valid():
        done = attempt(
            form,
            lambda: release_pieces(
                actor=actor,
                key=submission_key(request),
                case_number=number,
                piece_ids=form.cleaned_data["pieces"],
                signature=sign(actor=actor, password=form.cleaned_data["password"]),
            ),
        )
        if done is not None:
            count = done.thing.released.count()
            messages.success(
                request,
                f"{done.thing.label}: {count} piece{'s' if count != 1 else ''} released for delivery.",
            )
            return redirect("qa:release", number=number)
    return _page(request, case, sign_form=form)


@require_POST
@page(Capability.RELEASE)
def concede(request: HttpRequest, number: int) -> HttpResponse:
    actor = actor_of(request)
    case = case_for(actor, number)
    form = ConcessionForm(request.POST, auto_id=False)
    if form.is_valid():
        if not any(state.piece.pk == form.cleaned_data["piece"] for state in pieces_of_case(case)):
            raise NotFound("There is no such piece in this case.")
        done = attempt(
            form,
            lambda: grant_concession(
                actor=actor,
                key=submission_key(request),
                piece_id=form.cleaned_data["piece"],
                gate_item=form.cleaned_data["gate_item"],
                reason=form.cleaned_data["reason"],
                valid_until=form.cleaned_data["valid_until"],
            ),
        )
        if done is not None:
            messages.success(request, f"The concession for {done.thing.piece.mark} is recorded.")
            return redirect("qa:release", number=number)
    return _page(request, case, concession_form=form)


@require_POST
@page(Capability.RELEASE)
def withdraw(request: HttpRequest, release_number: int) -> HttpResponse:
    actor = actor_of(request)
    found = Release.objects.filter(number=release_number).select_related("case").first()
    if found is None:
        raise NotFound("There is no release under that number.")
    case = case_for(actor, found.case.number)
    form = WithdrawForm(request.POST, auto_id="withdraw_%s")
    if form.is_valid():
        done = attempt(
            form,
            lambda: withdraw_release(
                actor=actor,
                key=submission_key(request),
                number=release_number,
                reason=form.cleaned_data["reason"],
                signature=sign(actor=actor, password=form.cleaned_data["password"]),
            ),
        )
        if done is not None:
            messages.success(
                request, f"{found.label} is withdrawn. Call back by hand what has already left the lab."
            )
            return redirect("qa:release", number=case.number)
    return _page(request, case, withdraw_form=form, withdrawing=release_number)
