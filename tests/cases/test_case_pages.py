"""Pages of cases, as each role sees them."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from cases.models import Case, Clinic, MeshUse
from cases.services.waits import ask_clinic
from tests.cases.files import downloaded, files_in, tetrahedron, text_stl

pytestmark = pytest.mark.django_db


def line(index: int, **values: Any) -> dict[str, Any]:
    return {f"lines-{index}-{name}": value for name, value in values.items()}


def order(*lines: dict[str, Any], **more: Any) -> dict[str, Any]:
    data: dict[str, Any] = {
        "clinic": Clinic.objects.get(code="harbour").pk,
        "patient_code": "P-9",
        "prescriber": "Dr Example",
        "lines-TOTAL_FORMS": len(lines),
        "lines-INITIAL_FORMS": 0,
        **more,
    }
    for values in lines:
        data |= values
    return data


def page(answer: Any) -> str:
    return str(answer.content.decode())


# Who sees what.

READ_PATHS = (
    "",
    "meshes/",
    "meshes/{mesh}/",
    "meshes/{mesh}/row/",
    "meshes/{mesh}/file/",
    "appliances/{appliance}/",
)
WRITE_PATHS = (
    "change/",
    "void/",
    "ask/",
    "answer/",
    "lines/",
    "meshes/",
    "meshes/assign/",
    "meshes/{mesh}/restate/",
    "meshes/{mesh}/replace/",
    "meshes/{mesh}/withdraw/",
    "appliances/{appliance}/cancel/",
    "appliances/{appliance}/remake/",
)


@pytest.fixture
def address(case: Any, attach: Any, actors: Any) -> Any:
    """The address of a page of the case, from its pattern."""
    mesh = attach(actors.clinic, case).thing
    appliance = case.appliances.get(arch="upper", stage=1)

    def of(pattern: str) -> str:
        return f"/cases/{case.number}/" + pattern.format(mesh=mesh.pk, appliance=appliance.pk)

    return of


@pytest.mark.parametrize("path", READ_PATHS)
def test_everyone_of_the_clinic_and_the_lab_reads_a_case(
    path: str, address: Any, people: Any, client_of: Any
) -> None:
    for user in people.active():
        answer = client_of(user).get(address(path))
        wanted = 404 if user == people.other_clinic else 200
        assert answer.status_code == wanted, (user, path)
        if answer.streaming:
            assert downloaded(answer) == tetrahedron()


@pytest.mark.parametrize("path", WRITE_PATHS)
def test_another_clinic_finds_nothing_to_change(
    path: str, address: Any, people: Any, client_of: Any, store: Path
) -> None:
    before = files_in(store)
    upload = {"files": SimpleUploadedFile("a.stl", tetrahedron(3)), "role": "design", "unit": "mm"}
    data = upload if path == "meshes/" else {"reason": "x", "question": "x", "answer": "x", "offer": "1:1"}
    answer = client_of(people.other_clinic).post(address(path), data)
    assert answer.status_code == 404
    assert files_in(store) == before


@pytest.mark.parametrize("path", WRITE_PATHS)
def test_an_administrator_reads_but_does_not_change_cases(
    path: str, address: Any, people: Any, client_of: Any
) -> None:
    assert client_of(people.administrator).post(address(path), {"reason": "x"}).status_code == 403


@pytest.mark.parametrize("path", READ_PATHS)
def test_a_stranger_is_led_to_the_sign_in(path: str, address: Any, client_of: Any) -> None:
    answer = client_of(None).get(address(path))
    assert answer.status_code == 302
    assert "/sign-in/" in answer["Location"]


def test_a_mesh_of_one_case_is_not_found_under_another(
    case: Any, attach: Any, actors: Any, people: Any, client_of: Any
) -> None:
    mesh = attach(actors.clinic, case).thing
    for path in ("", "row/", "file/"):
        assert client_of(people.manager).get(f"/cases/2/meshes/{mesh.pk}/{path}").status_code == 404


@pytest.mark.parametrize(
    ("role", "status"),
    [("clinic", 403), ("technician", 403), ("quality", 403), ("manager", 200), ("administrator", 200)],
)
def test_clinics_are_for_who_may_change_them(role: str, status: int, people: Any, client_of: Any) -> None:
    clinic = Clinic.objects.get(code="harbour")
    client = client_of(getattr(people, role))
    assert client.get("/clinics/").status_code == status
    assert client.get(f"/clinics/{clinic.pk}/").status_code == status


def test_a_signature_of_the_form_is_needed_to_attach(case: Any, people: Any, store: Path) -> None:
    client = Client(enforce_csrf_checks=True)
    client.force_login(people.clinic)
    data = {"files": SimpleUploadedFile("a.stl", tetrahedron()), "role": "design", "unit": "mm"}
    assert client.post(f"/cases/{case.number}/meshes/", data).status_code == 403
    assert files_in(store) == []
    client.get(f"/cases/{case.number}/")
    token = client.cookies["csrftoken"].value
    data = {"files": SimpleUploadedFile("a.stl", tetrahedron()), "role": "design", "unit": "mm"}
    answer = client.post(f"/cases/{case.number}/meshes/", data | {"csrfmiddlewaretoken": token})
    assert answer.status_code == 302
    assert MeshUse.objects.count() == 1


# The list.


def test_the_list_is_narrowed_and_refreshed_in_part(case: Any, people: Any, client_of: Any) -> None:
    client = client_of(people.clinic)
    whole = page(client.get("/cases/?text=1042"))
    part = page(client.get("/cases/?text=1042", headers={"HX-Request": "true"}))
    assert "C-00001" in whole
    assert "<html" in whole
    assert "C-00001" in part
    assert "<html" not in part
    assert "No case fits" in page(client.get("/cases/?text=nowhere"))
    assert page(client.get("/cases/?due_until=never")).count("Enter a valid date") == 1


def test_what_needs_me_first_differs_for_clinic_and_lab(
    case: Any, actors: Any, people: Any, client_of: Any, log: Any
) -> None:
    waiting, due = log(ship_in=9), log(ship_in=1)
    ask_clinic(actor=actors.technician, key="", case_number=waiting.number, question="Which shade?")

    def order_of(user: Any) -> list[str]:
        return re.findall(r">(C-\d{5})<", page(client_of(user).get("/cases/")))

    assert order_of(people.clinic) == [waiting.label, due.label, case.label]
    assert order_of(people.technician) == [due.label, case.label, waiting.label]


def test_the_list_takes_the_same_queries_for_one_case_and_for_thirty(
    case: Any, people: Any, client_of: Any, log: Any
) -> None:
    client = client_of(people.manager)
    few = _queries(client, "/cases/")
    for _ in range(30):
        log()
    assert _queries(client, "/cases/") == few


def test_the_case_page_takes_the_same_queries_for_a_long_series_and_many_meshes(
    case: Any, people: Any, client_of: Any, log: Any, attach: Any, actors: Any
) -> None:
    client = client_of(people.manager)
    attach(actors.clinic, case, appliance_id=case.appliances.first().pk)
    few = _queries(client, f"/cases/{case.number}/")
    long = log(upper=30, lower=24)
    for index, appliance in enumerate(long.appliances.all()[:12]):
        attach(actors.clinic, long, tetrahedron(20 + index), appliance_id=appliance.pk)
    assert _queries(client, f"/cases/{long.number}/") == few


def _queries(client: Any, path: str) -> int:
    client.get(path)
    with CaptureQueriesContext(
        connection,
    ) as captured:
        assert client.get(path).status_code == 200
    return len(captured)


@pytest.fixture
def log(actors: Any) -> Any:
    """Log a case of Harbour that is due in some days."""
    from datetime import timedelta

    from django.utils import timezone

    from cases.services.log_case import log_case
    from cases.services.order import aligner_series

    def do(*, ship_in: int | None = None, upper: int = 1, lower: int = 1) -> Case:
        day = None if ship_in is None else timezone.localdate() + timedelta(days=ship_in)
        return log_case(
            actor=actors.clinic,
            key="",
            clinic_id=Clinic.objects.get(code="harbour").pk,
            patient_code="P-5",
            prescriber="Dr Example",
            ship_by=day,
            lines=aligner_series(upper=upper, lower=lower),
        ).thing

    return do


# Logging.


def test_clinic_staff_log_a_series_and_a_retainer_on_one_page(people: Any, client_of: Any) -> None:
    client = client_of(people.clinic)
    assert "never a name" in page(client.get("/cases/log/"))
    data = order(
        line(0, kind="aligner", upper=5, lower=3, copies=1, templates="on", first_stage=1),
        line(1, kind="retainer", upper=1, lower=1, copies=2),
        line(2, kind="", upper=0, lower=0, copies=1),
        submission_key="k1",
    )
    answer = client.post("/cases/log/", data)
    case = Case.objects.get()
    assert answer["Location"] == f"/cases/{case.number}/"
    kinds = [row.kind for row in case.lines.all()]
    assert kinds == ["attachment-template", "aligner", "retainer"]
    assert case.appliances.count() == 2 + 8 + 4
    client.post("/cases/log/", data)
    assert Case.objects.count() == 1, "a doubled tap logs one case"


def test_a_line_is_added_without_scripts_and_nothing_typed_is_lost(people: Any, client_of: Any) -> None:
    client = client_of(people.clinic)
    data = order(line(0, kind="night-guard", upper=1, sheet_mm="2.00"), patient_code="P-55", add_line="1")
    answer = client.post("/cases/log/", data)
    text = page(answer)
    assert Case.objects.count() == 0
    assert 'value="P-55"' in text
    assert 'value="2.00"' in text
    assert re.search(r'<option value="night-guard" selected', text)
    assert 'name="lines-TOTAL_FORMS" value="2"' in text
    assert re.search(r'name="lines-1-kind"[^>]*autofocus', text)
    assert "field-wrong" not in text


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"patient_code": "Anna Example"}, "without spaces"),
        ({"ship_by": "2001-01-01"}, "before the order"),
        ({"ship_by": "2999-01-02", "appointment_on": "2999-01-01"}, "after the appointment"),
        ({"prescriber": ""}, "This field is required"),
        ({"occurred_at": "2999-01-01T00:00"}, "future"),
        ({"lines-0-upper": 0}, "for which arch"),
        ({"lines-0-kind": "retainer"}, "one per arch"),
        ({"lines-0-kind": "", "lines-0-upper": 3}, "not of what"),
    ],
)
def test_what_cannot_be_logged_comes_back_with_a_sentence(
    change: Any, sentence: str, people: Any, client_of: Any
) -> None:
    data = order(line(0, kind="aligner", upper=3)) | change
    answer = client_of(people.clinic).post("/cases/log/", data)
    assert answer.status_code == 422
    assert sentence in page(answer)
    assert Case.objects.count() == 0


def test_the_clinics_reference_is_used_once(case: Any, people: Any, client_of: Any) -> None:
    answer = client_of(people.clinic).post("/cases/log/", order(clinic_reference="H-77"))
    assert answer.status_code == 409
    assert "already has a case under that reference" in page(answer)


def test_clinic_staff_cannot_log_for_another_clinic(people: Any, client_of: Any) -> None:
    strange = Clinic.objects.get(code="hillside").pk
    answer = client_of(people.clinic).post("/cases/log/", order(clinic=strange))
    assert answer.status_code == 422
    assert Case.objects.count() == 0


# Work on a case.


def test_a_question_is_asked_by_the_lab_and_answered_by_the_clinic(
    case: Any, people: Any, client_of: Any
) -> None:
    lab, clinic = client_of(people.technician), client_of(people.clinic)
    url = f"/cases/{case.number}/"
    assert clinic.post(f"{url}ask/", {"question": "?"}).status_code == 422
    assert lab.post(f"{url}ask/", {"question": "Is tooth 21 restored?"}).status_code == 302
    assert "The lab needs your answer" in page(clinic.get(url))
    assert "Waiting for your answer" in page(clinic.get("/"))
    assert "Waiting for a clinic" in page(lab.get("/"))
    assert lab.post(f"{url}ask/", {"question": "And 22?"}).status_code == 422
    assert clinic.post(f"{url}answer/", {"answer": "Yes, a crown."}).status_code == 302
    assert "Yes, a crown." in page(lab.get(url))
    assert "Waiting for your answer" not in page(clinic.get("/"))


def test_a_case_is_changed_voided_and_then_left_alone(case: Any, people: Any, client_of: Any) -> None:
    client = client_of(people.clinic)
    url = f"/cases/{case.number}/"
    client.post(f"{url}change/", {"prescriber": "Dr Other", "clinic_reference": "H-77", "note": "n"})
    assert Case.objects.get().prescriber == "Dr Other"
    assert client.post(f"{url}void/", {"reason": ""}).status_code == 422
    assert client.post(f"{url}void/", {"reason": "logged twice"}).status_code == 302
    shown = page(client.get(url))
    assert "logged twice" in shown
    assert "data-upload" not in shown
    answer = client.post(f"{url}lines/", {"kind": "retainer", "upper": 1})
    assert answer.status_code == 422
    assert case.lines.count() == 2


def test_an_appliance_is_made_again_by_the_lab_and_cancelled_by_the_clinic(
    case: Any, people: Any, client_of: Any
) -> None:
    first = case.appliances.get(arch="upper", stage=1)
    url = f"/cases/{case.number}/appliances/{first.pk}/"
    clinic, lab = client_of(people.clinic), client_of(people.technician)
    assert clinic.post(f"{url}remake/", {"reason": "x"}).status_code == 422
    assert "Make it again" not in page(clinic.get(url))
    assert lab.post(f"{url}remake/", {"reason": "does not seat"}).status_code == 302
    remake = first.remake
    assert remake.label == "C-00001 U01 remake 1"
    assert "does not seat" in page(lab.get(f"/cases/{case.number}/appliances/{remake.pk}/"))
    assert lab.post(f"{url}remake/", {"reason": "again"}).status_code == 422
    own = f"/cases/{case.number}/appliances/{remake.pk}/cancel/"
    assert clinic.post(own, {"reason": "treatment ended"}).status_code == 302
    remake.refresh_from_db()
    assert remake.cancel_reason == "treatment ended"


# Meshes.


def upload(client: Any, case: Any, *files: tuple[str, bytes], json: bool = False, **more: Any) -> Any:
    data = {
        "role": "design",
        "unit": "mm",
        "files": [SimpleUploadedFile(name, content) for name, content in files],
        **more,
    }
    headers = {"Accept": "application/json"} if json else {}
    return client.post(f"/cases/{case.number}/meshes/", data, headers=headers)


def test_many_files_are_attached_at_once_and_a_bad_one_leaves_only_a_sentence(
    case: Any, people: Any, client_of: Any, store: Path
) -> None:
    client = client_of(people.clinic)
    answer = upload(
        client,
        case,
        ("C-00001_U02.stl", tetrahedron(10)),
        ("broken.stl", tetrahedron()[:-20]),
        ("C-00001_L01.stl", tetrahedron(11)),
    )
    assert answer.status_code == 302
    shown = page(client.get(f"/cases/{case.number}/"))
    assert "broken.stl: The file states 4 triangles but only 3 are in it" in shown
    assert MeshUse.objects.count() == 2
    assert [name for name in files_in(store) if name.startswith("incoming")] == []
    assert len(files_in(store)) == 2


def test_a_stage_in_the_name_is_offered_and_taken_only_when_confirmed(
    case: Any, people: Any, client_of: Any
) -> None:
    client = client_of(people.clinic)
    upload(client, case, ("C-00001_U02_final.stl", tetrahedron(10)))
    mesh = MeshUse.objects.get()
    assert mesh.appliance is None
    assert "C-00001_U02_final.stl is for U02" in page(client.get(f"/cases/{case.number}/"))
    wanted = case.appliances.get(arch="upper", stage=2)
    client.post(f"/cases/{case.number}/meshes/assign/", {"offer": f"{mesh.pk}:{wanted.pk}"})
    mesh.refresh_from_db()
    assert mesh.appliance == wanted
    assert "is for U02" not in page(client.get(f"/cases/{case.number}/meshes/"))


def test_a_file_named_for_another_case_is_pointed_out(case: Any, people: Any, client_of: Any) -> None:
    client = client_of(people.clinic)
    upload(client, case, ("C-00009_U02.stl", tetrahedron()), ("C-00001_upper.stl", tetrahedron(11)))
    shown = page(client.get(f"/cases/{case.number}/"))
    assert shown.count("Its name says") == 1
    assert "Its name says C-00009." in shown
    assert "spell a stage" not in shown


def test_the_pages_script_is_answered_in_words(case: Any, people: Any, client_of: Any, store: Path) -> None:
    client = client_of(people.clinic)
    first = upload(client, case, ("a.stl", tetrahedron()), json=True, submission_key="k")
    again = upload(client, case, ("a.stl", tetrahedron()), json=True, submission_key="k")
    assert (first.status_code, again.status_code) == (201, 200)
    assert first.json()["id"] == again.json()["id"]
    assert first.json()["sentence"] == "a.stl is attached: 4 triangles."
    missing = upload(client, case, ("a.stl", tetrahedron(2)), json=True, unit="")
    assert (missing.status_code, missing.json()["sentence"]) == (422, "Unit: This field is required.")
    bad = upload(client, case, ("a.stl", text_stl(nan=True)), json=True)
    assert bad.status_code == 422
    assert "not a finite number" in bad.json()["sentence"]
    assert len(files_in(store)) == 1


def test_a_file_is_downloaded_under_a_safe_name(
    case: Any, people: Any, client_of: Any, attach: Any, actors: Any
) -> None:
    content = tetrahedron()
    name = '../upper"\r\nX-Evil: 1;\u202eé.stl'
    mesh = attach(actors.clinic, case, content, original_name=name).thing
    answer = client_of(people.clinic).get(f"/cases/{case.number}/meshes/{mesh.pk}/file/")
    assert downloaded(answer) == content
    assert answer["Content-Disposition"].startswith("attachment; filename")
    assert "X-Evil" not in answer.headers
    assert ".." not in answer["Content-Disposition"]
    assert answer["Content-Type"] == "application/octet-stream"
    assert answer["X-Content-Type-Options"] == "nosniff"


def test_a_mesh_is_restated_and_replaced_and_the_old_ones_stay(
    case: Any, people: Any, client_of: Any
) -> None:
    client = client_of(people.clinic)
    upload(client, case, ("a.stl", tetrahedron()))
    first = MeshUse.objects.get()
    url = f"/cases/{case.number}/meshes/"
    client.post(f"{url}{first.pk}/restate/", {"unit": "cm", "role": "design"})
    second = MeshUse.objects.get(replaced_by__isnull=True)
    assert (second.unit, second.blob_id) == ("cm", first.blob_id)
    data = {"unit": "mm", "file": SimpleUploadedFile("b.stl", tetrahedron(12))}
    client.post(f"{url}{second.pk}/replace/", data)
    third = MeshUse.objects.get(replaced_by__isnull=True)
    assert (third.unit, third.original_name) == ("mm", "b.stl")
    assert "This one was replaced" in page(client.get(f"{url}{first.pk}/"))
    data = {"unit": "mm", "file": SimpleUploadedFile("c.stl", tetrahedron(13))}
    answer = client.post(f"{url}{first.pk}/replace/", data)
    assert answer.status_code == 422
    assert "was replaced meanwhile" in page(answer)
    assert MeshUse.objects.count() == 3


def test_a_withdrawn_mesh_leaves_the_list_and_stays_readable(case: Any, people: Any, client_of: Any) -> None:
    client = client_of(people.clinic)
    upload(client, case, ("a.stl", tetrahedron()))
    mesh = MeshUse.objects.get()
    url = f"/cases/{case.number}/meshes/{mesh.pk}/"
    assert client.post(f"{url}withdraw/", {"reason": ""}).status_code == 422
    answer = client.post(f"{url}withdraw/", {"reason": "of another patient"}, follow=True)
    assert "Withdrawn: 1" in page(answer)
    assert f'id="mesh-{mesh.pk}"' not in page(answer)
    own = page(client.get(url))
    assert "of another patient" in own
    assert "Put another file in its place" not in own


# Clinics and people.


def test_a_clinic_is_added_changed_and_closed(people: Any, client_of: Any) -> None:
    client = client_of(people.manager)
    data = {"code": "Quay", "name": "Quay Dental", "tooth_notation": "fdi"}
    assert client.post("/clinics/", data).status_code == 302
    made = Clinic.objects.get(code="quay")
    again = client.post("/clinics/", data | {"name": "Other"})
    assert again.status_code == 422
    assert "That code is taken" in page(again)
    client.post(f"/clinics/{made.pk}/", data | {"code": "quay", "tooth_notation": "palmer"})
    made.refresh_from_db()
    assert (made.active, made.tooth_notation) == (False, "palmer")
    answer = client.post("/cases/log/", order(clinic=made.pk))
    assert answer.status_code == 422
    assert Case.objects.count() == 0
