"""What quality shows on the pages of other apps."""

from __future__ import annotations

from typing import Any

from django.db.models import Q, QuerySet
from django.http import HttpRequest
from django.utils import timezone

from cases.choices import Arch
from cases.models import IN_USE, Case, MeshUse
from cases.queries import visible_meshes
from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.accounts.models import User
from labtrack.web import actor_of
from production.choices import BuildState, Outcome
from production.models import Build, Part, Piece
from production.queries.lab import printers_in_service
from qa.check_figures import leading_sentence
from qa.choices import CheckState, Verdict
from qa.comparison_page import headline, identity_words
from qa.models import Action, MeshCheck, PrintComparison
from qa.queries.inspections import inspections_of, parts_waiting, pieces_waiting
from qa.queries.limits import limits_in_force
from qa.queries.measuring import (
    calipers_of,
    comparisons,
    comparisons_of_case,
    part_of_number,
    proof_covering,
    proofs,
    without_proof_today,
)
from qa.queries.planned_runs import next_runs
from qa.queries.print_time import build_estimate, words_of
from qa.queries.releases import cases_ready_to_release
from qa.queries.series import series_of_case

Context = dict[str, Any] | None

HOME_ROWS = 8
MEASURED_ROWS = 6


def mesh_check(mesh: MeshUse, request: HttpRequest) -> Context:
    """State of the latest check of a mesh, its verdict and the one sentence that matters."""
    if not actor_of(request).may(Capability.CHECKS_READ):
        return None
    checks = sorted(mesh.checks.all(), key=lambda check: -check.pk)
    if not checks:
        return None
    check = checks[0]
    return {
        "mesh": mesh,
        "check": check,
        "waiting": check.state == CheckState.WAITING,
        "sentence": leading_sentence(check),
    }


def case_series(case: Case, request: HttpRequest) -> Context:
    """The way to each aligner series of the case."""
    if not actor_of(request).may(Capability.CHECKS_READ):
        return None
    rows = [row | {"words": _series_words(row)} for row in series_of_case(case)]
    return {"case": case, "rows": rows} if rows else None


def _series_words(row: dict[str, Any]) -> str:
    line = row["line"]
    told = f"{Arch(row['arch']).label} {line.get_kind_display().lower()}s"
    return told + (f" of round {line.round}" if line.round else "")


def case_release(case: Case, request: HttpRequest) -> Context:
    """How many pieces of the case there are, are good and stand released."""
    if not actor_of(request).may(Capability.SHOP_READ):
        return None
    pieces = Piece.objects.filter(appliance__case=case)
    made = pieces.count()
    if not made:
        return None
    return {
        "case": case,
        "made": made,
        "good": pieces.filter(outcome=Outcome.GOOD).count(),
        "released": pieces.filter(released__standing=True).count(),
        "may_release": actor_of(request).may(Capability.RELEASE),
    }


def part_inspections(part: Part, request: HttpRequest) -> Context:
    return {
        "rows": list(inspections_of(Q(part=part))),
        "part": part,
        "may_inspect": actor_of(request).may(Capability.INSPECT),
    }


def piece_inspections(piece: Piece, request: HttpRequest) -> Context:
    return {
        "rows": list(inspections_of(Q(piece=piece))),
        "piece": piece,
        "may_inspect": actor_of(request).may(Capability.INSPECT),
    }


def build_time(build: Build, request: HttpRequest) -> Context:
    """How long a build that is planned or runs will take, by builds like it."""
    if build.state not in (BuildState.PLANNED, BuildState.RUNNING):
        return None
    told = build_estimate(build)
    if told is None:
        return {"time": "", "why": "Cannot tell: a file of this build has no figures yet, or is open."}
    estimate, layers = told
    interval = estimate.interval
    return {
        "time": "" if estimate.minutes is None else words_of(estimate.minutes),
        "low": "" if interval is None else words_of(interval.low or 0.0),
        "high": "" if interval is None else words_of(interval.high or 0.0),
        "layers": layers,
        "why": estimate.why,
    }


