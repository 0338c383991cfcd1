"""Pages of quality: who may see them, what they say, and what they cost."""

from __future__ import annotations

import io
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from PIL import Image

from cases.services.file_store import blob_path
from labtrack.jobs.services.run import run_job
from production.models import Part
from qa.geometry.limits import SHIPPED
from qa.models import Defect, DefectKind, Inspection, LimitVersion, Release
from qa.queries.limits import limit_set, limits_in_force
from qa.services.inspections import FoundDefect, Look, record_inspection
from tests.conftest import PASSWORD
from tests.qa.pieces import finished_piece, released_piece

pytestmark = pytest.mark.django_db

LAB = ("technician", "quality", "manager", "administrator")
# Who may see each page of the lab, by the roles as they are.
PAGES = {
    "qa:inspect": LAB,
    "qa:limits": LAB,
    "qa:kinds": LAB,
    "qa:trends": ("quality", "manager", "administrator"),
    "qa:trend-records": ("quality", "manager", "administrator"),
}
ROLES = ("clinic", *LAB)


@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize("name", PAGES)
def test_pages_open_for_the_roles_that_may(
    people: Any, client_of: Callable[[Any], Client], name: str, role: str
) -> None:
    response = client_of(getattr(people, role)).get(reverse(name))
    assert response.status_code == (200 if role in PAGES[name] else 403)


@pytest.mark.parametrize("name", PAGES)
def test_strangers_are_sent_to_sign_in(db: None, name: str) -> None:
    response = Client().get(reverse(name))
    assert response.status_code == 302 and "sign-in" in response["Location"]


CHECK_PAGES = ("qa:check", "qa:preview", "qa:check-profile")


@pytest.mark.parametrize("name", CHECK_PAGES)
@pytest.mark.parametrize("role", ["clinic", "other_clinic", *LAB])
def test_a_clinic_sees_the_checks_of_its_own_meshes_only(
    people: Any, client_of: Callable[[Any], Client], attach: Callable[..., Any], name: str, role: str
) -> None:
    mesh = attach()
    run_job(mesh.checks.get().job_id)
    response = client_of(getattr(people, role)).get(reverse(name, args=[mesh.pk]))
    assert response.status_code == (404 if role == "other_clinic" else 200)


def test_the_api_hides_another_clinics_check(
    people: Any, api_client: Callable[..., Any], attach: Callable[..., Any]
) -> None:
    mesh = attach()
    url = reverse("api-mesh-check", args=[mesh.pk])
    assert api_client(people.other_clinic).get(url).status_code == 404
    answer = api_client(people.clinic).get(url)
    assert answer.status_code == 200 and answer.json()["state"] == "waiting"
    run_job(mesh.checks.get().job_id)
    done = api_client(people.clinic).get(url).json()
    assert done["state"] == "done" and done["figures"]["triangles"] == 4
    assert done["verdict"] and done["checks"] and done["limits_version"] == 1
    assert api_client(people.clinic, ["cases:read"]).get(url).status_code == 403


def test_the_check_page_waits_then_shows_the_result(
    people: Any, client_of: Callable[[Any], Client], attach: Callable[..., Any]
) -> None:
    mesh = attach()
    client, url = client_of(people.clinic), reverse("qa:check", args=[mesh.pk])
    waiting = client.get(url).content.decode()
    assert "Being checked" in waiting and "hx-trigger" in waiting
    partial = client.get(url, headers={"HX-Request": "true"}).content.decode()
    assert "<html" not in partial and "Waiting for a worker" in partial
    run_job(mesh.checks.get().job_id)
    assert client.get(url, headers={"HX-Request": "true"})["HX-Refresh"] == "true"
    shown = client.get(url).content.decode()
    assert "Area over height" in shown and "version 1" in shown and 'class="viewer"' in shown
    assert "All figures, by group" in shown and 'id="group-surface"' in shown
    # What the lab has and uses is for the lab.
    assert "consumption factor" not in shown and "Print time" not in shown
    assert "Print time" in client_of(people.technician).get(url).content.decode()
    sent: Any = client.get(reverse("qa:check-profile", args=[mesh.pk]))
    layers = b"".join(sent.streaming_content)
    assert layers.startswith(b"height_mm,area_cm2,starts_in_mid_air,suction_pocket_seals")
    assert layers.count(b"\n") == 601


