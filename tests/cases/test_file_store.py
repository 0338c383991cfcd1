"""The file store: bounded, whole or absent, swept."""

from __future__ import annotations

import hashlib
import io
import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from cases.models import Blob, MeshUse
from cases.services import file_store
from cases.services.file_store import CutOff, TooLarge, blob_path, received, received_bytes, sweep_files
from labtrack.errors import Refused
from tests.cases.files import files_in, tetrahedron

ROOT = Path(__file__).resolve().parents[2]
DAY_S = 86_400.0


class Zeros:
    """A stream of zero bytes that remembers how much was asked of it."""

    def __init__(self, size: int) -> None:
        self.left = size
        self.largest = 0

    def read(self, count: int) -> bytes:
        self.largest = max(self.largest, count)
        chunk = bytes(min(count, self.left))
        self.left -= len(chunk)
        return chunk


# The limit.


def test_exactly_the_limit_is_taken_and_one_byte_more_is_not(store: Path, settings: Any) -> None:
    limit = settings.MESH_UPLOAD_LIMIT_BYTES
    assert limit == 200_000_000
    stream = Zeros(limit)
    with received(stream.read, limit_bytes=limit) as source:
        assert source.size_bytes == limit
    assert stream.largest <= 1024 * 1024, "never much of it in memory"
    with pytest.raises(TooLarge) as caught, received(Zeros(limit + 1).read, limit_bytes=limit):
        pytest.fail("a file past the limit was received")
    assert caught.value.status == 413
    assert files_in(store) == []


def test_a_stated_length_past_the_limit_is_refused_unread(store: Path) -> None:
    stream = Zeros(10)
    with pytest.raises(TooLarge), received(stream.read, limit_bytes=5, stated_bytes=10):
        pytest.fail("a file past the limit was received")
    assert stream.left == 10


def test_fewer_bytes_than_stated_are_refused(store: Path) -> None:
    with pytest.raises(CutOff), received(Zeros(9).read, limit_bytes=100, stated_bytes=10):
        pytest.fail("a cut file was received")
    assert files_in(store) == []


@pytest.mark.django_db
@pytest.mark.parametrize("over", [0, 1])
def test_the_api_refuses_one_byte_too_many_with_a_sentence(
    over: int, case: Any, people: Any, api_client: Any, store: Path, settings: Any
) -> None:
    content = tetrahedron()
    settings.MESH_UPLOAD_LIMIT_BYTES = len(content) - over
    client = api_client(people.clinic)
    url = f"/api/v1/cases/{case.number}/meshes/"
    raw = client.post(f"{url}?role=design&unit=mm", data=content, content_type="application/octet-stream")
    form = client.post(url, {"role": "bite", "unit": "mm", "file": SimpleUploadedFile("a.stl", content)})
    wanted = 413 if over else 201
    assert (raw.status_code, form.status_code) == (wanted, wanted)
    if over:
        assert "larger than 283 bytes" in raw.json()["detail"]
        assert files_in(store) == []
        assert not MeshUse.objects.exists()


@pytest.mark.django_db
@pytest.mark.parametrize("json", [True, False])
def test_the_page_refuses_one_byte_too_many_with_a_sentence(
    json: bool, case: Any, people: Any, client_of: Any, store: Path, settings: Any
) -> None:
    content = tetrahedron()
    settings.MESH_UPLOAD_LIMIT_BYTES = len(content) - 1
    answer = client_of(people.clinic).post(
        f"/cases/{case.number}/meshes/",
        {"role": "design", "unit": "mm", "files": SimpleUploadedFile("a.stl", content)},
        headers={"Accept": "application/json"} if json else {},
    )
    assert answer.status_code == 413
    assert "larger than 283 bytes" in (answer.json()["sentence"] if json else answer.content.decode())
    assert files_in(store) == []


@pytest.mark.django_db
def test_a_stated_length_far_past_the_limit_is_refused_by_the_header_alone(
    case: Any, people: Any, api_client: Any, client_of: Any, store: Path
) -> None:
    """200,000,001 announced bytes, of which hardly any are sent."""
    url = f"/api/v1/cases/{case.number}/meshes/?role=design&unit=mm"
    few = {"CONTENT_LENGTH": "200000001", "wsgi.input": io.BytesIO(b"few")}
    raw = api_client(people.clinic).generic("POST", url, CONTENT_TYPE="application/octet-stream", **few)
    assert (raw.status_code, raw.json()["code"]) == (413, "too-large")
    assert "200,000,000 bytes" in raw.json()["detail"]
    form = {
        "CONTENT_TYPE": "multipart/form-data; boundary=x",
        "CONTENT_LENGTH": "200200001",
        "wsgi.input": io.BytesIO(b"few"),
        "HTTP_ACCEPT": "application/json",
    }
    page = client_of(people.clinic).generic("POST", f"/cases/{case.number}/meshes/", **form)
    assert page.status_code == 413
    assert files_in(store) == []


