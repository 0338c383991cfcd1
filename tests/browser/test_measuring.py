"""A technician marks a design, uploads a scan of its print, and reads the answer."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import TimeoutError

from fixtures.meshes import write_stl
from labtrack.jobs.services.run import run_job
from qa.models import LandmarkSheet, PrintComparison
from tests.qa.prints import design_mesh, printed_part, scan_of

pytestmark = pytest.mark.django_db(transaction=True)


def test_a_landmark_is_placed_by_a_click_and_a_scan_shows_its_deviation(
    visit: Any, shop: Any, tmp_path: Path
) -> None:
    part = printed_part(shop)
    run_job(part.preparation.design.checks.get().job_id or 0)
    page = visit("tessa", width=1280)
    page.goto(f"/landmarks/{part.preparation.design_id}/")
    canvas = page.locator(".viewer canvas").first
    canvas.wait_for()
    page.get_by_role("button", name="Top").click()
    page.get_by_label("Name of the next landmark").fill("front")
    _click_the_shape(page, canvas)
    page.get_by_text("front is at").wait_for()
    assert "front," in page.get_by_label("Landmarks and distances").input_value()
    page.get_by_role("button", name="Save as a new version").click()
    page.get_by_text("Version 1 is in force").wait_for()
    assert [one["name"] for one in LandmarkSheet.objects.get().content["landmarks"]] == ["front"]

    scan = tmp_path / "scan.stl"
    scan.write_bytes(write_stl(scan_of(design_mesh())))
    page.goto(f"/comparisons/?mark={part.mark}")
    page.get_by_label("Scan", exact=True).set_input_files(scan)
    page.get_by_label("Unit of the file").select_option("mm")
    page.get_by_role("button", name="Upload and compare").click()
    page.get_by_text("Waiting for a worker").wait_for()
    run_job(PrintComparison.objects.get().job_id or 0)
    # The page asks again by itself and shows the answer, and later, by itself again, the picture.
    page.get_by_role("heading", name="Deviation on the scan").wait_for()
    assert "the tolerance is ±0.250 mm" in page.locator("main").inner_text()
    page.get_by_text("The answer above is complete").wait_for()
    assert page.get_by_role("progressbar", name="Progress of the picture").is_visible()
    assert page.locator(".viewer").count() == 0
    assert page.get_by_role("link", name="CSV", exact=True).is_visible()
    run_job(PrintComparison.objects.get().pictures_job_id or 0)
    page.locator(".viewer .viewer-bar").wait_for()
    assert page.get_by_role("link", name="PDF", exact=True).is_visible()
    assert page.said == []


def _click_the_shape(page: Any, canvas: Any) -> None:
    """Move over the picture until the pointer meets the shape, and click there."""
    page.evaluate(
        "document.querySelector('.viewer-plot')"
        ".on('plotly_hover', () => { document.body.dataset.met = 'yes'; })"
    )
    box = canvas.bounding_box()
    for share in (0.35, 0.3, 0.4, 0.45, 0.5, 0.55, 0.6, 0.65, 0.7):
        for across in (0.5, 0.45, 0.4, 0.55):
            x, y = box["x"] + across * box["width"], box["y"] + share * box["height"]
            page.mouse.move(x, y)
            page.mouse.move(x + 1, y)
            if _met(page):
                page.mouse.click(x + 1, y)
                return
    raise AssertionError("the pointer never met the shape")


def _met(page: Any) -> bool:
    try:
        page.wait_for_function("document.body.dataset.met", timeout=1_000)
    except TimeoutError:
        return False
    return True
