"""Panels that production puts on the pages of lower apps."""

from __future__ import annotations

from typing import Any

from django.db.models import Exists, OuterRef
from django.http import HttpRequest
from django.utils import timezone

from cases.models import Case
from cases.queries import visible_cases
from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.web import actor_of
from production.choices import Outcome
from production.models import FitAnswer, MaterialInstruction, Piece, PieceStep
from production.queries import bench
from production.queries.lab import open_holds, tanks_that_owe

SHOWN = 12


def case_pieces(case: Case, request: HttpRequest) -> dict[str, Any] | None:
    """The pieces of a case: how they came out, whether they left, what the clinic said."""
    pieces = list(
        Piece.objects.filter(appliance__case=case)
        .select_related("appliance__case", "appliance__line", "delivered__delivery")
        .prefetch_related("fit_answers")
        .annotate(packed=Exists(PieceStep.objects.filter(piece=OuterRef("pk"), step="pack")))
        .order_by("appliance", "number")
    )
    if not pieces:
        return None
    actor = actor_of(request)
    waiting = [
        piece for piece in pieces if piece.outcome != Outcome.SCRAPPED and not hasattr(piece, "delivered")
    ]
    rows = [
        {
            "piece": piece,
            "delivery": piece.delivered.delivery if hasattr(piece, "delivered") else None,
            "fit": list(piece.fit_answers.all()),
        }
        for piece in pieces
    ]
    return {
        "case": case,
        "rows": rows,
        "sees_shop": actor.may(Capability.SHOP_READ),
        "may_deliver": actor.may(Capability.SHOP_WRITE) and bool(waiting),
        "may_answer": actor.may(Capability.CASES_WRITE),
    }


def home_bench(user: Any, request: HttpRequest) -> dict[str, Any] | None:
    """For the bench: what runs, what waits, what a tank needs."""
    actor = Actor(user)
    if not actor.may(Capability.SHOP_WRITE):
        return None
    now = timezone.now()
    parts = bench.waiting_parts(now)
    pieces = bench.waiting_pieces(now)
    counts = {step: sum(len(group.parts) for group in groups) for step, groups in parts.items()}
    context = {
        "running": bench.running_builds(),
        "owing": tanks_that_owe(now),
        "mine": [batch for batch in bench.open_batches() if batch.operator_id == user.pk],
        "to_prepare": bench.appliances_to_prepare().count(),
        "to_print": bench.preparations_to_print().count(),
        "parts": [(step, counts[step]) for step in bench.TREATMENT_ORDER if step in counts],
        "to_form": counts.get("form", 0),
        "pieces": [(step, len(pieces[step])) for step in bench.PIECE_ORDER if step in pieces],
        "to_deliver": len(pieces.get("deliver", [])),
    }
    return context if any(context.values()) else None


def home_fit(user: Any, request: HttpRequest) -> dict[str, Any] | None:
    """For clinic staff: delivered pieces nobody has said anything about yet."""
    actor = Actor(user)
    if user.is_lab or not actor.may(Capability.CASES_WRITE):
        return None
    pieces = (
        Piece.objects.filter(appliance__case__in=visible_cases(actor), delivered__isnull=False)
        .filter(~Exists(FitAnswer.objects.filter(piece=OuterRef("pk"))))
        .select_related("appliance__case", "appliance__line", "delivered__delivery")
        .order_by("-delivered__delivery__occurred_at")
    )
    shown = list(pieces[:SHOWN])
    return {"pieces": shown, "more": pieces.count() - len(shown)} if shown else None


def home_approvals(user: Any, request: HttpRequest) -> dict[str, Any] | None:
    """For quality: instructions to approve and holds that stand."""
    actor = Actor(user)
    if not actor.may(Capability.LIMITS):
        return None
    waiting = list(MaterialInstruction.objects.filter(approved_at__isnull=True).select_related("material"))
    holds = len(open_holds())
    return {"waiting": waiting, "holds": holds} if waiting or holds else None
