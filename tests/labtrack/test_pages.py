"""The frame of every page."""

from __future__ import annotations

from typing import Any

import pytest


def test_it_shows_the_operator_on_the_first_page(people: Any, client_of: Any) -> None:
    for user in people.active():
        page = client_of(user).get("/").content.decode()
        assert user.name in page
        assert user.get_role_display() in page


def test_it_leads_strangers_to_the_sign_in(client_of: Any, db: None) -> None:
    answer = client_of(None).get("/")
    assert answer.status_code == 302
    assert answer["Location"].startswith("/sign-in/")


@pytest.mark.parametrize(
    "path",
    ["/", "/sign-in/", "/own/", "/tokens/", "/people/", "/people/add/", "/record/", "/switch/", "/api/docs/"],
)
def test_it_renders_for_the_administrator(path: str, people: Any, client_of: Any) -> None:
    answer = client_of(people.administrator).get(path)
    assert answer.status_code in (200, 302)
    assert "default-src 'none'" in answer["Content-Security-Policy"]
