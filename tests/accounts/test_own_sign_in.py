"""Changing one's own password, PIN and badge."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client

from labtrack.accounts.actor import Actor
from labtrack.accounts.models import User
from labtrack.accounts.services.own_sign_in import change_badge, change_pin
from labtrack.audit.models import AuditRecord
from labtrack.errors import Conflict, Refused
from tests.conftest import PASSWORD

pytestmark = pytest.mark.django_db
NEW = "a kettle, a stone and a lamp"


def test_a_new_password_ends_other_sessions_and_keeps_this_one(people: Any, client_of: Any) -> None:
    here, elsewhere = client_of(people.technician), client_of(people.technician)
    answer = here.post("/own/", {"what": "password", "current": PASSWORD, "new": NEW, "again": NEW})
    assert answer.status_code == 302
    assert here.get("/own/").status_code == 200
    assert elsewhere.get("/own/").status_code == 302
    signed_in = Client().post("/sign-in/", {"username": "tessa", "password": NEW})
    assert signed_in.status_code == 302


@pytest.mark.parametrize(
    ("current", "new", "again", "sentence"),
    [
        ("wrong", NEW, NEW, "That is not your password."),
        (PASSWORD, NEW, NEW + "!", "The two new passwords differ."),
        (PASSWORD, "short", "short", "too short"),
        (PASSWORD, "1234567890", "1234567890", "too common"),
    ],
)
def test_it_refuses_a_bad_change(
    current: str, new: str, again: str, sentence: str, people: Any, client_of: Any
) -> None:
    client = client_of(people.technician)
    answer = client.post("/own/", {"what": "password", "current": current, "new": new, "again": again})
    assert answer.status_code == 422
    assert sentence in answer.content.decode()
    assert User.objects.get(pk=people.technician.pk).check_password(PASSWORD)


@pytest.mark.parametrize("pin", ["123", "123456789", "12a4", "1111", "1234", "9876", "١٢٣٥"])
def test_it_refuses_a_pin_that_is_guessed_first(pin: str, people: Any) -> None:
    with pytest.raises(Refused) as refusal:
        change_pin(actor=Actor(people.technician), current=PASSWORD, pin=pin)
    assert refusal.value.field == "pin"
    assert User.objects.get(pk=people.technician.pk).pin == ""


def test_an_empty_pin_takes_it_away(people: Any) -> None:
    actor = Actor(people.technician)
    change_pin(actor=actor, current=PASSWORD, pin="4826")
    change_pin(actor=actor, current=PASSWORD, pin="")
    assert User.objects.get(pk=people.technician.pk).pin == ""


def test_a_badge_belongs_to_one_person(people: Any) -> None:
    change_badge(actor=Actor(people.technician), current=PASSWORD, code="FL-17")
    with pytest.raises(Conflict) as refusal:
        change_badge(actor=Actor(people.quality), current=PASSWORD, code="FL-17")
    assert refusal.value.sentence == "That badge belongs to somebody else."
    assert refusal.value.field == "badge"


def test_no_secret_reaches_the_record(people: Any) -> None:
    actor = Actor(people.technician)
    change_pin(actor=actor, current=PASSWORD, pin="4826")
    change_badge(actor=actor, current=PASSWORD, code="FL-17")
    user = User.objects.get(pk=people.technician.pk)
    records = AuditRecord.objects.filter(subject_id=user.pk)
    assert {record.action for record in records} == {"person.pin-changed", "person.badge-changed"}
    for record in records:
        written = f"{record.before} {record.after}"
        for secret in (user.password, user.pin, user.badge, "4826", "FL-17"):
            assert secret not in written


def test_a_badge_is_stored_as_a_keyed_digest(people: Any) -> None:
    change_badge(actor=Actor(people.technician), current=PASSWORD, code="FL-17")
    badge = User.objects.get(pk=people.technician.pk).badge
    assert len(badge) == 64
    assert "FL-17" not in badge


def test_a_tablet_left_open_is_no_place_to_guess_a_password(people: Any, client_of: Any) -> None:
    client = client_of(people.technician)
    form = {"what": "pin", "pin": "4826"}
    for guess in range(10):
        assert client.post("/own/", {**form, "current": f"guess {guess}"}).status_code == 422
    assert client.post("/own/", {**form, "current": PASSWORD}).status_code == 429
    assert Client().post("/sign-in/", {"username": "TESSA", "password": PASSWORD}).status_code == 429
    assert User.objects.get(pk=people.technician.pk).pin == ""
    other = client_of(people.quality)
    assert other.post("/own/", {**form, "current": PASSWORD}).status_code == 302
