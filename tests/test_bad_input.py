"""Bad input by every way in: the right status, a sentence that says what to do, and nothing written."""

from __future__ import annotations

import html
import io
import json
import re
import struct
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.apps import apps
from django.contrib.sessions.models import Session
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import call_command
from django.urls import reverse
from django.utils import timezone

from labtrack.accounts.models import ApiToken
from production.models import TreatedPart
from production.services import builds, equipment
from qa.management.commands.check_design import Command
from qa.queries.limits import limits_in_force
from tests.cases.files import files_in, tetrahedron, text_stl
from tests.conftest import PASSWORD
from tests.production.shop import Shop
from tests.qa.pieces import direct_piece

pytestmark = pytest.mark.django_db

LIMIT_BYTES = 200_000_000
RAW = "application/octet-stream"


# What is written, and what is said


def everything() -> dict[str, list[Any]]:
    """Every row of every table, but for sessions and when a token was last used."""
    kept = {}
    for model in apps.get_models(include_auto_created=True):
        rows = model._base_manager.order_by("pk")
        if model is not Session:
            kept[model._meta.label] = list(
                rows.values_list("pk") if model is ApiToken else rows.values_list()
            )
    return kept


@pytest.fixture
def store(settings: Any, tmp_path: Path) -> Path:
    folder = tmp_path / "files"
    (folder / "incoming").mkdir(parents=True)
    settings.FILE_STORE = folder
    settings.FILE_UPLOAD_TEMP_DIR = str(folder / "incoming")
    return folder


@pytest.fixture
def nothing_written(store: Path) -> Callable[[], Any]:
    @contextmanager
    def unchanged() -> Iterator[None]:
        rows, files = everything(), files_in(store)
        yield
        now = everything()
        assert {label for label in rows if now[label] != rows[label]} == set()
        assert files_in(store) == files

    return unchanged


def words_of(answer: Any) -> str:
    """What a person or a script reads in the answer, in one line."""
    text = answer.content.decode()
    if "json" in answer["Content-Type"]:
        body = json.loads(text)
        said = [body.get("sentence", ""), body.get("detail", "")]
        said += [error["detail"] for error in body.get("errors", [])]
        return " ".join(said)
    return " ".join(html.unescape(re.sub(r"<[^>]*>", " ", text)).split())


def refused(answer: Any, status: int, *words: str) -> None:
    said = words_of(answer)
    assert answer.status_code == status, said
    for word in words:
        assert word in said
    assert "Traceback" not in said


# Meshes


@pytest.fixture
def case(actors: Any, store: Path) -> Any:
    from cases.models import Clinic
    from cases.services.log_case import log_case

    return log_case(
        actor=actors.clinic,
        key="",
        clinic_id=Clinic.objects.get(code="harbour").pk,
        patient_code="P-1",
        prescriber="Dr Example",
    ).thing


@dataclass(frozen=True)
class WaysIn:
    """The four ways a file comes to a case: the page's script, its plain form, a raw body, an API form."""

    page: Any
    script: Any
    number: int

    def each(self, content: bytes, **facts: str) -> Iterator[Any]:
        wanted = {"role": "patient-scan", "unit": "mm"} | facts
        page, api = f"/cases/{self.number}/meshes/", f"/api/v1/cases/{self.number}/meshes/"

        def file() -> SimpleUploadedFile:
            return SimpleUploadedFile("upper.stl", content)

        yield self.page.post(page, {**wanted, "files": file()}, headers={"Accept": "application/json"})
        yield self.page.post(page, {**wanted, "files": file()})
        query = "&".join(f"{name}={value}" for name, value in {**wanted, "name": "upper.stl"}.items())
        # The test client states no length for an empty body; real clients do.
        stated = {"CONTENT_LENGTH": str(len(content))}
        yield self.script.post(f"{api}?{query}", content, content_type=RAW, **stated)
        yield self.script.post(api, {**wanted, "file": file()})


@pytest.fixture
def ways(case: Any, people: Any, client_of: Any, api_client: Any) -> WaysIn:
    return WaysIn(client_of(people.clinic), api_client(people.clinic), case.number)


def with_count(content: bytes, count: int) -> bytes:
    return content[:80] + struct.pack("<I", count) + content[84:]


def with_solid_header(content: bytes) -> bytes:
    return b"solid upper arch of an invented patient".ljust(80) + content[80:]


