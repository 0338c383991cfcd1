"""How parts and pieces came out of a step. The latest is the outcome so far."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime

from cases.moments import settled_moment
from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.services.record import record_all_created, save_recorded
from labtrack.errors import Refused
from production.choices import WORK_STEPS, Outcome
from production.hooks import part_changed, piece_changed
from production.models import Part, PartOutcome, Piece
from production.services.rules import all_found, once_many, require_length, require_printed, written_then


@dataclass(frozen=True)
class PartResult:
    part_id: int
    outcome: str
    reason: str = ""


@dataclass(frozen=True)
class PieceResult:
    piece_id: int
    outcome: str
    reason: str = ""


def record_part_outcomes(
    *,
    actor: Actor,
    key: str = "",
    step: str,
    results: Sequence[PartResult],
    occurred_at: datetime | None = None,
) -> list[PartOutcome]:
    """Record how parts came out of one step: good, rework or scrapped (the last two with a reason)."""
    actor.require(Capability.SHOP_WRITE)
    at = settled_moment(occurred_at)
    part_ids = [result.part_id for result in results]

    def make() -> list[PartOutcome]:
        rows = Part.objects.filter(pk__in=part_ids).select_related("build")
        parts = all_found(rows, part_ids, "One of the parts is not there.")
        require_printed(parts, at)
        return write_part_outcomes(actor=actor, parts=parts, results=results, step=step, at=at)

    def again() -> list[PartOutcome]:
        rows = PartOutcome.objects.filter(part__in=part_ids, step=step, by=actor.user)
        return written_then(rows, occurred_at, len(results))

    return once_many(
        actor=actor,
        key=key,
        use_case="record-part-outcomes",
        payload=[step, [asdict(result) for result in results], occurred_at],
        model=PartOutcome,
        make=make,
        again=again,
    )


def write_part_outcomes(
    *, actor: Actor, parts: Sequence[Part], results: Sequence[PartResult], step: str, at: datetime
) -> list[PartOutcome]:
    """The rows, the parts' outcome so far, the record and the hooks; for use inside a use case."""
    by_id = {part.pk: part for part in parts}
    _check(step, [(result.outcome, result.reason) for result in results])
    if any(result.part_id not in by_id for result in results):
        raise Refused("part-not-in-build", "One of the parts is not in this build.", field="outcomes")
    if len({result.part_id for result in results}) != len(results):
        raise Refused("chosen-twice", "A part has two outcomes. Give each part one.", field="outcomes")
    rows = PartOutcome.objects.bulk_create(
        PartOutcome(
            part=by_id[result.part_id],
            step=step,
            outcome=result.outcome,
            reason=result.reason.strip(),
            occurred_at=at,
            by=actor.user,
        )
        for result in results
    )
    record_all_created(actor=actor, action="part.outcome", subjects=rows)
    changed = []
    for row in rows:
        part = row.part
        # A late entry does not overrule what came after it.
        if part.outcome_at is None or part.outcome_at <= at:
            part.outcome, part.outcome_at = row.outcome, at
            changed.append(part)
    Part.objects.bulk_update(changed, ["outcome", "outcome_at"])
    for row in rows:
        part_changed.fire(row.part)
    return rows


def record_piece_outcomes(
    *, actor: Actor, key: str = "", results: Sequence[PieceResult], occurred_at: datetime | None = None
) -> list[Piece]:
    """Record how pieces came out: good, rework or scrapped (the last two with a reason)."""
    actor.require(Capability.SHOP_WRITE)
    at = settled_moment(occurred_at)
    piece_ids = [result.piece_id for result in results]

    def pieces() -> list[Piece]:
        rows = Piece.objects.filter(pk__in=piece_ids).select_related("delivered__delivery")
        return all_found(rows, piece_ids, "One of the pieces is not there.")

    def make() -> list[Piece]:
        found = pieces()
        _check("finish", [(result.outcome, result.reason) for result in results])
        for piece, result in zip(found, results, strict=True):
            if at < piece.occurred_at:
                raise Refused(
                    "end-before-start", f"{piece.mark} was made only after that moment. Check the time."
                )
            if piece.outcome_at is not None and piece.outcome_at > at:
                continue
            save_recorded(
                actor=actor,
                action="piece.outcome",
                subject=piece,
                changes={"outcome": result.outcome, "outcome_at": at},
                reason=result.reason.strip(),
            )
            piece_changed.fire(piece)
        return found

    return once_many(
        actor=actor,
        key=key,
        use_case="record-piece-outcomes",
        payload=[[asdict(result) for result in results], occurred_at],
        model=Piece,
        make=make,
        again=pieces,
    )


def _check(step: str, results: Sequence[tuple[str, str]]) -> None:
    if step not in WORK_STEPS:
        raise Refused("step-unknown", "Choose a step of the work.", field="step")
    for outcome, reason in results:
        require_length(reason.strip(), field="outcomes")
        if outcome not in Outcome.values:
            raise Refused("outcome-unknown", "Choose good, rework or scrapped.", field="outcomes")
        if outcome != Outcome.GOOD and not reason.strip():
            raise Refused(
                "reason-missing", "Say in a few words why it needs rework or was scrapped.", field="outcomes"
            )
