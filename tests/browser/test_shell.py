"""What every page shares: keyboard, themes, drawing, and a console without a violation."""

from __future__ import annotations

from typing import Any

import pytest
from django.http import HttpRequest, HttpResponse
from django.urls import include, path

from labtrack.charts import Cell, Chart

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.urls(__name__)]
PATHS = ["/", "/own/", "/switch/", "/tokens/", "/people/", "/people/add/", "/record/", "/api/docs/"]
TEMPLATE = """{% extends "labtrack/base.html" %}{% load labtrack %}{% block title %}Drawings{% endblock %}
{% block content %}{% for one in charts %}{% chart one %}{% endfor %}
<div class="viewer" data-preview-url="/drawings/preview/" data-label="A tetrahedron"></div>{% endblock %}
{% block scripts %}{% include "labtrack/plot_scripts.html" %}{% endblock %}"""


def drawings(request: HttpRequest) -> HttpResponse:
    """A bar chart with intervals and links, a heat map with text, and a mesh."""
    bars = Chart(
        name="bars",
        title="Rate",
        figure={
            "data": [
                {
                    "type": "bar",
                    "x": ["0–6", "7–13"],
                    "y": [3, 8],
                    "error_y": {"type": "data", "array": [1, 2]},
                    "customdata": ["/own/", "/own/"],
                    "marker": {"color": "--series-1"},
                }
            ],
            "layout": {"title": {"text": "<b>Rate</b>"}},
        },
        columns=["Days", "Rate (%)"],
        rows=[[Cell("0–6", "/own/"), 3], ["7–13", 8]],
    )
    heat = Chart(
        name="heat",
        title="Heat",
        figure={"data": [{"type": "heatmap", "z": [[1, 2], [3, 4]], "texttemplate": "%{z}"}]},
        columns=["a"],
        rows=[[1]],
    )
    from django.template import engines

    source = engines["django"].from_string(TEMPLATE)
    return HttpResponse(source.render({"charts": [bars, heat]}, request))


def preview(request: HttpRequest) -> HttpResponse:
    import numpy as np

    from qa.geometry.preview import Preview

    made = Preview(
        vertices=np.array([[0, 0, 0], [10, 0, 0], [0, 20, 0], [0, 0, 5]], dtype=np.float32),
        faces=np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]], dtype=np.int32),
        origin_mm=(100.0, 0.0, 0.0),
        triangles_full=4,
    )
    return HttpResponse(made.to_bytes(), content_type="application/octet-stream")


urlpatterns = [
    path("drawings/", drawings),
    path("drawings/preview/", preview),
    path("", include("labtrack.urls")),
]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [820, 1280])
def test_no_page_violates_the_policy_or_overflows(visit: Any, scheme: str, width: int) -> None:
    page = visit("adam", scheme=scheme, width=width)
    for address in PATHS:
        page.goto(address)
        page.wait_for_load_state("networkidle")
        assert page.said == [], address
        overflow = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
        assert overflow <= 0, address


def test_charts_and_the_3d_view_are_drawn_without_a_violation(visit: Any) -> None:
    page = visit("adam")
    page.goto("/drawings/")
    page.wait_for_selector("#chart-bars .plot[data-drawn]")
    page.wait_for_selector("#chart-heat .plot[data-drawn]")
    page.wait_for_selector(".viewer canvas")
    for word in ("Front", "Side", "Top", "Turn"):
        page.get_by_role("button", name=word, exact=True).click()
    assert "10.0 × 20.0 × 5.0 mm" in page.locator(".viewer-bar").inner_text()
    assert page.locator("#chart-bars .plot .bars .point").count() == 2
    assert page.said == []


def test_a_point_leads_to_its_records(visit: Any) -> None:
    page = visit("adam")
    page.goto("/drawings/")
    page.wait_for_selector("#chart-bars .plot[data-drawn]")
    bar = page.locator("#chart-bars .plot .bars .point").nth(1).bounding_box()
    page.mouse.move(bar["x"] + bar["width"] / 2, bar["y"] + bar["height"] / 2)
    page.wait_for_selector("#chart-bars .hoverlayer .hovertext")
    page.mouse.down()
    page.mouse.up()
    page.wait_for_url("**/own/")


def test_a_browser_without_webgl_is_told_so(visit: Any) -> None:
    page = visit("adam")
    page.add_init_script("HTMLCanvasElement.prototype.getContext = () => null;")
    page.goto("/drawings/")
    page.wait_for_selector(".viewer-sentence")
    assert "This browser cannot draw in 3-D" in page.locator(".viewer").inner_text()


def test_the_chosen_theme_is_kept(visit: Any) -> None:
    page = visit("adam", scheme="light")

    def ground() -> str:
        found: str = page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
        return found

    light = ground()
    page.locator("details.who summary").click()
    page.get_by_role("button", name="Dark page").click()
    dark = ground()
    assert dark != light
    page.goto("/own/")
    assert ground() == dark


def test_it_works_by_keyboard(visit: Any) -> None:
    """Skip link first, then the menu: opened by Enter, closed by Escape, focus back where it was."""
    page = visit("adam")
    page.goto("/people/")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the content"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "content"
    page.locator("details.who summary").focus()
    page.keyboard.press("Enter")
    assert page.locator("details.who").get_attribute("open") is not None
    page.keyboard.press("Escape")
    assert page.locator("details.who").get_attribute("open") is None
    assert page.evaluate("document.activeElement.tagName") == "SUMMARY"


def test_a_wrong_password_puts_the_reader_at_the_sentence(visit: Any) -> None:
    page = visit()
    page.goto("/sign-in/")
    page.get_by_label("Sign-in name").fill("adam")
    page.get_by_label("Password").fill("not this")
    page.keyboard.press("Enter")
    page.wait_for_selector("[role=alert]")
    assert page.evaluate("document.activeElement.getAttribute('role')") == "alert"


def test_filters_of_the_record_apply_as_they_change(visit: Any, actors: Any, people: Any) -> None:
    from playwright.sync_api import expect

    from labtrack.audit.services.record import record_created

    record_created(actor=actors.manager, action="thing.made", subject=people.clinic)
    record_created(actor=actors.manager, action="thing.mended", subject=people.clinic)
    page = visit("quinn")
    page.goto("/record/")
    assert page.locator(".change").count() == 2
    page.get_by_label("What was done").select_option("thing.made")
    expect(page.locator(".change")).to_have_count(1)
    assert "action=thing.made" in page.url
    assert page.said == []
