"""What the records say of many parts or pieces at once: the values of their evidence rows.

Everything here reads; the same functions serve each change and the rebuild, so the two cannot differ.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from decimal import Decimal
from typing import Any

from django.utils import timezone

from cases.models import Case
from production.choices import Outcome, Step
from production.models import Build, Part, Piece
from production.queries.run_ages import bath_parts_before, lamp_hours_before
from qa.services.evidence_ages import BuildAges, build_ages
from qa.services.evidence_reads import (
    PartRecord,
    PieceRecord,
    latest_look,
    piece_steps,
    pieces_by_id,
    pieces_of_parts,
    printed_parts,
    remade_pieces,
    returned_pieces,
    seen_on_parts,
    seen_on_pieces,
    treated_parts,
)
from qa.services.evidence_steps import Reached, StepAnswers

# Steps after the printed part: a defect that comes from one of them is the piece's alone.
FORMING_STEPS = (Step.FORM, Step.TRIM, Step.FINISH, Step.DISINFECT, Step.PACK, Step.DELIVER)

Values = dict[str, Any]


def part_values(part_ids: Iterable[int], aged: Collection[int]) -> dict[int, Values]:
    """Row values of each part that was printed, or is being: a planned build is no attempt yet.

    ``aged``: parts whose tank's past changed, so that their ages are derived again.
    """
    parts = printed_parts(part_ids)
    if not parts:
        return {}
    facts = _PartFacts(parts, aged)
    return {part.pk: facts.values(part) for part in parts}


def piece_values(piece_ids: Iterable[int], aged: Collection[int]) -> dict[int, Values]:
    """Row values of each piece: everything of its part, and how it was formed and came out."""
    pieces = pieces_by_id(piece_ids)
    if not pieces:
        return {}
    parts = printed_parts({piece.part_id for piece in pieces})
    facts = _PieceFacts(pieces, _PartFacts(parts, aged), {part.pk: part for part in parts})
    return {piece.pk: facts.values(piece) for piece in pieces}


class _PartFacts:
    """What is read once for a batch of parts, and each part's values from it."""

    def __init__(self, parts: Sequence[PartRecord], aged: Collection[int]) -> None:
        ids = {part.pk for part in parts}
        self.ages: dict[int, BuildAges] = build_ages(parts, aged)
        self.treated = treated_parts(ids)
        runs = {(turn.run_id, turn.step) for turns in self.treated.values() for turn in turns}
        self.bath_parts = bath_parts_before(pk for pk, step in runs if step == Step.WASH)
        self.lamp_hours = lamp_hours_before(pk for pk, step in runs if step == Step.CURE)
        seen = seen_on_parts(ids)
        self.inspected = latest_look(seen)
        self.defects: dict[int, dict[str, bool]] = defaultdict(dict)
        for one in seen:
            if one.kind is not None:
                self.defects[one.thing_id][one.label] = bool(one.contamination)
        self.failed_in_use: set[int] = set()
        if pieces := pieces_of_parts(ids):
            self._read_pieces(pieces)
        self.answers = StepAnswers(
            preparations={part.preparation_id for part in parts},
            builds={part.build_id for part in parts},
            parts=ids,
            treatments={pk for pk, _ in runs},
        )

    def _read_pieces(self, pieces: Sequence[PieceRecord]) -> None:
        """Parts whose piece was made again or came back, and flaws of a part found only on its piece.

        What forming and later steps did is the piece's alone.
        """
        by_id = {piece.pk: piece for piece in pieces}
        failed = remade_pieces(pieces) | returned_pieces(by_id)
        self.failed_in_use = {by_id[pk].part_id for pk in failed if pk in by_id}
        for one in seen_on_pieces(by_id):
            piece = by_id[one.thing_id]
            if one.kind is not None and (piece.cycle_id is None or one.origin not in FORMING_STEPS):
                self.defects[piece.part_id][one.label] = bool(one.contamination)

    def values(self, part: PartRecord) -> Values:
        defects = self.defects.get(part.pk, {})
        washed, cured = self._last_run(part, Step.WASH), self._last_run(part, Step.CURE)
        return {
            "label": Part(number=part.number).mark,
            **self.factors(part),
            "steps": self.steps(part),
            "defects": sorted(defects),
            "outcome": part.outcome,
            "lost": part.outcome == Outcome.SCRAPPED or part.pk in self.failed_in_use,
            "defective": bool(defects),
            "contaminated": any(defects.values()),
            "layer_um": part.layer_um,
            "orientation": part.orientation,
            "platform_x_mm": _number(part.platform_x_mm),
            "platform_y_mm": _number(part.platform_y_mm),
            "supports": part.supports,
            "hollow": part.hollow,
            "resin_temp_c": _number(part.resin_temp_c) if part.is_vat else None,
            "bath_parts": self.bath_parts.get(washed) if washed else None,
            "lamp_hours": self.lamp_hours.get(cured) if cured else None,
        }

    def factors(self, part: PartRecord) -> Values:
        """The values that a part shares with the pieces made from it."""
        return {
            "build": Build(number=part.build_number).label,
            "occurred_at": part.started_at,
            "day": timezone.localtime(part.started_at).date(),
            "printer": part.printer,
            "process": part.process,
            "grade": part.grade,
            "profile": f"{part.profile_name} {part.profile_revision}".strip(),
            "tank": part.tank or "",
            **vars(self.ages[part.build_id]),
            "operator": part.operator,
            "case_label": Case(number=part.case_number).label,
            "clinic": part.clinic,
            "appliance_kind": part.appliance_kind,
        }

    def steps(self, part: PartRecord) -> dict[str, str]:
        """How each item was answered, for the steps from preparation to the part's own inspection."""
        subjects = [("preparation", part.preparation_id), ("build", part.build_id)]
        subjects += [("treatment", turn.run_id) for turn in self.treated[part.pk]]
        subjects.append(("part", part.pk))
        return self.answers.statuses(subjects, self._reached(part))

    def _reached(self, part: PartRecord) -> Reached:
        """When each step was reached; a good part without a record of a step still went through it."""
        moments: Reached = {
            Step.DESIGN: part.prepared_at,
            Step.PREPARE: part.prepared_at,
            Step.PRINT: part.started_at,
        }
        for turn in self.treated[part.pk]:
            moments[turn.step] = turn.started_at
        if part.pk in self.inspected:
            moments[Step.INSPECT] = self.inspected[part.pk]
        if part.outcome in (Outcome.GOOD, Outcome.REWORK) and part.outcome_at is not None:
            expected = [Step.INSPECT]
            if part.is_vat:
                expected += [Step.DRIP, Step.WASH, Step.DRY, Step.CURE]
            if part.supports:
                expected.append(Step.REMOVE_SUPPORTS)
            for step in expected:
                moments.setdefault(step, part.outcome_at)
        return moments

    def _last_run(self, part: PartRecord, step: Step) -> int | None:
        runs = [turn.run_id for turn in self.treated[part.pk] if turn.step == step]
        return runs[-1] if runs else None


