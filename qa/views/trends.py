"""Trends: what costs good pieces, by range of days, with the records behind every figure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

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
from qa.queries.levels import known_levels, offered_by, standing_levels
from qa.queries.narrowed import TrendsAsked, narrowed_view
from qa.queries.records import MOST_COUNTED, RecordsAsked, count_records, records_behind
from qa.queries.selection import EVERYTHING, PARAMETER, Selection
from qa.queries.tally import QUICK_DAYS, Range, TallyView, count_all, read_tally
from qa.queries.trend_names import Names, trend_names
from qa.selection_words import narrowing_of, selection_words
from qa.services.baselines import end_baseline, freeze_baseline
from qa.services.narrowed_trends import Narrowed, count_again, narrowed
from qa.statistics.results import count_words, of_words
from qa.trend_charts import BUILDERS
from qa.trend_charts.rare import is_rare
from qa.trend_charts.trend import things

if TYPE_CHECKING:
    _Paginator = Paginator[Any]
else:
    _Paginator = Paginator

ROWS = 100


# What the tally tells of one level alone, at once; the rest of it is counted by a worker.
OVER_TIME = ("weeks", "rare", "periods")


@dataclass(frozen=True)
class _Shown:
    """What there is to draw: ``now`` at once, ``whole`` for every chart; ``found`` of a selection."""

    now: TallyView | None
    whole: TallyView | None
    found: Narrowed | None = None

    @property
    def view(self) -> TallyView | None:
        return self.now or self.whole

    def view_for(self, name: str) -> TallyView | None:
        """What the chart of that name is built from; None while it is being counted."""
        return self.now if self.now is not None and name in OVER_TIME else self.whole


@require_safe
@page(Capability.TRENDS_READ)
def trends(request: HttpRequest) -> HttpResponse:
    """Every chart of one range; a range that cannot be is said on the form and nothing is drawn."""
    form = TrendsForm.filled(request.GET)
    if not form.is_valid():
        return render(request, "qa/trends.html", _refused(form), status=422)
    shown = _shown(request, form)
    if asks_part(request):
        return _progress(request, form, shown)
    names = trend_names()
    context = _asked(form, shown, names) | _drawn(shown, names) | _baseline(request, form)
    return render(request, "qa/trends.html", context)


def _shown(request: HttpRequest, form: TrendsForm) -> _Shown:
    asked = _trends_asked(form)
    measure, only = Measure(form.cleaned_data["measure"]), asked.selection.standing
    if asked.selection.is_all:
        view = read_tally(unit=asked.unit, measure=measure, days=asked.days, than=asked.than)
        return _Shown(view, view)
    found = narrowed(actor=actor_of(request), asked=asked)
    whole = narrowed_view(asked, measure, found.counts) if found.counts else None
    if only is None or found.coming is None:
        return _Shown(None, whole, found)
    now = read_tally(unit=asked.unit, measure=measure, days=asked.days, than=asked.than, only=only)
    return _Shown(now, whole, found)


def _trends_asked(form: TrendsForm) -> TrendsAsked:
    data = form.cleaned_data
    days = Range(data["start"], data["end"])
    return TrendsAsked(EvidenceUnit(data["unit"]), days, form.than() or days.before, data["of"])


def _progress(request: HttpRequest, form: TrendsForm, shown: _Shown) -> HttpResponse:
    """How far the counting is; once it is done the whole page is fetched anew."""
    if shown.found is None or not shown.found.waiting:
        return HttpResponse(headers={"HX-Refresh": "true"})
    return render(request, "qa/parts/narrowed_state.html", {"narrowed": shown.found, "query": _query(form)})


def _offered(asked: TrendsAsked, shown: _Shown) -> dict[str, list[str]]:
    """Levels to choose from: of these days what the tally keeps, of the rest what an analysis found."""
    standing = offered_by(shown.now) if shown.now else standing_levels(asked.unit, asked.days)
    return known_levels(asked.unit) | standing


def _asked(form: TrendsForm, shown: _Shown, names: Names) -> dict[str, Any]:
    """The form, and what it is narrowed to."""
    asked = _trends_asked(form)
    return {
        "form": form,
        "narrowing": narrowing_of(form, _offered(asked, shown), names),
        "quick": _quick_ranges(form),
        "doors": doors("trends", form.kept()),
        "days": asked.days,
        "of": selection_words(asked.selection, names),
        "query": _query(form),
        "things": asked.unit.things,
        "all_of_them": None if asked.selection.is_all else count_all(asked.unit, asked.days),
        "everything": _query(form, of=EVERYTHING),
    }


def _drawn(shown: _Shown, names: Names) -> dict[str, Any]:
    view = shown.view
    built = [(name, build, shown.view_for(name)) for name, build in BUILDERS.items()]
    return {
        "view": view,
        "total": view.total if view else None,
        "counted": of_words(view.total.bad, view.total.n, things(view)) if view else "",
        "left_out": count_words(view.immature, f"more {things(view)}") if view else "",
        "narrowed": shown.found,
        "trends": [
            build(source, names)
            for name, build, source in built
            if source is not None and _fits(name, source)
        ],
    }


def _fits(name: str, view: TallyView) -> bool:
    return name != "rare" or is_rare(view)


def _baseline(request: HttpRequest, form: TrendsForm) -> dict[str, Any]:
    """A baseline is of everything."""
    data = form.cleaned_data
    return {
        "may_freeze": data["of"].is_all and actor_of(request).may(Capability.IMPROVE),
        "baseline_form": BaselineForm(
            initial={name: data[name] for name in ("unit", "measure", "start", "end")}
        ),
    }


def _query(form: TrendsForm, *, of: Selection | None = None) -> str:
    """The address of what is shown, or of the same narrowed to something else."""
    fixed = [(name, form.data[name]) for name in ("from", "to", "than_from", "than_to", "measure", "unit")]
    return urlencode([pair for pair in fixed if pair[1]] + form.of_pairs(of))


@require_POST
@page(Capability.TRENDS_READ)
def count_narrowed_again(request: HttpRequest) -> HttpResponse:
    """Ask once more for counts that failed; the address says which."""
    form = TrendsForm.filled(request.GET)
    if not form.is_valid() or form.cleaned_data["of"].is_all:
        return redirect("qa:trends")
    count_again(actor=actor_of(request), asked=_trends_asked(form))
    return redirect(f"{reverse('qa:trends')}?{_query(form)}")


def _refused(form: TrendsForm) -> dict[str, Any]:
    """The form with what is wrong, and nothing drawn."""
    offered = (
        known_levels(EvidenceUnit(form.data["unit"])) if form.data["unit"] in EvidenceUnit.values else {}
    )
    return {
        "form": form,
        "narrowing": narrowing_of(form, offered, trend_names()),
        "quick": _quick_ranges(form),
        "doors": doors("trends"),
    }


def _quick_ranges(form: TrendsForm) -> list[dict[str, str]]:
    today = timezone.localdate()
    kept = [(name, form.data[name]) for name in ("measure", "unit") if form.data[name] in _KNOWN]
    kept += [(PARAMETER, text) for text in form.data[PARAMETER]]
    return [
        {"words": f"Last {days} days", "query": f"{Range.last(days, today=today).query}&{urlencode(kept)}"}
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
    view = _shown(request, form).view_for(name)
    if view is None:
        raise NotFound("These numbers are still being counted. Open Trends to see how far it is.")
    chart = build(view, trend_names()).chart
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
        selection=data["of"],
    )
    count = count_records(asked)
    found = _Counted(records_behind(asked), count).get_page(request.GET.get("page"))
    names = trend_names()
    context = {
        "count": count,
        "at_least": count == MOST_COUNTED,
        "asked": asked,
        "words": _records_words(asked, names),
        "kept": data["of"].query,
        "found": found,
        "rows": [(row, [names.flaw(kept) for kept in row.defects]) for row in found],
        "measure": Measure(data["measure"]),
        "is_part": asked.unit == EvidenceUnit.PART,
    }
    return render(request, "qa/trend_records.html", context)


def _records_words(asked: RecordsAsked, names: Names) -> str:
    words = asked.words(names)
    if asked.selection.is_all:
        return words
    of = selection_words(asked.selection, names)
    return of if asked.axis == "all" else f"{words}, of {of}"


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
