"""Planned comparisons: a margin stated beforehand, a drawn order of builds, a verdict, an archive."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from django.utils import timezone

from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.services.record import record_created, save_recorded
from labtrack.audit.services.submissions import Outcome, once
from labtrack.errors import Conflict, NotFound, Refused
from labtrack.usecase import use_case
from production.models import Build
from qa.choices import ComparisonKind, EvidenceUnit
from qa.models import ComparisonRun, PlannedComparison, PrintAttempt
from qa.queries.costs import attempt_costs, costs_in_force
from qa.services.analyses import analysed
from qa.statistics.comparison import (
    BROWN_FORSYTHE,
    brown_forsythe,
    compare_by_build,
    equivalence,
    non_inferior,
    run_list,
    sample_for_margin,
)
from qa.statistics.cost import compare_cost
from qa.statistics.proportions import Proportion
from qa.statistics.results import StatisticsError, more_words, rounded

MOST_VALUES = 200
MARGINS = (2.0, 3.0, 5.0, 8.0)  # parts per 100 worse, that sizes are said for
LEAST_RATE = 0.005  # a lab that lost nothing yet will
PARTS_PER_BUILD = 8  # assumed for the size of a plan where nothing was printed yet


def plan_comparison(
    *,
    actor: Actor,
    key: str,
    title: str,
    kind: str,
    arm_a: str,
    arm_b: str,
    margin: float,
    blocks: int,
    per_block: int = 1,
    how: str = "",
) -> Outcome[PlannedComparison]:
    """State the question and the margin, and draw the order of the builds within blocks."""
    actor.require(Capability.IMPROVE)
    a, b = arm_a.strip(), arm_b.strip()
    if not title.strip():
        raise Refused("title-missing", "Say what is asked.", field="title")
    if not a or not b or a.lower() == b.lower():
        raise Refused("arms", "Name the two ways, each by its own name.", field="arm_b")
    if not margin > 0 or (kind == ComparisonKind.LOST and margin >= 100):
        raise Refused(
            "margin",
            "State beforehand how much worse may be accepted, above zero (and below 100 parts of 100).",
            field="margin",
        )
    if not (1 <= blocks <= 60 and 1 <= per_block <= 10):
        raise Refused("blocks", "Plan 1 to 60 blocks of 1 to 10 builds of each way.", field="blocks")
    seed = secrets.randbelow(2**31)

    def make() -> PlannedComparison:
        plan = PlannedComparison.objects.create(
            title=title.strip()[:160],
            kind=kind,
            arm_a=a[:80],
            arm_b=b[:80],
            how=how.strip()[:500],
            margin=margin,
            blocks=blocks,
            per_block=per_block,
            seed=seed,
            planned_by=actor.user,
        )
        runs = run_list(("a", "b"), blocks=blocks, per_block=per_block, seed=seed)
        ComparisonRun.objects.bulk_create(
            ComparisonRun(comparison=plan, order=run.order, block=run.block, is_a=run.arm == "a")
            for run in runs
        )
        record_created(actor=actor, action="comparison.plan", subject=plan)
        return plan

    return once(
        actor=actor,
        key=key,
        use_case="plan-comparison",
        payload=[title, kind, arm_a, arm_b, margin, blocks, per_block, how],
        model=PlannedComparison,
        make=make,
    )


def record_run(
    *, actor: Actor, run_id: int, build_number: int, values: Sequence[float] = ()
) -> ComparisonRun:
    """Say which build was made for a run, and what was measured on its parts."""
    actor.require(Capability.SHOP_WRITE)
    with use_case():
        run = ComparisonRun.objects.select_for_update().filter(pk=run_id).first()
        if run is None:
            raise NotFound("There is no such run.")
        plan = PlannedComparison.objects.get(pk=run.comparison_id)
        if plan.closed_at is not None:
            raise Conflict("comparison-closed", "This comparison is closed.")
        build = Build.objects.filter(number=build_number, started_at__isnull=False).first()
        if build is None:
            raise Refused("build-unknown", "There is no started build under that number.", field="build")
        other = ComparisonRun.objects.filter(comparison=plan, build=build).exclude(pk=run.pk).first()
        if other is not None:
            raise Conflict("build-taken", f"This build is already run {other.order} of this comparison.")
        numbers = [float(value) for value in values]
        if len(numbers) > MOST_VALUES or not np.isfinite(numbers).all():
            raise Refused("values", f"Give up to {MOST_VALUES} plain numbers.", field="values")
        if plan.kind == ComparisonKind.VALUE and not numbers:
            raise Refused(
                "values-missing", "Give what was measured on the parts of this build.", field="values"
            )
        save_recorded(
            actor=actor,
            action="comparison.run",
            subject=run,
            changes={"build": build, "values": numbers, "made_at": timezone.now(), "made_by": actor.user},
        )
        return run


def close_comparison(*, actor: Actor, comparison_id: int, note: str) -> PlannedComparison:
    """Keep the verdict as it stands and put the comparison into the archive."""
    actor.require(Capability.IMPROVE)
    with use_case():
        plan = PlannedComparison.objects.select_for_update().filter(pk=comparison_id).first()
        if plan is None:
            raise NotFound("There is no such comparison.")
        if plan.closed_at is not None:
            raise Conflict("comparison-closed", "This comparison is closed already.")
        if not note.strip():
            raise Refused("note-missing", "Say what follows from it.", field="note")
        save_recorded(
            actor=actor,
            action="comparison.close",
            subject=plan,
            changes={
                "verdict": verdict_of(plan),
                "closing_note": note.strip()[:300],
                "closed_at": timezone.now(),
                "closed_by": actor.user,
            },
        )
        return plan


def verdict_of(plan: PlannedComparison) -> dict[str, Any]:
    """How the runs that were made so far compare; of a closed comparison as it stood then."""
    if plan.closed_at is not None:
        return dict(plan.verdict or {})
    runs = list(plan.runs.filter(build__isnull=False).select_related("build").order_by("order"))
    parts = _settled(runs)
    try:
        found = _lost(plan, parts) if plan.kind == ComparisonKind.LOST else _value(plan, runs)
    except StatisticsError as error:
        found = _unknown(error.sentence)
    return found | {"cost": _cost(plan, parts)}


@dataclass(frozen=True)
class PlanSize:
    """How many parts, and builds, of each way show no worse than ``margin`` per 100."""

    margin: float
    parts: int
    builds: int


@dataclass(frozen=True)
class PlanSizes:
    """Sizes for some margins where both ways lose ``rate`` of 100, with ``per_build`` parts in a build."""

    rate: float
    per_build: float
    rows: tuple[PlanSize, ...]


def plan_sizes(*, actor: Actor) -> PlanSizes | None:
    """How large a comparison must be at the rate the lab loses now; None while nothing is known of it."""
    result = analysed(actor=actor, unit=EvidenceUnit.PART).result
    if not result or not result["cost"]["parts"]:
        return None
    cost = result["cost"]
    rate = cost["lost"] / cost["parts"]
    effect = max(1.0, cost["parts"] / cost["n_effective"]) if cost["n_effective"] else 1.0
    per_build = cost["parts"] / result["builds"] if result["builds"] else PARTS_PER_BUILD
    rows = [_size(rate, margin, effect, per_build) for margin in MARGINS]
    return PlanSizes(100 * rate, per_build, tuple(rows))


def _size(rate: float, margin: float, design_effect: float, per_build: float) -> PlanSize:
    likely = min(max(rate, LEAST_RATE), 1 - LEAST_RATE)
    parts = sample_for_margin(likely, margin / 100, design_effect=design_effect)
    return PlanSize(margin, parts, -(-parts // max(1, round(per_build))))


def _unknown(sentence: str) -> dict[str, Any]:
    return {"verdict": "unknown", "sentence": f"Cannot tell yet: {sentence}", "figures": [], "method": ""}


@dataclass(frozen=True, eq=False)
class _Parts:
    """The parts of the runs made so far whose outcome is settled (n each): which way, build, lost, resin."""

    of_a: npt.NDArray[np.bool_]
    builds: npt.NDArray[np.int64]
    lost: npt.NDArray[np.bool_]
    materials: list[str]


def _settled(runs: list[ComparisonRun]) -> _Parts:
    arm_of = {run.build_id: run.is_a for run in runs if run.build_id is not None}
    rows = list(
        PrintAttempt.objects.filter(part__build_id__in=list(arm_of), mature=True)
        .order_by("pk")
        .values_list("part__build_id", "material", "lost")
    )
    return _Parts(
        np.array([arm_of[build] for build, _, _ in rows], dtype=bool),
        np.array([build for build, _, _ in rows], dtype=np.int64),
        np.array([lost for _, _, lost in rows], dtype=bool),
        [material for _, material, _ in rows],
    )


def _lost(plan: PlannedComparison, parts: _Parts) -> dict[str, Any]:
    if parts.of_a.all() or not parts.of_a.any():
        return _unknown("both ways need parts whose outcome is settled.")
    lost = {side: parts.lost[parts.of_a == side].astype(np.float64) for side in (True, False)}
    builds = {side: parts.builds[parts.of_a == side] for side in (True, False)}
    found = non_inferior(lost[True], builds[True], lost[False], builds[False], margin=plan.margin / 100)
    ends = [None if end is None else round(100 * end, 2) for end in found.interval.as_json()]
    needed = found.needed_per_side
    return {
        "verdict": found.verdict.value,
        "sentence": _named(plan, found.sentence)
        + (f" It would take {more_words(needed, 'parts of each')} to tell." if needed else ""),
        "figures": [
            _rate_row(plan.arm_a, found.a),
            _rate_row(plan.arm_b, found.b),
            _row("difference per 100, 95 %", int(found.a.n + found.b.n), 100 * found.difference, ends),
        ],
        "method": f"{found.method.name} ({found.method.source})",
    }


def _cost(plan: PlannedComparison, parts: _Parts) -> dict[str, Any]:
    """What a good part costs either way, all attempts counted."""
    money = attempt_costs(parts.builds.tolist(), parts.materials)
    sides = [(money[side], ~parts.lost[side], parts.builds[side]) for side in (parts.of_a, ~parts.of_a)]
    found = compare_cost(*sides)
    figures = [
        _row(f"{name}, per good part, 95 %", side.n, side.cost, side.interval.as_json(2))
        for name, side in ((plan.arm_a, found.a), (plan.arm_b, found.b))
        if side.cost is not None
    ]
    if found.difference is not None:
        figures.append(_row("difference, 95 %", found.n, found.difference, found.interval.as_json(2)))
    version, without = costs_in_force(), found.a.without_cost + found.b.without_cost
    left_out = f" {without} parts have no known cost and are left out." if without else ""
    return {
        "verdict": found.verdict.value,
        "sentence": _named(plan, found.sentence) + left_out,
        "figures": figures,
        "currency": version.currency if version else "",
        "method": f"{found.a.method.name} ({found.a.method.source}); "
        f"{found.method.name} ({found.method.source})",
    }


def _value(plan: PlannedComparison, runs: list[ComparisonRun]) -> dict[str, Any]:
    """Builds are what was drawn: their means are compared, and the spread of single parts apart."""
    means: dict[bool, list[float]] = {True: [], False: []}
    singles: dict[bool, list[float]] = {True: [], False: []}
    flat: list[tuple[float, bool, int]] = []
    for run in runs:
        if run.values:
            means[run.is_a].append(float(np.mean(run.values)))
            singles[run.is_a] += run.values
            flat += [(value, run.is_a, run.order) for value in run.values]
    if min(len(means[True]), len(means[False])) < 2:
        return _unknown("each way needs at least two builds: parts of one build share its luck.")
    found = equivalence(means[True], means[False], margin=plan.margin)
    _, spread_p = brown_forsythe([_array(singles[True]), _array(singles[False])])
    table = [np.array(column) for column in zip(*flat, strict=True)]
    mixed = compare_by_build(table[0], table[1], table[2])
    spread = "differs" if spread_p < 0.05 else "shows no difference"
    more = f" It would take {more_words(found.needed, 'builds in all')} to tell." if found.needed else ""
    named = {True: plan.arm_a, False: plan.arm_b}
    return {
        "verdict": found.verdict.value,
        "sentence": (
            f"{plan.arm_a} against {plan.arm_b}: {found.sentence}{more} The spread of single parts {spread} "
            f"(p = {spread_p:.3f})."
        ),
        "figures": [
            *(_row(f"{named[side]}, mean of builds", len(means[side]), _mean(means[side])) for side in named),
            _row("difference of build means, 90 %", found.n, found.difference, found.interval.as_json()),
            _row("difference, builds random, 95 %", mixed.n, mixed.difference, mixed.interval.as_json()),
            *(
                _row(f"{named[side]}, spread of parts", len(singles[side]), _sd(singles[side]))
                for side in named
            ),
        ],
        "method": (
            f"{found.method.name} ({found.method.source}) on the means of builds; {BROWN_FORSYTHE.name} "
            f"({BROWN_FORSYTHE.source}); {mixed.method.name} ({mixed.method.source})"
        ),
    }


def _mean(values: list[float]) -> float:
    return float(np.mean(values))


def _sd(values: list[float]) -> float:
    return float(np.std(values, ddof=1)) if len(values) > 1 else 0.0


def _array(values: list[Any]) -> npt.NDArray[np.float64]:
    return np.array(values, dtype=np.float64)


def _named(plan: PlannedComparison, sentence: str) -> str:
    """The engine's A and B by their names."""
    names = {"A": plan.arm_a, "B": plan.arm_b}
    return " ".join(names.get(word, word) for word in sentence.split(" "))


def _rate_row(arm: str, share: Proportion) -> dict[str, Any]:
    ends = share.interval.scaled(100).as_json(2)
    return _row(f"{arm}, lost per 100, 95 %", int(share.n), 100 * (share.rate or 0.0), ends)


def _row(name: str, n: int, value: float, ends: list[float | None] | None = None) -> dict[str, Any]:
    low, high = ends or [None, None]
    return {"name": name, "n": n, "value": rounded(value, 3), "low": low, "high": high}