def with_coordinate(content: bytes, value: float) -> bytes:
    return content[:96] + struct.pack("<f", value) + content[100:]


AGAIN = "again"
BAD_FILES = {
    "empty": (b"", "empty", AGAIN),
    "binary, cut off": (tetrahedron()[:-20], "states 4 triangles but only 3", AGAIN),
    "binary, cut off in its header": (tetrahedron()[:70], "cut off", AGAIN),
    "binary with a solid header, cut off": (
        with_solid_header(tetrahedron())[:-20],
        "states 4 triangles but only 3",
        AGAIN,
    ),
    "binary with a solid header, cut off in its first triangle": (
        with_solid_header(tetrahedron())[:120],
        "states 4 triangles but only 0",
        AGAIN,
    ),
    "binary with a solid header, cut off in its header": (
        with_solid_header(tetrahedron())[:60],
        "cut off",
        AGAIN,
    ),
    "text, cut off": (text_stl(cut=True), "cut off", AGAIN),
    "count too high": (with_count(tetrahedron(), 5), "states 5 triangles but only 4", AGAIN),
    "count far too high": (with_count(tetrahedron(), 2**32 - 1), "but only 4 are in it", AGAIN),
    "count too low": (with_count(tetrahedron(), 2), "count is wrong", "Export it again"),
    "NaN in binary": (with_coordinate(tetrahedron(), float("nan")), "not a finite number", "export it again"),
    "infinity in binary": (
        with_coordinate(tetrahedron(), float("inf")),
        "not a finite number",
        "export it again",
    ),
    "NaN in text": (text_stl(nan=True), "not a finite number", "export it again"),
    "a letter named .stl": (b"Dear lab, here is the scan. " * 20, "no mesh", "Upload an STL, PLY, OBJ"),
    "a PDF named .stl": (b"%PDF-1.7 something else altogether", "PDF", "Upload the STL, PLY, OBJ"),
}


@pytest.mark.parametrize(("content", "what", "to_do"), BAD_FILES.values(), ids=BAD_FILES)
def test_a_bad_file_is_refused_by_every_way_in(
    content: bytes, what: str, to_do: str, ways: WaysIn, nothing_written: Any, tmp_path: Path
) -> None:
    with nothing_written():
        for answer in ways.each(content):
            refused(answer, 422, what, to_do)
        path = tmp_path / "upper.stl"
        path.write_bytes(content)
        assert_command_refuses([str(path), "--json"], what, to_do)


def assert_command_refuses(arguments: list[str], *words: str) -> None:
    out, err = io.StringIO(), io.StringIO()
    with pytest.raises(SystemExit) as end:
        call_command("check_design", *arguments, stdout=out, stderr=err)
    assert (end.value.code, out.getvalue()) == (2, "")
    for word in words:
        assert word in err.getvalue()


@pytest.mark.parametrize(("unit", "what"), [("", "unit"), ("furlong", "unit"), ("MM", "unit")])
def test_a_missing_or_wrong_unit_is_refused_by_every_way_in(
    unit: str, what: str, ways: WaysIn, nothing_written: Any
) -> None:
    page_words = ("Unit",)
    api_words = ("mm, cm, m, inch", "Say which unit" if not unit else f"'{unit}'")
    with nothing_written():
        answers = list(ways.each(tetrahedron(), unit=unit))
        for answer in answers[:2]:
            refused(answer, 422, *page_words)
        for answer in answers[2:]:
            refused(answer, 422, *api_words)


