"""Who may open and change what of this part: every address by every role, cell by cell."""

from __future__ import annotations

from typing import Any

import pytest

from labtrack.accounts.urls import urlpatterns as accounts_urls
from labtrack.audit.urls import urlpatterns as audit_urls

ROLES = ("clinic", "technician", "quality", "manager", "administrator")
EVERYBODY = frozenset(ROLES)
LAB = EVERYBODY - {"clinic"}
ADMINISTRATOR = frozenset({"administrator"})
READERS = frozenset({"quality", "manager", "administrator"})

# Name of the address, method, path, who may.
CELLS = [
    ("own", "get", "/own/", EVERYBODY),
    ("own", "post", "/own/", EVERYBODY),
    ("tokens", "get", "/tokens/", EVERYBODY),
    ("tokens", "post", "/tokens/", EVERYBODY),
    ("token-revoke", "post", "/tokens/999/revoke/", EVERYBODY),
    ("switch", "get", "/switch/", LAB),
    ("switch", "post", "/switch/", LAB),
    ("people", "get", "/people/", ADMINISTRATOR),
    ("person-add", "get", "/people/add/", ADMINISTRATOR),
    ("person-add", "post", "/people/add/", ADMINISTRATOR),
    ("person", "get", "/people/{other}/", ADMINISTRATOR),
    ("person", "post", "/people/{other}/", ADMINISTRATOR),
    ("person-active", "post", "/people/{other}/active/", ADMINISTRATOR),
    ("person-password", "post", "/people/{other}/password/", ADMINISTRATOR),
    ("record", "get", "/record/", READERS),
]
OPEN_TO_STRANGERS = {"sign-in", "sign-out"}


@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize(("name", "method", "path", "allowed"), CELLS, ids=[f"{c[1]} {c[2]}" for c in CELLS])
@pytest.mark.django_db
def test_each_role_meets_its_answer(
    name: str, method: str, path: str, allowed: frozenset[str], role: str, people: Any, client_of: Any
) -> None:
    client = client_of(getattr(people, role))
    answer = getattr(client, method)(path.format(other=people.former.pk))
    refused = answer.status_code == 403
    assert refused == (role not in allowed)


@pytest.mark.parametrize(("name", "method", "path", "allowed"), CELLS, ids=[f"{c[1]} {c[2]}" for c in CELLS])
@pytest.mark.django_db
def test_strangers_are_led_to_the_sign_in(
    name: str, method: str, path: str, allowed: frozenset[str], client_of: Any
) -> None:
    answer = getattr(client_of(None), method)(path.format(other=1))
    assert answer.status_code == 302
    assert answer["Location"].startswith("/sign-in/")


def test_every_address_stands_in_the_table() -> None:
    names = {pattern.name for pattern in [*accounts_urls, *audit_urls]}  # type: ignore[union-attr]
    assert names == {cell[0] for cell in CELLS} | OPEN_TO_STRANGERS
