"""What the records say of many parts or pieces at once: the values of their evidence rows.

Everything here reads; the same functions serve each change and the rebuild, so the two cannot differ.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import Any

from django.db.models import Max
from django.utils import timezone

from cases.models import Appliance
from production.choices import FitResult, Outcome, Step
from production.models import Build, FitAnswer, Part, Piece, PieceStep, TreatedPart
from qa.models import Defect, Inspection
from qa.services.evidence_ages import BuildAges, bath_parts_at, build_ages, lamp_hours_at
from qa.services.evidence_steps import Reached, StepAnswers

# Steps after the printed part: a defect that comes from one of them is the piece's alone.
FORMING_STEPS = (Step.FORM, Step.TRIM, Step.FINISH, Step.DISINFECT, Step.PACK, Step.DELIVER)

Values = dict[str, Any]

_PART_RELATED = (
    "build__printer__equipment",
    "build__tank__equipment",
    "build__filament_lot__material",
    "build__operator",
    "preparation",
    "appliance__case__clinic",
    "appliance__line",
)
_PIECE_RELATED = (
    "appliance__case__clinic",
    "appliance__line",
    "cycle__batch__machine",
    "cycle__sheet_lot__material",
    "cycle__by",
)


def part_values(part_ids: Iterable[int]) -> dict[int, Values]:
    """Row values of each part that was printed, or is being: a planned build is no attempt yet."""
    parts = list(
        Part.objects.filter(pk__in=set(part_ids), build__started_at__isnull=False).select_related(
            *_PART_RELATED
        )
    )
    if not parts:
        return {}
    facts = _PartFacts(parts)
    return {part.pk: facts.values(part) for part in parts}


def piece_values(piece_ids: Iterable[int]) -> dict[int, Values]:
    """Row values of each piece: everything of its part, and how it was formed and came out."""
    pieces = list(Piece.objects.filter(pk__in=set(piece_ids)).select_related(*_PIECE_RELATED))
    if not pieces:
        return {}
    parts = list(
        Part.objects.filter(pk__in={_part_id(piece) for piece in pieces}).select_related(*_PART_RELATED)
    )
    facts = _PieceFacts(pieces, _PartFacts(parts), {part.pk: part for part in parts})
    return {piece.pk: facts.values(piece) for piece in pieces}


def _part_id(piece: Piece) -> int:
    if piece.cycle is not None:
        return piece.cycle.part_id
    assert piece.part_id is not None
    return piece.part_id


class _PartFacts:
    """What is read once for a batch of parts, and each part's values from it."""

    def __init__(self, parts: Sequence[Part]) -> None:
        ids = {part.pk for part in parts}
        self.ages: dict[int, BuildAges] = build_ages({part.build.pk: part.build for part in parts}.values())
        self.treated: dict[int, list[TreatedPart]] = defaultdict(list)
        for treated in (
            TreatedPart.objects.filter(part_id__in=ids)
            .select_related("run", "run__equipment")
            .order_by("run__started_at", "run_id")
        ):
            self.treated[treated.part_id].append(treated)
        runs = {row.run.pk: row.run for rows in self.treated.values() for row in rows}
        self.bath_parts = bath_parts_at(run for run in runs.values() if run.step == Step.WASH)
        self.lamp_hours = lamp_hours_at(run for run in runs.values() if run.step == Step.CURE)
        self.inspected = _inspected(part_id__in=ids)
        self.defects = _part_defects(ids)
        self.failed_in_use = _parts_failed_in_use(ids)
        self.answers = StepAnswers(parts=parts, runs=runs.values())

    def values(self, part: Part) -> Values:
        build, preparation = part.build, part.preparation
        ages = self.ages[build.pk]
        defects = self.defects.get(part.pk, {})
        washed, cured = self._last_run(part, Step.WASH), self._last_run(part, Step.CURE)
        return {
            "label": part.mark,
            **self.factors(part),
            "steps": self.answers.of_part(part, self.reached(part)),
            "defects": sorted(defects),
            "outcome": part.outcome,
            "lost": part.outcome == Outcome.SCRAPPED or part.pk in self.failed_in_use,
            "defective": bool(defects),
            "contaminated": any(defects.values()),
            "layer_um": build.layer_um,
            "orientation": preparation.orientation,
            "platform_x_mm": _number(part.platform_x_mm),
            "platform_y_mm": _number(part.platform_y_mm),
            "supports": preparation.supports,
            "hollow": preparation.hollow,
            "resin_temp_c": _number(build.resin_temp_c) if ages.is_vat else None,
            "bath_parts": self.bath_parts.get(washed) if washed else None,
            "lamp_hours": self.lamp_hours.get(cured) if cured else None,
        }

    def factors(self, part: Part) -> Values:
        """The values that a part shares with the pieces made from it."""
        build, appliance = part.build, part.appliance
        ages = self.ages[build.pk]
        started = _started(build)
        return {
            "build": build.label,
            "occurred_at": started,
            "day": timezone.localtime(started).date(),
            "printer": build.printer.equipment.name,
            "process": build.printer.process,
            "grade": build.printer.grade,
            "material": ages.material.name if ages.material else "",
            "lot": ages.lot,
            "colour": ages.material.colour if ages.material else "",
            "translucency": ages.material.translucency if ages.material else "",
            "profile": f"{build.profile_name} {build.profile_revision}".strip(),
            "tank": build.tank.equipment.name if build.tank else "",
            "days_since_filter": ages.days_since_filter,
            "builds_since_filter": ages.builds_since_filter,
            "layers_since_filter": ages.layers_since_filter,
            "ml_since_filter": ages.ml_since_filter,
            "operator": str(build.operator),
            "case_label": appliance.case.label,
            "clinic": appliance.case.clinic.name,
            "appliance_kind": appliance.line.kind,
        }

    def reached(self, part: Part) -> Reached:
        """When each step was reached; a good part without a record of a step still went through it."""
        moments: Reached = {
            Step.DESIGN: part.preparation.occurred_at,
            Step.PREPARE: part.preparation.occurred_at,
            Step.PRINT: _started(part.build),
        }
        for treated in self.treated[part.pk]:
            moments[treated.run.step] = treated.run.started_at
        if part.pk in self.inspected:
            moments[Step.INSPECT] = self.inspected[part.pk]
        if part.outcome in (Outcome.GOOD, Outcome.REWORK) and part.outcome_at is not None:
            expected = [Step.INSPECT]
            if self.ages[part.build.pk].is_vat:
                expected += [Step.DRIP, Step.WASH, Step.DRY, Step.CURE]
            if part.preparation.supports:
                expected.append(Step.REMOVE_SUPPORTS)
            for step in expected:
                moments.setdefault(step, part.outcome_at)
        return moments

    def _last_run(self, part: Part, step: Step) -> int | None:
        runs = [treated.run_id for treated in self.treated[part.pk] if treated.run.step == step]
        return runs[-1] if runs else None


