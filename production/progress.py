"""How far appliances are, and what keeps them from being cancelled."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.db.models import Q, QuerySet
from django.urls import reverse

from cases.hooks import ApplianceProgress
from cases.models import Appliance, Case, MeshUse
from labtrack.errors import Refused
from production.choices import BuildState, Outcome, PartPurpose, Step
from production.models import DeliveredPiece, Part, Piece, Preparation

BUSY = (BuildState.PLANNED, BuildState.RUNNING)


def progress_of(appliances: Sequence[Appliance]) -> dict[int, ApplianceProgress]:
    """In words, how far each appliance is; three queries however many there are."""
    ids = [appliance.pk for appliance in appliances]
    found: dict[int, ApplianceProgress] = {}
    for appliance_id in Preparation.objects.filter(appliance__in=ids).values_list("appliance", flat=True):
        found[appliance_id] = ApplianceProgress("Prepared, waits to be printed")
    parts = Part.objects.filter(appliance__in=ids).exclude(build__state=BuildState.CANCELLED)
    for part in parts.select_related("build").order_by("recorded_at", "number"):
        found[part.appliance_id] = ApplianceProgress(_part_words(part))
    pieces = Piece.objects.filter(appliance__in=ids).select_related("delivered__delivery")
    for piece in pieces.prefetch_related("steps", "fit_answers").order_by("occurred_at", "number"):
        found[piece.appliance_id] = _piece_progress(piece)
    return found


def _part_words(part: Part) -> str:
    if part.outcome == Outcome.SCRAPPED:
        return "Print scrapped, to be printed again"
    if part.build.state == BuildState.PLANNED:
        return f"Planned in {part.build.label}"
    if part.build.state == BuildState.RUNNING:
        return f"Printing in {part.build.label}"
    model = part.purpose == PartPurpose.WORKING_MODEL
    return "Model printed" if model else "Printed"


def _piece_progress(piece: Piece) -> ApplianceProgress:
    if piece.outcome == Outcome.SCRAPPED:
        return ApplianceProgress(f"{piece.mark} scrapped, to be made again")
    if hasattr(piece, "delivered"):
        url = reverse("production:fit", args=[piece.number])
        answers = list(piece.fit_answers.all())
        day = f"{piece.delivered.delivery.occurred_at:%-d %b %Y}"
        said = f", {answers[0].get_result_display().lower()}" if answers else ""
        return ApplianceProgress(f"{piece.mark} handed over {day}{said}", url, delivered=True)
    done = {step.step for step in piece.steps.all()}
    words = {
        Step.PACK: "packed",
        Step.DISINFECT: "disinfected",
        Step.FINISH: "finished",
        Step.TRIM: "trimmed",
    }
    last = next((word for step, word in words.items() if step in done), "made")
    return ApplianceProgress(f"{piece.mark} {last}")


def delivered_appliance_ids() -> QuerySet[Any, Any]:
    """Ids of the appliances of which a piece was handed over."""
    return DeliveredPiece.objects.values("piece__appliance")


def refuse_void_in_work(case: Case) -> None:
    _refuse(Part.objects.filter(appliance__case=case), case.label)


def refuse_cancel_in_work(appliance: Appliance) -> None:
    _refuse(Part.objects.filter(appliance=appliance), appliance.label)


def refuse_withdrawal_of_prepared(mesh: MeshUse) -> None:
    made = (
        Preparation.objects.filter(Q(design=mesh) | Q(prepared=mesh))
        .select_related("appliance__case", "appliance__line")
        .first()
    )
    if made is not None:
        raise Refused(
            "mesh-prepared",
            f"{mesh.original_name} was made ready for printing {made.appliance.label}. Put the right file in "
            "its place instead, so that the record says what was printed from what.",
        )


def _refuse(parts: QuerySet[Part], label: str) -> None:
    busy = parts.filter(build__state__in=BUSY).select_related("build").first()
    if busy is not None:
        raise Refused(
            "in-a-build",
            f"{label} is in {busy.build.label}, which is {busy.build.get_state_display().lower()}. "
            "Cancel or end that build first.",
        )
