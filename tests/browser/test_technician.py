"""A technician's day at the bench: from a design to a trimmed piece, in the pages' own words."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone

from labtrack.accounts.services.own_sign_in import change_pin
from tests.conftest import PASSWORD, make_user

pytestmark = pytest.mark.django_db(transaction=True)


def test_from_a_design_to_a_trimmed_piece(visit: Any, shop: Any) -> None:
    from playwright.sync_api import expect

    from labtrack.accounts.actor import Actor
    from production.models import Build, Part, Piece, TreatmentRun

    # Three designs wait, and two people share the tablet.
    appliances = [shop.appliance(stage=stage) for stage in (1, 2, 3)]
    for appliance in appliances:
        shop.design(appliance)
    theo = make_user("theo", "technician")
    change_pin(actor=Actor(theo, via="test"), current=PASSWORD, pin="4711")

    page = visit("tessa")
    heading = page.get_by_role("heading", level=1)
    notice = page.get_by_role("status").first
    page.get_by_role("link", name="Bench", exact=True).click()
    page.get_by_role("link", name="Prepare designs").first.click()
    page.get_by_label("All", exact=True).check()
    page.get_by_label("Exposure profile").fill("grey-50")
    page.get_by_label("Revision of the profile").fill("3")
    page.get_by_label("Layer (µm)").fill("50")
    _answer(page, "Mark on the part and readable", "Yes")
    page.get_by_role("button", name="Record", exact=True).click()
    expect(notice).to_have_text("3 prepared. Now choose the printer.")

    # Planning: what was just prepared is ticked.
    for box in page.locator("input[name=preparation]").all():
        expect(box).to_be_checked()
    page.get_by_label("Printer", exact=True).select_option(label="Printer 1")
    page.get_by_role("button", name="Plan the build").click()
    expect(heading).to_have_text("Build B-00001")
    expect(notice).to_have_text("B-00001 started with 3 parts.")

    # The end: two came out well, one did not; the rest of the instruction is answered.
    first, second, third = Part.objects.order_by("number")
    page.get_by_role("group", name=f"Outcome of {third.mark}").get_by_label("Scrapped").check()
    page.get_by_label(f"Why {third.mark} is not good").fill("fell off the platform")
    page.get_by_role("button", name="All good").click()
    good = {
        part: page.get_by_role("group", name=f"Outcome of {part.mark}").get_by_label("Good")
        for part in (first, third)
    }
    expect(good[first]).to_be_checked()
    expect(good[third]).not_to_be_checked()
    page.get_by_label("Layers").fill("420")
    page.get_by_label("Material used (ml)").fill("55")
    _answer(page, "Platform clean and tight", "Yes")
    page.get_by_role("group", name=re.compile("^Temperature of the resin")).get_by_role("textbox").fill("31")
    page.get_by_role("button", name="Finish the build").click()
    expect(notice).to_contain_text("B-00001 is finished.")
    answered = page.get_by_role("row", name=re.compile("^Temperature of the resin.*out of limits"))
    expect(answered).to_be_visible()

    # The print took its time; wash, then another operator takes the tablet over and cures.
    now = timezone.localtime()
    Build.objects.update(
        occurred_at=now - timedelta(hours=6),
        started_at=now - timedelta(hours=5),
        finished_at=now - timedelta(hours=2),
    )
    page.get_by_role("link", name=re.compile("^Wash")).click()
    page.get_by_role("checkbox", name=re.compile("^B-00001, all of its parts")).check()
    page.get_by_label("Wash bath").select_option(label="Bath 1")
    page.get_by_role("textbox", name="Minutes", exact=True).fill("8")
    page.get_by_label("Ended").fill(f"{now - timedelta(hours=1):%Y-%m-%dT%H:%M}")
    page.get_by_role("button", name="Record wash").click()
    expect(page.get_by_role("table").first).to_contain_text(second.mark)
    page.get_by_role("link", name="Next: Dry").click()
    expect(page.get_by_role("checkbox", name=re.compile(f"^{first.mark}"))).to_be_checked()
    page.get_by_role("textbox", name="Minutes", exact=True).fill("15")
    page.get_by_label("Ended").fill(f"{now - timedelta(minutes=40):%Y-%m-%dT%H:%M}")
    page.get_by_role("button", name="Record dry").click()

    page.locator("details.who summary").click()
    page.get_by_role("link", name="Switch operator").click()
    page.get_by_label("Name", exact=True).select_option(label="Theo")
    page.get_by_label("PIN").fill("4711")
    page.get_by_role("button", name="Take over").last.click()
    expect(page.locator(".who-name")).to_have_text("Theo")
    expect(page.locator(".who-role")).to_contain_text("by badge or PIN")

    page.get_by_role("link", name="Bench", exact=True).click()
    page.get_by_role("row", name=re.compile("^Cure B-00001")).get_by_role("link", name="Cure").click()
    page.get_by_role("checkbox", name=re.compile("^B-00001, all of its parts")).check()
    page.get_by_label("Curing unit").select_option(label="Cure 1")
    page.get_by_role("textbox", name="Minutes", exact=True).fill("20")
    page.get_by_role("button", name="Record cure").click()
    expect(heading).to_contain_text("Cure")
    by_whom = {run.step: run.by.username for run in TreatmentRun.objects.all()}
    assert by_whom == {"wash": "tessa", "dry": "tessa", "cure": "theo"}

    # Forming: a scanner types the mark and ends with Enter.
    page.goto("/bench/forming/")
    page.get_by_label("Forming machine").select_option(label="Former 1")
    page.get_by_role("button", name="Open the batch").click()
    page.get_by_label("Sheet", exact=True).select_option(index=1)
    page.get_by_label("Heating (s)").fill("30")
    page.get_by_label("Pressure (bar)").fill("3.5")
    page.get_by_label("Model", exact=True).fill(first.mark)
    page.get_by_label("Model", exact=True).press("Enter")
    piece = Piece.objects.get()
    expect(page.get_by_role("link", name=piece.mark)).to_be_visible()
    page.get_by_role("button", name="Close the batch").click()
    expect(page.locator(".lead")).to_contain_text("closed")

    # Trimming waits on the bench.
    page.get_by_role("link", name="Bench", exact=True).click()
    page.get_by_role("link", name="Trim: 1").click()
    page.get_by_label(re.compile(piece.mark)).check()
    page.get_by_role("button", name="Trim done").click()
    page.goto(f"/bench/pieces/{piece.number}/")
    trimmed = page.locator("section", has=page.get_by_role("heading", name="Trim", exact=True))
    expect(trimmed).to_contain_text("Theo")
    assert page.said == []


def test_a_scan_anywhere_on_the_bench_finds_the_thing(visit: Any, shop: Any) -> None:
    from playwright.sync_api import expect

    part = shop.printed().parts.get()
    page = visit("tessa")
    page.goto("/bench/")
    page.get_by_role("heading", level=1).click()
    page.keyboard.type(part.mark)
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text(f"Part {part.mark}")


def test_a_refused_build_keeps_what_was_chosen(visit: Any, shop: Any) -> None:
    """The sentence has the focus, the ticks stay."""
    from playwright.sync_api import expect

    preparation = shop.preparation()
    page = visit("tessa")
    page.goto("/bench/plan/")
    page.get_by_label(preparation.appliance.label, exact=True).check()
    page.get_by_label("Printer", exact=True).select_option(label="Printer 3")
    page.get_by_role("button", name="Plan the build").click()
    expect(page.get_by_role("alert")).to_be_focused()
    expect(page.get_by_label(preparation.appliance.label, exact=True)).to_be_checked()
    assert page.said == []


def test_an_event_asks_for_what_belongs_to_it(visit: Any, shop: Any) -> None:
    from playwright.sync_api import expect

    page = visit("tessa")
    page.goto(f"/lab/equipment/{shop.tank.code}/")
    kind = page.get_by_label("What was done")
    kind.select_option(label="Cleaned")
    for label in ("Lot", "Amount (ml)", "Moved to"):
        expect(page.get_by_label(label)).to_be_hidden()
    kind.select_option(label="Topped up")
    expect(page.get_by_label("Lot")).to_be_visible()
    expect(page.get_by_label("Moved to")).to_be_hidden()
    kind.select_option(label="Moved to a printer")
    expect(page.get_by_label("Moved to", exact=False).last).to_be_visible()
    assert page.said == []


def _answer(page: Any, item: str, word: str) -> None:
    page.get_by_role("group", name=re.compile(f"^{item}")).get_by_label(word, exact=True).check()