class _PieceFacts:
    """The same for a batch of pieces, on top of the facts of their parts."""

    def __init__(self, pieces: Sequence[Piece], part_facts: _PartFacts, parts: dict[int, Part]) -> None:
        ids = {piece.pk for piece in pieces}
        self.part_facts, self.parts = part_facts, parts
        self.remade = _remade_pieces(pieces)
        self.returned = _returned_pieces(ids)
        self.inspected = _inspected(piece_id__in=ids)
        self.defects: dict[int, dict[str, bool]] = defaultdict(dict)
        for defect in Defect.objects.filter(inspection__piece_id__in=ids).select_related(
            "kind", "inspection"
        ):
            assert defect.inspection.piece_id is not None
            self.defects[defect.inspection.piece_id][defect_label(defect)] = defect.kind.contamination
        self.steps: dict[int, Reached] = defaultdict(dict)
        for step in PieceStep.objects.filter(piece_id__in=ids):
            self.steps[step.piece_id][step.step] = step.occurred_at
        self.answers = StepAnswers(pieces=pieces)

    def values(self, piece: Piece) -> Values:
        part = self.parts[_part_id(piece)]
        part_facts = self.part_facts
        defects = {**part_facts.defects.get(part.pk, {}), **self.defects.get(piece.pk, {})}
        remade, returned = piece.pk in self.remade, piece.pk in self.returned
        return {
            **part_facts.factors(part),
            "label": piece.mark,
            "occurred_at": piece.occurred_at,
            "day": timezone.localtime(piece.occurred_at).date(),
            "steps": {
                **part_facts.answers.of_part(part, part_facts.reached(part)),
                **self.answers.of_piece(piece, self._reached(piece)),
            },
            "defects": sorted(defects),
            "outcome": piece.outcome,
            "lost": piece.outcome == Outcome.SCRAPPED or remade or returned,
            "defective": bool(defects),
            "contaminated": any(defects.values()),
            "remade": remade,
            "returned": returned,
            **_forming(piece, part),
        }

    def _reached(self, piece: Piece) -> Reached:
        moments: Reached = dict(self.steps[piece.pk])
        if piece.cycle is not None:
            moments[Step.FORM] = piece.cycle.occurred_at
        if piece.pk in self.inspected:
            moments[Step.INSPECT] = self.inspected[piece.pk]
        if piece.outcome in (Outcome.GOOD, Outcome.REWORK) and piece.outcome_at is not None:
            expected = [Step.FINISH, Step.DISINFECT]
            if piece.cycle is not None:
                expected.append(Step.TRIM)
            for step in expected:
                moments.setdefault(step, piece.outcome_at)
        return moments


