"""Trueness and precision of prints."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from labtrack.accounts.choices import Capability
from labtrack.web import csv_response, page
from qa.measuring_forms import RepeatsForm
from qa.queries.repeats import RepeatsAsked, distance_names, read_repeats, usual_figure
from qa.queries.tally import Range
from qa.repeats_chart import overall_rows, repeats_chart

DAYS = 365
SHOWN = 60


def _form(request: HttpRequest) -> RepeatsForm:
    default = Range.last(DAYS, today=timezone.localdate())
    names, figure = distance_names(default), usual_figure(default)
    return RepeatsForm(request.GET, names=names, figure=figure, default=default)


def _asked(form: RepeatsForm) -> RepeatsAsked:
    data = form.cleaned_data
    return RepeatsAsked(data["figure"], data["axis"], Range(data["start"], data["end"]))


@require_safe
@page(Capability.SHOP_READ)
def repeats(request: HttpRequest) -> HttpResponse:
    """One figure by printer, material and place, with the prints behind it."""
    form = _form(request)
    context: dict[str, Any] = {"form": form}
    if form.is_valid():
        found = read_repeats(_asked(form))
        latest = found.figures[::-1][:SHOWN]
        context |= {
            "found": found,
            "chart": repeats_chart(found),
            "overall": overall_rows(found.repeats),
            "prints": [{"figure": one, "level": found.levels[one.part.pk]} for one in latest],
        }
    return render(request, "qa/repeats.html", context, status=422 if form.errors else 200)


@require_safe
@page(Capability.SHOP_READ)
def repeats_csv(request: HttpRequest) -> HttpResponseBase:
    """The numbers of the groups."""
    form = _form(request)
    if not form.is_valid():
        return render(request, "qa/repeats.html", {"form": form}, status=422)
    chart = repeats_chart(read_repeats(_asked(form)))
    return csv_response("trueness-and-precision.csv", chart.columns, chart.csv_rows())
