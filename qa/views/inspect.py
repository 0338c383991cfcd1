"""What waits for an inspection, and recording one."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import Q
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from cases.services.file_store import blob_path
from labtrack.accounts.choices import Capability
from labtrack.errors import DomainError, NotFound
from labtrack.web import actor_of, attempt, page, posted, submission_key
from production.choices import Step
from production.models import Part, Piece
from qa.choices import Verdict
from qa.forms import InspectionForm, MarkForm, PassManyForm, defect_forms
from qa.models import Defect, DefectKind
from qa.queries.inspections import (
    find_mark,
    inspections_of,
    part_by,
    parts_waiting,
    piece_by,
    pieces_waiting,
    recent_inspections,
)
from qa.services.inspections import FoundDefect, Look, record_inspection, record_inspections
from qa.teeth import tooth
from qa.tooth_chart import HEIGHT, WIDTH, placed_teeth

ROWS = 60


@require_safe
@page(Capability.SHOP_READ)
def inspect(request: HttpRequest) -> HttpResponse:
    """Scan a mark, or take what waits the longest."""
    form = MarkForm(request.GET if "mark" in request.GET else None)
    if "mark" in request.GET and form.is_valid():
        found = attempt_find(form)
        if found is not None:
            name = "qa:inspect-part" if isinstance(found, Part) else "qa:inspect-piece"
            return redirect(name, found.pk)
    return _waiting(request, form, status=422 if form.errors else 200)


def attempt_find(form: MarkForm) -> Part | Piece | None:
    """The thing of the mark, or None with the reason on the form: a mistyped mark is no missing page."""
    try:
        return find_mark(form.cleaned_data["mark"])
    except DomainError as error:
        form.add_error("mark", error.sentence)
        return None


def _waiting(request: HttpRequest, form: MarkForm, *, status: int = 200) -> HttpResponse:
    parts = Paginator(parts_waiting(), ROWS).get_page(request.GET.get("page"))
    pieces = list(pieces_waiting()[: ROWS + 1])
    context = {
        "form": form,
        "parts": parts,
        "pieces": pieces[:ROWS],
        "more_pieces": len(pieces) > ROWS,
        "recent": recent_inspections(),
        "may_inspect": actor_of(request).may(Capability.INSPECT),
    }
    return render(request, "qa/inspect.html", context, status=status)


@require_POST
@page(Capability.INSPECT)
def pass_many(request: HttpRequest) -> HttpResponse:
    """Several parts that were looked at and are all good."""
    form = PassManyForm(request.POST, part_ids=list(parts_waiting().values_list("pk", flat=True)))
    if not form.is_valid():
        messages.error(
            request, "Choose the parts you looked at. One that is done meanwhile is not chosen again."
        )
        return redirect("qa:inspect")
    chosen = form.cleaned_data["parts"]
    record_inspections(
        actor=actor_of(request),
        key=submission_key(request),
        step=Step.INSPECT,
        looks=[Look(part_id=pk, verdict=Verdict.PASS) for pk in chosen],
    )
    messages.success(request, f"{len(chosen)} part{'s' if len(chosen) != 1 else ''} passed.")
    return redirect("qa:inspect")


@require_http_methods(["GET", "HEAD", "POST"])
@page(Capability.INSPECT)
def inspect_part(request: HttpRequest, part_id: int) -> HttpResponse:
    part = part_by(pk=part_id)
    return _inspect_thing(request, part, step=Step.INSPECT, seen=Q(part=part))


@require_http_methods(["GET", "HEAD", "POST"])
@page(Capability.INSPECT)
def inspect_piece(request: HttpRequest, piece_id: int) -> HttpResponse:
    piece = piece_by(pk=piece_id)
    return _inspect_thing(request, piece, step=Step.FINISH, seen=Q(piece=piece))


def _inspect_thing(request: HttpRequest, thing: Part | Piece, *, step: Step, seen: Q) -> HttpResponse:
    is_part = isinstance(thing, Part)
    notation = thing.appliance.case.clinic.tooth_notation
    form = InspectionForm(posted(request), initial={"step": step})
    defects = defect_forms(
        data=posted(request), files=request.FILES or None, is_part=is_part, notation=notation
    )
    if request.method == "POST" and form.is_valid() and defects.is_valid():
        done = attempt(form, lambda: _record(request, thing, form, defects))
        if done is not None:
            messages.success(request, f"{thing.mark} is inspected: {done.get_verdict_display().lower()}.")
            return redirect("qa:inspect")
    context = {
        "thing": thing,
        "is_part": is_part,
        "form": form,
        "defects": defects,
        "kind_hints": {
            kind.code: {"hint": kind.hint, "origin": kind.get_usual_origin_display()}
            for kind in DefectKind.objects.filter(active=True)
        },
        "teeth": placed_teeth(notation),
        "notation": thing.appliance.case.clinic.get_tooth_notation_display(),
        "has_own_notation": notation != "fdi",
        "chart_width": WIDTH,
        "chart_height": HEIGHT,
        "earlier": list(inspections_of(seen)),
    }
    wrong = form.is_bound and (form.errors or not defects.is_valid())
    return render(request, "qa/inspect_thing.html", context, status=422 if wrong else 200)


def _record(request: HttpRequest, thing: Part | Piece, form: InspectionForm, defects: Any) -> Any:
    data = form.cleaned_data
    found: list[FoundDefect] = [
        defect for row in defects if row.has_changed() and (defect := row.found()) is not None
    ]
    look = Look(
        part_id=thing.pk if isinstance(thing, Part) else None,
        piece_id=thing.pk if isinstance(thing, Piece) else None,
        verdict=data["verdict"],
        outcome=data["outcome"] or None,
        defects=found,
        note=data["note"],
    )
    return record_inspection(
        actor=actor_of(request),
        key=submission_key(request),
        step=data["step"],
        look=look,
        occurred_at=data["occurred_at"],
        method=data["method"],
    )


@require_safe
@page(Capability.SHOP_READ)
def inspection(request: HttpRequest, inspection_id: int) -> HttpResponse:
    """One inspection with its defects and photos."""
    row = inspections_of(Q(pk=inspection_id)).first()
    if row is None:
        raise NotFound("There is no inspection under that number.")
    thing = row.part or row.piece
    assert thing is not None
    notation = thing.appliance.case.clinic.tooth_notation
    defects = [
        {"defect": defect, "tooth": tooth(defect.tooth, notation) if defect.tooth else None}
        for defect in row.defects.all()
    ]
    return render(request, "qa/inspection.html", {"inspection": row, "thing": thing, "defects": defects})


@require_safe
@page(Capability.SHOP_READ)
def photo(request: HttpRequest, defect_id: int) -> HttpResponseBase:
    """A defect's photo, as it was encoded here."""
    defect = Defect.objects.filter(pk=defect_id, photo__isnull=False).select_related("photo").first()
    if defect is None or defect.photo is None:
        raise NotFound("There is no photo here.")
    try:
        content = blob_path(defect.photo).read_bytes()
    except FileNotFoundError:
        raise NotFound(
            "The photo is not in the file store any more. Tell the person who looks after this installation."
        ) from None
    return HttpResponse(content, content_type="image/jpeg")
