"""Real meshes, not made by the project, through every door: the page, the API and ``check_design``.

The files and the facts about them (MIT and BSD-3-Clause; each figure agreed on by two libraries) are in
the README beside them: tests read ``../shared/data`` and skip where it is missing.
"""

from __future__ import annotations

import json
import resource
import struct
import subprocess
import sys
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import call_command
from django.urls import reverse

from labtrack.jobs.services.run import run_job
from tests.cases.files import tetrahedron, text_stl

ROOT = Path(__file__).resolve().parents[1]
FOLDER = ROOT.parent / "shared" / "data"


@dataclass(frozen=True)
class Known:
    """What is known of a file from outside the project."""

    triangles: int
    bodies: int
    watertight: bool
    volume_ml: float | None = None


FILES = {
    "arch_upper.obj": Known(85_232, 14, watertight=True),
    "arch_upper_other.obj": Known(82_444, 14, watertight=True),
    "arch_lower.obj": Known(83_262, 14, watertight=True),
    "molar_on_stump.stl": Known(3_878, 1, watertight=True, volume_ml=0.526449),
    "binary_with_solid_header.stl": Known(288, 1, watertight=True),
    "ascii_messy.stl": Known(1_368, 18, watertight=False),
}
# None of them has a flat base to stand on.
BASELESS = ("arch_upper.obj", "arch_upper_other.obj", "arch_lower.obj", "molar_on_stump.stl")
MOST_MEMORY = 3 * 2**30
FIGURES = (
    "triangles", "bodies", "watertight", "open_edges", "nonmanifold_edges", "inverted_bodies", "volume_ml",
    "area_cm2", "size_mm", "unit_guess", "contact_fraction", "contact_flatness_mm", "base_tilt_deg",
    "layers", "max_layer_area_cm2", "mid_air_starts",
)  # fmt: skip


def real(name: str) -> Path:
    path = FOLDER / name
    if not path.exists():
        pytest.skip(f"the real mesh {name} is not beside the repository")
    return path


def require_known(name: str, result: dict[str, Any]) -> None:
    """The figures and verdicts of ``name`` are what is known of it from outside."""
    known, figures = FILES[name], result["figures"]
    assert set(FIGURES) <= set(figures)
    assert (figures["triangles"], figures["bodies"]) == (known.triangles, known.bodies)
    assert figures["watertight"] is known.watertight
    if known.volume_ml is not None:
        assert figures["volume_ml"] == pytest.approx(known.volume_ml, abs=5e-7)
    verdicts = {check["name"]: check["verdict"] for check in result["checks"]}
    if name in BASELESS:
        assert verdicts["base_contact"] in ("fail", "review")
    if not known.watertight:
        assert figures["open_edges"] > 0
        assert figures["volume_ml"] is None
    assert result["verdict"] in ("fail", "review", "unknown")
    assert all(check["sentence"] for check in result["checks"])


