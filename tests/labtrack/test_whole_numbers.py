"""Numbers as an address or a form spells them: none of them breaks a page."""

from __future__ import annotations

from typing import Any

import pytest

from labtrack.web import csv_response
from labtrack.whole_numbers import LARGEST, whole_number

NO_NUMBERS = ["", "²", "٣", "-1", "1e3", " 7", "1_0", str(LARGEST + 1), "9" * 30, "0" * 5000]


@pytest.mark.parametrize("text", NO_NUMBERS)
def test_what_is_no_plain_number_of_ours_is_none(text: str) -> None:
    assert whole_number(text) is None


def test_a_number_is_read_up_to_its_limit() -> None:
    assert whole_number("007") == 7
    assert whole_number(str(LARGEST)) == LARGEST
    assert whole_number("200", most=200) == 200
    assert whole_number("201", most=200) is None


@pytest.mark.django_db
@pytest.mark.parametrize("text", ["²", "9" * 30, "0" * 5000])
@pytest.mark.parametrize(
    "address",
    ["/bench/plan/?q={}", "/bench/plan/?chosen={}", "/lab/instructions/print/?version={}", "/trace/?mark={}"],
)
def test_no_page_breaks_on_a_strange_number(address: str, text: str, people: Any, client_of: Any) -> None:
    answer = client_of(people.manager).get(address.format(text))
    assert answer.status_code < 500


@pytest.mark.django_db
@pytest.mark.parametrize("text", ["²", "9" * 30])
@pytest.mark.parametrize(
    ("address", "field"),
    [
        ("/bench/prepare/", "appliance"),
        ("/bench/plan/", "printer"),
        ("/bench/plan/", "tank"),
        ("/bench/plan/", "preparation"),
        ("/lab/holds/place/", "held_id"),
        ("/lab/combinations/", "printer"),
        ("/proofs/", "printer"),
    ],
)
def test_no_form_breaks_on_a_strange_number(
    address: str, field: str, text: str, people: Any, client_of: Any
) -> None:
    answer = client_of(people.manager).post(address, {field: text})
    assert 400 <= answer.status_code < 500


def test_a_column_that_people_name_is_no_formula_either() -> None:
    text = b"".join(csv_response("x.csv", ("=cmd()", "plain"), [("@a", 1)])).decode()  # type: ignore[arg-type]
    assert text == "'=cmd(),plain\r\n'@a,1\r\n"
