"""Numbers as people type them: comma or point, and never a guess."""

from __future__ import annotations

from decimal import Decimal

import pytest
from django import forms

from labtrack.numbers import DecimalNumber, FloatNumber, WholeNumber
from production.forms import FinishForm, PreparationForm, RunForm


class Sheet(forms.Form):
    wall_mm = DecimalNumber(min_value=0, max_value=90, max_digits=6, decimal_places=3)
    layers = WholeNumber(min_value=1)
    offset_mm = FloatNumber()


def _sheet(wall: str = "1", layers: str = "1", offset: str = "0") -> Sheet:
    return Sheet({"wall_mm": wall, "layers": layers, "offset_mm": offset})


@pytest.mark.parametrize(("typed", "meant"), [("0,05", "0.05"), ("0.05", "0.05"), (" 12,5 ", "12.5")])
def test_a_comma_is_as_good_as_a_point(typed: str, meant: str) -> None:
    sheet = _sheet(wall=typed, offset=typed)
    assert sheet.is_valid(), sheet.errors
    assert sheet.cleaned_data["wall_mm"] == Decimal(meant)
    assert sheet.cleaned_data["offset_mm"] == float(meant)


@pytest.mark.parametrize("typed", ["1\u202f200", "1 200", "1\u00a0200"])
def test_thousands_as_the_pages_print_them_are_read(typed: str) -> None:
    sheet = _sheet(layers=typed)
    assert sheet.is_valid(), sheet.errors
    assert sheet.cleaned_data["layers"] == 1200


def test_a_printed_minus_is_read() -> None:
    assert _sheet(offset="\u22120,05").is_valid()


@pytest.mark.parametrize("typed", ["1,234.5", "1.234,5", "1,2,3", "5 mm", "1 2", "nan"])
def test_what_can_be_read_in_two_ways_is_refused_and_kept(typed: str) -> None:
    sheet = _sheet(wall=typed, offset=typed)
    assert set(sheet.errors) == {"wall_mm", "offset_mm"}
    assert sheet.errors["wall_mm"] == ["Type a number, such as 0.05 or 0,05."]
    assert sheet["wall_mm"].value() == typed


def test_a_whole_number_is_not_cut() -> None:
    assert _sheet(layers="12,5").errors["layers"] == ["Type a whole number."]


def test_what_is_out_of_range_says_the_range() -> None:
    assert _sheet(wall="91").errors["wall_mm"] == ["It cannot be more than 90."]
    assert _sheet(wall="-1").errors["wall_mm"] == ["It cannot be less than 0."]


@pytest.mark.parametrize("form", [FinishForm(), PreparationForm(), RunForm(kind=None)])
def test_no_box_of_the_bench_leaves_the_reading_to_the_browser(form: forms.Form) -> None:
    """A browser's number box turns 12,5 into 125 without a word."""
    assert 'type="number"' not in form.as_p()
    assert 'inputmode="decimal"' in form.as_p()
