"""Quality: look at a piece, mark the flaw on its tooth, hold, release, withdraw."""

from __future__ import annotations

import re
from typing import Any

import pytest

from production.services.pieces import record_piece_steps
from tests.conftest import PASSWORD
from tests.qa.pieces import finished_piece

pytestmark = pytest.mark.django_db(transaction=True)


def test_a_flaw_is_marked_on_its_tooth(visit: Any, shop: Any) -> None:
    from playwright.sync_api import expect

    from qa.models import Inspection

    piece = shop.piece()
    record_piece_steps(actor=shop.tech, step="trim", piece_ids=[piece.pk])
    page = visit("quinn", width=1280)
    page.get_by_role("link", name="Inspect", exact=True).click()
    # A scanner types the mark and ends with Enter.
    page.get_by_label("Mark of the part or piece").fill(piece.mark)
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text(f"Inspect {piece.mark}")
    page.get_by_label("Fail", exact=True).check()
    page.get_by_label("How it came out").select_option(label="Scrapped")
    defect = page.get_by_role("group", name="Defect 1")
    defect.get_by_label("What is wrong").select_option(index=1)
    expect(defect.locator(".kind-hint")).to_contain_text("Usually from")
    page.get_by_role("button", name=re.compile(r"^\D*16\b")).click()
    expect(page.locator("#tooth-chosen")).to_contain_text("Defect 1: tooth")
    expect(defect.get_by_label("Tooth")).to_have_value("16")
    # The drawing works by keyboard as well: the same tooth taken back and chosen again.
    page.keyboard.press("Enter")
    expect(page.locator("#tooth-chosen")).to_have_text("Defect 1: no tooth chosen")
    page.keyboard.press("Space")
    expect(defect.get_by_label("Tooth")).to_have_value("16")
    page.get_by_role("button", name="Record the inspection").click()

    expect(page.get_by_role("status").first).not_to_be_empty()
    found = Inspection.objects.get()
    assert (found.verdict, found.defects.get().tooth) == ("fail", 16)
    page.goto(f"/inspect/records/{found.pk}/")
    expect(page.locator("main")).to_contain_text("16")
    assert page.said == []


def test_a_hold_bars_release_until_it_is_lifted_and_a_release_can_be_withdrawn(visit: Any, shop: Any) -> None:
    from playwright.sync_api import expect

    piece = finished_piece(shop)
    number = piece.appliance.case.number
    page = visit("quinn", width=1280)
    page.goto(f"/bench/pieces/{piece.number}/")
    page.get_by_text("Put on hold", exact=True).first.click()
    page.get_by_label("Why", exact=True).first.fill("the lot's paper is missing")
    page.get_by_role("button", name="Put on hold").click()
    expect(page.get_by_role("alert")).to_contain_text("the lot's paper is missing")

    page.goto(f"/release/{number}/")
    expect(page.get_by_role("heading", name="Not yet (1)")).to_be_visible()
    expect(page.get_by_role("button", name=re.compile("Sign and release"))).to_have_count(0)
    page.goto("/lab/holds/")
    page.get_by_label("Why it is lifted").fill("the paper came")
    page.get_by_role("button", name="Lift").click()
    expect(page.get_by_text("Nothing is on hold.")).to_be_visible()

    page.goto(f"/cases/{number}/")
    page.get_by_role("link", name="Gate and release").click()
    page.get_by_role("checkbox", name=re.compile(piece.mark)).check()
    page.get_by_label("Your password, as your signature").fill("not this")
    page.get_by_role("button", name="Sign and release the ticked pieces").click()
    expect(page.get_by_role("alert").first).to_be_focused()
    page.get_by_role("checkbox", name=re.compile(piece.mark)).check()
    page.get_by_label("Your password, as your signature").fill(PASSWORD)
    page.get_by_role("button", name="Sign and release the ticked pieces").click()
    expect(page.locator("summary", has_text="1 piece")).to_be_visible()

    page.locator("summary", has_text="1 piece").click()
    page.get_by_label("Why it is withdrawn").fill("released under the wrong case")
    page.get_by_label("Your password, as your signature").last.fill(PASSWORD)
    page.get_by_role("button", name="Withdraw this release").click()
    expect(page.locator("summary", has_text="withdrawn")).to_be_visible()
    assert page.said == []
