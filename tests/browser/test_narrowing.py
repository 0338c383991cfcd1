"""The lab manager narrows Trends and Causes by two things: progress first, then every chart."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone

from labtrack.jobs.models import Job
from labtrack.jobs.services.run import run_job
from qa.queries.range import Range
from tests.benchmarks.test_manager_pages import fill

pytestmark = pytest.mark.django_db(transaction=True)

DRAWN = "figure.chart .plot"
# Weeks, periods, days and builds of tanks, steps, printers, resins, origins; rare losses where they are.
CHARTS = 8


def work_off() -> None:
    """What a worker would do with everything that waits."""
    for job in Job.objects.filter(state="queued").order_by("pk"):
        assert run_job(job.pk) == "done"


def narrow(page: Any, option: str) -> None:
    page.get_by_role("combobox", name="nly").select_option(option)
    page.get_by_role("button", name="Show").click()


@pytest.mark.parametrize("width", [820, 1280])
def test_trends_and_causes_of_two_things_together(visit: Any, width: int) -> None:
    from playwright.sync_api import expect

    today = timezone.localdate()
    fill(Range(today - timedelta(days=80), today), parts=900)
    page = visit("maria", width=width)
    page.goto("/trends/")
    narrow(page, "printer|Printer 2")
    expect(page.get_by_role("heading", name="Being counted")).to_be_visible()
    expect(page.get_by_role("progressbar", name="Progress of the counting")).to_be_visible()
    # What the tally tells of one printer stands there at once.
    expect(page.get_by_role("heading", name="Has it changed?")).to_be_visible()
    assert page.locator(DRAWN).count() < CHARTS

    narrow(page, "tank|Tank 2")
    expect(page.get_by_role("checkbox", name="printer Printer 2")).to_be_checked()
    expect(page.get_by_role("checkbox", name="tank Tank 2")).to_be_checked()
    expect(page.get_by_role("heading", name="Being counted")).to_be_visible()
    assert page.locator(DRAWN).count() == 0
    work_off()
    # The page asks by itself, and shows everything once it is counted.
    expect(page.get_by_role("heading", name="Do the resins differ?")).to_be_visible()
    expect(page.get_by_role("heading", name="Being counted")).to_have_count(0)
    assert page.locator(DRAWN).count() >= CHARTS
    expect(page.locator(f"{DRAWN}:not([data-drawn])")).to_have_count(0)
    expect(page.locator("main")).to_contain_text("Narrowed to printer Printer 2 and tank Tank 2:")

    # Causes is of the same two things.
    page.get_by_role("navigation", name="Pages of Trends").get_by_role("link", name="Causes").click()
    expect(page.get_by_role("checkbox", name="tank Tank 2")).to_be_checked()
    expect(page.get_by_role("heading", name="Being computed")).to_be_visible()
    work_off()
    expect(page.get_by_text("Method").first).to_be_visible()
    expect(page.locator("main")).to_contain_text("Narrowed to printer Printer 2 and tank Tank 2:")
    assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")

    # One of them taken away leaves the other; Everything takes both away.
    page.get_by_role("checkbox", name="tank Tank 2").uncheck()
    page.get_by_role("button", name="Show").click()
    expect(page.locator("main")).to_contain_text("Narrowed to printer Printer 2")
    expect(page.get_by_role("checkbox", name="tank Tank 2")).to_have_count(0)
    page.get_by_role("link", name="Everything", exact=True).click()
    expect(page.locator("main")).not_to_contain_text("Narrowed to")
    assert page.said == []