def test_asking_again_is_for_who_may_attach(
    people: Any, client_of: Callable[[Any], Client], attach: Callable[..., Any]
) -> None:
    mesh = attach()
    url = reverse("qa:check-again", args=[mesh.pk])
    assert client_of(people.clinic).get(url).status_code == 405
    assert client_of(people.other_clinic).post(url).status_code == 404
    assert client_of(people.administrator).post(url).status_code == 403
    assert client_of(people.clinic).post(url).status_code == 302


def test_the_case_page_shows_each_meshs_check(
    people: Any, client_of: Callable[[Any], Client], attach: Callable[..., Any], case: Any
) -> None:
    mesh = attach()
    page = reverse("cases:case", args=[case.number])
    assert "Being checked" in client_of(people.clinic).get(page).content.decode()
    run_job(mesh.checks.get().job_id)
    assert reverse("qa:check", args=[mesh.pk]) in client_of(people.clinic).get(page).content.decode()


# Inspection ---------------------------------------------------------------------------------------


def form_data(**changes: Any) -> dict[str, Any]:
    data = {
        "verdict": "fail",
        "outcome": "scrapped",
        "step": "inspect",
        "note": "",
        "method": "by eye",
        "occurred_at": "",
        "submission_key": "k1",
        "defects-TOTAL_FORMS": "2",
        "defects-INITIAL_FORMS": "0",
        "defects-0-kind": "stuck-flake",
        "defects-0-severity": "major",
        "defects-0-origin": "",
        "defects-0-tooth": "16",
        "defects-1-kind": "",
        "defects-1-severity": "major",
    }
    return data | changes


def test_scanning_a_mark_leads_to_its_form(
    shop: Any, people: Any, client_of: Callable[[Any], Client]
) -> None:
    part = shop.printed().parts.get()
    client = client_of(people.technician)
    found = client.get(reverse("qa:inspect"), {"mark": part.mark.lower()})
    assert found["Location"] == reverse("qa:inspect-part", args=[part.pk])
    unknown = client.get(reverse("qa:inspect"), {"mark": "P-999999"})
    assert unknown.status_code == 422 and "no part with that mark" in unknown.content.decode()
    assert client.get(reverse("qa:inspect"), {"mark": "'; DROP"}).status_code == 422


def test_the_form_records_several_defects_with_a_photo_once(
    shop: Any, people: Any, client_of: Callable[[Any], Client]
) -> None:
    part = shop.printed().parts.get()
    client, url = client_of(people.technician), reverse("qa:inspect-part", args=[part.pk])
    page = client.get(url).content.decode()
    assert "upper right first molar" in page and "tooth-chart" in page

    def send() -> Any:
        photo = io.BytesIO()
        Image.new("RGB", (30, 30)).save(photo, "PNG")
        photo.seek(0)
        photo.name = "flake.png"
        return client.post(url, form_data(**{"defects-0-photo": photo}))

    assert send().status_code == 302 and send().status_code == 302
    defect = Defect.objects.get()
    assert (defect.kind.code, defect.tooth) == ("stuck-flake", 16)
    shown = client.get(reverse("qa:photo", args=[defect.pk]))
    assert (shown["Content-Type"], shown["Cache-Control"]) == ("image/jpeg", "private, no-store")
    blob_path(defect.photo).unlink()
    gone = client.get(reverse("qa:photo", args=[defect.pk]))
    assert gone.status_code == 404 and "not in the file store any more" in gone.content.decode()
    record = client.get(reverse("qa:inspection", args=[Inspection.objects.get().pk])).content.decode()
    assert "Bump from a stuck flake" in record and "upper right first molar" in record


def test_a_clinics_own_notation_stands_beside(
    shop: Any, people: Any, client_of: Callable[[Any], Client]
) -> None:
    part = shop.printed().parts.get()
    clinic = part.appliance.case.clinic
    clinic.tooth_notation = "universal"
    clinic.save()
    page = client_of(people.technician).get(reverse("qa:inspect-part", args=[part.pk])).content.decode()
    assert "16 – upper right first molar (clinic: 3)" in page


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"outcome": ""}, "rework or is scrapped"),
        ({"defects-0-kind": "web"}, "Select a valid choice"),
        ({"defects-0-kind": ""}, "Say what is wrong"),
        ({"verdict": ""}, "required"),
        ({"occurred_at": "2999-01-01T10:00"}, "future"),
    ],
)
def test_what_is_wrong_is_said_on_the_form_and_nothing_is_kept(
    shop: Any, people: Any, client_of: Callable[[Any], Client], changes: dict[str, str], words: str
) -> None:
    part = shop.printed().parts.get()
    response = client_of(people.technician).post(
        reverse("qa:inspect-part", args=[part.pk]), form_data(**changes)
    )
    assert response.status_code == 422 and words in response.content.decode()
    assert not Inspection.objects.exists()


