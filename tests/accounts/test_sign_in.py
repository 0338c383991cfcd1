"""Signing in by password and out."""

from __future__ import annotations

from typing import Any

import pytest
from django.contrib.auth.hashers import identify_hasher
from django.test import Client

from labtrack.accounts.models import FailedSignIn
from labtrack.accounts.services.sign_in import PER_ADDRESS, PER_SUBJECT, WINDOW
from tests.conftest import PASSWORD

pytestmark = pytest.mark.django_db


def sign_in(client: Client, username: str, password: str, **extra: Any) -> Any:
    return client.post("/sign-in/", {"username": username, "password": password, **extra})


def test_it_leads_to_the_first_page(people: Any) -> None:
    client = Client()
    answer = sign_in(client, "tessa", PASSWORD)
    assert (answer.status_code, answer["Location"]) == (302, "/")
    assert "Tessa" in client.get("/").content.decode()


def test_it_does_not_mind_capitals_in_the_name(people: Any) -> None:
    assert sign_in(Client(), "TESSA", PASSWORD).status_code == 302


def test_it_says_the_same_of_a_wrong_password_and_an_unknown_name(people: Any) -> None:
    wrong = sign_in(Client(), "tessa", "not this")
    unknown = sign_in(Client(), "nobody", "not this")
    sentence = "That name and password do not belong together."
    assert wrong.status_code == unknown.status_code == 422
    assert sentence in wrong.content.decode()
    assert sentence in unknown.content.decode()


def test_it_refuses_who_left(people: Any) -> None:
    assert sign_in(Client(), "fred", PASSWORD).status_code == 422


def test_it_slows_guessing_of_one_name(people: Any) -> None:
    for _ in range(PER_SUBJECT):
        assert sign_in(Client(), "tessa", "guess").status_code == 422
    answer = sign_in(Client(), "tessa", PASSWORD)
    assert answer.status_code == 429
    assert "Wait 10 minutes" in answer.content.decode()
    assert sign_in(Client(), "quinn", PASSWORD).status_code == 302


def test_it_slows_guessing_of_many_names_from_one_address(people: Any) -> None:
    for number in range(PER_ADDRESS):
        FailedSignIn.objects.create(subject=f"name-{number}", address="127.0.0.1")
    assert sign_in(Client(), "tessa", PASSWORD).status_code == 429


def test_old_failures_are_forgotten(people: Any) -> None:
    for _ in range(PER_SUBJECT):
        sign_in(Client(), "tessa", "guess")
    for failure in FailedSignIn.objects.all():
        FailedSignIn.objects.filter(pk=failure.pk).update(at=failure.at - WINDOW)
    assert sign_in(Client(), "tessa", PASSWORD).status_code == 302
    assert not FailedSignIn.objects.filter(subject="tessa").exists()


def test_it_goes_back_only_within_the_installation(people: Any) -> None:
    inside = sign_in(Client(), "tessa", PASSWORD, next="/own/")
    outside = sign_in(Client(), "tessa", PASSWORD, next="https://elsewhere.example/")
    assert inside["Location"] == "/own/"
    assert outside["Location"] == "/"


def test_signing_out_needs_a_post(people: Any, client_of: Any) -> None:
    client = client_of(people.technician)
    assert client.get("/sign-out/").status_code == 405
    assert client.post("/sign-out/").status_code == 302
    assert client.get("/own/").status_code == 302


def test_an_ended_session_leads_the_whole_page_to_the_sign_in(db: None) -> None:
    answer = Client().get(
        "/own/", headers={"HX-Request": "true", "HX-Current-URL": "http://testserver/cases/?page=2"}
    )
    assert answer.status_code == 204
    assert answer["HX-Redirect"] == "/sign-in/?next=%2Fcases%2F%3Fpage%3D2"


def test_passwords_are_hashed_with_argon2(people: Any) -> None:
    from labtrack import settings as written

    assert written.PASSWORD_HASHERS[0].endswith("Argon2PasswordHasher")
    assert identify_hasher(people.technician.password).algorithm == "md5"  # tests alone use a cheap one