def form_body(content: bytes, *, boundary: str = "limit") -> bytes:
    fields = "".join(
        f'--{boundary}\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n'
        for name, value in (("role", "design"), ("unit", "mm"))
    )
    head = (
        f'{fields}--{boundary}\r\nContent-Disposition: form-data; name="{{field}}"; filename="a.obj"\r\n'
        "Content-Type: application/octet-stream\r\n\r\n"
    )
    return head.encode() + content + f"\r\n--{boundary}--\r\n".encode()


@pytest.mark.django_db
def test_a_form_that_was_cut_off_stores_nothing(
    case: Any, people: Any, api_client: Any, client_of: Any, store: Path
) -> None:
    """Cut inside the file, at a place where what arrived would still be a mesh."""
    mesh = b"v 0 0 0\nv 1 0 0\nv 0 1 0\nv 0 0 1\nf 1 2 3\nf 1 2 4\n"
    for field, url, client in (
        (b"file", f"/api/v1/cases/{case.number}/meshes/", api_client(people.clinic)),
        (b"files", f"/cases/{case.number}/meshes/", client_of(people.clinic)),
    ):
        whole = form_body(mesh).replace(b"{field}", field)
        cut = whole[: whole.index(b"f 1 2 4")]
        answer = client.generic(
            "POST",
            url,
            **{
                "CONTENT_TYPE": "multipart/form-data; boundary=limit",
                "CONTENT_LENGTH": str(len(whole)),
                "wsgi.input": io.BytesIO(cut),
                "HTTP_ACCEPT": "application/json",
            },
        )
        assert answer.status_code == 400, answer.json()
        assert answer.json()["code"] == "cut-off"
    assert files_in(store) == []
    assert not MeshUse.objects.exists()


# Whole or absent, whenever the process dies.

DYING = """
import os, sys
import django
django.setup()
from django.conf import settings
from pathlib import Path
settings.FILE_STORE = Path(sys.argv[1])
from cases.models import Blob
from cases.services import file_store

def die(*args, **kwargs):
    os.kill(os.getpid(), 9)

where = sys.argv[2]
if where == "in the middle of the body":
    def read(count, sent=[]):
        if sent:
            die()
        sent.append(1)
        return b"x" * count
elif where == "before the rename":
    Path.replace = die
elif where == "after the rename":
    file_store._sync_folder = die
if where != "in the middle of the body":
    import io
    read = io.BytesIO(b"x" * 3_000_000).read
with file_store.received(read, limit_bytes=10_000_000) as source:
    file_store.land(Blob(sha256=source.sha256, size_bytes=source.size_bytes), source)
print("survived")
"""


@pytest.mark.parametrize(
    ("where", "landed"),
    [("in the middle of the body", False), ("before the rename", False), ("after the rename", True)],
)
def test_a_killed_process_leaves_no_half_file(where: str, landed: bool, store: Path) -> None:
    environment = os.environ | {"DJANGO_SETTINGS_MODULE": "labtrack.settings"}
    done = subprocess.run(
        [sys.executable, "-c", DYING, str(store), where],
        cwd=ROOT, env=environment, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == -9, done.stderr
    left = files_in(store)
    blobs = [name for name in left if name.startswith("blobs/")]
    assert bool(blobs) == landed
    for name in blobs:
        assert hashlib.sha256((store / name).read_bytes()).hexdigest() == Path(name).name


@pytest.mark.django_db
def test_what_dead_uploads_left_is_swept_when_old_and_never_what_is_in_use(
    case: Any, actors: Any, attach: Any, store: Path
) -> None:
    kept = attach(actors.clinic, case).thing.blob
    (store / "incoming" / "dead.part").write_bytes(b"half")
    orphan = store / "blobs" / "ab" / ("ab" + "0" * 62)
    orphan.parent.mkdir(parents=True)
    orphan.write_bytes(b"nobody's")
    assert sweep_files().incoming == 0
    later = time.time() + 2 * DAY_S
    swept = sweep_files(now_s=later)
    assert (swept.incoming, swept.orphans) == (1, 1)
    assert files_in(store) == [kept.path]


@pytest.mark.django_db
def test_an_orphan_that_an_upload_reuses_in_the_moment_of_the_sweep_stays(
    store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    content = tetrahedron()
    digest = hashlib.sha256(content).hexdigest()
    blob = Blob(sha256=digest, size_bytes=len(content))
    blob_path(blob).parent.mkdir(parents=True)
    blob_path(blob).write_bytes(content)
    old = time.time() - 3 * DAY_S
    os.utime(blob_path(blob), (old, old))
    look = file_store._remove_orphan

    def upload_meanwhile(path: Path, now_s: float) -> bool:
        with received_bytes(content, limit_bytes=10**6) as source:
            file_store.land(blob, source)
        return look(path, now_s)

    monkeypatch.setattr(file_store, "_remove_orphan", upload_meanwhile)
    assert sweep_files().orphans == 0
    assert blob_path(blob).read_bytes() == content
    assert files_in(store) == [blob.path]


def test_an_empty_file_is_refused(store: Path) -> None:
    with pytest.raises(Refused, match="empty"), received_bytes(b"", limit_bytes=10):
        pytest.fail("an empty file was received")
    assert files_in(store) == []
