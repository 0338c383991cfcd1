"""Handing a shared tablet to another operator."""

from __future__ import annotations

from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from threading import Barrier
from typing import Any
from unittest import mock

import pytest
from django.db import connection
from django.test import Client
from django.utils import timezone

from labtrack.accounts.actor import Actor
from labtrack.accounts.models import User
from labtrack.accounts.services.operator import FAILURES_TO_LOCK, pin_hash, switch_by_pin
from labtrack.accounts.services.own_sign_in import change_badge, change_pin
from labtrack.audit.models import AuditRecord
from labtrack.errors import DomainError
from tests.conftest import PASSWORD

pytestmark = pytest.mark.django_db
PIN = "4826"


@pytest.fixture
def tablet(people: Any, client_of: Any) -> Client:
    """Signed in by the technician; quality and the administrator have PINs, quality a badge too."""
    for user in (people.quality, people.administrator):
        change_pin(actor=Actor(user), current=PASSWORD, pin=PIN)
    change_badge(actor=Actor(people.quality), current=PASSWORD, code="FL-000-17")
    client: Client = client_of(people.technician)
    return client


def by_pin(client: Client, user: Any, pin: str, **extra: Any) -> Any:
    return client.post("/switch/", {"by": "pin", "operator": user.pk, "pin": pin, **extra})


def test_a_pin_hands_over(tablet: Client, people: Any) -> None:
    answer = by_pin(tablet, people.quality, PIN, next="/own/")
    assert (answer.status_code, answer["Location"]) == (302, "/own/")
    page = tablet.get("/").content.decode()
    assert people.quality.name in page
    assert "by badge or PIN" in page
    assert AuditRecord.objects.get(action="operator.switched").before == {"operator": people.technician.name}


def test_a_badge_hands_over(tablet: Client, people: Any) -> None:
    assert tablet.post("/switch/", {"by": "badge", "badge": " FL-000-17\n"}).status_code == 302
    assert people.quality.name in tablet.get("/").content.decode()


def test_an_unknown_badge_is_refused_and_guessing_slowed(tablet: Client) -> None:
    for _ in range(10):
        answer = tablet.post("/switch/", {"by": "badge", "badge": "something"})
        assert answer.status_code == 422
    assert "This badge is not known here" in answer.content.decode()
    assert tablet.post("/switch/", {"by": "badge", "badge": "FL-000-17"}).status_code == 429


def test_five_wrong_pins_lock_for_five_minutes(tablet: Client, people: Any) -> None:
    for _ in range(FAILURES_TO_LOCK):
        assert by_pin(tablet, people.quality, "9999").status_code == 422
    locked = by_pin(tablet, people.quality, PIN)
    assert locked.status_code == 429
    assert "Wait five minutes" in locked.content.decode()
    recorded = AuditRecord.objects.get(action="operator.pin-locked")
    assert recorded.subject_id == people.quality.pk
    until = User.objects.get(pk=people.quality.pk).pin_locked_until
    assert until is not None
    assert timedelta(minutes=4) < until - timezone.now() <= timedelta(minutes=5)
    User.objects.filter(pk=people.quality.pk).update(pin_locked_until=timezone.now() - timedelta(seconds=1))
    assert by_pin(tablet, people.quality, PIN).status_code == 302


def test_a_right_pin_forgets_the_wrong_ones(tablet: Client, people: Any) -> None:
    for _ in range(FAILURES_TO_LOCK - 1):
        by_pin(tablet, people.quality, "9999")
    by_pin(tablet, people.quality, PIN)
    user = User.objects.get(pk=people.quality.pk)
    assert (user.pin_failures, user.pin_locked_until) == (0, None)


def test_nothing_of_the_former_session_stays(tablet: Client, people: Any) -> None:
    session = tablet.session
    session["left behind"] = "by the technician"
    session.save()
    before = tablet.session.session_key
    by_pin(tablet, people.quality, PIN)
    assert tablet.session.session_key != before
    assert "left behind" not in tablet.session


def test_who_switched_in_cannot_manage_people_or_tokens(tablet: Client, people: Any) -> None:
    by_pin(tablet, people.administrator, PIN)
    made = tablet.post("/people/add/", {"username": "new", "name": "New", "role": "technician"})
    assert made.status_code == 403
    assert "needs a sign-in with your password" in made.content.decode()
    assert not User.objects.filter(username="new").exists()
    reset = tablet.post(f"/people/{people.clinic.pk}/password/", {"submission_key": "k"})
    assert reset.status_code == 403
    token = tablet.post(
        "/tokens/",
        {"name": "x", "scopes": ["cases:read"], "expires_on": timezone.localdate() + timedelta(days=9)},
    )
    assert token.status_code == 403
    assert not people.administrator.tokens.exists()


def test_switching_on_and_back_stays_marked(tablet: Client, people: Any) -> None:
    by_pin(tablet, people.quality, PIN)
    by_pin(tablet, people.administrator, PIN)
    assert tablet.post("/people/add/", {"username": "new"}).status_code == 403


def test_switching_to_oneself_gives_no_more_than_before(tablet: Client, people: Any, client_of: Any) -> None:
    own = client_of(people.administrator)
    by_pin(own, people.administrator, PIN)
    assert own.get("/people/add/").status_code == 200


@pytest.mark.parametrize("name", ["clinic", "other_clinic"])
def test_clinic_staff_can_neither_switch_nor_be_switched_to(
    name: str, tablet: Client, people: Any, client_of: Any
) -> None:
    staff = getattr(people, name)
    User.objects.filter(pk=staff.pk).update(pin=pin_hash(PIN))
    assert client_of(staff).get("/switch/").status_code == 403
    assert by_pin(client_of(staff), people.quality, PIN).status_code == 403
    assert by_pin(tablet, staff, PIN).status_code == 422
    assert staff.name not in tablet.get("/switch/").content.decode()


def test_it_needs_a_signed_in_session(people: Any) -> None:
    assert by_pin(Client(), people.quality, PIN).status_code == 302


def test_pins_are_hashed_with_argon2(people: Any, settings: Any) -> None:
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.Argon2PasswordHasher"]
    stored = pin_hash(PIN)
    assert stored.startswith("argon2$argon2id$")
    assert PIN not in stored


@pytest.mark.django_db(transaction=True)
def test_pins_tried_at_the_same_time_do_not_outrun_the_lock(tablet: Client, people: Any) -> None:
    """Every PIN is looked at only when all tries are on their way."""
    tries = 2 * FAILURES_TO_LOCK
    together = Barrier(tries)
    looked_at: list[str] = []

    def look(pin: str, stored: str) -> bool:
        looked_at.append(pin)
        return False

    def attempt(number: int) -> str:
        together.wait(timeout=30)
        try:
            switch_by_pin(actor=Actor(people.technician), user_id=people.quality.pk, pin=f"{5000 + number}")
        except DomainError as refusal:
            return refusal.code
        finally:
            connection.close()
        return "in"

    with (
        mock.patch("labtrack.accounts.services.operator.check_password", look),
        ThreadPoolExecutor(tries) as pool,
    ):
        codes = Counter(pool.map(attempt, range(tries)))
    assert len(looked_at) == FAILURES_TO_LOCK
    assert codes == {"pin-wrong": FAILURES_TO_LOCK, "pin-locked": FAILURES_TO_LOCK}
    assert AuditRecord.objects.filter(action="operator.pin-locked").count() == 1
