"""The API of cases: scopes, filters, uploads once, digests, problems."""

from __future__ import annotations

import base64
import hashlib
import json
from pathlib import Path
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from cases.models import Blob, Case, MeshUse
from tests.cases.files import files_in, tetrahedron

pytestmark = pytest.mark.django_db


def meshes_url(case: Any, **query: Any) -> str:
    wanted = {"role": "patient-scan", "unit": "mm", "name": "upper.stl"} | query
    return f"/api/v1/cases/{case.number}/meshes/?" + "&".join(f"{k}={v}" for k, v in wanted.items() if v)


def send(client: Any, url: str, content: bytes, **headers: str) -> Any:
    return client.post(url, data=content, content_type="application/octet-stream", headers=headers)


def content_digest(content: bytes) -> str:
    return "sha-256=:" + base64.b64encode(hashlib.sha256(content).digest()).decode() + ":"


# Who sees what.


def test_clinic_staff_list_only_their_own_cases(case: Any, people: Any, api_client: Any) -> None:
    own = api_client(people.clinic).get("/api/v1/cases/").json()
    strange = api_client(people.other_clinic).get("/api/v1/cases/").json()
    assert [row["number"] for row in own["results"]] == [case.number]
    assert strange["count"] == 0


@pytest.mark.parametrize("path", ["", "appliances/", "meshes/", "meshes/1/"])
def test_another_clinics_case_number_is_not_found(path: str, case: Any, people: Any, api_client: Any) -> None:
    answer = api_client(people.other_clinic).get(f"/api/v1/cases/{case.number}/{path}")
    assert answer.status_code == 404
    assert answer["Content-Type"].startswith("application/problem+json")
    assert answer.json()["code"] == "not-found"


def test_a_number_that_no_case_has_answers_in_the_same_words(case: Any, people: Any, api_client: Any) -> None:
    client = api_client(people.other_clinic)
    theirs = client.get(f"/api/v1/cases/{case.number}/").json()
    nobodys = client.get("/api/v1/cases/999/").json()
    assert theirs == nobodys


def test_a_huge_number_is_not_found(people: Any, api_client: Any) -> None:
    assert api_client(people.manager).get(f"/api/v1/cases/{10**30}/").status_code == 404
    assert api_client(people.manager).get(f"/api/v1/cases/?number={10**9}9").json()["count"] == 0


def test_an_upload_to_another_clinics_case_stores_nothing(
    case: Any, people: Any, api_client: Any, store: Path
) -> None:
    answer = send(api_client(people.other_clinic), meshes_url(case), tetrahedron())
    assert answer.status_code == 404
    assert files_in(store) == []
    assert not MeshUse.objects.exists()


def test_a_token_that_only_reads_attaches_nothing(
    case: Any, people: Any, api_client: Any, store: Path
) -> None:
    answer = send(api_client(people.clinic, ["cases:read"]), meshes_url(case), tetrahedron())
    assert answer.status_code == 403
    assert answer.json()["code"] == "scope-missing"
    assert files_in(store) == []


def test_clinics_are_listed_within_scope(people: Any, api_client: Any) -> None:
    own = api_client(people.clinic).get("/api/v1/clinics/").json()
    every = api_client(people.manager).get("/api/v1/clinics/").json()
    assert [row["code"] for row in own["results"]] == ["harbour"]
    assert {row["code"] for row in every["results"]} >= {"harbour", "hillside"}
    assert api_client(people.clinic).get("/api/v1/clinics/hillside/").status_code == 404
    assert api_client(people.clinic).get("/api/v1/clinics/harbour/").json()["name"] == "Harbour"


# Cases and orders.


def test_a_case_is_logged_once_per_key(people: Any, api_client: Any) -> None:
    client = api_client(people.clinic)
    wanted = {
        "patient_code": "P-7",
        "prescriber": "Dr Example",
        "lines": [{"kind": "aligner", "upper": 12, "lower": 9, "copies": 2}],
    }
    first = client.post_json("/api/v1/cases/", wanted, key="abc")
    again = client.post_json("/api/v1/cases/", wanted, key="abc")
    assert (first.status_code, again.status_code) == (201, 200)
    assert first.json()["number"] == again.json()["number"]
    assert first.json()["appliance_count"] == 42
    assert Case.objects.count() == 1
    other = client.post_json("/api/v1/cases/", wanted | {"patient_code": "P-8"}, key="abc")
    assert (other.status_code, other.json()["code"]) == (409, "key-reused")


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"patient_code": "Anna Example"}, "patient_code"),
        ({"patient_code": ""}, "patient_code"),
        ({"ship_by": "2020-01-01"}, "ship_by"),
        ({"ship_by": "tomorrow"}, "ship_by"),
        ({"occurred_at": "2999-01-01T00:00:00Z"}, "occurred_at"),
        ({"lines": [{"kind": "retainer", "upper": 2}]}, "upper"),
        ({"lines": [{"kind": "retainer"}]}, "upper"),
        ({"lines": [{"kind": "denture", "upper": 1}]}, "lines.0.kind"),
    ],
)
def test_a_case_that_cannot_be_is_refused_by_field(
    change: Any, field: str, people: Any, api_client: Any
) -> None:
    wanted = {"patient_code": "P-7", "prescriber": "Dr Example"} | change
    answer = api_client(people.clinic).post_json("/api/v1/cases/", wanted)
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["field"] == field
    assert Case.objects.count() == 0


