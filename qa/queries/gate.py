"""The gate of a release: what must be true of a piece before it may leave, read from the records.

Each item says what it found in a sentence. What touches patient safety directly (the material's
intended use, a hold) can never be conceded; the rest can, by quality, with a reason and an end.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any

from django.db.models import Q
from django.utils import timezone

from cases.choices import MODEL_KINDS, Tissue
from cases.models import Appliance, OrderLine
from production.choices import AnswerStatus, ContactPurpose, Outcome, PrintProcess, Step
from production.models import (
    Answer,
    Hold,
    Lot,
    MaterialInstruction,
    Part,
    Piece,
    ProcessCombination,
    TreatedPart,
)
from production.queries.ages import TankAge, tank_age
from production.queries.materials import instructions_in_force
from qa.choices import GateItemName, GateStatus, Severity, Verdict
from qa.models import Concession, Inspection

NEVER_CONCEDED = (GateItemName.MATERIAL_USE, GateItemName.HOLD)
# From no contact to the deepest: what allows a deeper contact allows a shallower one.
_TISSUE_DEPTH = {Tissue.NONE: 0, Tissue.SKIN: 1, Tissue.MUCOSA: 2, Tissue.BREACHED: 3}
_BLOCKING = (GateStatus.NOT_MET,)


@dataclass(frozen=True)
class GateItem:
    """One item: its name, how it stands, and a sentence that says why."""

    name: str
    status: str
    sentence: str

    @property
    def label(self) -> str:
        return str(GateItemName(self.name).label)

    @property
    def shape(self) -> str:
        """The verdict shape it is drawn with."""
        return {"met": "pass", "conceded": "review", "not-met": "fail"}.get(self.status, "unknown")

    @property
    def word(self) -> str:
        return str(GateStatus(self.status).label)

    @property
    def may_be_conceded(self) -> bool:
        return self.status == GateStatus.NOT_MET and self.name not in NEVER_CONCEDED


@dataclass(frozen=True)
class PieceGate:
    """All items of one piece at one moment."""

    piece: Piece
    items: tuple[GateItem, ...]

    @property
    def open(self) -> bool:
        """Whether nothing stands in the way of a release."""
        return not any(item.status in _BLOCKING for item in self.items)

    @property
    def missing(self) -> tuple[GateItem, ...]:
        return tuple(item for item in self.items if item.status in _BLOCKING)

    def as_json(self) -> dict[str, Any]:
        """What a release keeps: every item as it stood."""
        return {
            "piece": self.piece.mark,
            "appliance": self.piece.appliance.label,
            "items": [asdict(item) for item in self.items],
        }


def touches_patient(line: OrderLine) -> bool:
    """Whether the appliance is worn; models are looked at."""
    return line.tissue != Tissue.NONE and line.kind not in MODEL_KINDS


def gates_of(pieces: Sequence[Piece], at: datetime | None = None) -> list[PieceGate]:
    """The gate of each piece as it stands at ``at`` (now)."""
    moment = at or timezone.now()
    facts = _Facts(pieces, moment)
    return [facts.gate(piece) for piece in pieces]


class _Facts:
    """What is read once for all pieces asked about."""

    def __init__(self, pieces: Sequence[Piece], at: datetime) -> None:
        self.at = at
        ids = [piece.pk for piece in pieces]
        self.pieces = {
            piece.pk: piece
            for piece in Piece.objects.filter(pk__in=ids).select_related(
                "appliance__case",
                "appliance__line",
                "cycle__batch__machine",
                "cycle__sheet_lot__material",
                "cycle__part__build__printer__equipment",
                "cycle__part__build__tank__equipment",
                "cycle__part__build__filament_lot__material",
                "part__build__printer__equipment",
                "part__build__tank__equipment",
                "part__build__filament_lot__material",
            )
        }
        self.parts = {pk: _part_of(piece) for pk, piece in self.pieces.items()}
        part_ids = {part.pk for part in self.parts.values()}
        self.inspections = _latest_inspections(ids, part_ids)
        self.runs: dict[int, dict[str, str]] = defaultdict(dict)
        for treated in (
            TreatedPart.objects.filter(part_id__in=part_ids).select_related("run").order_by("run__started_at")
        ):
            self.runs[treated.part_id][treated.run.step] = treated.run.program
        self.steps: dict[int, set[str]] = defaultdict(set)
        for piece_id, step in self._piece_steps(ids):
            self.steps[piece_id].add(step)
        self._tanks: dict[int, TankAge] = {}
        self.lots = {pk: self._lots(pk) for pk in self.pieces}
        self.instructions = instructions_in_force(
            sorted({lot.material_id for lots in self.lots.values() for lot, _ in lots}), at
        )
        self.holds = self._holds()
        self.deviations = _deviations(self.pieces.values(), self.parts)
        self.concessions = {
            (concession.piece_id, concession.gate_item): concession
            for concession in Concession.objects.filter(
                piece_id__in=ids, granted_at__lte=at, valid_until__gte=at
            ).select_related("granted_by")
        }

    @staticmethod
    def _piece_steps(ids: Sequence[int]) -> Iterable[tuple[int, str]]:
        return Piece.objects.filter(pk__in=ids, steps__isnull=False).values_list("pk", "steps__step")

    def gate(self, piece: Piece) -> PieceGate:
        piece = self.pieces[piece.pk]
        found = [
            self._outcome(piece),
            self._inspected(piece),
            self._defects(piece),
            self._hold(piece),
            self._material_use(piece),
            self._in_date(piece),
            self._combination(piece),
            self._required_steps(piece),
            self._answers(piece),
        ]
        return PieceGate(piece, tuple(self._conceded(piece, item) for item in found))

    def _conceded(self, piece: Piece, item: GateItem) -> GateItem:
        concession = self.concessions.get((piece.pk, item.name))
        if item.status != GateStatus.NOT_MET or concession is None or item.name in NEVER_CONCEDED:
            return item
        until = timezone.localtime(concession.valid_until)
        return GateItem(
            item.name,
            GateStatus.CONCEDED,
            f"{item.sentence} Conceded by {concession.granted_by} until {until:%-d %b %Y}: "
            f"{concession.reason}",
        )

    def _outcome(self, piece: Piece) -> GateItem:
        name = GateItemName.OUTCOME
        if piece.outcome == Outcome.GOOD:
            return _met(name, "The piece came out good.")
        if not piece.outcome:
            return _missing(name, f"{piece.mark} has no outcome yet. Inspect it, or record how it came out.")
        return _missing(name, f"{piece.mark} is recorded as {piece.get_outcome_display().lower()}.")

    def _inspected(self, piece: Piece) -> GateItem:
        name = GateItemName.INSPECTION
        own, model = self._inspections(piece)
        if not own:
            return _missing(name, f"{piece.mark} was not inspected. Inspect it and record what you see.")
        bad = [row for row in (*own, *model) if row.verdict != Verdict.PASS]
        if bad:
            row = bad[0]
            thing = piece.mark if row.piece_id is not None or piece.cycle is None else f"its model {row.part}"
            return _missing(
                name,
                f"The latest inspection of {thing} at {row.get_step_display().lower()} says "
                f"{row.get_verdict_display().lower()}. Mend it and inspect again.",
            )
        count = len(own) + len(model)
        return _met(name, f"{count} inspection{'s' if count > 1 else ''}, all passed.")

    def _inspections(self, piece: Piece) -> tuple[list[Inspection], list[Inspection]]:
        """Of the piece itself, and of the model it was formed over."""
        part = self.parts[piece.pk]
        own = self.inspections.get(("piece", piece.pk), [])
        of_part = self.inspections.get(("part", part.pk), [])
        # A directly printed piece is its part: it was inspected when either was.
        return ([*own, *of_part], []) if piece.cycle is None else (own, of_part)

    def _defects(self, piece: Piece) -> GateItem:
        name = GateItemName.DEFECTS
        own, model = self._inspections(piece)
        standing = [
            defect
            for row in (*own, *model)
            for defect in row.defects.all()
            if row.verdict != Verdict.PASS or defect.severity == Severity.CRITICAL
        ]
        if standing:
            kinds = ", ".join(sorted({defect.kind.name.lower() for defect in standing}))
            return _missing(
                name, f"Open defects: {kinds}. They close when a later inspection at that step passes."
            )
        return _met(name, "No open defect.")

    def _hold(self, piece: Piece) -> GateItem:
        name = GateItemName.HOLD
        for key in self._held_things(piece):
            hold = self.holds.get(key)
            if hold is not None:
                thing = hold.equipment or hold.lot or hold.build or hold.part or hold.piece
                return _missing(name, f"{thing} is on hold: {hold.reason}. Quality must lift the hold first.")
        return _met(name, "Nothing it came from is on hold.")

    def _held_things(self, piece: Piece) -> list[tuple[str, int]]:
        part = self.parts[piece.pk]
        things = [("piece", piece.pk), ("part", part.pk), ("build", part.build_id)]
        things.append(("equipment", part.build.printer_id))
        if part.build.tank_id is not None:
            things.append(("equipment", part.build.tank_id))
        if piece.cycle is not None:
            things.append(("equipment", piece.cycle.batch.machine_id))
        things += [("lot", lot.pk) for lot, _ in self.lots[piece.pk]]
        return things

    def _holds(self) -> dict[tuple[str, int], Hold]:
        wanted: dict[str, set[int]] = defaultdict(set)
        for piece in self.pieces.values():
            for kind, pk in self._held_things(piece):
                wanted[kind].add(pk)
        concerned = Q(pk__in=[])
        for kind, ids in wanted.items():
            concerned |= Q(**{f"{kind}__in": ids})
        standing = Hold.objects.filter(concerned, placed_at__lte=self.at).filter(
            Q(lifted_at__isnull=True) | Q(lifted_at__gt=self.at)
        )
        found: dict[tuple[str, int], Hold] = {}
        for hold in standing.select_related("equipment", "lot__material", "build", "part", "piece"):
            for kind in ("equipment", "lot", "build", "part", "piece"):
                pk = getattr(hold, f"{kind}_id")
                if pk is not None:
                    found[kind, pk] = hold
        return found

    def _lots(self, piece_id: int) -> list[tuple[Lot, datetime]]:
        """Every lot in the piece and its model, with when it was used."""
        piece, part = self.pieces[piece_id], self.parts[piece_id]
        build = part.build
        started = build.started_at or build.occurred_at
        lots: list[tuple[Lot, datetime]] = []
        if build.filament_lot is not None:
            lots.append((build.filament_lot, started))
        if build.tank_id is not None:
            if build.pk not in self._tanks:
                self._tanks[build.pk] = tank_age(build.tank_id, started)
            lots += [(lot, started) for lot in self._tanks[build.pk].contents]
        if piece.cycle is not None:
            lots.append((piece.cycle.sheet_lot, piece.cycle.occurred_at))
        return lots

    def _worn_lots(self, piece: Piece) -> list[Lot]:
        """The lots of what the patient wears: the sheet, or the resin of a directly printed piece."""
        if piece.cycle is not None:
            return [piece.cycle.sheet_lot]
        return [lot for lot, _ in self.lots[piece.pk]]

    def _material_use(self, piece: Piece) -> GateItem:
        name, line = GateItemName.MATERIAL_USE, piece.appliance.line
        if not touches_patient(line):
            return GateItem(name, GateStatus.NOT_NEEDED, "It does not touch the patient.")
        worn = self._worn_lots(piece)
        if not worn:
            return _missing(name, f"No record says what {piece.mark} is made of. It must not be worn.")
        hours = contact_hours(piece.appliance)
        for lot in worn:
            wrong = _misuse(piece, lot, self.instructions.get(lot.material_id), hours)
            if wrong:
                return _missing(name, wrong)
        materials = ", ".join(sorted({lot.material.name for lot in worn}))
        return _met(
            name,
            f"{materials}: instructions allow {line.get_tissue_display().lower()}, {_plain(hours)} h of "
            "summed contact.",
        )

    def _in_date(self, piece: Piece) -> GateItem:
        name = GateItemName.LOTS
        for lot, used in self.lots[piece.pk]:
            if lot.expires_on is not None and lot.expires_on < timezone.localdate(used):
                return _missing(name, f"{lot} had expired on {lot.expires_on:%-d %b %Y} when it was used.")
            if lot.quarantined_at is not None:
                return _missing(name, f"{lot} is quarantined: {lot.quarantine_reason}")
        return _met(name, "Every lot was in date when it was used.")

    def _combination(self, piece: Piece) -> GateItem:
        """Only of a directly printed piece: what is formed is judged by its sheet."""
        name = GateItemName.COMBINATION
        if not touches_patient(piece.appliance.line) or piece.cycle is not None:
            return GateItem(name, GateStatus.NOT_NEEDED, "The printed part itself is not worn.")
        part, runs = self.parts[piece.pk], self.runs[self.parts[piece.pk].pk]
        used = part.build.started_at or part.build.occurred_at
        materials = {lot.material_id for lot in self._worn_lots(piece)}
        qualified = ProcessCombination.objects.filter(
            Q(withdrawn_at__isnull=True) | Q(withdrawn_at__gt=self.at),
            printer_id=part.build.printer_id,
            profile_name=part.build.profile_name,
            wash_program=runs.get(Step.WASH, ""),
            cure_program=runs.get(Step.CURE, ""),
            material_id__in=materials,
            qualified_at__lte=self.at,
        )
        if materials and qualified.values("material").distinct().count() == len(materials):
            return _met(name, "Printer, material, profile, wash and cure are qualified together.")
        return _missing(
            name,
            f"{part.build.printer}, {part.build.profile_name}, wash "
            f"{runs.get(Step.WASH) or 'not recorded'}, cure "
            f"{runs.get(Step.CURE) or 'not recorded'} on {timezone.localtime(used):%-d %b %Y} is "
            "not a qualified "
            "combination for this material.",
        )

    def _required_steps(self, piece: Piece) -> GateItem:
        name, part = GateItemName.STEPS, self.parts[piece.pk]
        absent = []
        if part.build.printer.process != PrintProcess.FILAMENT:
            absent += [step for step in (Step.WASH, Step.CURE) if step not in self.runs[part.pk]]
        wanted = [Step.TRIM] if piece.cycle is not None else []
        if touches_patient(piece.appliance.line):
            wanted.append(Step.DISINFECT)
        absent += [step for step in wanted if step not in self.steps[piece.pk]]
        if not absent:
            return _met(name, "Every required step is recorded.")
        words = ", ".join(step.label.lower() for step in absent)
        return _missing(name, f"Not recorded: {words}.")

    def _answers(self, piece: Piece) -> GateItem:
        """Shown beside the gate: deviations from the work instructions do not bar the way by themselves."""
        found = self.deviations.get(piece.pk, [])
        if not found:
            return GateItem(GateItemName.ANSWERS, GateStatus.NOTED, "No answer out of limits or not done.")
        return GateItem(GateItemName.ANSWERS, GateStatus.NOTED, "; ".join(found[:6]) + ".")


def contact_hours(appliance: Appliance) -> Decimal:
    """Summed contact, in hours: intermittent wear adds up over the days and over the stages of a series."""
    line = appliance.line
    stages = (
        line.appliances.filter(arch=appliance.arch, cancelled_at__isnull=True)
        .values("stage")
        .distinct()
        .count()
    )
    return line.hours_per_day * line.days * max(stages, 1)


def _misuse(piece: Piece, lot: Lot, instruction: MaterialInstruction | None, hours: Decimal) -> str:
    """Why this material must not be worn here; empty when it may."""
    line, material = piece.appliance.line, lot.material
    contact = line.get_tissue_display().lower()
    if instruction is None:
        return f"{material} has no approved instructions for use, so it must not touch {contact}."
    if instruction.intended_use == ContactPurpose.MODEL:
        return (
            f"{piece.mark} touches {contact}, but {material} is for models only (instructions, version "
            f"{instruction.version}). It must not be worn: make it again from a material for patient contact."
        )
    if _TISSUE_DEPTH[Tissue(instruction.tissue)] < _TISSUE_DEPTH[Tissue(line.tissue)]:
        return (
            f"{piece.mark} touches {contact}, but the instructions of {material} allow "
            f"{instruction.get_tissue_display().lower()} only."
        )
    limit = instruction.contact_hours_max
    if limit is not None and hours > limit:
        return (
            f"Planned wear sums to {_plain(hours)} h, more than the {limit} h that the instructions "
            f"of {material} allow."
        )
    return ""


def _plain(hours: Decimal) -> str:
    return f"{hours.normalize():f}"


def _part_of(piece: Piece) -> Part:
    part = piece.cycle.part if piece.cycle is not None else piece.part
    assert part is not None
    return part


def _met(name: GateItemName, sentence: str) -> GateItem:
    return GateItem(name, GateStatus.MET, sentence)


def _missing(name: GateItemName, sentence: str) -> GateItem:
    return GateItem(name, GateStatus.NOT_MET, sentence)


def _latest_inspections(
    piece_ids: Sequence[int], part_ids: Iterable[int]
) -> dict[tuple[str, int], list[Inspection]]:
    """The latest inspection of each thing at each step, with its defects."""
    latest: dict[tuple[str, int, str], Inspection] = {}
    rows = (
        Inspection.objects.filter(Q(piece_id__in=piece_ids) | Q(part_id__in=list(part_ids)))
        .select_related("part")
        .prefetch_related("defects__kind")
        .order_by("occurred_at", "id")
    )
    for row in rows:
        kind, pk = ("piece", row.piece_id) if row.piece_id is not None else ("part", row.part_id)
        assert pk is not None
        latest[kind, pk, row.step] = row
    found: dict[tuple[str, int], list[Inspection]] = defaultdict(list)
    for (kind, pk, _), row in latest.items():
        found[kind, pk].append(row)
    return found


def _deviations(pieces: Iterable[Piece], parts: dict[int, Part]) -> dict[int, list[str]]:
    """Standing answers of each piece and its part that are out of limits or not done."""
    found: dict[int, list[str]] = defaultdict(list)
    asked = [AnswerStatus.OUT_OF_LIMITS, AnswerStatus.NOT_DONE]
    everything = list(pieces)
    part_ids = {part.pk for part in parts.values()}
    concerned = (
        Q(piece__in=[piece.pk for piece in everything])
        | Q(cycle__in=[piece.cycle_id for piece in everything if piece.cycle_id is not None])
        | Q(part__in=part_ids)
        | Q(build__in={part.build_id for part in parts.values()})
        | Q(treatment__treated__part__in=part_ids)
    )
    answers = (
        Answer.objects.filter(concerned, status__in=asked, replaced_by__isnull=True)
        .select_related("item")
        .prefetch_related("treatment__treated")
        .distinct()
    )
    for answer in answers:
        treated = {row.part_id for row in answer.treatment.treated.all()} if answer.treatment else set()
        for piece in everything:
            part = parts[piece.pk]
            if (
                answer.piece_id == piece.pk
                or (answer.cycle_id is not None and answer.cycle_id == piece.cycle_id)
                or answer.part_id == part.pk
                or answer.build_id == part.build_id
                or part.pk in treated
            ):
                found[piece.pk].append(f"{answer.item.text}: {answer.get_status_display().lower()}")
    return found