def _forming(piece: Piece, part: Part) -> Values:
    cycle = piece.cycle
    if cycle is None:
        return {
            "forming_machine": "",
            "sheet": "",
            "sheet_lot": "",
            "formings": None,
            "model_age_days": None,
            "heat_s": None,
            "interval_s": None,
        }
    printed = part.build.finished_at or _started(part.build)
    return {
        "forming_machine": cycle.batch.machine.name,
        "sheet": cycle.sheet_lot.material.name,
        "sheet_lot": cycle.sheet_lot.number,
        "formings": cycle.forming,
        "model_age_days": round((cycle.occurred_at - printed).total_seconds() / 86400, 4),
        "heat_s": cycle.heat_s,
        "interval_s": cycle.interval_s,
    }


def defect_label(defect: Defect) -> str:
    """The level of a defect on its axis: kind, step of origin, step found."""
    return f"{defect.kind.code}|{defect.origin}|{defect.found}"


def _started(build: Build) -> Any:
    return build.started_at or build.occurred_at


def _number(value: Any) -> float | None:
    return None if value is None else float(value)


def _inspected(**things: Any) -> dict[int, Any]:
    """The latest inspection of each thing."""
    key = "part_id" if "part_id__in" in things else "piece_id"
    return dict(
        Inspection.objects.filter(**things)
        .order_by()
        .values(key)
        .annotate(at=Max("occurred_at"))
        .values_list(key, "at")
    )


def _part_defects(part_ids: set[int]) -> dict[int, dict[str, bool]]:
    """Each part's defects by label, true where a dirty tank makes them.

    A flaw of the printed part that is found only on its piece is the part's too; what forming and
    later steps did is not.
    """
    found: dict[int, dict[str, bool]] = defaultdict(dict)
    kinds = Defect.objects.select_related("kind")
    for defect in kinds.filter(inspection__part_id__in=part_ids).select_related("inspection"):
        assert defect.inspection.part_id is not None
        found[defect.inspection.part_id][defect_label(defect)] = defect.kind.contamination
    for defect in (
        kinds.filter(inspection__piece__cycle__part_id__in=part_ids)
        .exclude(origin__in=FORMING_STEPS)
        .select_related("inspection__piece__cycle")
    ):
        piece = defect.inspection.piece
        assert piece is not None and piece.cycle is not None
        found[piece.cycle.part_id][defect_label(defect)] = defect.kind.contamination
    for defect in kinds.filter(inspection__piece__part_id__in=part_ids).select_related("inspection__piece"):
        piece = defect.inspection.piece
        assert piece is not None and piece.part_id is not None
        found[piece.part_id][defect_label(defect)] = defect.kind.contamination
    return found


def _parts_failed_in_use(part_ids: set[int]) -> set[int]:
    """Parts whose piece was made again or came back because it does not fit."""
    pieces = [
        *Piece.objects.filter(cycle__part_id__in=part_ids).select_related("cycle"),
        *Piece.objects.filter(part_id__in=part_ids).select_related("cycle"),
    ]
    failed = _remade_pieces(pieces) | _returned_pieces({piece.pk for piece in pieces})
    return {_part_id(piece) for piece in pieces if piece.pk in failed}


def _remade_pieces(pieces: Sequence[Piece]) -> set[int]:
    """Of each appliance that was made again, its last piece: the one the remake is for."""
    appliances = {piece.appliance_id for piece in pieces}
    remade = Appliance.objects.filter(pk__in=appliances, remake__isnull=False)
    return set(
        Piece.objects.filter(appliance__in=remade)
        .order_by()
        .values("appliance")
        .annotate(last=Max("pk"))
        .values_list("last", flat=True)
    )


def _returned_pieces(piece_ids: set[int]) -> set[int]:
    """Pieces whose latest answer from the clinic is that they do not fit."""
    latest: dict[int, str] = {}
    answers = FitAnswer.objects.filter(piece_id__in=piece_ids).order_by("occurred_at", "id")
    for piece_id, result in answers.values_list("piece_id", "result"):
        latest[piece_id] = result
    return {piece_id for piece_id, result in latest.items() if result == FitResult.DOES_NOT_FIT}
