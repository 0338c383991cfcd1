"""The administrator: a person who can then sign in, and a token that is shown once."""

from __future__ import annotations

import re
from typing import Any

import pytest

pytestmark = pytest.mark.django_db(transaction=True)


def test_a_new_person_signs_in_with_the_password_that_was_shown(visit: Any) -> None:
    from playwright.sync_api import expect

    page = visit("adam", width=1280)
    page.locator("details.who summary").click()
    page.get_by_role("link", name="People").click()
    page.get_by_role("link", name="Add a person").click()
    page.get_by_label("Sign-in name").fill("nora")
    page.get_by_label("Full name").fill("Nora New")
    page.get_by_label("Role").select_option(label="Technician")
    page.get_by_role("button", name="Add the person").click()
    password = page.locator("#secret").inner_text()
    page.reload()
    expect(page.locator("#secret")).to_have_count(0)
    assert page.said == []

    hers = visit()
    hers.goto("/bench/")
    hers.get_by_label("Sign-in name").fill("nora")
    hers.get_by_label("Password").fill(password)
    hers.keyboard.press("Enter")
    # She lands where she was going.
    expect(hers.get_by_role("heading", level=1)).to_have_text("Bench")


def test_a_token_is_shown_once_and_can_be_revoked(visit: Any) -> None:
    from playwright.sync_api import expect

    page = visit("adam", width=1280)
    page.locator("details.who summary").click()
    page.get_by_role("link", name="Tokens").click()
    page.get_by_label("What uses it").fill("scanner desk 1")
    page.get_by_label(re.compile("See cases")).check()
    page.get_by_role("button", name="Make the token").click()
    secret = page.locator("#secret").inner_text()
    assert len(secret) > 30
    page.get_by_role("link", name="To the tokens").click()
    row = page.get_by_role("row", name=re.compile("scanner desk 1"))
    expect(row).not_to_contain_text(secret)
    row.get_by_role("button", name="Revoke").click()
    expect(row).to_contain_text("revoked")
    assert page.said == []
