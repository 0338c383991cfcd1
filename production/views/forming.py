"""Forming batches: cycle after cycle, quickly."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST

from labtrack.accounts.choices import Capability
from labtrack.errors import DomainError, Refused
from labtrack.usecase import use_case
from labtrack.web import actor_of, add_refusal, page, posted, submission_key
from production.answer_sheet import answer_sheet
from production.choices import Step
from production.forms import BatchForm, CycleForm
from production.models import FormingBatch, FormingCycle
from production.queries.bench import lacks_cure, waiting_parts
from production.queries.lab import last_settings_of_batch
from production.services.forming import (
    NO_BATCH,
    Formed,
    close_forming_batch,
    open_forming_batch,
    record_cycles,
)
from production.views.shop_pages import answer_sheets, by_number, marked_parts, posted_ids, powers


@page(Capability.SHOP_WRITE)
@require_http_methods(["GET", "HEAD", "POST"])
def new_batch(request: HttpRequest) -> HttpResponse:
    """Open a run at one forming machine."""
    form = BatchForm(posted(request))
    status = 200 if request.method != "POST" else 422
    if request.method == "POST" and form.is_valid():
        try:
            batch = open_forming_batch(
                actor=actor_of(request),
                key=submission_key(request),
                machine_id=form.cleaned_data["machine"].pk,
                note=form.cleaned_data["note"],
            ).thing
        except DomainError as refusal:
            add_refusal(form, refusal)
            status = refusal.status
        else:
            return redirect("production:forming-batch", number=batch.number)
    return render(request, "production/batch_new.html", {"form": form}, status=status)


def _found(number: int) -> FormingBatch:
    batch: FormingBatch = by_number(
        FormingBatch.objects.select_related("machine", "operator"), number, NO_BATCH
    )
    return batch


@page(Capability.SHOP_READ)
@require_http_methods(["GET", "HEAD", "POST"])
def batch(request: HttpRequest, number: int) -> HttpResponse:
    """The cycles so far, and the form for the next with the last settings filled in."""
    found = _found(number)
    actor = actor_of(request)
    data = posted(request)
    form = CycleForm(data, initial=_settings_of(last_settings_of_batch(found)))
    sheet = answer_sheet(Step.FORM, timezone.now(), data=data)
    status = 200
    if request.method == "POST":
        actor.require(Capability.SHOP_WRITE)
        form.fields["marks"].required = False
        status = 422
        if form.is_valid():
            try:
                made = _record(request, found, form, sheet)
            except DomainError as refusal:
                add_refusal(form, refusal)
                status = refusal.status
            else:
                pieces = ", ".join(piece.mark for cycle in made for piece in cycle.pieces.all())
                messages.success(request, f"Recorded. Mark what came off: {pieces}.")
                for cycle in made:
                    _warn(request, cycle)
                return redirect("production:forming-batch", number=number)
    waiting = waiting_parts(timezone.now()).get(Step.FORM, [])
    context = {
        "batch": found,
        "cycles": found.cycles.select_related(
            "part__appliance__case", "sheet_lot__material", "by"
        ).prefetch_related("pieces"),
        "form": form,
        "sheet": sheet,
        "waiting": [{"build": group.build, "parts": group.parts} for group in waiting],
        "chosen": set(posted_ids(request, "part")),
        "cautions": ("heat", "pressure"),
        **powers(actor),
    }
    return render(request, "production/batch.html", context, status=status)


def _warn(request: HttpRequest, cycle: FormingCycle) -> None:
    """What was done is recorded as it was; what is dangerous or looks like a slip is said at once."""
    part = cycle.part
    if lacks_cure(part):
        messages.warning(
            request,
            f"No cure is recorded for {part.mark}. Uncured resin: touch model and piece with gloves only, "
            "and form no other model of this build. Record the cure if it was done; if not, put the piece "
            "on hold.",
        )
    if cycle.forming > 1:
        pieces = ", ".join(piece.mark for piece in cycle.pieces.all())
        messages.warning(
            request,
            f"{part.mark} was formed before: this is forming {cycle.forming} over it. If its label was "
            f"scanned twice by mistake, open {pieces} and record it as scrapped.",
        )


def _settings_of(last: FormingCycle | None) -> dict[str, Any]:
    if last is None:
        return {}
    names = ("heat_s", "sheet_temp_c", "pressure_bar", "hold_s", "cool_s")
    return {name: getattr(last, name) for name in names} | {"sheet_lot": last.sheet_lot_id}


def _record(request: HttpRequest, found: FormingBatch, form: CycleForm, sheet: Any) -> list[FormingCycle]:
    actor = actor_of(request)
    key = submission_key(request)
    values = form.cleaned_data
    part_id = _one_model(request, values["marks"])
    names = ("heat_s", "sheet_temp_c", "pressure_bar", "hold_s", "cool_s")
    cycle = Formed(
        part_id,
        values["sheet_lot"].pk,
        occurred_at=values["occurred_at"] or timezone.now(),
        **{name: values[name] for name in names},
    )
    with use_case():
        made = record_cycles(actor=actor, key=key, batch_id=found.pk, cycles=[cycle])
        answer_sheets(
            request, actor, key=key, sheets=[sheet], subject="cycle", subject_ids=[row.pk for row in made]
        )
    return made


def _one_model(request: HttpRequest, typed: str) -> int:
    """The model scanned, or else the one ticked: one sheet, one model, so that intervals stay true."""
    ids = marked_parts(typed) or posted_ids(request, "part")
    if not ids:
        raise Refused("nothing-chosen", "Scan the mark on the model, or choose it below.", field="marks")
    if len(ids) > 1:
        raise Refused("one-model", "One sheet, one model: record each cycle as it is done.", field="marks")
    return ids[0]


@page(Capability.SHOP_WRITE)
@require_POST
def close(request: HttpRequest, number: int) -> HttpResponse:
    found = _found(number)
    close_forming_batch(actor=actor_of(request), key=submission_key(request), batch_id=found.pk)
    messages.success(request, f"{found.label} is closed.")
    return redirect("production:forming-batch", number=number)
