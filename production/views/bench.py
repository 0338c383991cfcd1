"""The bench: what runs, what waits, and one box that takes any mark."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.http import urlencode
from django.views.decorators.http import require_safe

from cases.models import Case
from labtrack.accounts.choices import Capability
from labtrack.errors import Refused
from labtrack.web import actor_of, page
from production.choices import TREATMENT_STEPS, Step
from production.hooks import bench_panels
from production.links import read_mark, url_of
from production.models import Build, FormingBatch, Part, Piece
from production.queries import bench as queries
from production.queries.lab import labelled, tanks_that_owe
from production.views.shop_pages import powers

TABLES = {"P": Part, "A": Piece, "B": Build, "F": FormingBatch, "C": Case}


@page(Capability.SHOP_READ)
@require_safe
def bench(request: HttpRequest) -> HttpResponse:
    now = timezone.now()
    parts = queries.waiting_parts(now)
    pieces = queries.waiting_pieces(now)
    batches = queries.open_batches()
    steps = [step for step in queries.TREATMENT_ORDER if step in parts]
    context = {
        "running": queries.running_builds(),
        "planned": queries.planned_builds(),
        "batches": batches,
        "mine": [batch for batch in batches if batch.operator_id == request.user.pk],
        "treatments": [{"step": step, "groups": parts[step]} for step in steps],
        "to_form": parts.get(Step.FORM, []),
        "to_piece": parts.get(Step.FINISH, []),
        "piece_steps": [
            {"step": step, "pieces": pieces[step]} for step in queries.PIECE_ORDER if step in pieces
        ],
        "to_deliver": _by_case(pieces.get(Step.DELIVER, [])),
        "to_prepare": queries.appliances_to_prepare().count(),
        "to_print": queries.preparations_to_print().count(),
        "owing": tanks_that_owe(now),
        "runs": TREATMENT_STEPS,
        # What was not found stays in the box to be put right.
        "mark": request.GET.get("mark", "")[:60],
        "panels": bench_panels.shown(None, request),
        **powers(actor_of(request)),
    }
    return render(request, "production/bench.html", context)


def _by_case(pieces: list[Piece]) -> list[dict[str, object]]:
    cases: dict[int, dict[str, object]] = {}
    for piece in pieces:
        entry = cases.setdefault(piece.appliance.case_id, {"case": piece.appliance.case, "count": 0})
        entry["count"] = int(str(entry["count"])) + 1
    return list(cases.values())


@page(Capability.SHOP_READ)
@require_safe
def go(request: HttpRequest) -> HttpResponse:
    """Open what a typed or scanned mark names: a part, piece, build, batch, case, equipment or lot."""
    text = request.GET.get("mark", "").strip()
    mark = read_mark(text)
    if mark is not None:
        table = TABLES[mark[0]]
        thing = table._default_manager.filter(number=mark[1]).first()
        if thing is not None:
            return redirect(url_of(thing))
    try:
        labelled_thing = labelled(text)
    except Refused as refusal:
        messages.error(request, refusal.sentence)
        return _with_mark(text)
    if labelled_thing is not None:
        return redirect(url_of(labelled_thing))
    if mark is not None:
        name = table._meta.verbose_name
        messages.error(request, f"There is no {name} “{text[:40]}”. Compare the number with the label.")
    elif text:
        messages.error(
            request,
            f"Nothing bears the mark “{text[:40]}”. Marks look like P-000123 (part), A-000123 (piece), "
            "B-00012 (build), F-00012 (forming batch) or C-00012 (case); equipment and lots by their label.",
        )
    return _with_mark(text)


def _with_mark(text: str) -> HttpResponse:
    """Back to the bench, with what was typed still in the box."""
    bench_url = reverse("production:bench")
    return redirect(f"{bench_url}?{urlencode({'mark': text})}" if text else bench_url)
