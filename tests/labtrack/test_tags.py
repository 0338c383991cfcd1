"""The tags of every page."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import plotly
import pytest
from django import forms
from django.contrib.staticfiles import finders
from django.core.paginator import Paginator
from django.template import Context, Template
from django.test import RequestFactory

from labtrack.cautions import CAUTIONS, DEFER
from labtrack.charts import Cell, Chart, supported_digits


def render(source: str, **context: Any) -> str:
    return Template("{% load labtrack %}" + source).render(Context(context))


@pytest.mark.parametrize(
    ("value", "shape", "word"),
    [
        ("pass", "pass", "Pass"),
        ("review", "review", "Review"),
        ("fail", "fail", "Fail"),
        ("unknown", "unknown", "Cannot tell"),
        (None, "unknown", "Cannot tell"),
        ("something else", "unknown", "Cannot tell"),
    ],
)
def test_a_verdict_is_a_shape_and_a_word(value: Any, shape: str, word: str) -> None:
    shown = render("{% verdict value %}", value=value)
    assert f'href="#shape-{shape}"' in shown
    assert re.sub(r"<[^>]+>", "", shown) == word


def test_every_shape_is_drawn(db: None) -> None:
    sprite = Template('{% include "labtrack/shapes.html" %}').render(Context())
    drawn = set(re.findall(r'id="(shape-\w+)"', sprite))
    used = {f"shape-{name}" for name in ("pass", "review", "fail", "unknown", "open")}
    assert drawn == used
    bodies = re.findall(r"<symbol[^>]*>(.*?)</symbol>", sprite)
    assert len(set(bodies)) == len(drawn)


@pytest.mark.parametrize(
    ("value", "word"),
    [("good", "Good"), ("rework", "Rework"), ("scrapped", "Scrapped"), ("", "Not yet"), (None, "Not yet")],
)
def test_an_outcome_is_a_shape_and_a_word(value: Any, word: str) -> None:
    assert re.sub(r"<[^>]+>", "", render("{% outcome value %}", value=value)) == word


def test_a_label_is_escaped() -> None:
    assert "<b>" not in render("{% verdict 'pass' label %}", label="<b>x</b>")


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [(1526.449, 1, "1\u202f526.4"), (-0.05, 2, "\u22120.05"), (0, 0, "0"), (None, 2, "–")],
)
def test_figures_are_written_one_way(value: Any, digits: int, text: str) -> None:
    assert re.sub(r"<[^>]+>", "", render("{% number value digits %}", value=value, digits=digits)) == text


def test_a_unit_stays_with_its_figure() -> None:
    assert "</span>&nbsp;<span" in render("{% number 3 1 'mm' %}")


def test_moments_are_shown_in_the_lab_s_time_zone(settings: Any) -> None:
    settings.TIME_ZONE = "Asia/Kolkata"
    shown = render("{% moment value %}", value=datetime(2026, 3, 1, 20, 0, tzinfo=UTC))
    assert "2 Mar 2026, 01:30" in shown
    assert 'datetime="2026-03-02T01:30:00+05:30"' in shown
    assert render("{% moment value %}", value=None) == "–"


class Sample(forms.Form):
    name = forms.CharField(help_text="As on the box.")
    wet = forms.BooleanField(required=False)
    arch = forms.ChoiceField(choices=[("u", "Upper"), ("l", "Lower")], widget=forms.RadioSelect)


def test_a_field_ties_label_help_and_error_to_its_input() -> None:
    form = Sample({"name": ""})
    shown = render("{% field form.name %}", form=form)
    assert 'for="id_name"' in shown
    assert 'aria-invalid="true"' in shown
    described = re.search(r'aria-describedby="([^"]+)"', shown)
    assert described is not None
    for name in described.group(1).split():
        assert f'id="{name}"' in shown
    assert "This field is required." in shown


def test_choices_are_a_fieldset_with_a_legend() -> None:
    shown = render("{% field form.arch %}", form=Sample())
    assert "<fieldset" in shown
    assert "<legend>Arch" in shown


def test_a_summary_of_errors_links_to_the_fields() -> None:
    shown = render("{% form_errors form %}", form=Sample({"name": ""}))
    assert 'role="alert"' in shown
    assert 'href="#id_name"' in shown
    assert "Nothing was stored yet" in shown
    assert render("{% form_errors form %}", form=Sample()).strip() == ""


def test_every_form_gets_a_key_of_its_own() -> None:
    keys = {render("{% submission_key %}") for _ in range(5)}
    assert len(keys) == 5


@pytest.mark.parametrize("kind", ["resin", "solvent", "heat", "pressure", "dust", "patient", "uv"])
def test_a_caution_defers_to_local_codes_and_licensed_practice(kind: str) -> None:
    shown = render("{% caution kind %}", kind=kind)
    assert CAUTIONS[kind].title in shown
    assert "local codes" in DEFER
    assert "licensed practice" in DEFER
    assert DEFER.replace("'", "&#x27;") in shown


def chart(rows: int = 3) -> Chart:
    return Chart(
        name="tank",
        title="Defect rate",
        figure={"data": [{"type": "bar", "y": [1.5], "name": "</script><b>"}], "layout": {}},
        columns=["Tank", "Rate (%)"],
        rows=[[Cell(f"=T{n}", f"/trace/{n}/"), 1.5] for n in range(rows)],
        csv_url="/tank.csv",
        note="n = 3",
    )


def test_a_chart_comes_with_its_table_and_csv() -> None:
    shown = render("{% chart chart %}", chart=chart())
    assert '<th scope="col" class="num">Rate (%)</th>' in shown
    assert '<a href="/trace/0/">=T0</a>' in shown
    assert 'href="/tank.csv"' in shown
    assert "<details" in shown
    assert "open>" in shown
    assert "open>" not in render("{% chart chart %}", chart=chart(rows=13))


def test_a_chart_without_numbers_draws_no_empty_axes() -> None:
    shown = render("{% chart chart %}", chart=chart(rows=0))
    assert "Nothing to draw yet." in shown
    assert "data-figure" not in shown


def test_a_figure_cannot_break_out_of_its_block() -> None:
    shown = render("{% chart chart %}", chart=chart())
    block = re.search(r'<script id="figure-tank" type="application/json">(.*?)</script>', shown)
    assert block is not None
    assert json.loads(block.group(1))["data"][0]["name"] == "</script><b>"


def test_a_chart_s_csv_is_safe_for_spreadsheets() -> None:
    assert chart().csv_rows()[0] == ["'=T0", 1.5]


def test_the_pager_keeps_the_filters() -> None:
    request = RequestFactory().get("/", {"who": "tessa", "page": "2"})
    shown = render("{% pager page %}", page=Paginator(range(30), 10).page(2), request=request)
    assert "Page 2 of 3, 30 in all" in shown
    assert "who=tessa&amp;page=1" in shown
    assert render("{% pager page %}", page=Paginator(range(3), 10).page(1), request=request).strip() == ""


def test_plotly_is_served_from_its_own_wheel() -> None:
    found = finders.find("plotly/plotly.min.js")
    assert found is not None
    assert Path(str(found)).parent == Path(plotly.__file__).parent / "package_data"
    assert finders.find("plotly/widgetbundle.js") is None


def test_the_element_that_keeps_plotly_s_map_style_out_has_the_wheel_s_name() -> None:
    script = (Path(plotly.__file__).parent / "package_data/plotly.min.js").read_text(encoding="utf-8")
    guards = set(re.findall(r'getElementById\("([0-9a-f]{64})"\)', script))
    include = Template('{% include "labtrack/plot_scripts.html" %}').render(Context())
    assert guards == set(re.findall(r'<template id="([0-9a-f]{64})">', include))


@pytest.mark.parametrize(
    ("low", "high", "digits"),
    [(8.9, 24.1, 1), (3.0, 4.0, 1), (0.2, 0.9, 2), (0.03, 0.09, 3), (None, 3.0, 1), (2.0, 2.0, 6)],
)
def test_an_interval_says_how_many_decimals_it_supports(
    low: float | None, high: float | None, digits: int
) -> None:
    assert supported_digits(low, high) == digits


def _texts(rows: list[list[Any]]) -> list[list[str]]:
    chart = Chart("one", "One", {}, ("level", "n", "per 100", "95 % from", "95 % to", "mm"), rows)
    return [[cell["text"] for cell in row[2:]] for row in chart.cells]


def test_a_rate_shows_no_more_decimals_than_its_interval_supports() -> None:
    assert _texts([["a", 40, 15.28, 8.94, 24.13, 0.125]]) == [["15.3", "8.9", "24.1", "0.125"]]
    assert _texts([["a", 9000, 0.43, 0.31, 0.59, 0.125]]) == [["0.43", "0.31", "0.59", "0.125"]]
    # One column is written one way: as the widest interval supports.
    both = _texts([["a", 40, 15.28, 8.94, 24.13, 0.1], ["b", 9000, 0.43, 0.31, 0.59, 0.1]])
    assert [row[:3] for row in both] == [["15.3", "8.9", "24.1"], ["0.4", "0.3", "0.6"]]
    # Unless a narrow one would shrink to nothing.
    both = _texts([["a", 40, 15.28, 8.94, 24.13, 0.1], ["b", 90_000, 0.04, 0.03, 0.06, 0.1]])
    assert [row[:3] for row in both] == [["15.28", "8.94", "24.13"], ["0.04", "0.03", "0.06"]]
    assert _texts([["a", 0, None, None, None, None]]) == [["–", "–", "–", "–"]]


def test_a_wide_table_is_folded_however_short() -> None:
    wide = tuple(f"c{number}" for number in range(20))
    assert not Chart("one", "One", {}, wide, [[1] * 20]).table_open
    assert Chart("one", "One", {}, ("a", "b"), [[1, 2]]).table_open