def test_a_lab_token_names_the_clinic(people: Any, api_client: Any) -> None:
    client = api_client(people.technician)
    wanted = {"patient_code": "P-7", "prescriber": "Dr Example"}
    assert client.post_json("/api/v1/cases/", wanted).json()["code"] == "clinic-missing"
    made = client.post_json("/api/v1/cases/", wanted | {"clinic": "hillside"})
    assert (made.status_code, made.json()["clinic"]) == (201, "hillside")


def test_clinic_staff_cannot_log_for_another_clinic(people: Any, api_client: Any) -> None:
    wanted = {"patient_code": "P-7", "prescriber": "Dr Example", "clinic": "hillside"}
    assert api_client(people.clinic).post_json("/api/v1/cases/", wanted).status_code == 404


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ("clinic_reference=H-77", 1),
        ("clinic_reference=H-7", 0),
        ("number=C-00001", 1),
        ("number=1", 1),
        ("number=2", 0),
        ("number=x", 0),
        ("clinic=harbour", 1),
        ("clinic=hillside", 0),
        ("state=open", 1),
        ("state=waiting", 0),
        ("search=1042", 1),
        ("search=nothing", 0),
    ],
)
def test_cases_are_found_by(query: str, found: int, case: Any, people: Any, api_client: Any) -> None:
    assert api_client(people.manager).get(f"/api/v1/cases/?{query}").json()["count"] == found


def test_a_line_is_ordered_with_its_appliances(case: Any, people: Any, api_client: Any) -> None:
    client = api_client(people.clinic)
    url = f"/api/v1/cases/{case.number}/appliances/"
    made = client.post_json(url, {"kind": "aligner", "upper": 2, "lower": 1, "round": 1}, key="line")
    assert made.status_code == 201
    labels = [row["label"] for row in made.json()["appliances"]]
    assert labels == ["C-00001 L01 round 1", "C-00001 U01 round 1", "C-00001 U02 round 1"]
    again = client.post_json(url, {"kind": "aligner", "upper": 2, "lower": 1, "round": 1}, key="line")
    assert (again.status_code, again.json()) == (200, made.json())
    assert client.get(url).json()["count"] == 9


# Meshes.


def test_a_raw_body_becomes_a_mesh(case: Any, people: Any, api_client: Any, store: Path) -> None:
    content = tetrahedron()
    digest = hashlib.sha256(content).hexdigest()
    answer = send(
        api_client(people.clinic), meshes_url(case), content, **{"Content-Digest": content_digest(content)}
    )
    assert answer.status_code == 201
    body = answer.json()
    assert (body["sha256"], body["triangles"], body["file_format"]) == (digest, 4, "stl-binary")
    assert (body["origin"], body["original_name"], body["unit"]) == ("api", "upper.stl", "mm")
    assert files_in(store) == [f"blobs/{digest[:2]}/{digest}"]
    url = f"/api/v1/cases/{case.number}/meshes/{body['id']}/"
    assert api_client(people.clinic).get(url).json() == body
    found = api_client(people.clinic).get(f"/api/v1/cases/{case.number}/meshes/?sha256={digest}")
    assert found.json()["results"] == [body]


def test_a_form_becomes_a_mesh(case: Any, people: Any, api_client: Any, store: Path) -> None:
    content = tetrahedron()
    appliance = case.appliances.get(arch="upper", stage=2)
    answer = api_client(people.clinic).post(
        f"/api/v1/cases/{case.number}/meshes/",
        {
            "role": "design",
            "unit": "mm",
            "appliance": appliance.pk,
            "sha256": hashlib.sha256(content).hexdigest(),
            "file": SimpleUploadedFile("U02.stl", content),
        },
    )
    assert answer.status_code == 201
    assert (answer.json()["appliance"], answer.json()["original_name"]) == (appliance.pk, "U02.stl")
    assert len(files_in(store)) == 1


def test_the_same_file_in_the_same_place_is_one_mesh(
    case: Any, people: Any, api_client: Any, store: Path
) -> None:
    client = api_client(people.clinic)
    first = send(client, meshes_url(case), tetrahedron())
    again = send(client, meshes_url(case, name="copy-of-it.stl"), tetrahedron())
    assert (first.status_code, again.status_code) == (201, 200)
    assert first.json() == again.json()
    elsewhere = send(client, meshes_url(case, role="opposing-arch"), tetrahedron())
    assert elsewhere.status_code == 201
    assert MeshUse.objects.count() == 2
    assert Blob.objects.count() == 1
    assert len(files_in(store)) == 1


