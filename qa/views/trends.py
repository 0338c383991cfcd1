"""Trends: what costs good pieces, by range of days, with the records behind every figure."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from labtrack.accounts.choices import Capability
from labtrack.errors import NotFound
from labtrack.web import actor_of, asks_part, attempt, csv_response, page, submission_key
from qa.choices import EvidenceUnit, Measure
from qa.doors import doors
from qa.forms import BaselineForm, TrendsForm
from qa.queries.records import MOST_COUNTED, RecordsAsked, count_records, records_behind
from qa.queries.tally import QUICK_DAYS, Range, TallyView, read_tally
from qa.queries.trend_names import trend_names
from qa.services.baselines import end_baseline, freeze_baseline
from qa.trend_charts import BUILDERS
from qa.trend_charts.rare import is_rare
from qa.trend_charts.standing import NOT_OF_ONE, standing_choices, standing_words

if TYPE_CHECKING:
    _Paginator = Paginator[Any]
else:
    _Paginator = Paginator

ROWS = 100


@require_safe
@page(Capability.TRENDS_READ)
def trends(request: HttpRequest) -> HttpResponse:
    """Every chart of one range; a range that cannot be is said on the form and nothing is drawn."""
    form = TrendsForm.filled(request.GET)
    context: dict[str, Any] = {"form": form, "quick": _quick_ranges(form), "doors": doors("trends")}
    if form.is_valid():
        view, names = _view(form), trend_names()
        form.offer(standing_choices(view, names))
        context |= {
            "view": view,
            "of": standing_words(view.only, names),
            "total": view.total,
            "not_of_one": [] if view.only.is_all else list(NOT_OF_ONE.values()),
            "trends": [build(view, names) for name, build in BUILDERS.items() if _drawn(name, view)],
            "things": "parts" if view.unit == EvidenceUnit.PART else "pieces",
            "may_freeze": view.only.is_all and actor_of(request).may(Capability.IMPROVE),
            "baseline_form": BaselineForm(
                initial={
                    "unit": view.unit,
                    "measure": view.measure,
                    "start": view.range.start,
                    "end": view.range.end,
                }
            ),
        }
    template = "qa/trends_results.html" if asks_part(request) else "qa/trends.html"
    return render(request, template, context, status=422 if form.errors else 200)


def _view(form: TrendsForm) -> TallyView:
    data = form.cleaned_data
    return read_tally(
        unit=EvidenceUnit(data["unit"]),
        measure=Measure(data["measure"]),
        days=Range(data["start"], data["end"]),
        than=form.than(),
        only=data["of"],
    )


def _drawn(name: str, view: TallyView) -> bool:
    """The tally tells of one level over time; how levels compare it tells of everything."""
    if name == "rare" and not is_rare(view):
        return False
    return view.only.is_all or name not in NOT_OF_ONE


def _refused(form: TrendsForm) -> dict[str, Any]:
    return {"form": form, "quick": _quick_ranges(form), "doors": doors("trends")}


def _quick_ranges(form: TrendsForm) -> list[dict[str, str]]:
    today = timezone.localdate()
    kept = "".join(f"&{name}={form.data[name]}" for name in ("measure", "unit") if form.data[name] in _KNOWN)
    return [
        {"words": f"Last {days} days", "query": f"{Range.last(days, today=today).query}{kept}"}
        for days in QUICK_DAYS
    ]


_KNOWN = {*Measure.values, *EvidenceUnit.values}


@require_safe
@page(Capability.TRENDS_READ)
def trend_csv(request: HttpRequest, name: str) -> HttpResponseBase:
    """The numbers of one chart."""
    build = BUILDERS.get(name)
    if build is None:
        raise NotFound("There is no such chart.")
    form = TrendsForm.filled(request.GET)
    if not form.is_valid():
        return render(request, "qa/trends.html", _refused(form), status=422)
    chart = build(_view(form), trend_names()).chart
    return csv_response(f"{name}.csv", chart.columns, chart.csv_rows())


class _Counted(_Paginator):
    """Pages of rows whose count is known; those past ``MOST_COUNTED`` are for a shorter range."""

    def __init__(self, rows: QuerySet[Any], count: int) -> None:
        super().__init__(rows, ROWS)
        self._known = min(count, MOST_COUNTED)

    @property
    def count(self) -> int:
        return self._known


@require_safe
@page(Capability.TRENDS_READ)
def records(request: HttpRequest) -> HttpResponse:
    """The parts or pieces behind a figure."""
    form = TrendsForm.filled(request.GET)
    if not form.is_valid():
        return render(request, "qa/trends.html", _refused(form), status=422)
    data = form.cleaned_data
    asked = RecordsAsked(
        unit=EvidenceUnit(data["unit"]),
        days=Range(data["start"], data["end"]),
        axis=request.GET.get("axis", "all"),
        level=request.GET.get("level", ""),
        high=request.GET.get("high", ""),
        only=Measure(data["measure"]) if request.GET.get("only") else None,
    )
    count = count_records(asked)
    found = _Counted(records_behind(asked), count).get_page(request.GET.get("page"))
    names = trend_names()
    context = {
        "count": count,
        "at_least": count == MOST_COUNTED,
        "asked": asked,
        "words": asked.words(names),
        "found": found,
        "rows": [(row, [names.flaw(kept) for kept in row.defects]) for row in found],
        "measure": Measure(data["measure"]),
        "is_part": asked.unit == EvidenceUnit.PART,
    }
    return render(request, "qa/trend_records.html", context)


@require_POST
@page(Capability.IMPROVE)
def baseline_freeze(request: HttpRequest) -> HttpResponse:
    """Hold the chart of weeks against these days from now on."""
    form = BaselineForm(request.POST)
    if form.is_valid():
        data = form.cleaned_data
        done = attempt(
            form,
            lambda: freeze_baseline(
                actor=actor_of(request),
                key=submission_key(request),
                unit=data["unit"],
                measure=data["measure"],
                start=data["start"],
                end=data["end"],
                note=data["note"],
            ),
        )
        if done is not None:
            messages.success(request, "The baseline is frozen.")
            return redirect(f"{reverse('qa:trends')}?unit={data['unit']}&measure={data['measure']}")
    asked = TrendsForm.filled({})
    return render(request, "qa/trends.html", _refused(asked) | {"refused_baseline": form}, status=422)


@require_POST
@page(Capability.IMPROVE)
def baseline_end(request: HttpRequest, baseline_id: int) -> HttpResponse:
    """Let a frozen baseline go."""
    baseline = end_baseline(actor=actor_of(request), baseline_id=baseline_id)
    messages.success(request, "The baseline is let go; the chart is held against its own weeks.")
    return redirect(f"{reverse('qa:trends')}?unit={baseline.unit}&measure={baseline.measure}")