class _PieceFacts:
    """The same for a batch of pieces, on top of the facts of their parts."""

    def __init__(
        self, pieces: Sequence[PieceRecord], part_facts: _PartFacts, parts: dict[int, PartRecord]
    ) -> None:
        ids = {piece.pk for piece in pieces}
        self.part_facts, self.parts = part_facts, parts
        self.remade = remade_pieces(pieces)
        self.returned = returned_pieces(ids)
        seen = seen_on_pieces(ids)
        self.inspected = latest_look(seen)
        self.defects: dict[int, dict[str, bool]] = defaultdict(dict)
        for one in seen:
            if one.kind is not None:
                self.defects[one.thing_id][one.label] = bool(one.contamination)
        self.worked = piece_steps(ids)
        cycles = {piece.cycle_id for piece in pieces if piece.cycle_id is not None}
        self.answers = StepAnswers(cycles=cycles, pieces=ids)

    def values(self, piece: PieceRecord) -> Values:
        part = self.parts[piece.part_id]
        part_facts = self.part_facts
        defects = {**part_facts.defects.get(part.pk, {}), **self.defects.get(piece.pk, {})}
        remade, returned = piece.pk in self.remade, piece.pk in self.returned
        return {
            **part_facts.factors(part),
            "label": Piece(number=piece.number).mark,
            "occurred_at": piece.occurred_at,
            "day": timezone.localtime(piece.occurred_at).date(),
            "steps": {**part_facts.steps(part), **self._steps(piece)},
            "defects": sorted(defects),
            "outcome": piece.outcome,
            "lost": piece.outcome == Outcome.SCRAPPED or remade or returned,
            "defective": bool(defects),
            "contaminated": any(defects.values()),
            "remade": remade,
            "returned": returned,
            **_forming(piece, part),
        }

    def _steps(self, piece: PieceRecord) -> dict[str, str]:
        """How each item was answered, for forming and what follows."""
        subjects = [("piece", piece.pk)]
        if piece.cycle_id is not None:
            subjects.insert(0, ("cycle", piece.cycle_id))
        return self.answers.statuses(subjects, self._reached(piece))

    def _reached(self, piece: PieceRecord) -> Reached:
        moments: Reached = dict(self.worked[piece.pk])
        if piece.formed_at is not None:
            moments[Step.FORM] = piece.formed_at
        if piece.pk in self.inspected:
            moments[Step.INSPECT] = self.inspected[piece.pk]
        if piece.outcome in (Outcome.GOOD, Outcome.REWORK) and piece.outcome_at is not None:
            expected = [Step.FINISH, Step.DISINFECT]
            if piece.cycle_id is not None:
                expected.append(Step.TRIM)
            for step in expected:
                moments.setdefault(step, piece.outcome_at)
        return moments


def _forming(piece: PieceRecord, part: PartRecord) -> Values:
    age_days = None
    if piece.formed_at is not None:
        printed = part.finished_at or part.started_at
        age_days = round((piece.formed_at - printed).total_seconds() / 86400, 4)
    return {
        "forming_machine": piece.forming_machine or "",
        "sheet": piece.sheet or "",
        "sheet_lot": piece.sheet_lot or "",
        "formings": piece.forming,
        "model_age_days": age_days,
        "heat_s": piece.heat_s,
        "interval_s": piece.interval_s,
    }


def _number(value: Decimal | None) -> float | None:
    return None if value is None else float(value)
