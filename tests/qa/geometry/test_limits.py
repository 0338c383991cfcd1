"""Limits carry value, unit, source and version, and a lab's own are read with care."""

from __future__ import annotations

import json

import pytest

from qa.geometry.errors import GeometryError
from qa.geometry.limits import SHIPPED, LimitSet


def test_every_shipped_limit_names_its_source_and_meaning() -> None:
    for limit in SHIPPED.limits:
        assert limit.source
        assert limit.version
        assert limit.unit
        assert limit.meaning
    assert len({limit.name for limit in SHIPPED.limits}) == len(SHIPPED.limits)


def test_a_set_survives_its_json() -> None:
    own = SHIPPED.changed({"contact_min": 0.8}, name="bench", version="2026-03", source="our trial of March")
    again = LimitSet.from_json(json.loads(json.dumps(own.to_json())))
    assert again == own
    assert again["contact_min"].source == "our trial of March"
    assert again["contact_fail"].source == SHIPPED["contact_fail"].source


def test_a_bare_number_is_enough() -> None:
    own = LimitSet.from_json({"name": "ours", "version": "3", "limits": {"overhang_max": 2}})
    assert own.value("overhang_max") == 2.0
    assert own["overhang_max"].source == "the lab's own"
    assert own["overhang_max"].version == "3"
    assert own.value("contact_min") == SHIPPED.value("contact_min")


@pytest.mark.parametrize(
    "wrong",
    [
        None,
        [],
        {"limits": []},
        {"limits": {"no_such": 1}},
        {"limits": {"contact_min": "high"}},
        {"limits": {"contact_min": True}},
        {"limits": {"contact_min": float("nan")}},
        {"limits": {"contact_min": {"value": 0.9, "unit": "mm"}}},
        {"limits": {"contact_min": {"unit": "share"}}},
    ],
)
def test_a_set_that_makes_no_sense_is_refused(wrong: object) -> None:
    with pytest.raises(GeometryError) as caught:
        LimitSet.from_json(wrong)
    assert caught.value.code == "limit"


def test_an_unknown_limit_is_named() -> None:
    with pytest.raises(GeometryError, match="no_such"):
        SHIPPED.value("no_such")
    with pytest.raises(GeometryError):
        SHIPPED.changed({"no_such": 1.0}, name="x", version="1", source="x")
