"""The people page."""

from __future__ import annotations

import re
from typing import Any

import pytest
from django import forms
from django.test import Client

from labtrack.accounts.hooks import PersonField, person_fields
from labtrack.accounts.models import User
from labtrack.accounts.services.people import (
    add_first_administrator,
    add_person,
    change_person,
    deactivate_person,
)
from labtrack.accounts.services.tokens import make_token
from labtrack.audit.models import AuditRecord
from labtrack.errors import Conflict, NotAllowed, Refused

pytestmark = pytest.mark.django_db


def password_in(page: str) -> str:
    found = re.search(r'<code id="secret">(.+?)</code>', page)
    assert found is not None
    return found.group(1)


def test_a_new_person_signs_in_with_the_password_shown_once(people: Any, client_of: Any) -> None:
    client = client_of(people.administrator)
    form = {"username": "nadia", "name": "Nadia Berg", "role": "quality", "submission_key": "one"}
    first = client.post("/people/add/", form)
    assert first.status_code == 200
    assert "no-store" in first["Cache-Control"]
    password = password_in(first.content.decode())
    assert Client().post("/sign-in/", {"username": "nadia", "password": password}).status_code == 302
    again = client.post("/people/add/", form)
    assert password not in again.content.decode()
    assert "was shown then" in again.content.decode()
    assert User.objects.filter(username="nadia").count() == 1
    assert AuditRecord.objects.filter(action="person.added").count() == 1


def test_a_taken_name_is_said_at_its_field(people: Any, client_of: Any) -> None:
    answer = client_of(people.administrator).post(
        "/people/add/", {"username": "TESSA", "name": "Another", "role": "quality"}
    )
    assert answer.status_code == 409
    assert "That sign-in name is taken." in answer.content.decode()


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({"role": "owner"}, "role"),
        ({"username": "two words"}, "username"),
        ({"name": ""}, "name"),
        ({"email": "no address"}, "email"),
    ],
)
def test_it_refuses_what_is_incomplete(values: dict[str, str], field: str, actors: Any) -> None:
    whole: dict[str, Any] = {"username": "nadia", "name": "Nadia Berg", "role": "quality"} | values
    with pytest.raises(Refused) as refusal:
        add_person(actor=actors.administrator, key="", **whole)
    assert refusal.value.field == field
    assert not User.objects.filter(name="Nadia Berg").exists()


def test_only_administrators_manage_people(actors: Any, people: Any) -> None:
    for name in ("clinic", "technician", "quality", "manager"):
        with pytest.raises(NotAllowed):
            deactivate_person(actor=getattr(actors, name), user_id=people.technician.pk)


def test_who_leaves_is_out_at_once(people: Any, actors: Any, client_of: Any, api_client: Any) -> None:
    browser = client_of(people.technician)
    api_client(people.technician)
    assert browser.get("/").status_code == 200
    deactivate_person(actor=actors.administrator, user_id=people.technician.pk)
    assert browser.get("/").status_code == 302
    assert not people.technician.tokens.filter(revoked_at=None).exists()


def test_the_last_administrator_stays(people: Any, actors: Any) -> None:
    admin = people.administrator
    with pytest.raises(Conflict) as refusal:
        change_person(actor=actors.administrator, user_id=admin.pk, name=admin.name, role="manager")
    assert refusal.value.code == "last-administrator"
    with pytest.raises(Conflict):
        deactivate_person(actor=actors.administrator, user_id=admin.pk)
    second = add_person(actor=actors.administrator, key="", username="ada", name="Ada", role="administrator")
    change_person(actor=actors.administrator, user_id=second.user.pk, name="Ada", role="manager")


def test_the_first_administrator_is_made_once(people: Any) -> None:
    with pytest.raises(Conflict):
        add_first_administrator(username="root", name="Root", password="seven more plain words")


def test_a_reset_password_ends_sessions_and_is_shown_once(people: Any, client_of: Any) -> None:
    theirs, admin = client_of(people.technician), client_of(people.administrator)
    path = f"/people/{people.technician.pk}/password/"
    password = password_in(admin.post(path, {"submission_key": "k"}).content.decode())
    assert theirs.get("/").status_code == 302
    assert Client().post("/sign-in/", {"username": "tessa", "password": password}).status_code == 302
    again = admin.post(path, {"submission_key": "k"}).content.decode()
    assert password not in again
    assert User.objects.get(pk=people.technician.pk).check_password(password)


def test_upper_apps_add_fields_that_are_stored_with_the_person(
    people: Any, actors: Any, client_of: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    stored: dict[int, str] = {}

    def save(actor: Any, user: User, value: str) -> None:
        if value == "refuse":
            raise Refused("locker-taken", "That locker is taken.", field="locker")
        stored[user.pk] = value

    monkeypatch.setattr(person_fields, "_fields", {})
    person_fields.add(
        PersonField(
            name="locker",
            title="Locker",
            make=lambda: forms.CharField(label="Locker"),
            initial=lambda user: stored.get(user.pk, ""),
            save=save,
            text=lambda user: stored.get(user.pk, ""),
        )
    )
    client = client_of(people.administrator)
    form = {"name": "Tessa", "role": "technician", "locker": "12 left"}
    assert client.post(f"/people/{people.technician.pk}/", form).status_code == 302
    assert "12 left" in client.get("/people/").content.decode()
    refused = client.post(f"/people/{people.technician.pk}/", form | {"name": "Other", "locker": "refuse"})
    assert refused.status_code == 422
    assert "That locker is taken." in refused.content.decode()
    assert User.objects.get(pk=people.technician.pk).name == "Tessa"


def test_people_of_a_token_cannot_manage_people(people: Any) -> None:
    from dataclasses import replace

    from labtrack.accounts.actor import Actor
    from labtrack.accounts.choices import Capability

    script = replace(Actor(people.administrator), scopes=frozenset({Capability.PEOPLE}), via="api")
    with pytest.raises(NotAllowed):
        add_person(actor=script, key="", username="x", name="X", role="clinic")


def test_tokens_of_others_are_not_named(people: Any, actors: Any, client_of: Any) -> None:
    from datetime import timedelta

    from django.utils import timezone

    new = make_token(
        actor=actors.technician,
        key="",
        name="bench script",
        scopes=["cases:read"],
        expires_at=timezone.now() + timedelta(days=1),
    )
    assert "bench script" not in client_of(people.quality).get("/tokens/").content.decode()
    assert client_of(people.quality).post(f"/tokens/{new.token.pk}/revoke/").status_code == 404
    assert "bench script" in client_of(people.administrator).get("/tokens/").content.decode()
    assert client_of(people.administrator).post(f"/tokens/{new.token.pk}/revoke/").status_code == 302
