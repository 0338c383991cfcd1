"""Release, its withdrawal, and concessions: signed, recorded with the gate as it stood, never edited."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db import IntegrityError, transaction
from django.utils import timezone

from cases.models import Case
from cases.moments import settled_moment
from cases.queries import visible_cases
from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.accounts.services.own_sign_in import require_own_password
from labtrack.audit.services.numbers import next_number
from labtrack.audit.services.record import record_all_created, record_created, save_recorded
from labtrack.audit.services.submissions import Outcome, once
from labtrack.errors import Conflict, NotAllowed, NotFound, Refused
from production.choices import Outcome as ThingOutcome
from production.models import Hold, Piece
from qa.choices import GateItemName, SignatureMeaning
from qa.models import Concession, Release, ReleasedPiece, ReleaseWithdrawal
from qa.queries.gate import NEVER_CONCEDED, PieceGate, gates_of

SIGNATURE_LIFE = timedelta(minutes=5)


@dataclass(frozen=True)
class Signature:
    """Proof that a person gave their password just now."""

    user_id: int
    given_at: datetime


def sign(*, actor: Actor, password: str) -> Signature:
    """The signature of ``actor`` by their password; ``NotAllowed`` when it is wrong.

    Who took over a tablet by badge or PIN signs with the password too. Raises ``TooMany`` for guessing.
    """
    try:
        require_own_password(actor=actor, password=password)
    except Refused:
        raise NotAllowed("password-wrong", "That is not your password, so nothing was signed.") from None
    return Signature(actor.user.pk, timezone.now())


def release_pieces(
    *,
    actor: Actor,
    key: str = "",
    case_number: int,
    piece_ids: Sequence[int],
    signature: Signature,
    meaning: str = SignatureMeaning.RELEASED,
    occurred_at: datetime | None = None,
) -> Outcome[Release]:
    """Release some pieces of a case, if the gate of each is open.

    Raises ``Refused`` with the first item that is not met, ``Conflict`` for a piece that stands released
    already.
    """
    actor.require(Capability.RELEASE)
    at = settled_moment(occurred_at)
    if meaning not in SignatureMeaning.values:
        raise Refused("meaning-unknown", "Say what your signature means.", field="meaning")

    def make() -> Release:
        _require_fresh(actor, signature)
        case = _case(actor, case_number)
        pieces = _pieces_of(case, piece_ids)
        gates = gates_of(pieces, at)
        _require_open(gates)
        release = Release.objects.create(
            number=next_number("release"),
            case=case,
            gate=[gate.as_json() for gate in gates],
            meaning=meaning,
            signed_by=actor.user,
            signed_at=at,
        )
        try:
            with transaction.atomic():
                released = [ReleasedPiece(release=release, piece=piece) for piece in pieces]
                ReleasedPiece.objects.bulk_create(released)
        except IntegrityError:
            raise Conflict(
                "already-released", "One of these pieces is already released. Look at the page again."
            ) from None
        record_created(actor=actor, action="release.sign", subject=release)
        record_all_created(actor=actor, action="release.piece", subjects=released)
        return release

    return once(
        actor=actor,
        key=key,
        use_case="release-pieces",
        payload=[case_number, sorted(piece_ids), meaning, occurred_at],
        model=Release,
        make=make,
    )


def _require_fresh(actor: Actor, signature: Signature) -> None:
    if signature.user_id != actor.user.pk or timezone.now() - signature.given_at > SIGNATURE_LIFE:
        raise NotAllowed("signature-stale", "Sign again with your password.")


def _case(actor: Actor, number: int) -> Case:
    case = visible_cases(actor).filter(number=number).first()
    if case is None:
        raise NotFound("There is no case under that number.")
    if case.voided_at is not None:
        raise Refused("case-voided", f"{case.label} is voided. Nothing of it can be released.")
    return case


def _pieces_of(case: Case, piece_ids: Sequence[int]) -> list[Piece]:
    if not piece_ids:
        raise Refused("nothing-chosen", "Choose at least one piece to release.", field="pieces")
    pieces = list(
        Piece.objects.select_for_update().filter(pk__in=piece_ids, appliance__case=case).order_by("pk")
    )
    if len(pieces) != len(set(piece_ids)):
        raise NotFound("One of these pieces is not of this case.")
    return pieces


def _require_open(gates: Sequence[PieceGate]) -> None:
    for gate in gates:
        if not gate.open:
            item = gate.missing[0]
            raise Refused(
                f"gate-{item.name}",
                f"{gate.piece.mark} ({gate.piece.appliance.label}) cannot be released. {item.sentence}",
                field="pieces",
            )


def withdraw_release(
    *,
    actor: Actor,
    key: str = "",
    number: int,
    reason: str,
    signature: Signature,
    occurred_at: datetime | None = None,
) -> Outcome[ReleaseWithdrawal]:
    """Take a release back by a new, signed record. What already left must be called back by hand."""
    actor.require(Capability.RELEASE)
    at = settled_moment(occurred_at)
    reason = reason.strip()
    if not reason:
        raise Refused("reason-missing", "Say why the release is withdrawn.", field="reason")

    def make() -> ReleaseWithdrawal:
        _require_fresh(actor, signature)
        release = Release.objects.filter(number=number).first()
        if release is None:
            raise NotFound("There is no release under that number.")
        try:
            with transaction.atomic():
                withdrawal = ReleaseWithdrawal.objects.create(
                    release=release, reason=reason[:300], signed_by=actor.user, signed_at=at
                )
        except IntegrityError:
            raise Conflict("already-withdrawn", f"{release.label} is already withdrawn.") from None
        for row in release.released.filter(standing=True).select_related("piece", "release"):
            save_recorded(
                actor=actor, action="release.withdraw-piece", subject=row, changes={"standing": False}
            )
        record_created(actor=actor, action="release.withdraw", subject=withdrawal, reason=reason)
        return withdrawal

    return once(
        actor=actor,
        key=key,
        use_case="withdraw-release",
        payload=[number, reason, occurred_at],
        model=ReleaseWithdrawal,
        make=make,
    )


def grant_concession(
    *,
    actor: Actor,
    key: str = "",
    piece_id: int,
    gate_item: str,
    reason: str,
    valid_until: datetime,
    occurred_at: datetime | None = None,
) -> Outcome[Concession]:
    """Leave to release one piece although one item of the gate is not met, until a moment.

    Never for the material's intended use or a hold.
    """
    actor.require(Capability.RELEASE)
    at = settled_moment(occurred_at)
    if gate_item not in GateItemName.values:
        raise Refused("item-unknown", "Choose the item of the gate.", field="gate_item")
    if gate_item in NEVER_CONCEDED:
        raise Refused(
            "never-conceded",
            f"{GateItemName(gate_item).label}: nobody can concede this. Mend the cause, or make "
            "the piece again.",
            field="gate_item",
        )
    reason = reason.strip()
    if not reason:
        raise Refused("reason-missing", "Say why the piece may go although this is not met.", field="reason")
    if valid_until <= at:
        raise Refused(
            "ends-before-start", "The concession must end after it is granted.", field="valid_until"
        )

    def make() -> Concession:
        piece = Piece.objects.filter(pk=piece_id).first()
        if piece is None:
            raise NotFound("There is no piece under that number.")
        concession = Concession.objects.create(
            piece=piece,
            gate_item=gate_item,
            reason=reason[:300],
            granted_at=at,
            valid_until=valid_until,
            granted_by=actor.user,
        )
        record_created(actor=actor, action="concession.grant", subject=concession, reason=reason)
        return concession

    return once(
        actor=actor,
        key=key,
        use_case="grant-concession",
        payload=[piece_id, gate_item, reason, valid_until],
        model=Concession,
        make=make,
    )


def refuse_unreleased(pieces: list[Piece]) -> None:
    """What a delivery asks: every piece stands released, is still good, and nothing it came from is held."""
    ids = [piece.pk for piece in pieces]
    standing = set(
        ReleasedPiece.objects.filter(piece_id__in=ids, standing=True).values_list("piece_id", flat=True)
    )
    for piece in pieces:
        if piece.pk not in standing:
            raise Refused(
                "not-released",
                f"{piece.mark} is not released. Quality releases it first, or it stays out of the parcel.",
                field="pieces",
            )
        if piece.outcome == ThingOutcome.SCRAPPED:
            raise Refused(
                "scrapped-since",
                f"{piece.mark} was scrapped after its release. Leave it out.",
                field="pieces",
            )
    _refuse_held(pieces)


def _refuse_held(pieces: list[Piece]) -> None:
    if not Hold.objects.filter(lifted_at__isnull=True).exists():
        return
    for gate in gates_of(pieces):
        held = [item for item in gate.missing if item.name == GateItemName.HOLD]
        if held:
            raise Refused("held-since", f"{gate.piece.mark} cannot leave. {held[0].sentence}", field="pieces")