def test_a_bad_photo_is_said_on_the_form(shop: Any, people: Any, client_of: Callable[[Any], Client]) -> None:
    part = shop.printed().parts.get()
    fake = io.BytesIO(b"MZ not a photo")
    fake.name = "photo.jpg"
    response = client_of(people.technician).post(
        reverse("qa:inspect-part", args=[part.pk]), form_data(**{"defects-0-photo": fake})
    )
    assert response.status_code == 422 and "no photo Fitledger can read" in response.content.decode()


def test_several_parts_pass_at_once(shop: Any, people: Any, client_of: Callable[[Any], Client]) -> None:
    parts = list(shop.printed(3).parts.all())
    client = client_of(people.technician)
    assert all(part.mark in client.get(reverse("qa:inspect")).content.decode() for part in parts)
    chosen = [parts[0].pk, parts[2].pk]
    client.post(reverse("qa:pass-many"), {"parts": chosen, "submission_key": "p"})
    assert set(Inspection.objects.values_list("part_id", flat=True)) == set(chosen)
    assert parts[1].mark in client.get(reverse("qa:inspect")).content.decode()


def test_the_list_of_what_waits_costs_the_same_for_more_parts(
    shop: Any, people: Any, client_of: Callable[[Any], Client], django_assert_max_num_queries: Any
) -> None:
    shop.printed(8)
    client = client_of(people.technician)
    client.get(reverse("qa:inspect"))
    with django_assert_max_num_queries(14):
        assert client.get(reverse("qa:inspect")).status_code == 200


def test_inspections_through_the_api(shop: Any, people: Any, api_client: Callable[..., Any]) -> None:
    parts = list(shop.printed(2).parts.all())
    client = api_client(people.technician)
    body: dict[str, Any] = {
        "step": "inspect",
        "looks": [
            {"mark": parts[0].mark, "verdict": "pass"},
            {
                "mark": parts[1].mark,
                "verdict": "fail",
                "outcome": "scrapped",
                "defects": [{"kind": "debris-pit", "tooth": 21}],
            },
        ],
    }
    url = reverse("api-inspections")
    first = client.post_json(url, body, key="scan-1")
    assert first.status_code == 201 and len(first.json()) == 2
    assert client.post_json(url, body, key="scan-1").json() == first.json()
    assert first.json()[1]["defects"][0] == {
        "kind": "debris-pit",
        "origin": "equipment",
        "found": "inspect",
        "severity": "major",
        "tooth": 21,
        "note": "",
    }
    listed = client.get(url, {"mark": parts[1].mark}).json()
    assert listed["count"] == 1 and listed["results"][0]["verdict"] == "fail"
    body["looks"][0]["mark"] = "P-999999"
    assert client.post_json(url, body, key="scan-2").status_code == 404
    assert client.post_json(url, {"step": "inspect", "looks": []}).status_code == 422
    assert api_client(people.technician, ["shop:read"]).post_json(url, body).status_code == 403
    assert api_client(people.clinic).get(url).status_code == 403


def test_a_token_for_inspections_alone_sets_no_outcome(
    shop: Any, people: Any, api_client: Callable[..., Any]
) -> None:
    part = shop.printed(outcome="rework").parts.get()
    client = api_client(people.technician, ["inspections:write"])
    body = {"step": "inspect", "looks": [{"mark": part.mark, "verdict": "pass"}]}
    assert client.post_json(reverse("api-inspections"), body).status_code == 201
    assert Part.objects.get(pk=part.pk).outcome == "rework"


def test_kinds_are_added_and_changed_but_not_recounted(
    shop: Any, people: Any, client_of: Callable[[Any], Client]
) -> None:
    client = client_of(people.quality)
    data = {"code": "fogged", "name": "Fogged", "scope": "part", "usual_origin": "wash", "active": "on"}
    assert client.post(reverse("qa:kinds"), data).status_code == 302
    assert client.post(reverse("qa:kinds"), data).status_code == 422
    kind = DefectKind.objects.get(code="fogged")
    part = shop.printed().parts.get()
    look = Look(part_id=part.pk, verdict="review", defects=[FoundDefect("fogged")])
    record_inspection(actor=shop.tech, step="inspect", look=look)
    changed = data | {"contamination": "on"}
    response = client.post(reverse("qa:kind", args=[kind.pk]), changed)
    assert response.status_code == 422 and "stays as it was counted" in response.content.decode()
    assert client_of(people.technician).post(reverse("qa:kinds"), data).status_code == 403