def run_command(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    """``check_design`` as a person calls it."""
    return subprocess.run(
        [sys.executable, "-m", "django", "check_design", *map(str, arguments)],
        cwd=ROOT, capture_output=True, text=True, check=False, timeout=300,
    )  # fmt: skip


@pytest.mark.parametrize("name", FILES)
def test_the_command_says_what_is_known_of_a_real_mesh(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    call_command("check_design", str(real(name)), "--json")
    result = json.loads(capsys.readouterr().out)
    assert set(result) >= {"verdict", "engine", "figures", "checks"}
    assert set(result["checks"][0]) >= {"name", "verdict", "value", "unit", "limit", "sentence"}
    require_known(name, result)


@pytest.fixture
def case(actors: Any, settings: Any, tmp_path: Path) -> Any:
    """An empty case of the clinic Harbour, and a file store of its own."""
    from cases.models import Clinic
    from cases.services.log_case import log_case

    folder = tmp_path / "files"
    (folder / "incoming").mkdir(parents=True)
    settings.FILE_STORE = folder
    settings.FILE_UPLOAD_TEMP_DIR = str(folder / "incoming")
    # A worker's heartbeat is of another thread, which the test's own open transaction would keep waiting.
    settings.JOB_LEASE_S = 36_000
    return log_case(
        actor=actors.clinic,
        key="",
        clinic_id=Clinic.objects.get(code="harbour").pk,
        patient_code="H-1",
        prescriber="Dr Invented",
    ).thing


@pytest.mark.django_db
@pytest.mark.parametrize("name", FILES)
def test_page_and_api_say_the_same_of_a_real_mesh(
    name: str, case: Any, people: Any, client_of: Callable[..., Any], api_client: Callable[..., Any]
) -> None:
    """Attached on the page; the check by the worker's own function; read by page and by script."""
    browser = client_of(people.clinic)
    attached = browser.post(
        reverse("cases:meshes", args=[case.number]),
        {"role": "design", "unit": "mm", "files": SimpleUploadedFile(name, real(name).read_bytes())},
        headers={"Accept": "application/json"},
    )
    assert attached.status_code == 201, attached.content
    assert f"{FILES[name].triangles:,} triangles" in attached.json()["sentence"]
    mesh_id = attached.json()["id"]
    assert run_job(_check(mesh_id).job_id) == "done"

    answer = api_client(people.clinic).get(reverse("api-mesh-check", args=[mesh_id])).json()
    assert answer["state"] == "done"
    require_known(name, answer)
    page = browser.get(reverse("qa:check", args=[mesh_id])).content.decode()
    for finding in answer["checks"][:3]:
        assert finding["sentence"].split(":")[0].split("'")[0] in page
    preview = browser.get(reverse("qa:preview", args=[mesh_id]))
    assert preview.status_code == 200


@pytest.mark.django_db
@pytest.mark.parametrize("name", FILES)
def test_a_script_sends_a_real_mesh_once(
    name: str, case: Any, people: Any, api_client: Callable[..., Any]
) -> None:
    client = api_client(people.clinic)
    url = f"{reverse('api-meshes', args=[case.number])}?role=patient-scan&unit=mm&name={name}"
    content = real(name).read_bytes()
    first = client.post(url, content, content_type="application/octet-stream")
    assert first.status_code == 201, first.content
    assert first.json()["triangles"] == FILES[name].triangles
    again = client.post(url, content, content_type="application/octet-stream")
    assert (again.status_code, again.json()["id"]) == (200, first.json()["id"])
    assert run_job(_check(first.json()["id"]).job_id) == "done"
    answer = client.get(reverse("api-mesh-check", args=[first.json()["id"]])).json()
    assert answer["figures"]["triangles"] == FILES[name].triangles
    assert answer["verdict"] in ("pass", "review", "fail", "unknown")


def _check(mesh_id: int) -> Any:
    from qa.models import MeshCheck

    return MeshCheck.objects.get(mesh=mesh_id)


def lying(count: int) -> bytes:
    """A binary STL of four triangles whose header states ``count``."""
    content = tetrahedron()
    return content[:80] + struct.pack("<I", count) + content[84:]


UNREADABLE = {
    "empty.stl": b"",
    "truncated.stl": tetrahedron()[:-70],
    "count-too-high.stl": lying(5_000),
    "count-too-low.stl": lying(2),
    "nan.stl": text_stl(nan=True),
    "cut-off.stl": text_stl(cut=True),
    "letter.stl": b"Dear colleague,\nhere is the case we spoke of.\n" * 20,
    "infinite.stl": tetrahedron()[:96] + struct.pack("<f", float("inf")) + tetrahedron()[100:],
    "picture.obj": b"\x89PNG\r\n\x1a\n" + bytes(200),
    "faces-of-nothing.obj": b"v 0 0 0\nv 1 0 0\nf 1 2 9\n",
    "header-only.ply": b"ply\nformat ascii 1.0\nelement vertex 3\nend_header\n",
}


@pytest.mark.parametrize("name", UNREADABLE)
def test_what_cannot_be_read_ends_with_2_and_a_sentence(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / name
    path.write_bytes(UNREADABLE[name])
    with pytest.raises(SystemExit) as ended:
        call_command("check_design", str(path), "--json")
    assert ended.value.code == 2
    said = capsys.readouterr()
    assert said.out == ""
    require_sentence(said.err)


def require_sentence(said: str) -> None:
    """One sentence or two for a person, and nothing of the program's inside."""
    assert said.strip().endswith(".")
    assert "Traceback" not in said and "Error" not in said
    assert len(said.split()) >= 4


@pytest.mark.parametrize("what", ["a missing file", "a directory", "no permission to tell"])
def test_what_is_no_file_ends_with_2_and_a_sentence(
    what: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "thing.stl"
    if what == "a directory":
        path.mkdir()
    elif what == "no permission to tell":
        path = tmp_path / ("long" * 200)
    with pytest.raises(SystemExit) as ended:
        call_command("check_design", str(path), "--json")
    assert ended.value.code == 2
    require_sentence(capsys.readouterr().err)


def test_the_process_itself_ends_with_0_and_2(tmp_path: Path) -> None:
    """As a shell sees it: any verdict is 0, a file that cannot be read 2, a wrong option 2."""
    good = tmp_path / "good.stl"
    good.write_bytes(tetrahedron(30.0))
    done = run_command(good, "--json")
    assert (done.returncode, done.stderr) == (0, "")
    assert json.loads(done.stdout)["figures"]["triangles"] == 4
    broken = tmp_path / "broken.stl"
    broken.write_bytes(b"")
    done = run_command(broken, "--json")
    assert (done.returncode, done.stdout) == (2, "")
    require_sentence(done.stderr)
    assert run_command(good, "--unit", "furlong").returncode == 2
    assert run_command().returncode == 2


def too_many_triangles(path: Path) -> None:
    """One triangle more than is taken, whole: every byte that the header states is there."""
    with path.open("wb") as file:
        file.write(bytes(80) + struct.pack("<I", 5_000_001))
        file.truncate(84 + 50 * 5_000_001)


RELATIONSHIPS = (
    '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">{}</Relationships>'
)


def archive_bomb(path: Path) -> None:
    """A 3MF of some hundred kilobytes whose model unpacks to 400 megabytes of blanks."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        kind = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
        start = f'<Relationship Target="/3D/3dmodel.model" Id="rel0" Type="{kind}"/>'
        archive.writestr("_rels/.rels", RELATIONSHIPS.format(start))
        with archive.open("3D/3dmodel.model", "w") as model:
            for _ in range(400):
                model.write(b" " * 1_000_000)


def one_coordinate(value: float) -> Callable[[Path], None]:
    def write(path: Path) -> None:
        path.write_bytes(tetrahedron()[:96] + struct.pack("<f", value) + tetrahedron()[100:])

    return write


WITHIN_A_MINUTE: dict[str, tuple[Callable[[Path], None], str]] = {
    "5,000,001 triangles": (too_many_triangles, "5,000,001 triangles"),
    "an archive bomb": (archive_bomb, "unpack"),
    "no number": (one_coordinate(float("nan")), "not a finite number"),
    "a billion units": (one_coordinate(1e9), "1e+09"),
}


@pytest.mark.parametrize("what", WITHIN_A_MINUTE)
def test_what_would_eat_a_worker_ends_within_a_minute_and_in_bounded_memory(
    what: str, tmp_path: Path
) -> None:
    """The promise is 60 s and a worker's memory: the process gets no more of either."""
    write, said = WITHIN_A_MINUTE[what]
    path = tmp_path / "mesh"
    write(path)
    done = subprocess.run(
        [sys.executable, "-m", "django", "check_design", str(path), "--json"],
        cwd=ROOT, capture_output=True, text=True, check=False, timeout=60,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY, MOST_MEMORY)),
    )  # fmt: skip
    assert (done.returncode, done.stdout) == (2, "")
    require_sentence(done.stderr)
    assert said in done.stderr


@pytest.mark.parametrize(("unit", "factor"), [("mm", 1), ("cm", 10), ("m", 1000), ("inch", 25.4)])
def test_a_stated_unit_scales_the_figures(
    unit: str, factor: float, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A corner tetrahedron of edge a holds a³/6."""
    path = tmp_path / "corner.stl"
    edge_mm = 30.0
    path.write_bytes(tetrahedron(edge_mm / factor))
    call_command("check_design", str(path), "--json", "--unit", unit)
    figures = json.loads(capsys.readouterr().out)["figures"]
    assert figures["volume_ml"] == pytest.approx(edge_mm**3 / 6 / 1000, rel=1e-5)
    assert figures["size_mm"] == pytest.approx([edge_mm] * 3, rel=1e-5)