def comparison_line(row: PrintComparison) -> dict[str, Any]:
    """One comparison in a list: its verdict and the sentence that matters."""
    done = row.state == CheckState.DONE
    return {
        "row": row,
        "sentence": headline(row) if done else row.sentence,
        "identity": identity_words(row) if done else "",
        "waiting": row.state == CheckState.WAITING,
    }


def _lines(rows: QuerySet[PrintComparison], most: int) -> list[dict[str, Any]]:
    return [comparison_line(row) for row in rows.defer(None).defer("histogram")[:most]]


def part_measured(part: Part, request: HttpRequest) -> Context:
    """Scans and calipers of a part, and the check block that covers it."""
    whole = part_of_number(part.number)
    return {
        "part": part,
        "lines": _lines(comparisons().filter(part=part), MEASURED_ROWS),
        "calipers": calipers_of(part)[:MEASURED_ROWS],
        "cover": proof_covering(whole),
        "design": whole.preparation.design,
        "may_write": actor_of(request).may(Capability.INSPECT),
    }


def piece_measured(piece: Piece, request: HttpRequest) -> Context:
    """The same of the part that a piece was formed over, or was printed as."""
    part = piece.cycle.part if piece.cycle is not None else piece.part
    return part_measured(part, request) if part is not None else None


def case_measured(case: Case, request: HttpRequest) -> Context:
    if not actor_of(request).may(Capability.SHOP_READ):
        return None
    lines = _lines(comparisons_of_case(case), HOME_ROWS)
    return {"lines": lines} if lines else None


def bench_proofs(subject: object, request: HttpRequest) -> Context:
    """Today's check blocks, and the printers without one."""
    printers = list(printers_in_service())
    today = timezone.localdate()
    return {
        "latest": list(proofs().filter(day=today)),
        "missing": without_proof_today(printers, today),
        "may_write": actor_of(request).may(Capability.SHOP_WRITE),
    }


def bench_runs(subject: object, request: HttpRequest) -> Context:
    """The builds that comparisons under way ask for next."""
    rows = next_runs()
    return {"rows": rows} if rows else None


def limits(subject: object, request: HttpRequest) -> Context:
    return {"version": limits_in_force(), "may_change": actor_of(request).may(Capability.LIMITS)}


def home_inspect(user: User, request: HttpRequest) -> Context:
    """For who inspects: what waits."""
    if not Actor(user).may(Capability.INSPECT):
        return None
    parts, pieces = parts_waiting(), pieces_waiting()
    parts_n, pieces_n = parts.count(), pieces.count()
    if not parts_n and not pieces_n:
        return None
    return {
        "parts_n": parts_n,
        "pieces_n": pieces_n,
        "parts": parts[:HOME_ROWS],
        "pieces": pieces[:HOME_ROWS],
    }


def home_release(user: User, request: HttpRequest) -> Context:
    """For who releases: cases with good pieces that are not released."""
    if not Actor(user).may(Capability.RELEASE):
        return None
    cases = list(cases_ready_to_release()[: HOME_ROWS + 1])
    return {"cases": cases[:HOME_ROWS], "more": len(cases) > HOME_ROWS} if cases else None


def home_checks(user: User, request: HttpRequest) -> Context:
    """Meshes in use whose latest check failed, needs a look or could not be made."""
    actor = Actor(user)
    if not actor.may(Capability.CHECKS_READ):
        return None
    meshes = visible_meshes(actor).filter(IN_USE, case__voided_at__isnull=True)
    latest = (
        MeshCheck.objects.filter(mesh__in=meshes)
        .filter(Q(verdict=Verdict.FAIL) | Q(state=CheckState.REFUSED))
        .exclude(mesh__appliance__parts__isnull=False)
        .select_related("mesh__case__clinic")
        .order_by("-id")[:HOME_ROWS]
    )
    rows = [{"check": check, "sentence": leading_sentence(check)} for check in latest]
    return {"rows": rows} if rows else None


def home_actions(user: User, request: HttpRequest) -> Context:
    """For who improves: actions whose effect is to be looked at now."""
    if not Actor(user).may(Capability.IMPROVE):
        return None
    due = Action.objects.filter(closed_at__isnull=True, check_on__lte=timezone.localdate()).order_by(
        "check_on"
    )
    rows = list(due[:HOME_ROWS])
    return {"rows": rows} if rows else None
