"""What leaves the lab, and what the clinic says of it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from cases.models import Case
from cases.moments import settled_moment
from cases.queries import visible_cases
from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.services.numbers import next_number
from labtrack.audit.services.record import record_all_created, record_created
from labtrack.audit.services.submissions import Outcome as Submitted
from labtrack.audit.services.submissions import once
from labtrack.constraints import constraint_messages
from labtrack.errors import NotFound, Refused
from production.choices import FitResult, Outcome
from production.hooks import leaving, piece_changed
from production.models import DeliveredPiece, Delivery, FitAnswer, Piece
from production.services.pieces import part_of
from production.services.rules import all_found, found, require_not_held, required_text


def deliver(
    *,
    actor: Actor,
    key: str = "",
    case_id: int,
    piece_ids: Sequence[int],
    handed_to: str,
    occurred_at: datetime | None = None,
) -> Submitted[Delivery]:
    """Hand over pieces of one case in one parcel; ``leaving`` handlers refuse what is not released."""
    actor.require(Capability.SHOP_WRITE)
    at = settled_moment(occurred_at)
    handed_to = required_text(handed_to, "Say who took the parcel.", field="handed_to", most=120)
    case = found(Case, case_id, "There is no case under that number.")

    def make() -> Delivery:
        rows = Piece.objects.filter(pk__in=piece_ids).select_related(
            "appliance__case", "cycle__part__build", "part__build", "delivered__delivery"
        )
        pieces = all_found(rows, piece_ids, "One of the pieces is not there.")
        for piece in pieces:
            _check_piece(case, piece, at)
        parts = [part for piece in pieces if (part := part_of(piece)) is not None]
        require_not_held(at, pieces=pieces, parts=parts)
        leaving.fire(pieces)
        with constraint_messages(Delivery, DeliveredPiece):
            delivery = Delivery.objects.create(
                number=next_number("delivery"),
                case=case,
                handed_to=handed_to,
                occurred_at=at,
                by=actor.user,
            )
            delivered = DeliveredPiece.objects.bulk_create(
                DeliveredPiece(delivery=delivery, piece=piece) for piece in pieces
            )
        record_created(actor=actor, action="delivery.handed-over", subject=delivery)
        record_all_created(actor=actor, action="piece.delivered", subjects=delivered)
        for piece in pieces:
            piece_changed.fire(piece)
        return delivery

    return once(
        actor=actor,
        key=key,
        use_case="deliver",
        payload=[case_id, list(piece_ids), handed_to, occurred_at],
        model=Delivery,
        make=make,
    )


def _check_piece(case: Case, piece: Piece, at: datetime) -> None:
    if piece.appliance.case_id != case.pk:
        raise Refused(
            "piece-of-another-case",
            f"{piece.mark} belongs to {piece.appliance.case.label}, not to {case.label}. Take it out.",
            field="pieces",
        )
    if piece.outcome == Outcome.SCRAPPED:
        raise Refused("piece-scrapped", f"{piece.mark} was scrapped. Take it out.", field="pieces")
    if hasattr(piece, "delivered"):
        raise Refused(
            "already-delivered",
            f"{piece.mark} left in {piece.delivered.delivery.label} already.",
            field="pieces",
        )
    if at < piece.occurred_at:
        raise Refused(
            "end-before-start", f"{piece.mark} was made only after that moment.", field="occurred_at"
        )


def answer_fit(
    *,
    actor: Actor,
    key: str = "",
    piece_id: int,
    result: str,
    harmed: bool,
    note: str = "",
    occurred_at: datetime | None = None,
) -> Submitted[FitAnswer]:
    """Record what the clinic found in the mouth. Clinic staff answer for their own cases only."""
    actor.require(Capability.CASES_WRITE)
    at = settled_moment(occurred_at)
    piece = (
        Piece.objects.select_related("appliance", "delivered__delivery")
        .filter(pk=piece_id, appliance__case__in=visible_cases(actor))
        .first()
    )
    if piece is None:
        raise NotFound("There is no piece under that number.")
    if result not in FitResult.values:
        raise Refused("result-unknown", "Say whether it fits.", field="result")

    def make() -> FitAnswer:
        if not hasattr(piece, "delivered"):
            raise Refused("not-delivered", f"{piece.mark} has not been handed over yet.")
        if at < piece.delivered.delivery.occurred_at:
            raise Refused(
                "end-before-start", f"{piece.mark} was handed over only after that.", field="occurred_at"
            )
        with constraint_messages(FitAnswer):
            answer = FitAnswer.objects.create(
                piece=piece,
                result=result,
                harmed=harmed,
                note=note.strip(),
                occurred_at=at,
                by=actor.user,
            )
        record_created(actor=actor, action="piece.fit-answered", subject=answer)
        piece_changed.fire(piece)
        return answer

    return once(
        actor=actor,
        key=key,
        use_case="answer-fit",
        payload=[piece_id, result, harmed, note, occurred_at],
        model=FitAnswer,
        make=make,
    )
