"""Recording what an inspection saw: of one thing or of many, with the defects found on each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime

from cases.models import Blob
from cases.moments import settled_moment
from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.services.record import record_all_created
from labtrack.audit.services.submissions import once
from labtrack.errors import NotFound, Refused
from production.choices import WORK_STEPS, Outcome, Step
from production.models import Part, Piece
from production.services.outcomes import (
    PartResult,
    PieceResult,
    record_part_outcomes,
    record_piece_outcomes,
)
from production.services.rules import require_printed
from qa.choices import DefectScope, Severity, Verdict
from qa.models import Defect, DefectKind, Inspection
from qa.services.evidence import keep_evidence
from qa.services.photos import store_photo
from qa.teeth import is_fdi


@dataclass(frozen=True)
class FoundDefect:
    """One defect as it was found. ``origin`` empty means the usual one of its kind; ``photo`` holds the
    bytes that ``photos.clean_photo`` gave."""

    kind: str
    severity: str = Severity.MAJOR
    origin: str = ""
    tooth: int | None = None
    note: str = ""
    photo: bytes | None = None


@dataclass(frozen=True)
class Look:
    """What was seen of one part or one piece.

    ``outcome`` None lets the verdict decide: a pass is good; a fail needs rework or scrapped said; the
    other verdicts leave the outcome as it is.
    """

    verdict: str
    part_id: int | None = None
    piece_id: int | None = None
    defects: Sequence[FoundDefect] = ()
    outcome: str | None = None
    note: str = ""


def record_inspection(
    *,
    actor: Actor,
    key: str = "",
    step: str,
    look: Look,
    occurred_at: datetime | None = None,
    method: str = "",
) -> Inspection:
    """Record one look at one part or piece."""
    return record_inspections(
        actor=actor, key=key, step=step, looks=[look], occurred_at=occurred_at, method=method
    )[0]


def record_inspections(
    *,
    actor: Actor,
    key: str = "",
    step: str,
    looks: Sequence[Look],
    occurred_at: datetime | None = None,
    method: str = "",
) -> list[Inspection]:
    """Record an inspection of each thing, its defects, and how it came out; all or nothing.

    Raises ``Refused`` for a step, kind, tooth or outcome that does not exist or does not fit, ``NotFound``
    for a thing that is not there.
    """
    actor.require(Capability.INSPECT)
    at = settled_moment(occurred_at)
    made: list[Inspection] = []

    def make() -> Inspection:
        made.extend(_record(actor, step, looks, at, method.strip()))
        return made[0]

    outcome = once(
        actor=actor,
        key=key,
        use_case="record-inspections",
        payload=[step, [_payload(look) for look in looks], occurred_at, method],
        model=Inspection,
        make=make,
    )
    return made or _made_with(outcome.thing)


def _payload(look: Look) -> dict[str, object]:
    bare = replace(look, defects=[replace(defect, photo=None) for defect in look.defects])
    return asdict(bare)


def _made_with(first: Inspection) -> list[Inspection]:
    """The inspections of the submission that made ``first``: one moment, one person, one step."""
    return list(
        Inspection.objects.filter(
            by=first.by_id, step=first.step, occurred_at=first.occurred_at, pk__gte=first.pk
        ).order_by("pk")
    )


def _record(actor: Actor, step: str, looks: Sequence[Look], at: datetime, method: str) -> list[Inspection]:
    parts, pieces = _things(looks, at)
    kinds = _checked_kinds(step, looks)
    for look in looks:
        _check_look(look, kinds)
    inspections = Inspection.objects.bulk_create(
        Inspection(
            part=parts.get(look.part_id or 0),
            piece=pieces.get(look.piece_id or 0),
            step=step,
            verdict=look.verdict,
            method=method[:60],
            note=look.note.strip()[:300],
            occurred_at=at,
            by=actor.user,
        )
        for look in looks
    )
    defects = [
        _defect(inspection, defect, kinds[defect.kind], step)
        for inspection, look in zip(inspections, looks, strict=True)
        for defect in look.defects
    ]
    Defect.objects.bulk_create(defects)
    record_all_created(actor=actor, action="inspection.record", subjects=inspections)
    record_all_created(actor=actor, action="defect.record", subjects=defects)
    _record_outcomes(actor, step, looks, kinds, at)
    keep_evidence(parts=parts, pieces=pieces)
    return inspections


def _things(looks: Sequence[Look], at: datetime) -> tuple[dict[int, Part], dict[int, Piece]]:
    if not looks:
        raise Refused("nothing-chosen", "Nothing was inspected. Choose at least one part or piece.")
    for look in looks:
        if (look.part_id is None) == (look.piece_id is None):
            raise Refused("one-thing", "An inspection is of one part or one piece.")
    part_ids = [look.part_id for look in looks if look.part_id is not None]
    piece_ids = [look.piece_id for look in looks if look.piece_id is not None]
    if len(set(part_ids)) < len(part_ids) or len(set(piece_ids)) < len(piece_ids):
        raise Refused("chosen-twice", "The same thing is inspected twice at once. Enter it once.")
    parts = {part.pk: part for part in Part.objects.filter(pk__in=part_ids).select_related("build")}
    pieces = {piece.pk: piece for piece in Piece.objects.filter(pk__in=piece_ids)}
    if len(parts) < len(part_ids) or len(pieces) < len(piece_ids):
        raise NotFound("There is no part or piece under one of these numbers.")
    require_printed(list(parts.values()), at)
    for piece in pieces.values():
        if piece.occurred_at > at:
            raise Refused(
                "before-it-was-made",
                f"{piece.mark} was made only after that moment. Check the time.",
                field="occurred_at",
            )
    return parts, pieces


def _checked_kinds(step: str, looks: Sequence[Look]) -> dict[str, DefectKind]:
    if step not in WORK_STEPS:
        raise Refused("step-unknown", "Choose the step at which you inspected.", field="step")
    codes = {defect.kind for look in looks for defect in look.defects}
    kinds = {kind.code: kind for kind in DefectKind.objects.filter(code__in=codes)}
    for code in sorted(codes - set(kinds)):
        raise Refused("kind-unknown", f"There is no kind of defect called {code!r}.", field="kind")
    return kinds


def _check_look(look: Look, kinds: dict[str, DefectKind]) -> None:
    if look.verdict not in Verdict.values:
        raise Refused("verdict-unknown", "Choose pass, review, fail or cannot tell.", field="verdict")
    if look.outcome not in (None, "", *Outcome.values):
        raise Refused("outcome-unknown", "Choose good, rework or scrapped.", field="outcome")
    if look.verdict == Verdict.FAIL and look.outcome in (None, "", Outcome.GOOD):
        raise Refused(
            "fail-needs-outcome", "It failed: say whether it needs rework or is scrapped.", field="outcome"
        )
    if look.verdict == Verdict.FAIL and not (look.defects or look.note.strip()):
        raise Refused(
            "fail-needs-reason", "It failed: name the defect, or say why in the note.", field="kind"
        )
    severe = [defect for defect in look.defects if defect.severity == Severity.CRITICAL]
    if look.verdict == Verdict.PASS and severe:
        raise Refused(
            "critical-passes", "A critical defect cannot pass. Choose fail or review.", field="verdict"
        )
    for defect in look.defects:
        _check_defect(look, defect, kinds[defect.kind])


def _check_defect(look: Look, defect: FoundDefect, kind: DefectKind) -> None:
    if not kind.active:
        raise Refused("kind-retired", f"{kind.name} is no longer in use. Choose another kind.", field="kind")
    wrong = DefectScope.PIECE if look.part_id is not None else DefectScope.PART
    # A piece printed directly, and one that shows its model's flaw, may have a printed part's defect.
    if kind.scope == wrong and wrong == DefectScope.PIECE:
        raise Refused("kind-of-piece", f"{kind.name} is found on formed pieces, not on parts.", field="kind")
    if defect.severity not in Severity.values:
        raise Refused("severity-unknown", "Choose minor, major or critical.", field="severity")
    if defect.origin and defect.origin not in Step.values:
        raise Refused("origin-unknown", "Choose the step the defect comes from.", field="origin")
    if defect.tooth is not None and not is_fdi(defect.tooth):
        raise Refused("tooth-unknown", f"{defect.tooth} is no tooth number after ISO 3950.", field="tooth")


def _defect(inspection: Inspection, found: FoundDefect, kind: DefectKind, step: str) -> Defect:
    photo: Blob | None = store_photo(found.photo) if found.photo else None
    return Defect(
        inspection=inspection,
        kind=kind,
        origin=found.origin or kind.usual_origin,
        found=step,
        severity=found.severity,
        tooth=found.tooth,
        photo=photo,
        note=found.note.strip()[:200],
    )


def _record_outcomes(
    actor: Actor, step: str, looks: Sequence[Look], kinds: dict[str, DefectKind], at: datetime
) -> None:
    parts: list[PartResult] = []
    pieces: list[PieceResult] = []
    for look in looks:
        outcome = _outcome(actor, look)
        if not outcome:
            continue
        reason = look.note.strip() or ", ".join(kinds[defect.kind].name for defect in look.defects)
        reason = (reason or "inspected")[:200]
        if look.part_id is not None:
            parts.append(PartResult(look.part_id, outcome, "" if outcome == Outcome.GOOD else reason))
        elif look.piece_id is not None:
            pieces.append(PieceResult(look.piece_id, outcome, "" if outcome == Outcome.GOOD else reason))
    if parts:
        record_part_outcomes(actor=actor, step=step, results=parts, occurred_at=at)
    if pieces:
        record_piece_outcomes(actor=actor, results=pieces, occurred_at=at)


def _outcome(actor: Actor, look: Look) -> str:
    if look.outcome is not None:
        return look.outcome
    # A token may be good for inspections alone; then the bench sets the outcome.
    passed = look.verdict == Verdict.PASS and actor.may(Capability.SHOP_WRITE)
    return Outcome.GOOD if passed else ""
