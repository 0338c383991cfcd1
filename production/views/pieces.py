"""The pages of one part and of one piece, and the work on pieces."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from labtrack.accounts.choices import Capability
from labtrack.errors import DomainError, Refused
from labtrack.usecase import use_case
from labtrack.web import actor_of, add_refusal, page, posted, submission_key
from production.answer_sheet import answer_sheet, answered_rows
from production.choices import PIECE_STEPS, WORK_STEPS, PartPurpose, Step
from production.forms import OutcomeForm
from production.hooks import part_panels, piece_panels
from production.models import Part, Piece
from production.queries.ages import model_age_days
from production.queries.bench import waiting_pieces
from production.queries.instructions import standing_answers
from production.queries.lab import held_reasons
from production.services.outcomes import (
    PartResult,
    PieceResult,
    record_part_outcomes,
    record_piece_outcomes,
)
from production.services.pieces import make_pieces_from_parts, part_of, record_piece_steps
from production.views.shop_pages import answer_sheets, by_number, marked_pieces, posted_ids, powers

PIECE_RELATED = (
    "appliance__case",
    "appliance__line",
    "cycle__batch__machine",
    "cycle__sheet_lot__material",
    "cycle__part__build__printer__equipment",
    "part__build__printer__equipment",
    "delivered__delivery",
)
CAUTIONS: dict[str, tuple[str, ...]] = {
    Step.TRIM: ("dust",),
    Step.FINISH: ("dust",),
    Step.DISINFECT: ("patient",),
    Step.PACK: ("patient",),
}


@page(Capability.SHOP_READ)
@require_http_methods(["GET", "HEAD", "POST"])
def part(request: HttpRequest, number: int) -> HttpResponse:
    """Where the part is, how it came out of each step, and what was answered about it."""
    rows = Part.objects.select_related(
        "build__printer__equipment",
        "build__tank__equipment",
        "appliance__case",
        "appliance__line",
        "preparation",
    )
    found: Part = by_number(rows, number, "There is no part under that number.")
    actor = actor_of(request)
    form = OutcomeForm(posted(request))
    status = 200
    if request.method == "POST":
        actor.require(Capability.SHOP_WRITE)
        status = 422
        if form.is_valid():
            try:
                record_part_outcomes(
                    actor=actor,
                    key=submission_key(request),
                    step=request.POST.get("step", Step.INSPECT),
                    results=[PartResult(found.pk, form.cleaned_data["outcome"], form.cleaned_data["reason"])],
                )
            except DomainError as refusal:
                add_refusal(form, refusal)
                status = refusal.status
            else:
                messages.success(request, f"Outcome of {found.mark} recorded.")
                return redirect("production:part", number=number)
    context = {
        "part": found,
        "form": form,
        "steps": [(step.value, step.label) for step in WORK_STEPS],
        "happened": _happened(found),
        "direct": Piece.objects.filter(part=found).first(),
        "is_model": found.purpose == PartPurpose.WORKING_MODEL,
        "age_days": model_age_days(found.pk, timezone.now()),
        "answers": answered_rows(standing_answers("part", [found.pk])),
        "held": held_reasons("part", [found.pk]).get(found.pk, "")
        or held_reasons("build", [found.build_id]).get(found.build_id, ""),
        "panels": part_panels.shown(found, request),
        **powers(actor),
    }
    return render(request, "production/part.html", context, status=status)


def _happened(part: Part) -> list[tuple[datetime, str, Any]]:
    """Runs, outcomes and formings of a part in the order of time: when, what kind, the row."""
    cycles = part.cycles.select_related("batch__machine", "sheet_lot__material").prefetch_related("pieces")
    rows: list[tuple[datetime, str, Any]] = [
        *((row.run.started_at, "run", row) for row in part.treated.select_related("run__equipment")),
        *((row.occurred_at, "outcome", row) for row in part.outcomes.select_related("by")),
        *((row.occurred_at, "forming", row) for row in cycles),
    ]
    return sorted(rows, key=lambda row: row[0])


@page(Capability.SHOP_WRITE)
@require_POST
def make_pieces(request: HttpRequest) -> HttpResponse:
    """Turn ticked parts that are the appliance itself into pieces."""
    part_ids = posted_ids(request, "part")
    pieces = make_pieces_from_parts(actor=actor_of(request), key=submission_key(request), part_ids=part_ids)
    marks = ", ".join(piece.mark for piece in pieces)
    messages.success(request, f"Mark the pieces: {marks}.")
    if len(pieces) == 1:
        return redirect("production:piece", number=pieces[0].number)
    return redirect("production:bench")


@page(Capability.SHOP_READ)
@require_safe
def piece(request: HttpRequest, number: int) -> HttpResponse:
    return _piece_page(request, _found(number))


def _found(number: int) -> Piece:
    found: Piece = by_number(
        Piece.objects.select_related(*PIECE_RELATED), number, "There is no piece under that number."
    )
    return found


def _piece_page(request: HttpRequest, found: Piece, *, refusal: str = "", status: int = 200) -> HttpResponse:
    actor = actor_of(request)
    data = posted(request)
    done = list(found.steps.select_related("by"))
    behind = part_of(found)
    now = timezone.now()
    context = {
        "piece": found,
        "behind": behind,
        "steps": [
            {
                "step": step,
                "done": [row for row in done if row.step == step],
                "cautions": CAUTIONS[step],
                "sheet": answer_sheet(step, now, subject="piece", subject_id=found.pk, data=data),
            }
            for step in PIECE_STEPS
        ],
        "form": OutcomeForm(),
        "answers": answered_rows(standing_answers("piece", [found.pk])),
        "cycle_answers": answered_rows(standing_answers("cycle", [found.cycle_id])) if found.cycle_id else [],
        "delivery": found.delivered.delivery if hasattr(found, "delivered") else None,
        "fit": found.fit_answers.select_related("by"),
        "held": held_reasons("piece", [found.pk]).get(found.pk, ""),
        "panels": piece_panels.shown(found, request),
        "refusal": refusal,
        **powers(actor),
    }
    return render(request, "production/piece.html", context, status=status)


@page(Capability.SHOP_WRITE)
@require_POST
def piece_step(request: HttpRequest, number: int, step: str) -> HttpResponse:
    """Record one step of one piece and the answers about it, in one submission."""
    if step not in PIECE_STEPS:
        raise Http404
    found = _found(number)
    actor = actor_of(request)
    key = submission_key(request)
    try:
        with use_case():
            what = request.POST.get("what", "done")
            if what not in ("done", "answers"):
                raise Refused("what-unknown", "Choose what to record: the step, or answers only.")
            if what == "done":
                record_piece_steps(actor=actor, key=key, step=step, piece_ids=[found.pk])
            sheet = answer_sheet(step, timezone.now(), data=request.POST)
            answered = answer_sheets(
                request, actor, key=key, sheets=[sheet], subject="piece", subject_ids=[found.pk]
            )
            if what == "answers" and not answered:
                raise Refused("nothing-answered", "Nothing is answered. Answer at least one item.")
    except DomainError as refusal:
        return _piece_page(request, found, refusal=refusal.sentence, status=refusal.status)
    messages.success(request, f"{found.mark}: {Step(step).label.lower()} recorded.")
    return redirect("production:piece", number=number)


@page(Capability.SHOP_WRITE)
@require_POST
def piece_outcome(request: HttpRequest, number: int) -> HttpResponse:
    found = _found(number)
    form = OutcomeForm(request.POST)
    refusal, status = "Choose good, rework or scrapped.", 422
    if form.is_valid():
        try:
            record_piece_outcomes(
                actor=actor_of(request),
                key=submission_key(request),
                results=[PieceResult(found.pk, form.cleaned_data["outcome"], form.cleaned_data["reason"])],
            )
        except DomainError as error:
            refusal, status = error.sentence, error.status
        else:
            messages.success(request, f"Outcome of {found.mark} recorded.")
            return redirect("production:piece", number=number)
    return _piece_page(request, found, refusal=refusal, status=status)


@page(Capability.SHOP_WRITE)
@require_http_methods(["GET", "HEAD", "POST"])
def many_pieces(request: HttpRequest, step: str) -> HttpResponse:
    """One step for several pieces at once: ticked or scanned, with the answers that hold for all of them."""
    if step not in PIECE_STEPS:
        raise Http404
    actor = actor_of(request)
    data = posted(request)
    sheet = answer_sheet(step, timezone.now(), data=data)
    refusal, status = "", 200
    if request.method == "POST":
        key = submission_key(request)
        try:
            ticked = posted_ids(request, "piece")
            scanned = [pk for pk in marked_pieces(request.POST.get("marks", "")) if pk not in ticked]
            piece_ids = [*ticked, *scanned]
            with use_case():
                record_piece_steps(actor=actor, key=key, step=step, piece_ids=piece_ids)
                answer_sheets(request, actor, key=key, sheets=[sheet], subject="piece", subject_ids=piece_ids)
        except DomainError as error:
            refusal, status = error.sentence, error.status
        else:
            messages.success(request, f"{Step(step).label} recorded for {len(piece_ids)} pieces.")
            return redirect("production:bench")
    waiting: list[Any] = waiting_pieces(timezone.now()).get(step, [])
    context = {
        "step": Step(step),
        "pieces": waiting,
        "chosen": set(posted_ids(request, "piece")),
        "marks": request.POST.get("marks", ""),
        "sheet": sheet,
        "refusal": refusal,
        "cautions": CAUTIONS[step],
    }
    return render(request, "production/pieces_step.html", context, status=status)
