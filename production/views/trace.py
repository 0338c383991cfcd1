"""The trace of one thing: a page and a CSV."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.views.decorators.http import require_safe

from labtrack.accounts.choices import Capability
from labtrack.errors import Refused
from labtrack.web import csv_response, page
from production.links import read_mark
from production.models import Equipment
from production.queries.ages import tank_age
from production.queries.lab import labelled
from production.queries.trace import (
    DOWNSTREAM,
    OWN,
    PARTS_PER_PAGE,
    UPSTREAM,
    Subject,
    in_time_order,
    subject_of,
    touched,
)

KIND_OF_LETTER = {"P": "part", "A": "piece", "B": "build", "F": "batch", "C": "case"}
HEADINGS = {
    UPSTREAM: "Upstream: what went into it",
    OWN: "Its own record",
    DOWNSTREAM: "Downstream: what came of it",
}
COLUMNS = ("direction", "time", "group", "what", "thing", "detail", "by", "page")


@page(Capability.SHOP_READ)
@require_safe
def home(request: HttpRequest) -> HttpResponse:
    """One box that takes any mark, code or lot number."""
    text = request.GET.get("mark", "").strip()
    if text:
        try:
            found = _find(text)
        except Refused as refusal:
            messages.error(request, refusal.sentence)
        else:
            if found is not None:
                return redirect("production:trace-of", kind=found[0], ref=found[1])
            messages.error(request, f"Nothing bears the mark “{text[:40]}”.")
    return render(request, "production/trace_home.html", {"mark": text})


def _find(text: str) -> tuple[str, str] | None:
    mark = read_mark(text)
    if mark is not None:
        return KIND_OF_LETTER[mark[0]], str(mark[1])
    thing = labelled(text)
    if isinstance(thing, Equipment):
        return "equipment", thing.code
    return ("lot", str(thing.pk)) if thing is not None else None


@page(Capability.SHOP_READ)
@require_safe
def trace(request: HttpRequest, kind: str, ref: str) -> HttpResponse:
    """Everything about one thing, grouped by direction and in time order, one page of parts at a time."""
    subject = subject_of(kind, ref)
    page_obj = Paginator(subject.ordered_parts(), PARTS_PER_PAGE).get_page(request.GET.get("page"))
    parts = list(page_obj.object_list)
    lines = in_time_order([*subject.own_events(), *subject.events(parts)])
    sections = [
        {"heading": heading, "lines": [line for line in lines if line.direction == direction]}
        for direction, heading in HEADINGS.items()
    ]
    context = {
        "subject": subject,
        "page_obj": page_obj,
        "sections": sections,
        "touched": touched(subject),
        "tanks": _tanks_then(subject, parts),
    }
    return render(request, "production/trace.html", context)


def _tanks_then(subject: Subject, parts: list[Any]) -> list[dict[str, Any]]:
    """For a piece, part or build: what the tank held and how old it was when the build started."""
    if subject.kind not in ("piece", "part", "build"):
        return []
    shown = []
    for build in {part.build_id: part.build for part in parts}.values():
        if build.tank_id is not None and build.started_at is not None:
            shown.append({"build": build, "age": tank_age(build.tank_id, build.started_at)})
    return shown


@page(Capability.SHOP_READ)
@require_safe
def trace_csv(request: HttpRequest, kind: str, ref: str) -> HttpResponseBase:
    """The whole trace, however many parts: streamed a page of parts at a time."""
    subject = subject_of(kind, ref)
    return csv_response(f"trace-{kind}-{ref}.csv", COLUMNS, _rows(subject))


def _rows(subject: Subject) -> Iterator[tuple[str, ...]]:
    paginator = Paginator(subject.ordered_parts(), PARTS_PER_PAGE)
    lines = subject.own_events()
    for number in paginator.page_range:
        parts = list(paginator.page(number).object_list)
        for line in in_time_order([*lines, *subject.events(parts)]):
            yield (
                line.direction,
                line.occurred_at.isoformat(timespec="seconds"),
                line.group,
                line.what,
                line.thing,
                line.detail,
                line.by,
                line.url,
            )
        lines = []