def test_a_wrong_unit_of_the_command_names_the_known_ones(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "upper.stl"
    path.write_bytes(tetrahedron())
    with pytest.raises(SystemExit) as end:
        Command().run_from_argv(["manage.py", "check_design", str(path), "--unit", "furlong"])
    said = capsys.readouterr()
    assert (end.value.code, said.out) == (2, "")
    assert "choose from" in said.err and "'inch'" in said.err


class Stream(io.RawIOBase):
    """A body of any length, made while it is read: a head, zeros, a tail."""

    def __init__(self, zeros: int, head: bytes = b"", tail: bytes = b"") -> None:
        self.parts: list[bytes | int] = [head, zeros, tail]
        self.length = len(head) + zeros + len(tail)
        self.largest_read = 0

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        self.largest_read = max(self.largest_read, len(buffer))
        while self.parts:
            part = self.parts[0]
            count = min(len(buffer), part if isinstance(part, int) else len(part))
            if count:
                buffer[:count] = bytes(count) if isinstance(part, int) else part[:count]
                self.parts[0] = part - count if isinstance(part, int) else part[count:]
                return count
            self.parts.pop(0)
        return 0


def form_stream(zeros: int, field: str) -> Stream:
    facts = "".join(
        f'--edge\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n'
        for name, value in (("role", "patient-scan"), ("unit", "mm"))
    )
    file = f'--edge\r\nContent-Disposition: form-data; name="{field}"; filename="upper.stl"\r\n\r\n'
    return Stream(zeros, (facts + file).encode(), b"\r\n--edge--\r\n")


def post_stream(client: Any, url: str, stream: Stream, kind: str, **headers: str) -> Any:
    body = {
        "wsgi.input": io.BufferedReader(stream),
        "CONTENT_LENGTH": str(stream.length),
        "CONTENT_TYPE": kind,
    }
    return client.generic("POST", url, b"", headers=headers, **body)


FORM = "multipart/form-data; boundary=edge"


@pytest.mark.parametrize("way", ["the page's script", "the page's form", "raw body", "API form"])
def test_one_byte_too_many_is_refused_by_every_way_in(way: str, ways: WaysIn, nothing_written: Any) -> None:
    page, api = f"/cases/{ways.number}/meshes/", f"/api/v1/cases/{ways.number}/meshes/"
    with nothing_written():
        if way == "raw body":
            stream = Stream(LIMIT_BYTES + 1)
            answer = post_stream(ways.script, f"{api}?role=patient-scan&unit=mm", stream, RAW)
        elif way == "API form":
            stream = form_stream(LIMIT_BYTES + 1, "file")
            answer = post_stream(ways.script, api, stream, FORM)
        else:
            stream = form_stream(LIMIT_BYTES + 1, "files")
            accept = {"Accept": "application/json"} if way == "the page's script" else {}
            answer = post_stream(ways.page, page, stream, FORM, **accept)
        refused(answer, 413, "larger than 200,000,000 bytes", "Reduce the mesh")
    assert stream.largest_read <= 4_000_000, "never held in memory"


def test_the_very_last_byte_that_fits_is_judged_by_its_content(ways: WaysIn, nothing_written: Any) -> None:
    url = f"/api/v1/cases/{ways.number}/meshes/?role=patient-scan&unit=mm"
    with nothing_written():
        answer = post_stream(ways.script, url, Stream(LIMIT_BYTES), RAW)
        refused(answer, 422, "count is wrong")


def test_the_command_refuses_more_than_it_takes_into_memory(tmp_path: Path) -> None:
    """It reads files of one's own machine, so its bound is its own and higher."""
    path = tmp_path / "huge.stl"
    with path.open("wb") as sparse:
        sparse.truncate(1_000_000_001)
    assert_command_refuses([str(path)], "1,000,000,001 bytes", "at most 1,000,000,000", "Reduce the mesh")


# The shop


@pytest.fixture
def shop(actors: Any, store: Path) -> Shop:
    return Shop(actors)


def build_wanted(shop: Shop, preparation: Any, printer: Any = None, tank: Any = None) -> Any:
    """The same build as the page's form and as the API's body."""
    printer, tank = printer or shop.printer, tank or shop.tank
    form = {
        "printer": printer.pk,
        "tank": tank.pk,
        "preparation": [preparation.pk],
        f"copies-{preparation.pk}": "1",
        "start_now": "on",
    }
    body = {
        "printer": printer.code,
        "tank": tank.code,
        "parts": [{"preparation_id": preparation.pk}],
        "start": True,
    }
    return form, body


def test_a_build_on_a_retired_tank_is_refused(
    shop: Shop, people: Any, actors: Any, client_of: Any, api_client: Any, nothing_written: Any
) -> None:
    planned = shop.plan(at=timezone.now() - timedelta(hours=1))
    form, body = build_wanted(shop, shop.preparation())
    page, script = client_of(people.technician), api_client(people.technician)
    equipment.retire_equipment(actor=actors.manager, equipment_id=shop.tank.pk, reason="film worn")
    start = f"/api/v1/builds/{planned.number}/start/"
    with nothing_written():
        for answer in (
            page.post(reverse("production:plan"), form),
            script.post_json("/api/v1/builds/", body),
            page.post(reverse("production:build-start", args=[planned.number])),
            script.post_json(start, {}),
        ):
            refused(answer, 422, "Tank 1 (tank-1) was retired on", "Choose another")


def test_a_build_from_an_expired_lot_is_refused(
    shop: Shop, people: Any, client_of: Any, api_client: Any, nothing_written: Any
) -> None:
    lot = shop.lot(shop.model_resin, "M-2", expires_days=5)
    shop.event(shop.tank, "emptied")
    shop.event(shop.tank, "filled", lot_id=lot.pk)
    form, body = build_wanted(shop, shop.preparation())
    page, script = client_of(people.technician), api_client(people.technician)
    with nothing_written():
        for answer in (
            page.post(reverse("production:plan"), form),
            script.post_json("/api/v1/builds/", body),
        ):
            refused(answer, 422, "M-2 expired on", "Take a lot that is in date")


def test_filling_a_tank_from_an_expired_lot_is_refused(
    shop: Shop, people: Any, client_of: Any, api_client: Any, nothing_written: Any
) -> None:
    lot = shop.lot(shop.model_resin, "M-2", expires_days=5)
    shop.event(shop.tank, "emptied")
    page, script = client_of(people.technician), api_client(people.technician)
    event = {"kind": "filled", "quantity_ml": 500}
    with nothing_written():
        for answer in (
            page.post("/lab/equipment/tank-1/", event | {"lot": lot.pk}),
            script.post_json("/api/v1/equipment/tank-1/events/", event | {"lot_id": lot.pk}),
        ):
            refused(answer, 422, "M-2 expired on", "Take a lot that is in date")


def test_an_end_before_its_start_is_refused(
    shop: Shop, people: Any, client_of: Any, api_client: Any, nothing_written: Any
) -> None:
    build = shop.plan(at=shop.at(1))
    builds.start_build(actor=shop.tech, build_id=build.pk, started_at=shop.at(1))
    page, script = client_of(people.technician), api_client(people.technician)
    early = timezone.localtime(shop.at(0))
    at_page = f"{early:%Y-%m-%dT%H:%M}"
    record = reverse("production:build-record", args=[build.number])
    with nothing_written():
        for answer in (
            page.post(record, {"what": "finish", "finished_at": at_page}),
            page.post(record, {"what": "fail", "failure": "power cut", "finished_at": at_page}),
            script.post_json(f"/api/v1/builds/{build.number}/end/", {"finished_at": early.isoformat()}),
        ):
            refused(answer, 422, "cannot end before it started", "Check both times")


def test_a_mucosa_contact_piece_is_not_printed_in_model_resin(
    shop: Shop, people: Any, client_of: Any, api_client: Any, nothing_written: Any
) -> None:
    guide = shop.appliance(kind="drill-guide", tissue="mucosa", direct=True)
    form, body = build_wanted(shop, shop.preparation(guide))
    page, script = client_of(people.technician), api_client(people.technician)
    with nothing_written():
        for answer in (
            page.post(reverse("production:plan"), form),
            script.post_json("/api/v1/builds/", body),
        ):
            refused(answer, 422, "is worn by the patient", "Choose a tank for patient contact")


def test_a_mucosa_contact_piece_of_a_model_resin_is_not_released(
    shop: Shop, people: Any, client_of: Any, nothing_written: Any
) -> None:
    """Releasing is signed by a person at the page: the API has no way to do it."""
    piece = direct_piece(shop, tank=shop.guide_tank, printer=shop.other_printer, bath=shop.guide_bath)
    # The instructions in force say models only by now.
    shop.instruct(shop.guide_resin, use="model", at=timezone.now())
    page = client_of(people.quality)
    url = reverse("qa:sign", args=[piece.appliance.case.number])
    with nothing_written():
        answer = page.post(url, {"pieces": [piece.pk], "password": PASSWORD})
        refused(answer, 422, f"{piece.mark} touches", "for models only", "make it again from a material for")


# Who may


def test_a_token_out_of_scope_is_refused(
    case: Any, shop: Shop, people: Any, api_client: Any, nothing_written: Any
) -> None:
    reads = api_client(people.technician, ["cases:read"])
    _, body = build_wanted(shop, shop.preparation())
    with nothing_written():
        for answer, scope in (
            (
                reads.post(f"/api/v1/cases/{case.number}/meshes/?role=design&unit=mm", tetrahedron(), RAW),
                "cases:write",
            ),
            (reads.post_json("/api/v1/builds/", body), "shop:write"),
            (reads.get("/api/v1/builds/"), "shop:read"),
            (reads.get("/api/v1/trends/"), "trends:read"),
        ):
            refused(answer, 403, f"lacks the scope '{scope}'", "Make one that has it")


def test_another_clinics_case_is_not_found_by_its_number(
    case: Any, people: Any, client_of: Any, api_client: Any, nothing_written: Any
) -> None:
    page, script = client_of(people.other_clinic), api_client(people.other_clinic)
    with nothing_written():
        for number in (case.number, 987_654):
            theirs, api = f"/cases/{number}/", f"/api/v1/cases/{number}/"
            send = f"{api}meshes/?role=patient-scan&unit=mm"
            upload = {
                "role": "patient-scan",
                "unit": "mm",
                "files": SimpleUploadedFile("a.stl", tetrahedron()),
            }
            for answer in (
                page.get(theirs),
                page.post(f"{theirs}meshes/", upload),
                page.post(f"{theirs}void/", {"reason": "mine now"}),
                script.get(api),
                script.get(f"{api}meshes/"),
                script.post(send, tetrahedron(), RAW),
                script.post_json(f"{api}appliances/", {"kind": "retainer", "upper": 1}),
            ):
                refused(answer, 404, "There is no case under that number")


# Forms that name nothing known


UNNAMED = {
    "own": ("administrator", "accounts:own", [], "your password, your PIN or your badge"),
    "material": ("manager", "production:material", ["grey"], "a lot, or an edition of the instructions"),
    "lot": ("manager", "production:lot-change", ["lot"], "Choose what to do with the lot"),
    "equipment": ("manager", "production:equipment-service", ["tank-1"], "to retire it or to put it back"),
    "build": ("technician", "production:build-record", ["build"], "the end of the build, its failure"),
    "piece": ("technician", "production:piece-step", ["piece", "trim"], "the step, or answers only"),
    "run": ("technician", "production:run", ["run"], "Answer at least one item"),
    "case": ("technician", "cases:assign", ["case"], "Choose at least one file"),
    "person": ("administrator", "accounts:person-active", ["person"], "whether this person may sign in"),
}


@pytest.mark.parametrize(("who", "name", "arguments", "to_do"), UNNAMED.values(), ids=UNNAMED)
def test_a_form_that_names_nothing_known_is_refused(
    who: str, name: str, arguments: list[str], to_do: str, shop: Shop, people: Any, client_of: Any,
    nothing_written: Any,
) -> None:  # fmt: skip
    piece = shop.piece()
    build = shop.plan(at=shop.at(5))
    builds.start_build(actor=shop.tech, build_id=build.pk, started_at=shop.at(5))
    known = {
        "lot": shop.model_lot.pk,
        "build": build.number,
        "piece": piece.number,
        "run": TreatedPart.objects.earliest("pk").run_id,
        "case": piece.appliance.case.number,
        "person": people.technician.pk,
    }
    url = reverse(name, args=[known.get(word, word) for word in arguments])
    client = client_of(getattr(people, who))
    with nothing_written():
        for sent in ({"what": "nonsense", "active": "perhaps", "reason": "worn"}, {"what": ""}):
            refused(client.post(url, sent), 422, to_do)


@pytest.mark.parametrize(
    ("who", "name"),
    [
        ("manager", "cases:clinics"), ("quality", "qa:limits"), ("quality", "qa:kinds"),
        ("technician", "production:plan"), ("technician", "production:prepare"),
        ("manager", "production:material-add"), ("administrator", "accounts:person-add"),
        ("technician", "accounts:tokens"), ("technician", "accounts:switch"),
    ],
)  # fmt: skip
def test_a_form_sent_with_nothing_in_it_says_what_is_missing(
    who: str, name: str, shop: Shop, people: Any, client_of: Any, nothing_written: Any
) -> None:
    client = client_of(getattr(people, who))
    limits_in_force()  # written at the first look
    with nothing_written():
        refused(client.post(reverse(name)), 422, "required")
