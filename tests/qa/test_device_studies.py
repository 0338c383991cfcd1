"""Measuring: a study is planned, entered and judged, and its U is what parts are judged with from then on."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from labtrack.errors import Conflict, NotAllowed, Refused
from production.models import Equipment, EquipmentEvent
from production.services.equipment import add_equipment
from qa.models import AgreementStudy, DeviceStudy
from qa.queries.devices import uncertainty_of
from qa.services.calipers import LIMIT
from qa.services.judging import terms_at
from qa.services.studies import judge_agreement, judge_study, plan_study, reading_order
from tests.external.test_stat_measuring import gauge_cube

pytestmark = pytest.mark.django_db

GAUGE = gauge_cube()
METERS = [[494, 512], [395, 430], [516, 520], [434, 428], [476, 500], [557, 600], [413, 364], [442, 380]]


@pytest.fixture
def caliper(actors: Any) -> Equipment:
    return add_equipment(actor=actors.manager, code="cal-9", name="Caliper nine", kind="caliper").thing


def plan(actors: Any, device: Equipment, **changes: Any) -> DeviceStudy:
    values: dict[str, Any] = {"device_id": device.pk, "characteristic": "width of a block"}
    return plan_study(actor=actors.quality, key="", **(values | changes)).thing


def test_every_reading_comes_once_and_the_order_is_drawn(actors: Any, caliper: Equipment) -> None:
    study = plan(actors, caliper)
    order = reading_order(study)
    assert set(Counter(order).values()) == {1} and len(order) == 90
    assert [trial for trial, _, _ in order] == sorted(trial for trial, _, _ in order)
    assert [part for _, _, part in order[:10]] != list(range(1, 11))
    assert order == reading_order(DeviceStudy.objects.get(pk=study.pk))


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"characteristic": " "}, "characteristic-missing"),
        ({"parts": 1}, "design"),
        ({"trials": 1}, "design"),
        ({"appraisers": 7}, "design"),
        ({"device_id": 987_654}, "device-unknown"),
    ],
)
def test_a_study_that_cannot_be_judged_is_refused(
    actors: Any, caliper: Equipment, changes: dict[str, Any], code: str
) -> None:
    with pytest.raises(Refused) as refused:
        plan(actors, caliper, **changes)
    assert refused.value.code == code and not DeviceStudy.objects.exists()


def test_a_judged_study_hands_its_uncertainty_to_the_decision_with_its_date(
    actors: Any, caliper: Equipment
) -> None:
    # AIAG, Measurement Systems Analysis: reference set of 10 parts, 3 appraisers, 3 trials; published
    # gauge spread 0.302372 (by analysis of variance), 4 categories, 27.86 % of the variation.
    before = timezone.now()
    assert not uncertainty_of(caliper, caliper.kind, before).studied
    study = judge_study(actor=actors.quality, study_id=plan(actors, caliper).pk, values=GAUGE.tolist())
    assert study.result is not None
    assert study.result["gauge"] == pytest.approx(0.302372, abs=1e-6)
    assert study.result["share"] == pytest.approx(0.2786, abs=5e-5)
    assert (study.result["categories"], study.result["by_range"]["categories"]) == (4, 5)
    assert study.result["uncertainty_mm"] == 0.605  # 2 x 0.302372, rounded up
    now = timezone.now()
    known = uncertainty_of(caliper, caliper.kind, now)
    assert (known.uncertainty_mm, known.studied_at) == (0.605, study.judged_at)
    assert f"{study.judged_at:%d %b %Y}" in known.sentence
    used = terms_at(LIMIT, caliper, now)
    assert (used.uncertainty_mm, used.uncertainty_studied) == (0.605, True)
    # What was judged before the study keeps what was known then.
    assert not uncertainty_of(caliper, caliper.kind, before - timedelta(seconds=1)).studied


def test_a_known_offset_widens_the_uncertainty(actors: Any, caliper: Equipment) -> None:
    study = plan(actors, caliper)
    judged = judge_study(actor=actors.quality, study_id=study.pk, values=(0.1 * GAUGE).tolist(), bias_mm=0.04)
    # JCGM 100: 2 sqrt(0.0302372^2 + 0.04^2) = 0.100285
    assert judged.result is not None and judged.result["uncertainty_mm"] == 0.101


def test_readings_without_any_spread_put_nothing_in_force(actors: Any, caliper: Equipment) -> None:
    study = plan(actors, caliper, parts=2, appraisers=1, trials=2)
    judged = judge_study(actor=actors.quality, study_id=study.pk, values=[[[1.0, 1.0]], [[2.0, 2.0]]])
    assert judged.result is not None and judged.result["uncertainty_mm"] is None
    assert not EquipmentEvent.objects.filter(equipment=caliper, kind="studied").exists()


@pytest.mark.parametrize(
    "values",
    [
        [[[1.0, 1.0]]],
        [[[1.0, float("nan")]], [[1.0, 1.0]]],
        [[[1.0, 1.0]], [[2.0]]],
        [[[1.0, 25_400.0]], [[1.0, 1.0]]],
        [[[1.0, 90.0]], [[1.0, 1.0]]],
    ],
    ids=["too few", "not a number", "a gap", "another unit", "another part"],
)
def test_readings_that_cannot_be_are_refused_and_nothing_is_kept(
    actors: Any, caliper: Equipment, values: Any
) -> None:
    study = plan(actors, caliper, parts=2, appraisers=1, trials=2)
    with pytest.raises(Refused):
        judge_study(actor=actors.quality, study_id=study.pk, values=values)
    study.refresh_from_db()
    assert study.judged_at is None and study.values == []
    assert not EquipmentEvent.objects.filter(equipment=caliper, kind="studied").exists()


def test_a_study_is_judged_once_and_by_who_may(actors: Any, caliper: Equipment) -> None:
    study = plan(actors, caliper)
    with pytest.raises(NotAllowed):
        judge_study(actor=actors.technician, study_id=study.pk, values=GAUGE.tolist())
    judge_study(actor=actors.quality, study_id=study.pk, values=GAUGE.tolist())
    with pytest.raises(Conflict):
        judge_study(actor=actors.quality, study_id=study.pk, values=GAUGE.tolist())


def agree(actors: Any, **changes: Any) -> AgreementStudy:
    values: dict[str, Any] = {
        "kind": "methods",
        "title": "Two meters",
        "first": "large",
        "second": "mini",
        "pairs": [[str(a), str(b)] for a, b in METERS],
    }
    return judge_agreement(actor=actors.quality, key="", **(values | changes)).thing


def test_two_methods_are_judged_by_their_limits_of_agreement(actors: Any) -> None:
    # First readings of Bland and Altman 1986; mean and spread of the differences by hand.
    differences = [a - b for a, b in METERS]
    bias = sum(differences) / len(differences)
    made = agree(actors)
    assert made.result["figures"][0]["value"] == pytest.approx(bias, abs=1e-4)
    assert "large less mini" in made.result["figures"][0]["name"]
    assert agree(actors, pairs=[["1,5", "1,4"], ["2.5", "2.6"], ["3", "3"]]).pairs[0] == [1.5, 1.4]


def test_two_people_are_judged_beyond_chance(actors: Any) -> None:
    # Cohen's table [[20, 5], [10, 15]]: kappa 0.4000 (textbook example)
    words = [("good", "good")] * 20 + [("good", "bad")] * 5 + [("bad", "good")] * 10 + [("bad", "Bad ")] * 15
    made = agree(actors, kind="people", pairs=[list(pair) for pair in words])
    kappa = made.result["figures"][2]
    assert kappa["value"] == pytest.approx(0.4) and kappa["low"] < 0.4 < kappa["high"]


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"pairs": [["1", "2"]]}, "pairs"),
        ({"pairs": [["1", "two"], ["1", "2"], ["1", "2"]]}, "pairs"),
        ({"pairs": [["1", "inf"], ["1", "2"], ["1", "2"]]}, "pairs"),
        ({"second": "Large "}, "names"),
        ({"title": ""}, "title-missing"),
        ({"kind": "people", "pairs": [[str(i), str(i)] for i in range(40)]}, "pairs"),
    ],
)
def test_pairs_that_cannot_be_judged_are_refused(actors: Any, changes: dict[str, Any], code: str) -> None:
    with pytest.raises(Refused) as refused:
        agree(actors, **changes)
    assert refused.value.code == code and not AgreementStudy.objects.exists()


def test_grades_that_never_differ_get_a_sentence(actors: Any) -> None:
    made = agree(actors, kind="people", pairs=[["good", "good"]] * 5)
    assert made.result["figures"][2]["value"] is None and "cannot be judged" in made.result["sentence"]


def test_values_all_alike_get_a_sentence(actors: Any) -> None:
    made = agree(actors, pairs=[["5", "5"]] * 4)
    assert made.result["figures"][0]["value"] == 0


def test_a_study_from_plan_to_verdict_on_the_pages(
    people: Any, client_of: Callable[[Any], Client], caliper: Equipment
) -> None:
    quality, owner = client_of(people.quality), client_of(people.manager)
    url = reverse("qa:measuring-studies")
    assert "No device study yet" in quality.get(url).content.decode()
    data = {
        "device": caliper.pk,
        "characteristic": "width",
        "parts": 2,
        "appraisers": 2,
        "trials": 2,
        "submission_key": "k",
    }
    assert quality.post(url, data | {"parts": "1"}).status_code == 422
    assert quality.post(url, data).status_code == 302
    study = DeviceStudy.objects.get()
    page = reverse("qa:study", args=[study.pk])
    assert "Measure in this order" in quality.get(page).content.decode()
    readings = {
        f"v_{part}_{person}_{trial}": f"{10 * part + 0.01 * person + 0.02 * trial:.2f}"
        for part in (1, 2)
        for person in (1, 2)
        for trial in (1, 2)
    }
    assert quality.post(page, readings | {"v_1_1_1": "wide"}).status_code == 422
    assert quality.post(page, readings).status_code == 302
    shown = owner.get(page).content.decode()
    assert "in force for this device since" in shown and "Enter the values" not in shown
    assert "from the device study of" in owner.get(url).content.decode()
    rows = b"".join(owner.get(reverse("qa:study-csv", args=[study.pk])).streaming_content)  # type: ignore[attr-defined]
    assert len(rows.decode().splitlines()) == 9


def test_two_methods_on_the_pages(people: Any, client_of: Callable[[Any], Client]) -> None:
    quality = client_of(people.quality)
    url = reverse("qa:agreement-new")
    data = {
        "kind": "methods",
        "title": "Scanner and caliper",
        "first": "scanner",
        "second": "caliper",
        "pairs": "42.15; 42.20\n40,1 40,3\n\n39.9\t40.0\n",
        "submission_key": "k",
    }
    assert quality.get(url).status_code == 200
    wrong = quality.post(url, data | {"pairs": "1 2 3\n1 2\n1 2"})
    assert wrong.status_code == 422 and "Line 1 does not hold two values" in wrong.content.decode()
    assert quality.post(url, data).status_code == 302
    made = AgreementStudy.objects.get()
    assert made.pairs == [[42.15, 42.2], [40.1, 40.3], [39.9, 40.0]]
    shown = quality.get(reverse("qa:agreement", args=[made.pk])).content.decode()
    assert "Limits of agreement" in shown
    rows = b"".join(quality.get(reverse("qa:agreement-csv", args=[made.pk])).streaming_content)  # type: ignore[attr-defined]
    assert rows.decode().splitlines()[0] == "scanner,caliper"
