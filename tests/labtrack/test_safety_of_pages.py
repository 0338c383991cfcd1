"""The strict policy: no page or template carries code or style inline."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings

from labtrack.shell import PLACES

ROOT = Path(settings.BASE_DIR)
TEMPLATES = sorted(
    path
    for app in ("labtrack", "cases", "production", "qa")
    for path in (ROOT / app).rglob("templates/**/*.html")
)
INLINE = [
    (re.compile(r"<script(?![^>]*\bsrc=)(?![^>]*application/json)", re.IGNORECASE), "a script inline"),
    (re.compile(r"<style", re.IGNORECASE), "a style inline"),
    (re.compile(r"\sstyle\s*=", re.IGNORECASE), "a style attribute"),
    (re.compile(r"\son[a-z]+\s*=", re.IGNORECASE), "an inline handler"),
    (re.compile(r"javascript:", re.IGNORECASE), "a javascript address"),
    (re.compile(r"hx-on", re.IGNORECASE), "an evaluated htmx attribute"),
    (re.compile(r'(?:src|href)\s*=\s*"(?:https?:)?//', re.IGNORECASE), "another host"),
]


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda path: str(path.relative_to(ROOT)))
def test_no_template_carries_code_inline(path: Path) -> None:
    text = re.sub(r"\{#.*?#\}", "", path.read_text(encoding="utf-8"))
    assert [what for pattern, what in INLINE if pattern.search(text)] == []


def test_the_policy_allows_only_our_own(client: Any, db: None) -> None:
    policy = client.get("/sign-in/")["Content-Security-Policy"]
    rules = {rule.split()[0]: rule.split()[1:] for rule in policy.split("; ")}
    assert rules["default-src"] == ["'none'"]
    assert rules["script-src"] == ["'self'"]
    assert rules["frame-ancestors"] == ["'none'"]
    assert rules["form-action"] == ["'self'"]
    assert rules["base-uri"] == ["'none'"]
    allowed = " ".join(word for words in rules.values() for word in words)
    for word in ("unsafe-inline", "unsafe-eval", "http:", "https:", "*"):
        assert word not in allowed


def test_other_headers_stand_too(client: Any, db: None) -> None:
    answer = client.get("/sign-in/")
    assert answer["X-Content-Type-Options"] == "nosniff"
    assert answer["X-Frame-Options"] == "DENY"
    assert answer["Referrer-Policy"] == "same-origin"
    cookie = client.cookies["csrftoken"]
    assert cookie["samesite"] == "Lax"


def test_htmx_evaluates_nothing(client: Any, db: None) -> None:
    assert '"allowEval": false' in client.get("/sign-in/").content.decode()


def test_the_navigation_has_at_most_six_words() -> None:
    assert len(PLACES) <= 6
    assert all(len(place.word.split()) == 1 for place in PLACES)


@pytest.mark.django_db
def test_each_role_sees_the_places_it_may_enter(people: Any, client_of: Any) -> None:
    def words(user: Any) -> list[str]:
        page = client_of(user).get("/")
        return [place["word"] for place in page.context["places"]]

    assert words(people.clinic) == ["Cases"]
    assert words(people.technician) == ["Cases", "Bench", "Inspect", "Trace", "Lab"]
    assert words(people.quality) == words(people.manager) == [place.word for place in PLACES]


@pytest.mark.django_db
def test_a_refusal_outside_a_form_is_a_page_or_a_notice(people: Any, client_of: Any) -> None:
    client = client_of(people.clinic)
    page = client.get("/people/")
    assert page.status_code == 403
    assert "Your role (Clinic staff) does not include: add people and change roles." in page.content.decode()
    assert "<html" in page.content.decode()
    notice = client.get("/people/", headers={"HX-Request": "true"})
    assert notice.status_code == 403
    assert notice["HX-Retarget"] == "#notices"
    assert "<html" not in notice.content.decode()


@pytest.mark.django_db
def test_an_unknown_address_is_a_quiet_page(people: Any, client_of: Any) -> None:
    answer = client_of(people.clinic).get("/nowhere/")
    assert answer.status_code == 404
    assert "There is nothing here under that address." in answer.content.decode()


@pytest.mark.django_db
def test_a_broken_page_tells_nothing_of_its_cause(
    people: Any, client_of: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    from labtrack import shell

    def broken(*_: Any) -> None:
        raise ZeroDivisionError("secret")

    monkeypatch.setattr(shell, "Actor", broken)
    client = client_of(people.clinic)
    client.raise_request_exception = False
    answer = client.get("/own/")
    assert answer.status_code == 500
    assert "Nothing of this request was stored" in answer.content.decode()
    assert "secret" not in answer.content.decode()


@pytest.mark.django_db
def test_a_page_open_for_too_long_says_so(people: Any) -> None:
    from django.test import Client

    client = Client(enforce_csrf_checks=True)
    client.force_login(people.clinic)
    answer = client.post("/own/", {"what": "password"})
    assert answer.status_code == 403
    assert "Reload it and send it again" in answer.content.decode()


@pytest.mark.django_db
def test_health_needs_no_sign_in(client: Any) -> None:
    assert client.get("/health/").json() == {"status": "ok"}


@pytest.mark.django_db
@pytest.mark.parametrize(
    "address", ["/", "/cases/", "/own/", "/bench/", "/lab/", "/trends/week/", "/api/docs/"]
)
def test_no_browser_keeps_a_page_past_the_sign_out(address: str, people: Any, client_of: Any) -> None:
    """On a shared tablet the Back button shows nothing of the person before."""
    answer = client_of(people.manager).get(address)
    assert answer.status_code == 200
    assert "no-store" in answer["Cache-Control"]
    assert "private" in answer["Cache-Control"]