# Limits -------------------------------------------------------------------------------------------


def test_the_first_limits_are_there_before_anybody_asks_for_them(db: None) -> None:
    first = LimitVersion.objects.get()
    assert first.version == 1 and first.content == SHIPPED.to_json()
    assert limits_in_force() == first and limit_set(first).to_json() == SHIPPED.to_json()


def test_limits_are_changed_on_the_page_as_a_new_version(
    people: Any, client_of: Callable[[Any], Client]
) -> None:
    client, url = client_of(people.quality), reverse("qa:limits")
    page = client.get(url)
    data = {field.html_name: field.value() for field in page.context["form"]}
    data |= {"limit_part_size_max": "110", "source": "trial", "note": "new platform", "submission_key": "x"}
    assert client.post(url, data).status_code == 302
    assert LimitVersion.objects.order_by("-version").values_list("version", flat=True)[0] == 2
    assert "trial" in client.get(url).content.decode()
    assert client.post(url, data | {"submission_key": "y"}).status_code == 422
    assert client_of(people.technician).post(url, data).status_code == 403


# Release ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("role", ROLES)
def test_the_release_page_is_the_labs(
    shop: Any, people: Any, client_of: Callable[[Any], Client], role: str
) -> None:
    piece = shop.piece()
    url = reverse("qa:release", args=[piece.appliance.case.number])
    response = client_of(getattr(people, role)).get(url)
    assert response.status_code == (200 if role in LAB else 403)
    if role in LAB:
        page = response.content.decode()
        assert "decided by the licensed practitioner" in page and piece.mark in page
        assert ("Sign and release" in page) is False
        assert client_of(getattr(people, role)).get(reverse("qa:release", args=[987_654])).status_code == 404


def test_signing_releases_and_a_wrong_password_does_not(
    shop: Any, people: Any, client_of: Callable[[Any], Client]
) -> None:
    piece = finished_piece(shop)
    number = piece.appliance.case.number
    client, url = client_of(people.quality), reverse("qa:sign", args=[number])
    wrong = client.post(url, {"pieces": [piece.pk], "password": "guess", "submission_key": "a"})
    assert wrong.status_code == 422 and "not your password" in wrong.content.decode()
    assert not Release.objects.exists()
    right = client.post(url, {"pieces": [piece.pk], "password": PASSWORD, "submission_key": "b"})
    assert right.status_code == 302 and Release.objects.get().released.count() == 1
    page = client.get(reverse("qa:release", args=[number])).content.decode()
    assert "R-00001" in page and "The gate as it stood" in page
    assert client_of(people.technician).post(url, {}).status_code == 403


def test_withdrawing_on_the_page(
    shop: Any, actors: Any, people: Any, client_of: Callable[[Any], Client]
) -> None:
    released_piece(shop, actors)
    release = Release.objects.get()
    client, url = client_of(people.manager), reverse("qa:withdraw", args=[release.number])
    assert client.post(url, {"reason": "", "password": PASSWORD}).status_code == 422
    assert client.post(url, {"reason": "label", "password": PASSWORD}).status_code == 302
    assert release.released.filter(standing=True).count() == 0


def test_conceding_on_the_page(shop: Any, people: Any, client_of: Callable[[Any], Client]) -> None:
    piece = shop.piece()
    number = piece.appliance.case.number
    client, url = client_of(people.quality), reverse("qa:concede", args=[number])
    until = timezone.localtime(timezone.now() + timedelta(days=2)).strftime("%Y-%m-%dT%H:%M")
    data = {"piece": piece.pk, "gate_item": "steps", "reason": "seen by two", "valid_until": until}
    assert client.post(url, data).status_code == 302
    assert client.post(url, data | {"gate_item": "material-use"}).status_code == 422
    assert piece.concessions.count() == 1
    other = shop.piece(shop.at(4))
    assert client.post(url, data | {"piece": other.pk}).status_code == 404


def test_a_lost_piece_offers_a_remake(shop: Any, people: Any, client_of: Callable[[Any], Client]) -> None:
    piece = shop.piece()
    look = Look(piece_id=piece.pk, verdict="fail", outcome="scrapped", defects=[FoundDefect("web")])
    record_inspection(actor=shop.tech, step="finish", look=look)
    case = piece.appliance.case
    page = client_of(people.quality).get(reverse("qa:release", args=[case.number])).content.decode()
    assert "Make it again" in page
    assert reverse("cases:appliance", args=[case.number, piece.appliance_id]) in page