def test_the_same_key_is_one_mesh_and_other_content_under_it_is_refused(
    case: Any, people: Any, api_client: Any, store: Path
) -> None:
    client = api_client(people.clinic)
    first = send(client, meshes_url(case), tetrahedron(), **{"Idempotency-Key": "scan-1"})
    again = send(client, meshes_url(case), tetrahedron(), **{"Idempotency-Key": "scan-1"})
    other = send(client, meshes_url(case), tetrahedron(20), **{"Idempotency-Key": "scan-1"})
    assert (first.status_code, again.status_code) == (201, 200)
    assert (other.status_code, other.json()["code"]) == (409, "key-reused")
    assert len(files_in(store)) == 1


def test_the_same_file_in_another_unit_is_a_question_not_a_second_mesh(
    case: Any, people: Any, api_client: Any
) -> None:
    client = api_client(people.clinic)
    send(client, meshes_url(case), tetrahedron())
    other = send(client, meshes_url(case, unit="cm"), tetrahedron())
    assert (other.status_code, other.json()["code"]) == (409, "unit-differs")


@pytest.mark.parametrize(
    ("query", "code"),
    [
        ({"unit": ""}, "unit-missing"),
        ({"unit": "furlong"}, "unit-unknown"),
        ({"unit": "MM"}, "unit-unknown"),
        ({"role": ""}, "invalid"),
        ({"role": "selfie"}, "invalid"),
        ({"appliance": "x"}, "invalid"),
        ({"occurred_at": "2999-01-01T00:00:00Z"}, "moment-in-future"),
    ],
)
def test_wrong_facts_are_refused_and_store_nothing(
    query: Any, code: str, case: Any, people: Any, api_client: Any, store: Path
) -> None:
    answer = send(api_client(people.clinic), meshes_url(case, **query), tetrahedron())
    assert (answer.status_code, answer.json()["code"]) == (422, code)
    assert files_in(store) == []
    assert not MeshUse.objects.exists()


@pytest.mark.parametrize(
    ("header", "code"),
    [
        (content_digest(b"something else"), "digest-mismatch"),
        ("sha-512=:AAAA:", "digest-unreadable"),
        ("sha-256=:AAAA:", "digest-unreadable"),
        ("rubbish", "digest-unreadable"),
    ],
)
def test_a_digest_that_does_not_match_stores_nothing(
    header: str, code: str, case: Any, people: Any, api_client: Any, store: Path
) -> None:
    for name in ("Content-Digest", "Repr-Digest"):
        answer = send(api_client(people.clinic), meshes_url(case), tetrahedron(), **{name: header})
        assert (answer.status_code, answer.json()["code"]) == (422, code)
    assert files_in(store) == []
    assert not Blob.objects.exists()


def test_a_digest_among_others_is_found(case: Any, people: Any, api_client: Any) -> None:
    header = "sha-512=:" + base64.b64encode(b"x" * 64).decode() + ":, " + content_digest(tetrahedron())
    answer = send(api_client(people.clinic), meshes_url(case), tetrahedron(), **{"Repr-Digest": header})
    assert answer.status_code == 201


def test_an_appliance_of_another_case_is_not_found(
    case: Any, people: Any, actors: Any, api_client: Any, store: Path
) -> None:
    from cases.services.log_case import log_case
    from cases.services.order import LineOrder

    other = log_case(
        actor=actors.clinic,
        key="",
        clinic_id=case.clinic_id,
        patient_code="P-2",
        prescriber="Dr Example",
        lines=[LineOrder("retainer", upper=1)],
    ).thing
    wanted = other.appliances.get().pk
    answer = send(api_client(people.clinic), meshes_url(case, appliance=wanted), tetrahedron())
    assert answer.status_code == 404
    assert files_in(store) == []


def test_roles_of_the_lab_are_the_labs(case: Any, people: Any, api_client: Any) -> None:
    clinic = send(api_client(people.clinic), meshes_url(case, role="print-scan"), tetrahedron())
    lab = send(api_client(people.technician), meshes_url(case, role="print-scan"), tetrahedron())
    assert (clinic.status_code, lab.status_code) == (403, 201)


def test_json_is_no_mesh_form(case: Any, people: Any, api_client: Any, store: Path) -> None:
    answer = api_client(people.clinic).post(
        meshes_url(case), json.dumps({"file": "x"}), content_type="application/json"
    )
    assert (answer.status_code, answer.json()["code"]) == (422, "mesh-not-a-mesh")
    assert files_in(store) == []


def test_a_chunked_body_is_asked_for_its_length(case: Any, people: Any, api_client: Any) -> None:
    answer = send(
        api_client(people.clinic), meshes_url(case), tetrahedron(), **{"Transfer-Encoding": "chunked"}
    )
    assert (answer.status_code, answer.json()["code"]) == (411, "length-missing")
