"""The shop's pages: per role, by keyboard and scanner, nothing lost on a refusal."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.urls import reverse
from django.utils import timezone

from production.models import Answer, Build, FormingCycle, Piece, TreatmentRun, WorkInstruction
from production.queries.instructions import items_in_use
from production.services import builds, delivery
from tests.production.shop import Shop


def addresses(shop: Shop, piece: Piece) -> list[str]:
    assert piece.cycle is not None
    part = piece.cycle.part
    named = [
        "bench", "prepare", "plan", "new-batch", "trace", "lab", "equipment-add", "materials",
        "material-add", "combinations", "instructions", "holds",
    ]  # fmt: skip
    found = [reverse(f"production:{name}") for name in named]
    run = part.treated.order_by("pk").first()
    assert run is not None
    of_things = {
        "build": part.build.number,
        "part": part.number,
        "piece": piece.number,
        "forming-batch": piece.cycle.batch.number,
        "run": run.run_id,
        "material": "grey",
        "lot": shop.model_lot.pk,
        "instruction": "wash",
        "instruction-edit": "wash",
        "hand-over": piece.appliance.case.number,
    }
    found += [reverse(f"production:{name}", args=[ref]) for name, ref in of_things.items()]
    steps = ("drip", "wash", "dry", "remove-supports", "cure")
    found += [reverse("production:new-run", args=[step]) for step in steps]
    found += [reverse("production:pieces-step", args=[s]) for s in ("trim", "finish", "disinfect", "pack")]
    codes = ("tank-1", "printer-1", "bath-1", "cure-1", "former-1")
    return found + [reverse("production:equipment", args=[code]) for code in codes]


def test_pages_per_role(shop: Shop, people: Any, client_of: Any) -> None:
    """Lab roles see everything; clinics nothing; an administrator reads and adds equipment only."""
    pages = addresses(shop, shop.piece())
    for user, allowed in ((people.quality, pages), (people.manager, pages)):
        client = client_of(user)
        for url in allowed:
            assert client.get(url).status_code == 200, (user, url)
    technician = client_of(people.technician)
    for url in pages:
        expected = 403 if url.endswith("/edit/") else 200
        assert technician.get(url).status_code == expected, url
    clinic = client_of(people.clinic)
    assert {clinic.get(url).status_code for url in pages} == {403}
    stranger = client_of(None)
    assert {stranger.get(url).status_code for url in pages} == {302}
    administrator = client_of(people.administrator)
    refused = [url for url in pages if administrator.get(url).status_code == 403]
    assert reverse("production:plan") in refused
    assert reverse("production:bench") not in refused


@pytest.mark.parametrize("name", ["bench", "lab", "plan"])
def test_lists_cost_a_bounded_number_of_queries(
    shop: Shop, people: Any, client_of: Any, name: str, django_assert_max_num_queries: Any
) -> None:
    at = timezone.now() - timedelta(days=3)
    shop.printed(4, at=at)
    shop.printed(4, at=at + timedelta(hours=4))
    shop.preparation()
    client = client_of(people.technician)
    with django_assert_max_num_queries(40):
        assert client.get(reverse(f"production:{name}")).status_code == 200


@pytest.mark.parametrize("typed", ["{mark}", "{lower}", " {plain} ", "{starred}"])
def test_a_scanned_mark_opens_its_page(shop: Shop, people: Any, client_of: Any, typed: str) -> None:
    piece = shop.piece()
    forms = {
        "mark": piece.mark,
        "lower": piece.mark.lower(),
        "plain": f"A{piece.number}",
        "starred": f"*{piece.mark}*",
    }
    response = client_of(people.technician).get("/bench/go/", {"mark": typed.format(**forms)})
    assert response["Location"] == reverse("production:piece", args=[piece.number])


def test_a_lot_number_of_two_materials_is_not_guessed(shop: Shop, people: Any, client_of: Any) -> None:
    shop.lot(shop.guide_resin, shop.model_lot.number)
    client = client_of(people.technician)
    for url in ("/bench/go/", "/trace/"):
        answer = client.get(url, {"mark": shop.model_lot.number}, follow=True)
        assert "Several materials have a lot" in answer.content.decode()


def test_an_unknown_mark_says_what_marks_look_like(shop: Shop, people: Any, client_of: Any) -> None:
    client = client_of(people.technician)
    assert client.get("/bench/go/", {"mark": "tank-1"})["Location"] == "/lab/equipment/tank-1/"
    page = client.get("/bench/go/", {"mark": "<b>zzz"}, follow=True).content.decode()
    assert "Nothing bears the mark" in page and "<b>zzz" not in page
    # A number that nothing bears is told apart from what is no mark, and stays in the box to be put right.
    page = client.get("/bench/go/", {"mark": "P-999999"}, follow=True).content.decode()
    assert "There is no part “P-999999”" in page and 'value="P-999999"' in page


@pytest.mark.parametrize("count", ["2,5", "0", "51", "", "two", "٣"])
def test_a_count_that_is_none_is_refused_and_kept(
    shop: Shop, people: Any, client_of: Any, count: str
) -> None:
    preparation = shop.preparation()
    posted = {
        "preparation": preparation.pk,
        f"copies-{preparation.pk}": count,
        "printer": shop.printer.pk,
        "start_now": "on",
    }
    response = client_of(people.technician).post("/bench/plan/", posted)
    page = response.content.decode()
    assert response.status_code == 422
    assert f"How many of {preparation.appliance.label}?" in page
    assert f'name="copies-{preparation.pk}" value="{count}"' in page
    assert not Build.objects.exists()


def test_a_build_ended_without_outcomes_says_how_many_are_open(
    shop: Shop, people: Any, client_of: Any
) -> None:
    build = shop.plan([shop.preparation(), shop.preparation()], at=shop.at(hours=-1))
    builds.start_build(actor=shop.tech, build_id=build.pk, started_at=shop.at(hours=-1))
    url = f"/bench/builds/{build.number}/"
    client = client_of(people.technician)
    page = client.post(f"{url}record/", {"what": "finish"}, follow=True).content.decode()
    count = build.parts.count()
    assert f"{build.label} is finished. {count} part" in page and "no outcome yet" in page
    assert 'data-all-outcomes="good"' in page
    client.post(f"{url}record/", {"what": "answers"} | {f"outcome-{p.pk}": "good" for p in build.parts.all()})
    assert "outcome yet" not in client.get(url).content.decode()


def test_a_build_goes_from_plan_to_end_in_two_submissions(shop: Shop, people: Any, client_of: Any) -> None:
    """Ten parts: tick all and start; then outcomes, answers and the end together."""
    client = client_of(people.technician)
    preps = [shop.preparation() for _ in range(10)]
    planned = client.post(
        "/bench/plan/",
        {
            "submission_key": "a",
            "preparation": [prep.pk for prep in preps],
            "printer": shop.printer.pk,
            "start_now": "on",
        },
    )
    build = Build.objects.get()
    assert planned["Location"] == f"/bench/builds/{build.number}/"
    assert (build.state, build.tank_id, build.parts.count()) == ("running", shop.tank.pk, 10)
    parts = list(build.parts.order_by("number"))
    items = items_in_use("print", timezone.now())
    data = {f"outcome-{part.pk}": "good" for part in parts}
    data |= {
        f"outcome-{parts[0].pk}": "scrapped",
        f"reason-{parts[0].pk}": "split layer",
        f"answer-{items['tank-inspected'].pk}": "yes",
        f"value-{items['resin-temp-c'].pk}": "31,5",
        f"answer-{items['resin-stirred'].pk}": "not-done",
        "layers": "640",
        "what": "finish",
        "submission_key": "b",
    }
    client.post(f"/bench/builds/{build.number}/record/", data)
    build.refresh_from_db()
    assert (build.state, build.layers) == ("finished", 640)
    assert build.parts.filter(outcome="good").count() == 9
    assert dict(build.answers.values_list("item__code", "status")) == {
        "tank-inspected": "within",
        "resin-temp-c": "out-of-limits",
        "resin-stirred": "not-done",
    }


def test_a_refused_end_keeps_what_was_typed_and_writes_nothing(
    shop: Shop, people: Any, client_of: Any
) -> None:
    build = shop.plan()
    builds.start_build(actor=shop.tech, build_id=build.pk, started_at=shop.at())
    part = build.parts.get()
    item = items_in_use("print", timezone.now())["resin-temp-c"]
    data = {
        f"outcome-{part.pk}": "scrapped",
        f"value-{item.pk}": "warm",
        f"reason-{part.pk}": "fell off",
        "layers": "77",
        "what": "finish",
    }
    response = client_of(people.technician).post(f"/bench/builds/{build.number}/record/", data)
    page = response.content.decode()
    assert response.status_code == 422
    assert "asks for a number" in page and 'value="77"' in page and "fell off" in page
    build.refresh_from_db()
    assert build.state == "running" and not Answer.objects.exists() and not part.outcomes.exists()


def test_a_wash_is_ticked_scanned_and_answered_in_one_submission(
    shop: Shop, people: Any, client_of: Any
) -> None:
    first, second = shop.printed(2).parts.order_by("number")
    item = items_in_use("wash", timezone.now())["wash-two-baths"]
    data = {
        "part": [first.pk],
        "marks": f"{second.mark.lower()} ",
        "equipment": shop.bath.pk,
        "minutes": "6",
        "submission_key": "w",
        f"answer-{item.pk}": "yes",
    }
    client = client_of(people.technician)
    assert client.post("/bench/run/wash/", data).status_code == 302
    run = TreatmentRun.objects.get()
    assert set(run.parts.all()) == {first, second}
    assert run.finished_at - run.started_at == timedelta(minutes=6)
    assert run.answers.get().status == "within"
    # The same machine and minutes are filled in next time, and answers can be completed on the run's page.
    assert 'value="6"' in client.get("/bench/run/wash/").content.decode()
    minutes = items_in_use("wash", timezone.now())["wash-minutes"]
    client.post(f"/bench/runs/{run.pk}/", {f"value-{minutes.pk}": "6", "submission_key": "x"})
    assert run.answers.count() == 2


def test_a_wash_in_the_wrong_bath_is_said_on_the_form(shop: Shop, people: Any, client_of: Any) -> None:
    part = shop.printed(1).parts.get()
    data = {"part": [part.pk], "equipment": shop.guide_bath.pk, "minutes": "6"}
    response = client_of(people.technician).post("/bench/run/wash/", data)
    assert response.status_code == 422
    assert "The two never share a bath" in response.content.decode()
    assert not TreatmentRun.objects.exists()


def test_a_scan_records_a_cycle_with_the_last_settings(shop: Shop, people: Any, client_of: Any) -> None:
    first, second = shop.printed(2).parts.order_by("number")
    client = client_of(people.technician)
    client.post("/bench/forming/", {"machine": shop.former.pk, "submission_key": "o"})
    url = reverse("production:forming-batch", args=[1])
    data = {"marks": first.mark, "sheet_lot": shop.sheet_lot.pk, "heat_s": "31", "pressure_bar": "3.5"}
    assert client.post(url, data | {"submission_key": "1"}).status_code == 302
    assert 'value="31"' in client.get(url).content.decode()
    client.post(url, data | {"marks": second.mark, "submission_key": "2"})
    two = f"{first.mark} {second.mark}"
    assert client.post(url, data | {"marks": two, "submission_key": "3"}).status_code == 422
    assert FormingCycle.objects.count() == Piece.objects.count() == 2
    client.post(f"{url}close/")
    assert "open" not in client.get(url).content.decode().split("</h1>")[1][:200]


def test_forming_over_an_uncured_model_and_a_second_scan_are_said_at_once(
    shop: Shop, people: Any, client_of: Any
) -> None:
    build = shop.printed(2, at=shop.at(hours=-6))
    cured, uncured = build.parts.order_by("number")
    shop.treat("cure", [cured], at=shop.at(hours=-2))
    batch = shop.batch(shop.at(hours=-1))
    client = client_of(people.technician)
    url = f"/bench/forming/{batch.number}/"
    values = {"sheet_lot": shop.sheet_lot.pk, "heat_s": "30"}

    def page(mark: str) -> str:
        return client.post(url, values | {"marks": mark}, follow=True).content.decode()

    first = page(cured.mark)
    assert (
        "Mark what came off" in first and "No cure is recorded" not in first and "formed before" not in first
    )
    assert f"{cured.mark} was formed before: this is forming 2" in page(cured.mark)
    assert f"No cure is recorded for {uncured.mark}" in page(uncured.mark)


def test_many_pieces_are_trimmed_at_once(shop: Shop, people: Any, client_of: Any) -> None:
    piece, other = shop.piece(), shop.piece(at=shop.at(3))
    item = items_in_use("trim", timezone.now())["removed-whole"]
    data = {"piece": [piece.pk], "marks": other.mark, f"answer-{item.pk}": "yes", "submission_key": "t"}
    assert client_of(people.technician).post("/bench/work/trim/", data).status_code == 302
    assert piece.steps.count() == other.steps.count() == 1
    assert Answer.objects.filter(piece__in=[piece, other], status="within").count() == 2


def test_an_unknown_step_of_a_piece_is_not_found_and_no_answer_is_said(
    shop: Shop, people: Any, client_of: Any
) -> None:
    piece, client = shop.piece(), client_of(people.technician)
    for what in ("done", "answers"):
        assert client.post(f"/bench/pieces/{piece.number}/nonsense/", {"what": what}).status_code == 404
    empty = client.post(f"/bench/pieces/{piece.number}/trim/", {"what": "answers"})
    assert empty.status_code == 422
    assert "Nothing is answered." in empty.content.decode()
    assert not piece.steps.exists() and not Answer.objects.filter(piece=piece).exists()


@pytest.mark.parametrize("typed", ["1234,5", "1\u202f234.5", "\u22121234.5"])
def test_an_answer_takes_a_number_as_people_and_pages_write_it(
    shop: Shop, people: Any, client_of: Any, typed: str
) -> None:
    build = shop.printed()
    instruction = WorkInstruction.objects.create(
        step="print", version=99, title="Print", active_from=shop.old, recorded_by=people.quality
    )
    item = instruction.items.create(position=1, code="hours", text="Lamp", kind="number", unit="h")
    data = {"what": "answers", f"value-{item.pk}": typed}
    answer = client_of(people.technician).post(f"/bench/builds/{build.number}/record/", data)
    assert answer.status_code == 302
    assert abs(build.answers.get().number or 0) == Decimal("1234.5")


def test_a_reason_longer_than_its_column_is_refused(shop: Shop, people: Any, client_of: Any) -> None:
    technician, long = client_of(people.technician), "x" * 201
    build, part = shop.plan(), shop.printed().parts.get()
    for url, data in (
        ("/lab/holds/place/", {"held": "lot", "held_id": shop.model_lot.pk}),
        (f"/lab/lots/{shop.model_lot.pk}/change/", {"what": "quarantine"}),
        ("/lab/equipment/bath-1/service/", {"what": "retire"}),
        (f"/bench/builds/{build.number}/cancel/", {}),
        (
            f"/bench/builds/{part.build.number}/record/",
            {f"outcome-{part.pk}": "scrapped", f"reason-{part.pk}": long},
        ),
    ):
        refused = technician.post(url, {"reason": long} | data)
        assert refused.status_code == 422, url
        assert "longer than 200 characters" in refused.content.decode()
    build.refresh_from_db()
    assert build.state == "planned" and part.outcomes.get().outcome == "good"


def test_equipment_events_and_refusals_on_the_page(shop: Shop, people: Any, client_of: Any) -> None:
    client = client_of(people.technician)
    url = reverse("production:equipment", args=["tank-1"])
    response = client.post(url, {"kind": "filled", "lot": shop.model_lot.pk})
    assert response.status_code == 422 and "not empty" in response.content.decode()
    assert client.post(url, {"kind": "filtered", "submission_key": "f"}).status_code == 302
    assert shop.tank.events.filter(kind="filtered").count() == 1


def test_quality_edits_a_work_instruction_into_a_new_version(shop: Shop, people: Any, client_of: Any) -> None:
    client = client_of(people.quality)
    data = {
        "title": "Dry",
        "caution": "Away from flames.",
        "rows": "2",
        "follows": "1",
        "text-0": "Time drying",
        "kind-0": "number",
        "unit-0": "min",
        "low-0": "15",
        "code-0": "dry-minutes",
        "text-1": "",
        "kind-1": "yes-no",
    }
    bad = client.post("/lab/instructions/dry/edit/", data | {"low-0": "much"})
    assert bad.status_code == 422 and "much" in bad.content.decode()
    assert client.post("/lab/instructions/dry/edit/", data).status_code == 302
    assert WorkInstruction.objects.get(step="dry", version=2).items.get().low == 15
    assert client.post("/lab/instructions/dry/edit/", data).status_code == 409


def test_holds_lots_and_retirement_from_their_pages(shop: Shop, people: Any, client_of: Any) -> None:
    technician, quality = client_of(people.technician), client_of(people.quality)
    hold = {"held": "lot", "held_id": shop.model_lot.pk, "reason": "recall", "next": "/lab/holds/"}
    assert technician.post("/lab/holds/place/", hold)["Location"] == "/lab/holds/"
    elsewhere = technician.post("/lab/holds/place/", hold | {"next": "https://evil.example/"})
    assert elsewhere["Location"] == "/lab/holds/"
    placed = shop.model_lot.holds.first()
    assert placed is not None
    assert technician.post(f"/lab/holds/{placed.pk}/lift/", {"reason": "x"}).status_code == 403
    assert quality.post(f"/lab/holds/{placed.pk}/lift/", {"reason": "checked"}).status_code == 302
    change = f"/lab/lots/{shop.model_lot.pk}/change/"
    assert technician.post(change, {"what": "quarantine", "reason": "odd"}).status_code == 302
    assert technician.post(change, {"what": "lift", "reason": "fine"}).status_code == 403
    assert quality.post(change, {"what": "lift", "reason": "fine"}).status_code == 302
    service = "/lab/equipment/bath-1/service/"
    assert technician.post(service, {"reason": "worn"}).status_code == 422
    assert technician.post(service, {"what": "return", "reason": "worn"}).status_code == 422
    assert technician.post(service, {"what": "retire", "reason": "worn"}).status_code == 302
    assert technician.post(service, {"what": "retire", "reason": "worn"}).status_code == 422
    shop.bath.refresh_from_db()
    assert shop.bath.retired_at is not None


def test_a_clinic_says_how_its_own_piece_fits(
    shop: Shop, people: Any, client_of: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    from labtrack.hooks import Hook

    monkeypatch.setattr(delivery, "leaving", Hook("pieces leaving"))
    piece = shop.piece()
    url = reverse("production:fit", args=[piece.number])
    clinic = client_of(people.clinic)
    assert clinic.get(url).status_code == 404  # not handed over yet
    lab = client_of(people.technician)
    packed = {"marks": piece.mark, "handed_to": "courier", "submission_key": "d"}
    assert lab.post(f"/bench/deliver/{piece.appliance.case.number}/", packed).status_code == 302
    assert clinic.get(url).status_code == 200
    assert client_of(people.other_clinic).get(url).status_code == 404
    assert clinic.post(url, {"result": "fits"}).status_code == 422  # harmed is asked, never assumed
    assert clinic.post(url, {"result": "fits", "harmed": "no"}).status_code == 302
    assert piece.fit_answers.get().harmed is False


def test_cautions_stand_where_the_work_is(shop: Shop, people: Any, client_of: Any) -> None:
    client = client_of(people.technician)
    for url, word in (
        ("/bench/run/wash/", "vapour"),
        ("/bench/run/cure/", "light harms eyes"),
        ("/bench/forming/", "stored energy"),
        ("/bench/work/trim/", "Dust"),
        ("/bench/plan/", "allergic"),
    ):
        page = client.get(url).content.decode()
        assert word in page, url
        assert "licensed practice come first" in page, url
