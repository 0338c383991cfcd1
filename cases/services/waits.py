"""Questions to the clinic: while one is open, the case's clock stands still."""

from __future__ import annotations

from datetime import datetime

from cases.models import ClinicWait
from cases.moments import settled_moment
from cases.queries import case_for
from cases.services.order import locked_case
from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.services.record import record_created, save_recorded
from labtrack.audit.services.submissions import Outcome, once
from labtrack.constraints import constraint_messages
from labtrack.errors import Conflict, NotAllowed, Refused

LONGEST_TEXT = 2000


def ask_clinic(
    *, actor: Actor, key: str, case_number: int, question: str, occurred_at: datetime | None = None
) -> Outcome[ClinicWait]:
    """Ask the clinic something that the work waits for."""
    actor.require(Capability.CASES_WRITE)
    if not actor.user.is_lab:
        raise NotAllowed("lab-only", "Only the lab asks the clinic.")
    question = _text(question, "Write the question to the clinic.", field="question")
    moment = settled_moment(occurred_at)
    case_for(actor, case_number)

    def make() -> ClinicWait:
        case = locked_case(actor, case_number)
        if moment < case.occurred_at:
            raise Refused("asked-before-order", "That lies before the order was given.", field="occurred_at")
        with constraint_messages(ClinicWait):
            wait = ClinicWait.objects.create(case=case, question=question, since=moment, asked_by=actor.user)
        record_created(actor=actor, action="clinic.asked", subject=wait)
        return wait

    payload = {"case": case_number, "question": question, "occurred_at": occurred_at}
    return once(actor=actor, key=key, use_case="ask_clinic", payload=payload, model=ClinicWait, make=make)


def answer_clinic(
    *, actor: Actor, key: str, case_number: int, answer: str, occurred_at: datetime | None = None
) -> Outcome[ClinicWait]:
    """Answer the open question; the clock runs on. The lab may write down what it was told."""
    actor.require(Capability.CASES_WRITE)
    answer = _text(answer, "Write the answer.", field="answer")
    moment = settled_moment(occurred_at)
    case_for(actor, case_number)

    def make() -> ClinicWait:
        case = locked_case(actor, case_number)
        wait = case.waits.filter(until__isnull=True).first()
        if wait is None:
            raise Conflict("nothing-asked", f"{case.label} waits for no answer.")
        if moment < wait.since:
            raise Refused("answered-before-asked", "That lies before the question.", field="occurred_at")
        save_recorded(
            actor=actor,
            action="clinic.answered",
            subject=wait,
            changes={"answer": answer, "until": moment, "answered_by": actor.user},
        )
        return wait

    payload = {"case": case_number, "answer": answer, "occurred_at": occurred_at}
    return once(actor=actor, key=key, use_case="answer_clinic", payload=payload, model=ClinicWait, make=make)


def _text(text: str, missing: str, *, field: str) -> str:
    text = text.strip()
    if not text:
        raise Refused(f"{field}-missing", missing, field=field)
    if len(text) > LONGEST_TEXT:
        raise Refused(f"{field}-too-long", f"Use up to {LONGEST_TEXT:,} characters.", field=field)
    return text
