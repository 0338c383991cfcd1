"""Pieces: those printed directly, and the work done on any of them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from cases.moments import settled_moment
from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.services.numbers import next_number
from labtrack.audit.services.record import record_all_created
from labtrack.constraints import constraint_messages
from labtrack.errors import Refused
from production.choices import PIECE_STEPS, Outcome, PartPurpose
from production.hooks import part_changed, piece_changed
from production.models import Part, Piece, PieceStep
from production.services.rules import (
    all_found,
    once_many,
    require_not_held,
    require_not_scrapped,
    require_printed,
    written_then,
)


def make_pieces_from_parts(
    *, actor: Actor, key: str = "", part_ids: Sequence[int], occurred_at: datetime | None = None
) -> list[Piece]:
    """Turn parts that are the appliance itself (printed directly, or a model to hand over) into pieces."""
    actor.require(Capability.SHOP_WRITE)
    at = settled_moment(occurred_at)

    def make() -> list[Piece]:
        rows = Part.objects.filter(pk__in=part_ids).select_related("build", "appliance")
        parts = all_found(rows, part_ids, "One of the parts is not there.")
        for part in parts:
            if part.purpose != PartPurpose.APPLIANCE:
                raise Refused(
                    "is-working-model",
                    f"{part.mark} is a working model: form a sheet over it to make the piece.",
                )
        require_printed(parts, at)
        require_not_scrapped(parts, at)
        require_not_held(at, parts=parts)
        taken = Piece.objects.filter(part__in=parts).select_related("part").first()
        if taken is not None and taken.part is not None:
            raise Refused("piece-exists", f"{taken.part.mark} is piece {taken.mark} already.")
        number = next_number("piece", count=len(parts))
        with constraint_messages(Piece):
            pieces = Piece.objects.bulk_create(
                Piece(number=number + offset, appliance=part.appliance, part=part, occurred_at=at)
                for offset, part in enumerate(parts)
            )
        record_all_created(actor=actor, action="piece.made", subjects=pieces)
        for part in parts:
            part_changed.fire(part)
        for piece in pieces:
            piece_changed.fire(piece)
        return pieces

    def again() -> list[Piece]:
        return list(Piece.objects.filter(part__in=part_ids).order_by("number"))

    return once_many(
        actor=actor,
        key=key,
        use_case="make-pieces",
        payload=[list(part_ids), occurred_at],
        model=Piece,
        make=make,
        again=again,
    )


def record_piece_steps(
    *,
    actor: Actor,
    key: str = "",
    step: str,
    piece_ids: Sequence[int],
    occurred_at: datetime | None = None,
    note: str = "",
) -> list[PieceStep]:
    """Record that pieces were trimmed, finished, disinfected or packed; again is counted as again."""
    actor.require(Capability.SHOP_WRITE)
    at = settled_moment(occurred_at)
    if step not in PIECE_STEPS:
        raise Refused("step-unknown", "Choose trim, finish, disinfect or pack.", field="step")

    def make() -> list[PieceStep]:
        rows = Piece.objects.filter(pk__in=piece_ids)
        pieces = all_found(
            rows.select_related("cycle__part__build", "part__build"),
            piece_ids,
            "One of the pieces is not there.",
        )
        for piece in pieces:
            _check_piece(piece, at)
        parts = [part for piece in pieces if (part := part_of(piece)) is not None]
        require_not_held(at, pieces=pieces, parts=parts)
        with constraint_messages(PieceStep):
            steps = PieceStep.objects.bulk_create(
                PieceStep(piece=piece, step=step, note=note.strip(), occurred_at=at, by=actor.user)
                for piece in pieces
            )
        record_all_created(actor=actor, action="piece.step", subjects=steps)
        for piece in pieces:
            piece_changed.fire(piece)
        return steps

    def again() -> list[PieceStep]:
        rows = PieceStep.objects.filter(piece__in=piece_ids, step=step, by=actor.user)
        return written_then(rows, occurred_at, len(piece_ids))

    return once_many(
        actor=actor,
        key=key,
        use_case="record-piece-steps",
        payload=[step, list(piece_ids), occurred_at, note],
        model=PieceStep,
        make=make,
        again=again,
    )


def part_of(piece: Piece) -> Part | None:
    """The printed part behind a piece: itself, or the model it was formed over."""
    return piece.part if piece.cycle is None else piece.cycle.part


def _check_piece(piece: Piece, at: datetime) -> None:
    if at < piece.occurred_at:
        raise Refused("end-before-start", f"{piece.mark} was made only after that moment. Check the time.")
    if piece.outcome == Outcome.SCRAPPED and piece.outcome_at is not None and piece.outcome_at <= at:
        raise Refused("piece-scrapped", f"{piece.mark} was scrapped. Leave it out.")
