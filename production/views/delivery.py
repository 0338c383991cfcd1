"""Handing over, and the clinic's answer on the fit."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from cases.queries import case_for, visible_cases
from labtrack.accounts.choices import Capability
from labtrack.errors import DomainError, NotFound
from labtrack.web import actor_of, add_refusal, page, posted, submission_key
from labtrack.whole_numbers import LARGEST
from production.choices import Outcome
from production.forms import DeliveryForm, FitForm
from production.models import Piece
from production.services.delivery import answer_fit, deliver
from production.views.shop_pages import marked_pieces


@page(Capability.SHOP_WRITE)
@require_http_methods(["GET", "HEAD", "POST"])
def hand_over(request: HttpRequest, number: int) -> HttpResponse:
    """Pack one case: the mark of every piece is scanned, so that nothing else goes into the parcel."""
    actor = actor_of(request)
    case = case_for(actor, number)
    form = DeliveryForm(posted(request))
    status = 200 if request.method != "POST" else 422
    if request.method == "POST" and form.is_valid():
        values = form.cleaned_data
        try:
            delivery = deliver(
                actor=actor,
                key=submission_key(request),
                case_id=case.pk,
                piece_ids=marked_pieces(values["marks"]),
                handed_to=values["handed_to"],
                occurred_at=values["occurred_at"],
            ).thing
        except DomainError as refusal:
            add_refusal(form, refusal)
            status = refusal.status
        else:
            messages.success(request, f"{delivery.label} handed to {delivery.handed_to}.")
            return redirect("cases:case", number=number)
    pieces = (
        Piece.objects.filter(appliance__case=case, delivered__isnull=True)
        .exclude(outcome=Outcome.SCRAPPED)
        .select_related("appliance__case", "appliance__line")
    )
    context = {"case": case, "form": form, "pieces": pieces}
    return render(request, "production/hand_over.html", context, status=status)


@page(Capability.CASES_WRITE)
@require_http_methods(["GET", "HEAD", "POST"])
def fit(request: HttpRequest, number: int) -> HttpResponse:
    """What the clinic found in the mouth. Clinic staff reach the pieces of their own cases only."""
    actor = actor_of(request)
    piece = None
    if 0 < number <= LARGEST:
        rows = Piece.objects.select_related("appliance__case", "appliance__line", "delivered__delivery")
        piece = rows.filter(
            number=number, appliance__case__in=visible_cases(actor), delivered__isnull=False
        ).first()
    if piece is None:
        raise NotFound("There is no delivered piece under that number.")
    form = FitForm(posted(request))
    status = 200 if request.method != "POST" else 422
    if request.method == "POST" and form.is_valid():
        values = form.cleaned_data
        try:
            answer_fit(
                actor=actor,
                key=submission_key(request),
                piece_id=piece.pk,
                result=values["result"],
                harmed=values["harmed"],
                note=values["note"],
                occurred_at=values["occurred_at"],
            )
        except DomainError as refusal:
            add_refusal(form, refusal)
            status = refusal.status
        else:
            messages.success(request, f"Thank you. The answer for {piece.mark} is recorded.")
            return redirect("cases:case", number=piece.appliance.case.number)
    context = {"piece": piece, "form": form, "answers": piece.fit_answers.select_related("by")}
    return render(request, "production/fit.html", context, status=status)
