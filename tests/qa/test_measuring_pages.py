"""Pages and API of measuring: who may see them, what they say, what bad input gets."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from fixtures.meshes import write_stl
from labtrack.jobs.services.run import run_job
from production.models import Part
from qa.models import CaliperMeasurement, LandmarkSheet, MorningProof, PrintComparison
from qa.services import comparison_pictures
from tests.cases.files import text_stl
from tests.qa.prints import compared, design_mesh, finished, marks_text, printed_part, scan_of

pytestmark = pytest.mark.django_db
Clients = Callable[[Any], Client]


@pytest.fixture(autouse=True)
def _lease(settings: Any) -> None:
    # A worker's heartbeat is of another thread, which the test's own open transaction would keep waiting.
    settings.JOB_LEASE_S = 36_000


@pytest.fixture
def part(shop: Any) -> Part:
    return printed_part(shop)


def upload(content: bytes | None = None) -> SimpleUploadedFile:
    return SimpleUploadedFile("scan.stl", content or write_stl(scan_of(design_mesh())))


@pytest.fixture
def bench(people: Any, client_of: Clients) -> Client:
    return client_of(people.technician)


def test_a_scan_is_uploaded_by_mark_waits_and_shows_its_answer(bench: Client, part: Part) -> None:
    form = {"mark": part.mark, "unit": "mm", "against": "design", "file": upload(), "submission_key": "1"}
    answer = bench.post(reverse("qa:compare"), form)
    row = PrintComparison.objects.get()
    assert answer.status_code == 302 and answer["Location"] == reverse("qa:comparison", args=[row.pk])
    page = bench.get(answer["Location"])
    assert b"Being compared" in page.content
    part_of_page = bench.get(answer["Location"], headers={"HX-Request": "true"})
    assert b"<html" not in part_of_page.content and b"Waiting for a worker" in part_of_page.content
    finished(row)
    assert "HX-Refresh" in bench.get(answer["Location"], headers={"HX-Request": "true"})
    page = bench.get(answer["Location"])
    text = page.content.decode()
    for said in (
        "A print of", "the tolerance is", "No device study yet", "guard band", "data-colours", "Histogram",
        "Patterns in the deviation", "No check block of", "Mark them once",
    ):  # fmt: skip
        assert said in text, said


def test_the_answer_is_taken_away_as_pdf_png_and_csv(bench: Client, shop: Any, part: Part) -> None:
    row = compared(shop.tech, part, scan_of(design_mesh(), opening_mm=-0.9))
    for name in ("qa:comparison-pdf", "qa:comparison-preview", "qa:comparison-csv"):
        assert bench.get(reverse(name, args=[row.pk])).status_code == 404, "there is no result yet"
    finished(row)
    pdf = bench.get(reverse("qa:comparison-pdf", args=[row.pk]))
    assert pdf["Content-Type"] == "application/pdf" and pdf.content.startswith(b"%PDF")
    assert pdf.content == bench.get(reverse("qa:comparison-pdf", args=[row.pk])).content
    assert bench.get(reverse("qa:comparison-png", args=[row.pk])).content.startswith(b"\x89PNG")
    answer: Any = bench.get(reverse("qa:comparison-csv", args=[row.pk]))
    lines = b"".join(answer.streaming_content).decode().splitlines()
    assert lines[0] == "group,name,value,unit,low,high,verdict"
    assert any(line.startswith("pattern,arch_opening") for line in lines)
    page = bench.get(reverse("qa:comparison", args=[row.pk])).content.decode()
    assert "What to do next" in page and "Do not form over" in page


def test_the_answer_is_read_while_its_picture_is_still_being_drawn(
    bench: Client, shop: Any, part: Part
) -> None:
    row = compared(shop.tech, part, scan_of(design_mesh()))
    run_job(row.job_id or 0)
    row.refresh_from_db()
    address, drawing = (reverse(name, args=[row.pk]) for name in ("qa:comparison", "qa:comparison-pictures"))
    text = bench.get(address).content.decode()
    for said in ("the tolerance is", "Histogram", "Waiting for a worker", "The answer above is complete"):
        assert said in text, said
    for absent in ("data-preview-url", "report.pdf", "report.png"):
        assert absent not in text, absent
    assert "figures.csv" in text, "the figures are all there"
    panel = bench.get(drawing, headers={"HX-Request": "true"})
    assert b"<html" not in panel.content and b'id="comparison-drawing"' in panel.content
    for name in ("qa:comparison-pdf", "qa:comparison-png", "qa:comparison-preview"):
        early = bench.get(reverse(name, args=[row.pk]))
        assert early.status_code == 409 and b"still being drawn" in early.content, name
    run_job(row.pictures_job_id or 0)
    assert "HX-Refresh" in bench.get(drawing, headers={"HX-Request": "true"})
    text = bench.get(address).content.decode()
    assert "data-preview-url" in text and "report.pdf" in text and "comparison-drawing" not in text
    assert bench.get(reverse("qa:comparison-preview", args=[row.pk])).content.startswith(b"FLM1")


def test_a_picture_that_could_not_be_drawn_is_asked_for_again(
    bench: Client, shop: Any, part: Part, monkeypatch: pytest.MonkeyPatch
) -> None:
    row = compared(shop.tech, part, scan_of(design_mesh()))
    run_job(row.job_id or 0)
    row.refresh_from_db()
    with monkeypatch.context() as patched:
        patched.setattr(comparison_pictures, "draw_view", lambda *args: 1 / 0)
        for _ in range(3):
            run_job(row.pictures_job_id or 0)
    address = reverse("qa:comparison", args=[row.pk])
    text = bench.get(address).content.decode()
    assert "The picture could not be drawn" in text and "the tolerance is" in text
    assert bench.get(reverse("qa:comparison-preview", args=[row.pk])).status_code == 404
    assert bench.get(reverse("qa:comparison-pdf", args=[row.pk])).content.startswith(b"%PDF")
    again = reverse("qa:comparison-pictures", args=[row.pk])
    assert again in text and bench.post(again).status_code == 302
    assert b"Waiting for a worker" in bench.get(address).content
    row.refresh_from_db()
    run_job(row.pictures_job_id or 0)
    assert b"data-preview-url" in bench.get(address).content


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"mark": "X-1"}, "no mark of a part"),
        ({"mark": "P-999999"}, "There is no part P-999999"),
        ({"unit": ""}, "This field is required"),
        ({"file": ""}, "Choose the scan to upload"),
        ({"file": "nan"}, "not a finite number"),
        ({"against": "prepared"}, "No prepared file"),
    ],
)
def test_what_is_wrong_with_an_upload_is_said_on_its_form(
    bench: Client, part: Part, changed: dict[str, str], said: str
) -> None:
    form: dict[str, Any] = {"mark": part.mark, "unit": "mm", "against": "design", "file": upload()} | changed
    if changed.get("file") == "nan":
        form["file"] = upload(text_stl(nan=True))
    answer = bench.post(reverse("qa:compare"), form)
    assert answer.status_code == 422 and said in answer.content.decode()
    assert not PrintComparison.objects.exists()


def test_links_lead_to_the_comparison_from_part_case_and_trace(bench: Client, shop: Any, part: Part) -> None:
    row = compared(shop.tech, part, scan_of(design_mesh()))
    run_job(row.job_id or 0)
    address = reverse("qa:comparison", args=[row.pk])
    for page in (
        reverse("production:part", args=[part.number]),
        reverse("cases:case", args=[part.appliance.case.number]),
        reverse("production:trace-of", args=["part", part.number]),
        reverse("qa:compare"),
    ):
        assert address in bench.get(page).content.decode(), page


def test_a_piece_shows_what_was_measured_of_its_model(bench: Client, shop: Any) -> None:
    piece = shop.piece()
    page = bench.get(reverse("production:piece", args=[piece.number])).content.decode()
    assert f"{piece.cycle.part.mark} was not compared" in page


def test_landmarks_are_placed_on_the_page_and_serve_the_caliper_sheet(bench: Client, part: Part) -> None:
    address = reverse("qa:landmarks", args=[part.preparation.design_id])
    assert b"Nothing is marked yet" in bench.get(address).content
    sheet = reverse("qa:calipers", args=[part.number])
    assert b"No distance is named" in bench.get(sheet).content
    form = {"text": marks_text(design_mesh()), "based_on": "0"}
    assert bench.post(address, form).status_code == 302
    assert bench.post(address, {**form, "text": "nonsense", "based_on": "1"}).status_code == 422
    stale = bench.post(address, form)
    assert stale.status_code == 422 and b"meanwhile" in stale.content
    listed = bench.get(reverse("qa:landmarks-csv", args=[part.preparation.design_id])).content.decode()
    assert listed.startswith("name,x_mm") and "span,A,B" in listed
    length = LandmarkSheet.objects.get().content["distances"][0]["design_mm"]
    answer = bench.post(sheet, {"length_0": f"{length:.3f}"})
    assert answer.status_code == 302 and CaliperMeasurement.objects.get().verdict == "pass"
    page = bench.get(sheet).content.decode()
    assert "No caliper is in service" in page and "assumed: no device study yet" in page
    assert bench.post(sheet, {}).status_code == 422
    assert bench.get(reverse("qa:calipers-csv", args=[part.number])).status_code == 200


def test_landmarks_come_from_a_csv_file_too(bench: Client, part: Part) -> None:
    address = reverse("qa:landmarks", args=[part.preparation.design_id])
    content = ("\ufeff" + marks_text(design_mesh())).encode()
    form = {"text": "", "based_on": "0", "file": SimpleUploadedFile("marks.csv", content)}
    assert bench.post(address, form).status_code == 302
    binary = {"text": "", "based_on": "1", "file": SimpleUploadedFile("marks.csv", b"\xff\xfe\x00")}
    assert b"UTF-8" in bench.post(address, binary).content


def test_a_check_block_is_entered_on_the_bench_and_charted(bench: Client, shop: Any) -> None:
    assert b"Not measured today" in bench.get(reverse("production:bench")).content
    address = reverse("qa:proofs")
    printer = shop.printer
    form = {
        "printer": printer.pk, "nominal_x": "20", "measured_x": "20.02", "nominal_z": "10",
        "measured_z": "10.01", "submission_key": "1",
    }  # fmt: skip
    assert bench.post(address, form).status_code == 302
    assert bench.post(address, form).status_code == 302 and MorningProof.objects.count() == 1
    assert bench.post(address, {**form, "submission_key": "2", "measured_x": "20.03"}).status_code == 302
    offered = bench.get(f"{address}?printer={printer.code}").content.decode()
    assert 'value="20"' in offered
    page = bench.get(reverse("qa:proofs-of", args=[printer.code])).content.decode()
    assert "Moving range of side x" in page and "provisional" in page
    assert bench.get(reverse("qa:proofs-csv", args=[printer.code])).status_code == 200
    missing = bench.post(address, {"printer": printer.pk, "measured_x": "20"})
    assert missing.status_code == 422 and b"what this side should be" in missing.content
    assert bench.post(address, {"printer": printer.pk}).status_code == 422


def test_trueness_and_precision_say_what_is_missing(bench: Client, part: Part) -> None:
    page = bench.get(reverse("qa:repeats"))
    assert b"No print of this range was measured" in page.content
    assert bench.get(reverse("qa:repeats"), {"axis": "nonsense"}).status_code == 422
    assert bench.get(reverse("qa:repeats-csv")).status_code == 200


def test_lists_of_comparisons_cost_the_same_queries_however_long(
    bench: Client, shop: Any, part: Part, django_assert_max_num_queries: Any
) -> None:
    row = compared(shop.tech, part, scan_of(design_mesh()))
    run_job(row.job_id or 0)
    row.refresh_from_db()
    for number in range(8):
        row.pk, row.key = None, f"copy {number}"
        row.save()
    with django_assert_max_num_queries(14):
        assert bench.get(reverse("qa:compare")).status_code == 200


# The API


@pytest.fixture
def script(people: Any, api_client: Callable[..., Any]) -> Any:
    return api_client(people.technician)


def test_a_script_uploads_a_scan_by_mark_and_reads_the_answer(script: Any, part: Part) -> None:
    address = f"/api/v1/parts/{part.mark}/comparisons/"
    sent = script.post(address, {"unit": "mm", "file": upload()}, headers={"Idempotency-Key": "a"})
    assert sent.status_code == 201 and sent.json()["state"] == "waiting"
    again = script.post(address, {"unit": "mm", "file": upload()}, headers={"Idempotency-Key": "a"})
    assert again.status_code == 200 and again.json()["id"] == sent.json()["id"]
    run_job(PrintComparison.objects.get().job_id or 0)
    answer = script.get(f"/api/v1/comparisons/{sent.json()['id']}/").json()
    assert (answer["verdict"], answer["identity"], answer["progress"]) == ("pass", "this", 1.0)
    assert (sent.json()["pictures"], answer["pictures"]) == (None, "waiting")
    run_job(PrintComparison.objects.get().pictures_job_id or 0)
    answer = script.get(f"/api/v1/comparisons/{sent.json()['id']}/").json()
    assert answer["pictures"] == "ready"
    assert answer["result"]["working"]["n"] > 100 and answer["uncertainty_studied"] is False
    assert script.get(address).json()["count"] == 1


@pytest.mark.parametrize(
    ("mark", "data", "status"),
    [
        ("P-999999", {"unit": "mm"}, 404),
        ("X-1", {"unit": "mm"}, 422),
        ("", {}, 422),
        ("", {"unit": "furlong"}, 422),
        ("", {"unit": "mm"}, 422),
        ("", {"unit": "mm", "device": "nothing"}, 422),
        ("", {"unit": "mm", "sha256": "0" * 64}, 422),
    ],
)
def test_what_is_wrong_with_a_scripts_upload_is_a_problem_with_a_sentence(
    script: Any, part: Part, mark: str, data: dict[str, Any], status: int
) -> None:
    with_file = {"sha256", "device"} & set(data)
    sent = {**data, **({"file": upload()} if with_file else {})}
    answer = script.post(f"/api/v1/parts/{mark or part.mark}/comparisons/", sent)
    assert answer.status_code == status and answer.json()["detail"]
    assert not PrintComparison.objects.exists()


def test_a_script_marks_measures_and_proves(script: Any, shop: Any, part: Part) -> None:
    marks = f"/api/v1/meshes/{part.preparation.design_id}/landmarks/"
    assert script.get(marks).json()["version"] == 0
    placed = script.post_json(marks, {"text": marks_text(design_mesh())}, key="m")
    assert placed.status_code == 201 and placed.json()["version"] == 1
    length = placed.json()["content"]["distances"][0]["design_mm"]
    calipers = f"/api/v1/parts/{part.mark}/calipers/"
    value = {"name": "span", "measured_mm": f"{length + 0.5:.3f}"}
    measured = script.post_json(calipers, {"values": [value]}, key="c")
    assert measured.status_code == 201 and measured.json()["verdict"] == "fail"
    assert script.post_json(calipers, {"values": [value, value]}).status_code == 422
    assert script.get(calipers).json()["results"][0]["values"][0]["name"] == "span"
    side = {"side": "x", "nominal_mm": "20", "measured_mm": "20.01"}
    proved = script.post_json("/api/v1/proofs/", {"printer": shop.printer.code, "sides": [side]}, key="p")
    assert proved.status_code == 201 and proved.json()["printer"] == shop.printer.code
    assert script.post_json("/api/v1/proofs/", {"printer": "none", "sides": [side]}).status_code == 422
    assert script.get("/api/v1/proofs/", {"printer": shop.printer.code}).json()["count"] == 1
    assert json.dumps(proved.json())


def test_a_token_without_the_scope_may_not_upload(
    people: Any, api_client: Callable[..., Any], part: Part
) -> None:
    client = api_client(people.technician, ["shop:read"])
    answer = client.post(f"/api/v1/parts/{part.mark}/comparisons/", {"unit": "mm", "file": upload()})
    assert answer.status_code == 403
    assert client.get(f"/api/v1/parts/{part.mark}/comparisons/").status_code == 200
