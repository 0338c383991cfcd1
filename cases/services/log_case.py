"""Logging a case, changing its dates, voiding it."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date, datetime

from cases.hooks import case_voiding
from cases.models import Case
from cases.moments import settled_moment
from cases.queries import case_for, clinic_for
from cases.services.order import (
    MOST_LINES,
    LineOrder,
    checked_line,
    given_reason,
    line_payload,
    locked_case,
    write_line,
)
from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.services.numbers import next_number
from labtrack.audit.services.record import record_created, save_recorded
from labtrack.audit.services.submissions import Outcome, once
from labtrack.constraints import constraint_messages
from labtrack.errors import Refused
from labtrack.usecase import use_case

# No spaces: a code written like a name is refused before it is stored.
_PATIENT_CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9._/-]{0,39}", re.ASCII)


def log_case(
    *,
    actor: Actor,
    key: str,
    clinic_id: int,
    patient_code: str,
    prescriber: str,
    clinic_reference: str = "",
    appointment_on: date | None = None,
    ship_by: date | None = None,
    note: str = "",
    occurred_at: datetime | None = None,
    lines: Sequence[LineOrder] = (),
) -> Outcome[Case]:
    """Take in a case with its order, under the lab's next number.

    Raises ``NotFound`` for a clinic that is not the actor's, ``Refused`` for an order that cannot be
    made, ``Conflict`` when the clinic already uses the reference.
    """
    actor.require(Capability.CASES_WRITE)
    clinic = clinic_for(actor, clinic_id)
    if not clinic.active:
        raise Refused("clinic-closed", f"{clinic.name} sends no cases any more.", field="clinic")
    moment = settled_moment(occurred_at)
    words = _checked_words(patient_code, prescriber, clinic_reference, note)
    _check_dates(ship_by, appointment_on, ordered_on=moment.date())
    if len(lines) > MOST_LINES:
        raise Refused("too-many-lines", f"One order takes up to {MOST_LINES} lines. Add the rest afterwards.")
    checked = [checked_line(line) for line in lines]

    def make() -> Case:
        with constraint_messages(Case):
            case = Case.objects.create(
                number=next_number("case"),
                clinic=clinic,
                **words,
                appointment_on=appointment_on,
                ship_by=ship_by,
                occurred_at=moment,
                logged_by=actor.user,
            )
        record_created(actor=actor, action="case.logged", subject=case)
        for line in checked:
            write_line(actor=actor, case=case, line=line)
        return case

    payload = {
        **words,
        "clinic": clinic_id,
        "appointment_on": appointment_on,
        "ship_by": ship_by,
        # Left out when it was not stated: a retry happens at another moment.
        "occurred_at": occurred_at,
        "lines": [line_payload(line) for line in checked],
    }
    return once(actor=actor, key=key, use_case="log_case", payload=payload, model=Case, make=make)


def change_case(
    *,
    actor: Actor,
    case_number: int,
    clinic_reference: str,
    prescriber: str,
    appointment_on: date | None,
    ship_by: date | None,
    note: str,
) -> Case:
    """Correct what was said of a case; its number, clinic and patient code stay."""
    actor.require(Capability.CASES_WRITE)
    with use_case():
        case = locked_case(actor, case_number)
        wanted = _checked_words(case.patient_code, prescriber, clinic_reference, note) | {
            "appointment_on": appointment_on,
            "ship_by": ship_by,
        }
        _check_dates(ship_by, appointment_on, ordered_on=case.occurred_at.date())
        changes = {field: value for field, value in wanted.items() if getattr(case, field) != value}
        if changes:
            with constraint_messages(Case):
                save_recorded(actor=actor, action="case.changed", subject=case, changes=changes)
    return case


def void_case(
    *, actor: Actor, key: str, case_number: int, reason: str, occurred_at: datetime | None = None
) -> Outcome[Case]:
    """Take a case out of the work. Its number stays used and everything recorded stays readable."""
    actor.require(Capability.CASES_WRITE)
    reason = given_reason(reason, "Say why the case is voided.")
    moment = settled_moment(occurred_at)
    case_for(actor, case_number)

    def make() -> Case:
        case = locked_case(actor, case_number)
        case_voiding.fire(case)
        save_recorded(
            actor=actor,
            action="case.voided",
            subject=case,
            changes={"voided_at": moment, "void_reason": reason},
            reason=reason,
        )
        return case

    payload = {"case": case_number, "reason": reason}
    return once(actor=actor, key=key, use_case="void_case", payload=payload, model=Case, make=make)


def _checked_words(
    patient_code: str, prescriber: str, clinic_reference: str, note: str
) -> dict[str, str | date | None]:
    words = {
        "patient_code": patient_code.strip(),
        "prescriber": prescriber.strip(),
        "clinic_reference": clinic_reference.strip(),
        "note": note.strip(),
    }
    if not _PATIENT_CODE.fullmatch(words["patient_code"]):
        raise Refused(
            "patient-code-unusable",
            "Give a code of up to 40 letters, digits, dots, hyphens or slashes, without spaces. "
            "Never a patient's name.",
            field="patient_code",
        )
    if not words["prescriber"] or len(words["prescriber"]) > 120:
        raise Refused(
            "prescriber-missing", "Say who prescribes, in up to 120 characters.", field="prescriber"
        )
    if len(words["clinic_reference"]) > 60:
        raise Refused(
            "reference-too-long", "A reference takes up to 60 characters.", field="clinic_reference"
        )
    if len(words["note"]) > 5000:
        raise Refused("note-too-long", "A note takes up to 5,000 characters.", field="note")
    return dict(words)


def _check_dates(ship_by: date | None, appointment_on: date | None, *, ordered_on: date) -> None:
    if ship_by is not None and ship_by < ordered_on:
        raise Refused("ships-before-order", "The ship-by date lies before the order.", field="ship_by")
    if appointment_on is not None and appointment_on < ordered_on:
        raise Refused(
            "appointment-before-order", "The appointment lies before the order.", field="appointment_on"
        )
    if ship_by is not None and appointment_on is not None and ship_by > appointment_on:
        raise Refused(
            "ships-after-appointment", "The ship-by date lies after the appointment.", field="ship_by"
        )
