"""Clinic staff: log a case, hand in a mesh, see what was found."""

from __future__ import annotations

import re
from typing import Any

import pytest

from labtrack.jobs.services.run import run_job
from tests.browser.work import drop_file, tab_to

pytestmark = pytest.mark.django_db(transaction=True)


def test_a_series_is_logged_and_a_dropped_mesh_is_checked(visit: Any, store: Any) -> None:
    import trimesh
    from playwright.sync_api import expect

    from qa.models import MeshCheck

    page = visit("clara")
    page.get_by_role("link", name="Cases", exact=True).click()
    page.get_by_role("link", name="Log a case").click()
    page.get_by_label("Patient code").fill("P-1042")
    page.get_by_label("Prescriber").fill("Dr Example")
    first = page.get_by_role("group", name="Line 1")
    first.get_by_label("What").select_option(label="Aligner")
    first.get_by_label("Upper").fill("3")
    first.get_by_label("Lower").fill("2")
    page.get_by_role("button", name="Log the case").click()

    expect(page.get_by_role("heading", level=1)).to_have_text("C-00001")
    order = page.get_by_role("region", name="Aligner")
    expect(order.locator("tbody tr")).to_have_count(3)
    expect(order.locator("tbody tr").last.locator(".appliance")).to_have_count(1)

    # A slow line, so that the progress can be seen.
    network = page.context.new_cdp_session(page)
    slow = {"offline": False, "latency": 0, "downloadThroughput": -1, "uploadThroughput": 60_000}
    network.send("Network.enable")
    network.send("Network.emulateNetworkConditions", slow)
    cube = trimesh.creation.box((30.0, 30.0, 30.0))
    for _ in range(5):
        cube = cube.subdivide()
    drop_file(page, "[data-drop]", name="upper-01.stl", content=cube.export(file_type="stl"))
    expect(page.locator("[data-status]")).to_have_text("One file chosen. Say what it is, then attach.")
    page.get_by_label("What it is").select_option(label="Design")
    page.get_by_label(re.compile("^Unit")).select_option("mm")
    page.get_by_role("button", name="Attach").click()
    expect(page.get_by_role("progressbar", name="Progress of upper-01.stl")).to_be_visible()
    expect(page.locator(".upload-words")).to_have_text(re.compile(r"^0\.[1-5] MB of 0\.6 MB sent$"))
    network.send("Network.emulateNetworkConditions", slow | {"uploadThroughput": -1})

    row = page.get_by_role("row", name=re.compile("upper-01.stl"))
    expect(row).to_contain_text("Being checked")
    assert run_job(MeshCheck.objects.get().job_id) == "done"
    # The row asks again by itself.
    expect(row.locator(".mesh-check .verdict")).to_have_text(re.compile("Pass|Review|Fail"))
    row.get_by_role("link", name=re.compile("^Check")).click()

    # A cube of 30 mm.
    expect(page.locator("main")).to_contain_text(re.compile(r"Volume\s*27(\.0+)?\sml"))
    expect(page.locator(".viewer canvas").first).to_be_visible()
    expect(page.locator(".plot[data-drawn]").first).to_be_visible()
    assert page.said == []


def test_a_broken_file_leaves_a_sentence_and_nothing_else(visit: Any, actors: Any, store: Any) -> None:
    from playwright.sync_api import expect

    from cases.models import Clinic, MeshUse
    from cases.services.log_case import log_case
    from cases.services.order import LineOrder

    log_case(
        actor=actors.clinic,
        key="",
        clinic_id=Clinic.objects.get(code="harbour").pk,
        patient_code="P-7",
        prescriber="Dr Example",
        lines=[LineOrder("retainer", upper=1)],
    )
    page = visit("clara")
    page.goto("/cases/1/")
    drop_file(page, "[data-drop]", name="cut.stl", content=b"solid one\nfacet normal 0 0 1\n")
    page.get_by_label("What it is").select_option(label="Patient scan")
    page.get_by_label(re.compile("^Unit")).select_option("mm")
    page.get_by_role("button", name="Attach").click()
    expect(page.locator(".upload-words.wrong")).to_be_visible()
    expect(page.locator("#meshes")).to_contain_text("No meshes yet.")
    assert MeshUse.objects.count() == 0


def test_a_case_is_logged_by_keyboard_alone(visit: Any, store: Any) -> None:
    """Tab, letters and Enter, and the focus seen at each stop."""
    from playwright.sync_api import expect

    page = visit("clara", width=1280)
    tab_to(page, "Cases")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Cases")
    tab_to(page, "Log a case")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Log a case")
    for words, typed in (("Patient code", "P-88"), ("Prescriber", "Dr Example")):
        tab_to(page, words)
        page.keyboard.type(typed)
    tab_to(page, "What")
    page.keyboard.type("Retai")
    tab_to(page, "Upper")
    page.keyboard.type("1")
    tab_to(page, "Log the case")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("C-00001")
    expect(page.get_by_role("heading", name="Retainer")).to_be_visible()

    # What is wrong is told where the focus then is.
    tab_to(page, "Order something more")
    page.keyboard.press("Enter")
    tab_to(page, "Order it")
    page.keyboard.press("Enter")
    expect(page.get_by_role("alert")).to_be_focused()
    assert page.said == []
