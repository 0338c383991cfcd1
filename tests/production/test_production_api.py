"""Builds, parts and equipment events for scripts: shapes, scopes, statuses, each request once."""

from __future__ import annotations

from typing import Any

from production.models import Build, EquipmentEvent
from tests.production.shop import Shop


def test_a_build_is_planned_started_and_ended_by_a_script(shop: Shop, people: Any, api_client: Any) -> None:
    client = api_client(people.technician)
    preparation = shop.preparation()
    wanted = {
        "printer": "printer-1",
        "tank": "tank-1",
        "parts": [{"preparation_id": preparation.pk, "platform_x_mm": "-20.5", "platform_y_mm": "10.0"}],
    }
    made = client.post_json("/api/v1/builds/", wanted, key="k1")
    assert made.status_code == 201, made.json()
    again = client.post_json("/api/v1/builds/", wanted, key="k1")
    assert (again.status_code, again.json()["number"]) == (200, made.json()["number"])
    number = made.json()["number"]
    assert client.post_json(f"/api/v1/builds/{number}/start/", {}).status_code == 200
    part = made.json()["parts"][0]
    ended = client.post_json(
        f"/api/v1/builds/{number}/end/",
        {"layers": 300, "resin_ml": "40.5", "outcomes": [{"part": part["number"], "outcome": "good"}]},
        key="k2",
    )
    assert ended.status_code == 200, ended.json()
    assert (ended.json()["state"], ended.json()["parts"][0]["outcome"]) == ("finished", "good")
    for mark in (part["mark"], part["mark"].lower(), str(part["number"])):
        assert client.get(f"/api/v1/parts/{mark}/").json()["number"] == part["number"]
    listed = client.get("/api/v1/builds/", {"state": "finished", "printer": "printer-1"}).json()
    assert listed["count"] == 1


def test_refusals_are_problems_with_their_sentence(shop: Shop, people: Any, api_client: Any) -> None:
    client = api_client(people.technician)
    preparation = shop.preparation()
    wanted = {"printer": "printer-1", "tank": "tank-2", "parts": [{"preparation_id": preparation.pk}]}
    problem = client.post_json("/api/v1/builds/", wanted)
    assert (problem.status_code, problem.json()["code"]) == (422, "tank-elsewhere")
    unknown = client.post_json("/api/v1/builds/", wanted | {"printer": "nope"}).json()
    assert unknown["errors"][0]["field"] == "printer"
    assert client.post_json("/api/v1/builds/", wanted | {"parts": []}).status_code == 422
    assert client.get("/api/v1/builds/999999/").status_code == 404
    assert client.get(f"/api/v1/builds/{10**30}/").status_code == 404
    for mark in ("A-000001", "nope", "0", "9" * 5_000, "²"):
        assert client.get(f"/api/v1/parts/{mark}/").status_code == 404
    assert client.post_json("/api/v1/builds/999/end/", {}).status_code == 404
    assert not Build.objects.exists()


def test_keys_that_differ_only_at_their_end_are_two_builds(shop: Shop, people: Any, api_client: Any) -> None:
    client = api_client(people.technician)
    wanted = {"printer": "printer-1", "tank": "tank-1", "parts": [{"preparation_id": shop.preparation().pk}]}
    made = [client.post_json("/api/v1/builds/", wanted, key="k" * 99 + end) for end in "ab"]
    assert [answer.status_code for answer in made] == [201, 201]
    assert Build.objects.count() == 2


def test_a_failed_build_by_a_script_scraps_its_parts(shop: Shop, people: Any, api_client: Any) -> None:
    client = api_client(people.technician)
    made = client.post_json(
        "/api/v1/builds/",
        {
            "printer": "printer-1",
            "tank": "tank-1",
            "parts": [{"preparation_id": shop.preparation().pk}],
            "start": True,
        },
        key="k" * 100,
    ).json()
    assert made["state"] == "running"
    ended = client.post_json(f"/api/v1/builds/{made['number']}/end/", {"failure": "power cut"}).json()
    assert (ended["state"], ended["parts"][0]["outcome"]) == ("failed", "scrapped")


def test_a_scale_records_a_top_up_once(shop: Shop, people: Any, api_client: Any) -> None:
    client = api_client(people.technician)
    url = "/api/v1/equipment/tank-1/events/"
    top_up = {"kind": "topped-up", "lot_id": shop.model_lot.pk, "quantity_ml": 120}
    assert client.post_json(url, top_up, key="t").status_code == 201
    assert client.post_json(url, top_up, key="t").status_code == 200
    assert EquipmentEvent.objects.filter(kind="topped-up").count() == 1
    assert client.get(url).json()["results"][0]["quantity_ml"] == 120
    wrong = client.post_json(url, top_up | {"lot_id": shop.guide_lot.pk})
    assert (wrong.status_code, wrong.json()["code"]) == (422, "purpose-differs")
    retired = client.post_json(url, {"kind": "retired"})
    assert (retired.status_code, retired.json()["code"]) == (422, "own-function")
    moved = client.post_json(url, {"kind": "moved", "moved_to": "printer-2"})
    assert (moved.status_code, moved.json()["moved_to"]) == (201, "printer-2")
    assert client.get("/api/v1/equipment/nope/events/").status_code == 404
    assert client.get("/api/v1/equipment/").json()["count"] >= 9


def test_scopes_hold(shop: Shop, people: Any, api_client: Any) -> None:
    reader = api_client(people.technician, ["shop:read"])
    assert reader.get("/api/v1/builds/").status_code == 200
    refused = reader.post_json("/api/v1/equipment/tank-1/events/", {"kind": "filtered"})
    assert (refused.status_code, refused.json()["code"]) == (403, "scope-missing")
    assert api_client(None).get("/api/v1/builds/").status_code == 401
    clinic = api_client(people.clinic)
    for path in ("/api/v1/builds/", "/api/v1/equipment/", "/api/v1/parts/P-000001/"):
        assert clinic.get(path).status_code == 403
