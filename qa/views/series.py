"""A whole aligner series on one page: its checks, what stands out, what changes from stage to stage."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.views.decorators.http import require_POST, require_safe

from labtrack.accounts.choices import Capability
from labtrack.web import actor_of, asks_part, csv_response, page
from qa.check_figures import unit_words
from qa.queries.series import WATCHED, series_for
from qa.series_page import (
    ORDERS,
    csv_columns,
    csv_rows,
    rule_words,
    series_chart,
    series_rows,
    series_title,
    shown_figures,
)
from qa.services.checks import check_all_again


@require_safe
@page(Capability.CHECKS_READ)
def series(request: HttpRequest, number: int, line_id: int, arch: str) -> HttpResponse:
    """The stages of one arch; asks again by itself while workers are on them."""
    actor = actor_of(request)
    shown = series_for(actor, number, line_id, arch)
    order = request.GET.get("order", "worst")
    order = order if order in ORDERS else "worst"
    context = {
        "series": shown,
        "title": series_title(shown),
        "rows": series_rows(shown, order),
        "order": order,
        "orders": ORDERS,
        "watched": [{"title": one.title, "unit": unit_words(one.unit)} for one in shown_figures(shown)],
        "rule": rule_words(),
        "stale": sum(stage.done and not stage.current for stage in shown.stages),
        "unchecked": sum(stage.mesh is not None and stage.check is None for stage in shown.stages),
        "may_write": actor.may(Capability.CASES_WRITE),
    }
    if asks_part(request):
        # The charts come with the whole page, once there is nothing left to wait for.
        if not shown.waiting:
            return HttpResponse(headers={"HX-Refresh": "true"})
        return render(request, "qa/series_results.html", context)
    context["charts"] = [chart for one in WATCHED if (chart := series_chart(shown, one)) is not None]
    return render(request, "qa/series.html", context)


@require_POST
@page(Capability.CASES_WRITE)
def again(request: HttpRequest, number: int, line_id: int, arch: str) -> HttpResponse:
    """Check every stage that is not current under the limits and engine in force."""
    actor = actor_of(request)
    shown = series_for(actor, number, line_id, arch)
    meshes = [stage.mesh for stage in shown.stages if stage.mesh is not None and not stage.current]
    asked = check_all_again(actor=actor, meshes=meshes)
    messages.success(request, f"{len(asked)} checks are asked for. Earlier results stay on each file's page.")
    return redirect("qa:series", number=number, line_id=line_id, arch=arch)


@require_safe
@page(Capability.CHECKS_READ)
def series_csv(request: HttpRequest, number: int, line_id: int, arch: str) -> HttpResponseBase:
    """Every stage with its figures, trends, scores and changes."""
    shown = series_for(actor_of(request), number, line_id, arch)
    return csv_response(f"series-{shown.case.label}-{arch}.csv", csv_columns(), csv_rows(shown))
