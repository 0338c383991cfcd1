"""What is running and what waits at each step."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from django.db.models import Count, Exists, OuterRef, Q, QuerySet, Subquery

from cases.choices import MeshRole
from cases.models import Appliance, MeshUse
from labtrack.whole_numbers import whole_number
from production.choices import TREATMENT_STEPS, BuildState, Outcome, PartPurpose, Step
from production.models import (
    Build,
    FormingBatch,
    FormingCycle,
    Part,
    Piece,
    PieceStep,
    Preparation,
    TreatedPart,
)

# Work older than this has been forgotten or given up; it stays on its pages and in the trace.
RECENT = timedelta(days=45)
# A part that has been through a later step does not wait for an earlier one.
TREATMENT_ORDER = (Step.DRIP, Step.WASH, Step.DRY, Step.CURE)
PIECE_ORDER = (Step.TRIM, Step.FINISH, Step.DISINFECT, Step.PACK)
SHOWN = 200


@dataclass
class Waiting:
    """Parts of one build that wait for the same step."""

    build: Build
    step: str
    parts: list[Part] = field(default_factory=list)

    @property
    def marks(self) -> str:
        return " ".join(part.mark for part in self.parts)


def _treated(step: Step) -> Exists:
    return Exists(TreatedPart.objects.filter(part=OuterRef("pk"), run__step=step))


def parts_in_work(at: datetime) -> QuerySet[Any]:
    """Parts off the printer that are not scrapped and not yet a piece, with what they have been through."""
    return (
        Part.objects.filter(
            build__state__in=(BuildState.FINISHED, BuildState.FAILED), build__finished_at__gte=at - RECENT
        )
        .exclude(outcome=Outcome.SCRAPPED)
        .annotate(
            dripped=_treated(Step.DRIP),
            washed=_treated(Step.WASH),
            dried=_treated(Step.DRY),
            cured=_treated(Step.CURE),
            formed=Exists(FormingCycle.objects.filter(part=OuterRef("pk"))),
            is_piece=Exists(Piece.objects.filter(part=OuterRef("pk"))),
        )
        .filter(formed=False, is_piece=False)
    )


def next_step(part: Any, *, filament: bool) -> str:
    """What a part in work waits for: the step after the last one it has been through."""
    last = Step.FORM if part.purpose == PartPurpose.WORKING_MODEL else Step.FINISH
    if filament or part.cured:
        return last
    done = (part.dripped, part.washed, part.dried)
    reached = max((place + 1 for place, passed in enumerate(done) if passed), default=0)
    return TREATMENT_ORDER[reached]


def lacks_cure(part: Part) -> bool:
    """Whether it was printed from resin and no cure of it is recorded."""
    return part.build.tank_id is not None and not part.treated.filter(run__step=Step.CURE).exists()


def waiting_parts(at: datetime) -> dict[str, list[Waiting]]:
    """By step, the builds whose parts wait for it; *form* for models, *finish* for parts to become pieces."""
    rows = (
        parts_in_work(at)
        .select_related(
            "build__printer__equipment", "build__tank__equipment", "appliance__case", "appliance__line"
        )
        .order_by("build__finished_at", "number")[: SHOWN * 5]
    )
    groups: dict[tuple[int, str], Waiting] = {}
    for part in rows:
        step = next_step(part, filament=part.build.tank_id is None)
        group = groups.setdefault((part.build_id, step), Waiting(part.build, step))
        group.parts.append(part)
    waiting: dict[str, list[Waiting]] = defaultdict(list)
    for group in groups.values():
        waiting[group.step].append(group)
    return waiting


def waiting_pieces(at: datetime) -> dict[str, list[Any]]:
    """By step, the pieces that wait for it; *deliver* for those packed and not handed over."""
    steps = {
        f"did_{step.value}": Exists(PieceStep.objects.filter(piece=OuterRef("pk"), step=step))
        for step in PIECE_ORDER
    }
    rows = (
        Piece.objects.filter(occurred_at__gte=at - RECENT, delivered__isnull=True)
        .exclude(outcome=Outcome.SCRAPPED)
        .annotate(**steps)
        .select_related("appliance__case", "appliance__line", "cycle__batch", "cycle__part", "part")
        .order_by("number")[: SHOWN * 5]
    )
    waiting: dict[str, list[Any]] = defaultdict(list)
    for piece in rows:
        waiting[_piece_step(piece)].append(piece)
    return waiting


def _piece_step(piece: Any) -> str:
    done = [getattr(piece, f"did_{step.value}") for step in PIECE_ORDER]
    reached = max((place + 1 for place, passed in enumerate(done) if passed), default=0)
    if reached == 0 and piece.part_id is not None:
        reached = 1  # printed directly: nothing to trim
    return Step.DELIVER if reached == len(PIECE_ORDER) else PIECE_ORDER[reached]


def running_builds() -> list[Any]:
    return list(
        Build.objects.filter(state=BuildState.RUNNING)
        .select_related("printer__equipment", "tank__equipment", "operator")
        .annotate(part_count=Count("parts"))
        .order_by("started_at")
    )


def planned_builds() -> list[Any]:
    return list(
        Build.objects.filter(state=BuildState.PLANNED)
        .select_related("printer__equipment", "tank__equipment", "operator")
        .annotate(part_count=Count("parts"))
        .order_by("occurred_at")
    )


def open_batches() -> list[Any]:
    return list(
        FormingBatch.objects.filter(finished_at__isnull=True)
        .select_related("machine", "operator")
        .annotate(cycle_count=Count("cycles"))
        .order_by("started_at")
    )


def _in_the_making() -> Exists:
    """A part that may still become the appliance: planned, printing, or printed and not scrapped."""
    dropped = Q(outcome=Outcome.SCRAPPED) | Q(build__state=BuildState.CANCELLED)
    return Exists(Part.objects.filter(appliance=OuterRef("pk")).exclude(dropped))


def _live_appliances() -> QuerySet[Appliance]:
    return Appliance.objects.filter(
        cancelled_at__isnull=True, remake__isnull=True, case__voided_at__isnull=True
    ).filter(~_in_the_making())


def appliances_to_prepare() -> QuerySet[Any]:
    """Appliances with a design and no preparation, with ``design_id``, the latest design of theirs."""
    designs = MeshUse.objects.in_use().filter(appliance=OuterRef("pk"), role=MeshRole.DESIGN).order_by("-pk")
    return (
        _live_appliances()
        .annotate(
            design_id=Subquery(designs.values("pk")[:1]),
            design_name=Subquery(designs.values("original_name")[:1]),
        )
        .filter(design_id__isnull=False)
        .filter(~Exists(Preparation.objects.filter(appliance=OuterRef("pk"))))
        .select_related("case__clinic", "line")
        .order_by("case__ship_by", "case__number", "stage", "arch")
    )


def preparations_to_print(search: str = "") -> QuerySet[Preparation]:
    """The latest preparation of each appliance that waits to be printed, most urgent first."""
    latest = (
        Preparation.objects.filter(appliance=OuterRef("pk")).order_by("-occurred_at", "-pk").values("pk")[:1]
    )
    waiting = _live_appliances().annotate(latest=Subquery(latest)).filter(latest__isnull=False)
    rows = Preparation.objects.filter(pk__in=waiting.values("latest"))
    if search:
        number = whole_number(search.upper().removeprefix("C-"))
        by_number = Q(appliance__case__number=number) if number else Q()
        rows = rows.filter(
            by_number | Q(appliance__case__patient_code__icontains=search) | Q(profile_name__icontains=search)
        )
    return rows.select_related("appliance__case__clinic", "appliance__line", "design").order_by(
        "appliance__case__ship_by", "appliance__case__number", "appliance__stage", "appliance__arch"
    )


def times_name(step: Step) -> str:
    """Under which ``parts_of_build`` counts how often a part went through the step."""
    return f"times_{step.value.replace('-', '_')}"


def parts_of_build(build_ids: Sequence[int]) -> QuerySet[Any]:
    """Parts with their place, appliance and how often each went through every step."""
    turns = {
        times_name(step): Count("treated", filter=Q(treated__run__step=step), distinct=True)
        for step in TREATMENT_STEPS
    }
    return (
        Part.objects.filter(build__in=build_ids)
        .annotate(**turns, times_form=Count("cycles", distinct=True))
        .select_related("appliance__case", "appliance__line", "preparation__design", "direct_piece")
        .order_by("number")
    )
