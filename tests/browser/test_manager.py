"""The lab manager: from a rate to the records behind it, and the limits that meshes are judged by."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlparse

import pytest

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def lost_parts(shop: Any) -> int:
    """Two builds of good parts and one of scrapped ones, two months ago: 3 of 12 are lost."""
    shop.printed(5)
    shop.printed(4, at=shop.at(1), printer=shop.other_printer, tank=shop.guide_tank)
    shop.printed(3, at=shop.at(2), outcome="scrapped")
    return 3


def test_from_a_rate_to_the_records_behind_it(visit: Any, shop: Any, lost_parts: int) -> None:
    from playwright.sync_api import expect

    page = visit("maria", width=1280)
    page.get_by_role("navigation", name="Places").get_by_role("link", name="Trends").click()
    page.get_by_role("navigation", name="Pages of Trends").get_by_role("link", name="Trends").click()
    expect(page.locator("figure.chart .plot")).not_to_have_count(0)
    expect(page.locator("figure.chart .plot:not([data-drawn])")).to_have_count(0)
    # Filters: the days, and what is counted.
    page.get_by_label(re.compile("^From|^Start")).first.fill(f"{shop.at(-1):%Y-%m-%d}")
    page.get_by_role("button", name="Show").click()
    expect(page.locator("main")).to_contain_text(f"{lost_parts} of 12 parts")

    # The numbers of a chart as a table, and the same as CSV.
    figure = page.locator("figure.chart").first
    expect(figure.get_by_role("region", name=re.compile("^Numbers of"))).to_be_visible()
    shown = figure.locator("tbody tr").count()
    with page.expect_download() as coming:
        figure.get_by_role("link", name="Numbers as CSV").click()
    rows = list(csv.reader(io.StringIO(Path(coming.value.path()).read_text(encoding="utf-8-sig"))))
    assert len([row for row in rows if row]) >= shown + 1

    # A figure of the table leads to its records, and those back to the same days.
    figure.locator("tbody a").first.click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Records behind the figure")
    count = page.get_by_role("region", name="Records").locator("tbody tr").count()
    assert count and page.locator(".lead").inner_text().startswith(f"{count} part")
    mark = page.get_by_role("region", name="Records").locator("tbody a").first.inner_text()
    page.get_by_role("link", name=mark, exact=True).click()
    expect(page.get_by_role("heading", level=1)).to_contain_text(mark)
    page.go_back()
    page.get_by_role("link", name="Back to the trends").click()
    start = parse_qs(urlparse(page.url).query)["from"]
    assert start == [f"{shop.at(-1):%Y-%m-%d}"]
    assert page.said == []


def test_a_changed_limit_is_a_new_version_with_its_source(visit: Any, store: Any) -> None:
    from playwright.sync_api import expect

    page = visit("maria", width=1280)
    page.get_by_role("link", name="Lab", exact=True).click()
    page.get_by_role("link", name="See or change the limits").click()
    flatness = page.get_by_role("textbox", name=re.compile("^Highest to lowest of the base face, above"))
    flatness.fill("0.25")
    page.get_by_role("button", name="Put the new version in force").click()
    # Without a source it is refused, and what was typed stays.
    expect(page.get_by_role("alert")).to_be_focused()
    expect(flatness).to_have_value("0.25")
    page.get_by_label("Where the new values come from").fill("Own trial of 12 forms")
    page.get_by_label("Why they change").fill("The former tolerates it")
    page.get_by_role("button", name="Put the new version in force").click()
    expect(page.get_by_role("heading", name="In force: version 2")).to_be_visible()
    row = page.get_by_role("row", name=re.compile("Highest to lowest of the base face, above"))
    expect(row.get_by_role("textbox", name=re.compile("^Source"))).to_have_value("Own trial of 12 forms")
    assert page.said == []
