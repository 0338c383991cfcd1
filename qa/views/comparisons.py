"""Scans of printed parts: uploading one, its comparison with the design, and what to take away."""

from __future__ import annotations

from typing import Any, cast

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.views.decorators.csrf import csrf_exempt, csrf_protect
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from cases.services.file_store import blob_path
from cases.uploads import (
    FORM_OVERHEAD_BYTES,
    ArrivedBytes,
    drain,
    mesh_limit,
    prepare_form_upload,
    received_from_form,
    refuse_large_body,
)
from labtrack.accounts.choices import Capability
from labtrack.errors import DomainError, NotFound, Refused
from labtrack.web import actor_of, add_refusal, asks_part, csv_response, page, submission_key
from qa.choices import CheckState, PicturesState
from qa.comparison_page import (
    CSV_COLUMNS,
    bump_rows,
    colours,
    csv_rows,
    figure_rows,
    guard_of,
    headline,
    histogram_chart,
    identity_words,
    left_out_rows,
    next_steps,
    pattern_chart,
    pattern_hints,
    unit_words,
    was_judged,
)
from qa.comparison_report import report as draw_report
from qa.measuring_forms import AgainForm, ScanForm
from qa.models import PrintComparison
from qa.panels import comparison_line
from qa.queries.measuring import comparison_for, comparisons, part_of_mark, proof_covering
from qa.services.comparison_pictures import draw_again, require_drawn
from qa.services.comparisons import compare_again, compare_scan, is_current

ROWS = 40
BUMPS = 10
_KINDS = {"pdf": "application/pdf", "png": "image/png"}


@csrf_exempt  # checked by _take, once the streaming of the body is set up
@require_http_methods(["GET", "HEAD", "POST"])
@page(Capability.SHOP_READ)
def compare(request: HttpRequest) -> HttpResponseBase:
    """Upload a scan of a part by its mark; below, the latest comparisons."""
    if request.method != "POST":
        return _page(request, ScanForm(initial={"mark": request.GET.get("mark", "")[:20]}))
    actor_of(request).require(Capability.INSPECT)
    try:
        refuse_large_body(request, limit_bytes=mesh_limit(), allowance_bytes=FORM_OVERHEAD_BYTES)
        arrived = prepare_form_upload(request, limit_bytes=mesh_limit())
        return cast(HttpResponseBase, _take(request, arrived))
    except DomainError as error:
        # The body may be half read: the form comes back empty, with the sentence.
        drain(request)
        form = ScanForm({})
        form.errors.clear()
        form.add_error(None, error.sentence)
        return _page(request, form, status=error.status)


@csrf_protect
def _take(request: HttpRequest, arrived: ArrivedBytes) -> HttpResponse:
    form = ScanForm(request.POST, request.FILES)
    arrived.require_all()
    uploaded = request.FILES.get("file")
    if not form.is_valid() or uploaded is None:
        return _page(request, form, status=422)
    data = form.cleaned_data
    try:
        with received_from_form(uploaded) as source:
            made = compare_scan(
                actor=actor_of(request),
                key=submission_key(request),
                part=part_of_mark(data["mark"]),
                source=source,
                original_name=uploaded.name or "",
                unit=data["unit"],
                device=data["device"],
                against=data["against"],
                occurred_at=data["occurred_at"],
            )
    except NotFound as error:
        form.add_error("mark", error.sentence)
        return _page(request, form, status=422)
    except DomainError as error:
        add_refusal(form, error)
        return _page(request, form, status=error.status)
    messages.success(request, f"The scan of {made.thing.part.mark} is stored and waits for a worker.")
    return redirect("qa:comparison", made.thing.pk)


def _page(request: HttpRequest, form: ScanForm, *, status: int = 200) -> HttpResponse:
    found = Paginator(comparisons().defer(None).defer("histogram"), ROWS).get_page(request.GET.get("page"))
    context = {
        "form": form,
        "may_write": actor_of(request).may(Capability.INSPECT),
        "found": found,
        "rows": [comparison_line(row) for row in found],
    }
    return render(request, "qa/compare.html", context, status=status)


