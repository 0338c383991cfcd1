"""What is ordered: lines and the appliances each line asks for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from decimal import Decimal
from typing import Any

from django.db.models import Max

from cases.choices import FORMED_KINDS, MODEL_KINDS, ApplianceKind, Arch, Tissue
from cases.hooks import appliance_cancelling, appliance_remade
from cases.models import Appliance, Case, OrderLine
from cases.moments import settled_moment
from cases.queries import appliance_for, case_for
from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.services.record import record_all_created, record_created, save_recorded
from labtrack.audit.services.submissions import Outcome, once
from labtrack.constraints import constraint_messages
from labtrack.errors import Conflict, NotAllowed, Refused

MOST_LINES = 20
MOST_STAGES = 99
MOST_COPIES = 10
MOST_ROUNDS = 20
MOST_DAYS = 3650
LONGEST_REASON = 200


@dataclass(frozen=True)
class LineOrder:
    """One thing asked for.

    ``upper`` and ``lower`` say how many of each arch: the number of stages of an aligner series (the
    arches may differ), else 1 or 0. ``copies`` of each. ``tissue`` None is what the kind usually touches.
    """

    kind: str
    upper: int = 0
    lower: int = 0
    first_stage: int = 1
    copies: int = 1
    round: int = 0
    direct_print: bool = False
    tissue: str | None = None
    hours_per_day: Decimal = Decimal(0)
    days: int = 0
    sheet_wish: str = ""
    sheet_mm: Decimal | None = None
    note: str = ""


def usual_tissue(kind: str) -> str:
    """What an appliance of ``kind`` touches unless somebody says otherwise."""
    if kind in MODEL_KINDS:
        return Tissue.NONE
    return Tissue.BREACHED if kind == ApplianceKind.DRILL_GUIDE else Tissue.MUCOSA


def checked_line(line: LineOrder) -> LineOrder:
    """The line with its gaps filled. Raises ``Refused``, naming the field, when it cannot be made."""
    if line.kind not in ApplianceKind.values:
        raise Refused("kind-unknown", "Choose what is to be made.", field="kind")
    if line.upper < 0 or line.lower < 0 or line.upper + line.lower == 0:
        raise Refused("arch-missing", "Say for which arch: upper, lower or both.", field="upper")
    _check_counts(line)
    tissue = line.tissue or usual_tissue(line.kind)
    if tissue not in Tissue.values:
        raise Refused("tissue-unknown", "Choose what it touches.", field="tissue")
    if not 0 <= line.hours_per_day <= 24:
        raise Refused("hours-impossible", "Hours per day lie between 0 and 24.", field="hours_per_day")
    if not 0 <= line.days <= MOST_DAYS:
        raise Refused("days-impossible", f"Days of wear lie between 0 and {MOST_DAYS}.", field="days")
    if line.sheet_mm is not None and not 0 < line.sheet_mm <= 10:
        raise Refused("sheet-impossible", "A sheet is between 0 and 10 mm thick.", field="sheet_mm")
    if line.direct_print and line.kind not in FORMED_KINDS:
        # A model or guide is printed as it is: the choice says nothing there.
        line = replace(line, direct_print=False)
    if len(line.sheet_wish) > 80 or len(line.note) > 300:
        raise Refused(
            "text-too-long", "A sheet takes up to 80 and a note up to 300 characters.", field="note"
        )
    return replace(line, tissue=tissue)


def _check_counts(line: LineOrder) -> None:
    most = MOST_STAGES if line.kind == ApplianceKind.ALIGNER else 1
    for field in ("upper", "lower"):
        if getattr(line, field) > most:
            sentence = (
                f"A series has at most {MOST_STAGES} stages."
                if most > 1
                else "There is one per arch; ask for more with copies."
            )
            raise Refused("too-many", sentence, field=field)
    last = line.first_stage + max(line.upper, line.lower) - 1
    if line.kind == ApplianceKind.ALIGNER and not 1 <= line.first_stage <= last <= 999:
        raise Refused("stage-impossible", "Stages are numbered from 1.", field="first_stage")
    if not 1 <= line.copies <= MOST_COPIES:
        raise Refused("copies-impossible", f"Copies lie between 1 and {MOST_COPIES}.", field="copies")
    if not 0 <= line.round <= MOST_ROUNDS:
        raise Refused("round-impossible", f"Rounds lie between 0 and {MOST_ROUNDS}.", field="round")


def line_payload(line: LineOrder) -> dict[str, Any]:
    """The line as the idempotency record compares it."""
    return asdict(line)


def write_line(*, actor: Actor, case: Case, line: LineOrder) -> OrderLine:
    """Store one checked line with its appliances, in the running transaction."""
    position = (case.lines.aggregate(last=Max("position"))["last"] or 0) + 1
    with constraint_messages(OrderLine):
        stored = OrderLine.objects.create(
            case=case,
            position=position,
            kind=line.kind,
            round=line.round,
            direct_print=line.direct_print,
            tissue=line.tissue or usual_tissue(line.kind),
            hours_per_day=line.hours_per_day,
            days=line.days,
            sheet_wish=line.sheet_wish,
            sheet_mm=line.sheet_mm,
            note=line.note,
        )
    record_created(actor=actor, action="order-line.added", subject=stored)
    with constraint_messages(Appliance):
        made = Appliance.objects.bulk_create(_appliances(case, stored, line))
    record_all_created(actor=actor, action="appliance.ordered", subjects=made)
    return stored


def _appliances(case: Case, stored: OrderLine, line: LineOrder) -> list[Appliance]:
    """Copies are numbered on from what the case has, so that no two labels of a case are equal."""
    earlier: dict[tuple[str, int], int] = {}
    rows = (
        Appliance.objects.filter(case=case, line__kind=line.kind, line__round=line.round)
        .values("arch", "stage")
        .annotate(last=Max("copy"))
    )
    for row in rows:
        earlier[row["arch"], row["stage"]] = row["last"]
    made: list[Appliance] = []
    for arch, count in ((Arch.UPPER, line.upper), (Arch.LOWER, line.lower)):
        for index in range(count):
            stage = line.first_stage + index if line.kind == ApplianceKind.ALIGNER else 0
            first_copy = earlier.get((arch, stage), 0) + 1
            made.extend(
                Appliance(line=stored, case=case, arch=arch, stage=stage, copy=copy)
                for copy in range(first_copy, first_copy + line.copies)
            )
    return made


def locked_case(actor: Actor, number: int) -> Case:
    """The case, held until the transaction ends, refused when it is voided."""
    case = case_for(actor, number)
    # SQLite serialises writers by itself; elsewhere the row lock does.
    case = Case.objects.select_for_update(of=("self",)).select_related("clinic").get(pk=case.pk)
    if case.voided_at is not None:
        raise Conflict("case-voided", f"{case.label} is voided. Log a new case instead.")
    return case


def add_order_line(*, actor: Actor, key: str, case_number: int, line: LineOrder) -> Outcome[OrderLine]:
    """Order one more thing in a case."""
    return add_order_lines(actor=actor, key=key, case_number=case_number, lines=[line])


def add_order_lines(
    *, actor: Actor, key: str, case_number: int, lines: Sequence[LineOrder]
) -> Outcome[OrderLine]:
    """Order several more things in one go; returns the last line."""
    actor.require(Capability.CASES_WRITE)
    if not lines:
        raise Refused("nothing-ordered", "Choose what is to be made.", field="kind")
    checked = [checked_line(line) for line in lines]
    case_for(actor, case_number)

    def make() -> OrderLine:
        case = locked_case(actor, case_number)
        return [write_line(actor=actor, case=case, line=line) for line in checked][-1]

    payload = {"case": case_number, "lines": [line_payload(line) for line in checked]}
    return once(actor=actor, key=key, use_case="add_order_lines", payload=payload, model=OrderLine, make=make)


def aligner_series(*, upper: int, lower: int, templates: bool = False, **shared: Any) -> Sequence[LineOrder]:
    """The lines of a series: the aligners and, when asked for, an attachment template per arch.

    ``shared`` are further fields of ``LineOrder`` for the aligners; the round holds for both lines.
    """
    series = LineOrder(kind=ApplianceKind.ALIGNER, upper=upper, lower=lower, **shared)
    if not templates:
        return (series,)
    template = LineOrder(
        kind=ApplianceKind.ATTACHMENT_TEMPLATE,
        upper=min(upper, 1),
        lower=min(lower, 1),
        round=series.round,
        hours_per_day=Decimal(1),
        days=1,
    )
    return (template, series)


def cancel_appliance(
    *, actor: Actor, key: str, appliance_id: int, reason: str, occurred_at: datetime | None = None
) -> Outcome[Appliance]:
    """Say that an appliance is not wanted any more. It stays on record, with the reason."""
    actor.require(Capability.CASES_WRITE)
    reason = given_reason(reason, "Say why it is cancelled.")
    moment = settled_moment(occurred_at)
    appliance = appliance_for(actor, appliance_id)

    def make() -> Appliance:
        locked_case(actor, appliance.case.number)
        appliance.refresh_from_db(fields=["cancelled_at"])
        if appliance.cancelled_at is not None:
            raise Conflict("appliance-cancelled", f"{appliance.label} is already cancelled.")
        appliance_cancelling.fire(appliance)
        save_recorded(
            actor=actor,
            action="appliance.cancelled",
            subject=appliance,
            changes={"cancelled_at": moment, "cancel_reason": reason},
            reason=reason,
        )
        return appliance

    payload = {"appliance": appliance_id, "reason": reason}
    return once(
        actor=actor, key=key, use_case="cancel_appliance", payload=payload, model=Appliance, make=make
    )


def remake_appliance(*, actor: Actor, key: str, appliance_id: int, reason: str) -> Outcome[Appliance]:
    """Order an appliance again because the first will not do. The old one stays, chained to the new."""
    actor.require(Capability.CASES_WRITE)
    if not actor.user.is_lab:
        raise NotAllowed("lab-only", "The lab orders remakes. Tell it what does not fit.")
    reason = given_reason(reason, "Say why it is made again.")
    appliance = appliance_for(actor, appliance_id)

    def make() -> Appliance:
        case = locked_case(actor, appliance.case.number)
        if Appliance.objects.filter(remake_of=appliance).exists():
            raise Conflict(
                "already-remade", f"{appliance.label} already has a remake. Remake that one instead."
            )
        if Appliance.objects.filter(pk=appliance.pk, cancelled_at__isnull=False).exists():
            raise Conflict("appliance-cancelled", f"{appliance.label} is cancelled, so it is not made again.")
        with constraint_messages(Appliance):
            remake = Appliance.objects.create(
                line=appliance.line,
                case=case,
                arch=appliance.arch,
                stage=appliance.stage,
                copy=appliance.copy,
                remake_of=appliance,
                remake_number=appliance.remake_number + 1,
                remake_reason=reason,
            )
        record_created(actor=actor, action="appliance.remade", subject=remake, reason=reason)
        appliance_remade.fire(remake)
        return remake

    payload = {"appliance": appliance_id, "reason": reason}
    return once(
        actor=actor, key=key, use_case="remake_appliance", payload=payload, model=Appliance, make=make
    )


def given_reason(reason: str, sentence: str) -> str:
    """The reason without blanks round it; ``Refused`` with ``sentence`` when there is none."""
    reason = reason.strip()
    if not reason:
        raise Refused("reason-missing", sentence, field="reason")
    if len(reason) > LONGEST_REASON:
        raise Refused("reason-too-long", f"A reason takes up to {LONGEST_REASON} characters.", field="reason")
    return reason
