"""What cases show on the home page and on the people page."""

from __future__ import annotations

from typing import Any

from django import forms
from django.http import HttpRequest
from django.utils import timezone

from cases.models import Clinic, ClinicMembership
from cases.queries import due_cases, open_waits
from cases.services.clinics import set_membership
from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.accounts.hooks import PersonField
from labtrack.accounts.models import User
from labtrack.errors import Refused
from labtrack.hooks import Panel
from labtrack.whole_numbers import whole_number

MOST_ROWS = 10


def due_context(user: User, request: HttpRequest) -> dict[str, Any] | None:
    """For the lab: what is due within days, or overdue."""
    actor = Actor(user)
    if not (user.is_lab and actor.may(Capability.CASES_WRITE)):
        return None
    cases = list(due_cases(actor, today=timezone.localdate())[: MOST_ROWS + 1])
    if not cases:
        return None
    return {"cases": cases[:MOST_ROWS], "more": len(cases) > MOST_ROWS, "today": timezone.localdate()}


def waiting_context(user: User, request: HttpRequest) -> dict[str, Any] | None:
    """Open questions: for the clinic to answer, for the lab to follow up."""
    actor = Actor(user)
    if not actor.may(Capability.CASES_WRITE):
        return None
    waits = list(open_waits(actor)[: MOST_ROWS + 1])
    if not waits:
        return None
    return {"waits": waits[:MOST_ROWS], "more": len(waits) > MOST_ROWS, "is_lab": user.is_lab}


DUE = Panel("cases-due", "cases/home_due.html", due_context, order=20)
WAITING = Panel("cases-waiting", "cases/home_waiting.html", waiting_context, order=10)


def clinic_field() -> forms.Field:
    return forms.ModelChoiceField(
        Clinic.objects.filter(active=True),
        label="Clinic",
        required=False,
        empty_label="None (lab)",
        help_text="For clinic staff: whose cases they see.",
    )


def clinic_of_person(user: User) -> Any:
    membership = ClinicMembership.objects.filter(user=user).first()
    return membership.clinic_id if membership else None


def clinic_text(user: User) -> str:
    membership = ClinicMembership.objects.select_related("clinic").filter(user=user).first()
    return membership.clinic.name if membership else ""


def save_clinic(actor: Actor, user: User, clinic: Any) -> None:
    """Store what the people page chose: a clinic, its id, or nothing."""
    chosen = getattr(clinic, "pk", clinic) or None
    clinic_id = whole_number(str(chosen)) if chosen is not None else None
    if chosen is not None and clinic_id is None:
        raise Refused("clinic-unknown", "Choose one of the clinics.", field="clinic")
    set_membership(actor=actor, user=user, clinic_id=clinic_id)


CLINIC_FIELD = PersonField(
    name="clinic",
    title="Clinic",
    make=clinic_field,
    initial=clinic_of_person,
    save=save_clinic,
    text=clinic_text,
)