@require_safe
@page(Capability.SHOP_READ)
def comparison(request: HttpRequest, pk: int) -> HttpResponse:
    """One comparison; asks again by itself while a worker is on it."""
    row = comparison_for(pk)
    waiting = row.state == CheckState.WAITING
    context: dict[str, Any] = {
        "row": row,
        "part": row.part,
        "waiting": waiting,
        "may_write": actor_of(request).may(Capability.INSPECT),
    }
    if asks_part(request):
        # While it waits only the progress is sent; once it is done the whole page is fetched anew.
        if not waiting:
            return HttpResponse(headers={"HX-Refresh": "true"})
        return render(request, "qa/comparison_progress.html", context)
    if row.state == CheckState.DONE:
        context |= _shown(row)
    context["cover"] = proof_covering(row.part)
    others = comparisons().filter(part=row.part).exclude(pk=row.pk)
    context["others"] = others[:20]
    return render(request, "qa/comparison.html", context)


def _shown(row: PrintComparison) -> dict[str, Any]:
    limit_um = 1000.0 * row.histogram["scale_limit_mm"]
    tolerance_um = 1000.0 * row.request["tolerance_mm"]
    bumps = bump_rows(row)
    return {
        "headline": headline(row),
        "identity": identity_words(row),
        "guard": guard_of(row),
        "steps": next_steps(row),
        "view": {"limit_um": limit_um, "tolerance_um": tolerance_um, "colours": colours()},
        "histogram": histogram_chart(row),
        "patterns": pattern_chart(row),
        "hints": pattern_hints(row),
        "judged": was_judged(row),
        "bumps": bumps[:BUMPS],
        "more_bumps": len(bumps) - BUMPS,
        "figures": figure_rows(row),
        "left_out": left_out_rows(row),
        "result": row.result,
        "current": is_current(row),
        "other_unit": row.result.get("misfit_unit") or "",
        "other_unit_words": unit_words(row),
        "measured": bool(row.result["figures"]["n"]),
    }


@require_POST
@page(Capability.INSPECT)
def again(request: HttpRequest, pk: int) -> HttpResponse:
    """Compare by today's landmarks, limits, device study and engine, or in another unit."""
    form = AgainForm(request.POST)
    if not form.is_valid():
        raise Refused("unit-unknown", "Choose one of the units known here.", field="unit")
    made = compare_again(
        actor=actor_of(request), comparison=comparison_for(pk), unit=form.cleaned_data["unit"] or None
    )
    messages.success(request, "The comparison is asked for. Earlier results stay below.")
    return redirect("qa:comparison", made.pk)


@require_http_methods(["GET", "HEAD", "POST"])
@page(Capability.SHOP_READ)
def pictures(request: HttpRequest, pk: int) -> HttpResponse:
    """How far the pictures are, which asks again by itself; POST asks for those that could not be drawn."""
    row = comparison_for(pk)
    if request.method == "POST":
        draw_again(actor=actor_of(request), comparison=row)
        messages.success(request, "The picture is asked for again.")
        return redirect("qa:comparison", row.pk)
    if not asks_part(request):
        return redirect("qa:comparison", row.pk)
    if row.pictures_state != PicturesState.WAITING:
        return HttpResponse(headers={"HX-Refresh": "true"})
    return render(request, "qa/comparison_drawing.html", {"row": row})


def _done(pk: int) -> PrintComparison:
    row = comparison_for(pk)
    if row.state != CheckState.DONE:
        raise NotFound("This comparison has no result yet.")
    return row


@require_safe
@page(Capability.SHOP_READ)
def preview(request: HttpRequest, pk: int) -> HttpResponseBase:
    """The decimated scan with its deviation in micrometres, for the 3-D view."""
    row = _done(pk)
    require_drawn(row)
    if row.preview is None:
        raise NotFound("The picture of this comparison could not be drawn. Ask for it again on its page.")
    return HttpResponse(blob_path(row.preview).read_bytes(), content_type="application/octet-stream")


@require_safe
@page(Capability.SHOP_READ)
def report(request: HttpRequest, pk: int, form: str) -> HttpResponseBase:
    """The comparison on one sheet, once its picture is drawn or known not to be."""
    row = _done(pk)
    require_drawn(row)
    content = draw_report(row, "pdf" if form == "pdf" else "png")
    response = HttpResponse(content, content_type=_KINDS[form])
    response["Content-Disposition"] = f'attachment; filename="{row.part.mark}-comparison-{row.pk}.{form}"'
    return response


@require_safe
@page(Capability.SHOP_READ)
def figures(request: HttpRequest, pk: int) -> HttpResponseBase:
    """Every figure as CSV."""
    row = _done(pk)
    return csv_response(f"{row.part.mark}-comparison-{row.pk}.csv", CSV_COLUMNS, csv_rows(row))
