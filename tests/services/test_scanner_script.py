"""The script of docs/scanner-script.md, run as it stands there against a live server and a bad network."""

from __future__ import annotations

import os
import re
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest

from tests.cases.files import tetrahedron

DOCUMENT = Path(__file__).resolve().parents[2] / "docs" / "scanner-script.md"
PATIENCE_S = 60.0


def eventually(question: Callable[[], Any], *, what: str) -> Any:
    """Ask until the answer is truthy; fail with ``what`` when patience ends."""
    deadline = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline:
        answer = question()
        if answer:
            return answer
        time.sleep(0.02)
    pytest.fail(f"waited {PATIENCE_S:.0f} s in vain: {what}")


class Network:
    """A relay before the server that cuts, swallows or holds uploads as it is told.

    ``plan`` holds one word per coming upload: ``cut`` (broken in the middle of the body), ``swallow``
    (the server does its work, its answer is lost), ``busy`` (answered 503 with Retry-After), ``hold``
    (stopped in the middle of the body until ``release``). Past the plan everything passes.
    """

    def __init__(self, target: str) -> None:
        parts = urlsplit(target)
        self.target = (parts.hostname or "", parts.port or 80)
        self.plan: list[str] = []
        self.uploads = 0
        self.done: list[str] = []
        self.held = threading.Event()
        self.release = threading.Event()
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.url = f"http://127.0.0.1:{self.listener.getsockname()[1]}"
        self.thread = threading.Thread(target=self._accept, daemon=True)
        self.thread.start()

    def close(self) -> None:
        self.release.set()
        self.listener.close()

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self.listener.accept()
            except OSError:
                return
            threading.Thread(target=self._relay, args=(client,), daemon=True).start()

    def _relay(self, client: socket.socket) -> None:
        """One request per connection: the script asks for no more."""
        with client:
            head = self._head(client)
            if not head:
                return
            length = int((re.search(rb"(?i)content-length: (\d+)", head) or [b"", b"0"])[1])
            start, _, body = head.partition(b"\r\n\r\n")
            way = "pass"
            if start.startswith(b"POST"):
                self.uploads += 1
                way = self.plan.pop(0) if self.plan else "pass"
            with suppress(OSError):
                self._pass_on(client, start + b"\r\n\r\n", body, length, way)
            self.done.append(way)

    def _pass_on(self, client: socket.socket, start: bytes, body: bytes, length: int, way: str) -> None:
        if way == "busy":
            _take(client, length - len(body))
            client.sendall(
                b"HTTP/1.1 503 Service Unavailable\r\nRetry-After: 1\r\nContent-Length: 2\r\n"
                b"Connection: close\r\n\r\n{}"
            )
            return
        with socket.create_connection(self.target) as server:
            server.sendall(start)
            if way in ("cut", "hold"):
                server.sendall((body + _take(client, length // 2 - len(body)))[: length // 2])
                if way == "hold":
                    self.held.set()
                    self.release.wait(PATIENCE_S)
                return
            server.sendall(body + _take(client, length - len(body)))
            answer = b"".join(iter(lambda: server.recv(65536), b""))
            if way != "swallow":
                client.sendall(answer)

    def _head(self, client: socket.socket) -> bytes:
        head = b""
        while b"\r\n\r\n" not in head:
            chunk = client.recv(65536)
            if not chunk:
                return b""
            head += chunk
        return head


def _take(source: socket.socket, count: int) -> bytes:
    parts = []
    while count > 0:
        chunk = source.recv(min(count, 65536))
        if not chunk:
            break
        parts.append(chunk)
        count -= len(chunk)
    return b"".join(parts)


class Watcher:
    """The script as a process of its own, watching a folder."""

    def __init__(self, folder: Path, url: str, secret: str) -> None:
        self.folder = folder / "scans"
        self.folder.mkdir()
        self.log = folder / "log.txt"
        self.script = folder / "send_scans.py"
        self.script.write_text(script_text(), encoding="utf-8")
        self.token_file = folder / "token"
        self.token_file.touch(mode=0o600)
        self.token_file.write_text(secret)
        self.url = url
        self.settle_s = 0.2
        self.process: subprocess.Popen[bytes] | None = None

    def command(self) -> list[str]:
        return [
            sys.executable,
            "-I",  # nothing of this project, and nothing that is installed
            str(self.script),
            *("--url", self.url),
            *("--token-file", str(self.token_file)),
            *("--unit", "mm"),
            *("--settle", str(self.settle_s)),
            *("--poll", "0.05"),
            str(self.folder),
        ]

    def start(self) -> None:
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                self.command(), stdout=log, stderr=log, env={"PATH": os.environ["PATH"]}
            )

    def kill(self) -> None:
        assert self.process is not None
        self.process.kill()
        self.process.wait()

    def drop(self, name: str, content: bytes) -> None:
        (self.folder / name).write_bytes(content)

    def sent(self) -> list[str]:
        return sorted(path.name for path in (self.folder / "sent").glob("*") if path.suffix != ".jsonl")

    def problems(self) -> str:
        listing = self.folder / "problems.txt"
        return listing.read_text() if listing.exists() else ""


def script_text() -> str:
    blocks = re.findall(
        r"^```python\n(.*?)^```$", DOCUMENT.read_text(encoding="utf-8"), re.DOTALL | re.MULTILINE
    )
    assert len(blocks) == 1, "the document holds one script"
    return str(blocks[0])


@pytest.fixture
def store(settings: Any, tmp_path: Path) -> Path:
    folder = tmp_path / "files"
    (folder / "incoming").mkdir(parents=True)
    settings.FILE_STORE = folder
    settings.FILE_UPLOAD_TEMP_DIR = str(folder / "incoming")
    return folder


@pytest.fixture
def network(live_server: Any, store: Path) -> Iterator[Network]:
    relay = Network(live_server.url)
    yield relay
    relay.close()


@pytest.fixture
def case(actors: Any) -> Any:
    from cases.models import Clinic
    from cases.services.log_case import log_case

    return log_case(
        actor=actors.clinic,
        key="",
        clinic_id=Clinic.objects.get(code="harbour").pk,
        patient_code="P-1",
        prescriber="Dr Example",
        clinic_reference="H77",
    ).thing


@pytest.fixture
def watcher(network: Network, people: Any, api_client: Any, tmp_path: Path) -> Iterator[Watcher]:
    secret = api_client(people.clinic, ["cases:read", "cases:write"]).secret
    made = Watcher(tmp_path, network.url, secret)
    yield made
    if made.process is not None and made.process.poll() is None:
        made.kill()


def attached() -> list[tuple[int, str, str]]:
    """Every mesh use there is: case, role, file name."""
    from cases.models import MeshUse

    rows = MeshUse.objects.order_by("original_name").values_list("case__number", "role", "original_name")
    return list(rows)


def test_each_finished_scan_reaches_its_case(case: Any, watcher: Watcher, store: Path) -> None:
    watcher.start()
    watcher.drop("C-00001_upper_scan.stl", tetrahedron(10))
    watcher.drop("R-H77_lower_opposing_second-try.STL", tetrahedron(11))
    eventually(lambda: len(watcher.sent()) == 2, what="both files are moved to sent")
    assert attached() == [
        (1, "patient-scan", "C-00001_upper_scan.stl"),
        (1, "opposing-arch", "R-H77_lower_opposing_second-try.STL"),
    ]
    assert watcher.problems() == ""


def test_a_file_is_sent_once_through_cuts_lost_answers_and_a_busy_server(
    case: Any, watcher: Watcher, network: Network, store: Path
) -> None:
    network.plan = ["cut", "swallow", "busy", "swallow"]
    watcher.start()
    watcher.drop("C-00001_upper_scan.stl", tetrahedron(10))
    eventually(lambda: watcher.sent() == ["C-00001_upper_scan.stl"], what="the file is moved to sent")
    assert network.uploads == 5
    assert attached() == [(1, "patient-scan", "C-00001_upper_scan.stl")]
    eventually(lambda: not list((store / "incoming").iterdir()), what="nothing half-received is left")
    assert len([path for path in (store / "blobs").rglob("*") if path.is_file()]) == 1


def test_killed_in_the_middle_of_an_upload_it_sends_once_after_a_restart(
    case: Any, watcher: Watcher, network: Network, store: Path
) -> None:
    network.plan = ["hold"]
    watcher.start()
    watcher.drop("C-00001_upper_scan.stl", tetrahedron(10))
    assert network.held.wait(PATIENCE_S), "the upload is under way"
    watcher.kill()
    network.release.set()
    eventually(lambda: network.done.count("hold"), what="the broken upload has ended")
    assert attached() == []
    watcher.start()
    eventually(lambda: watcher.sent() == ["C-00001_upper_scan.stl"], what="the file is moved to sent")
    assert attached() == [(1, "patient-scan", "C-00001_upper_scan.stl")]


def test_killed_after_the_server_stored_it_sends_nothing_twice(
    case: Any, watcher: Watcher, network: Network
) -> None:
    network.plan = ["swallow"] * 50
    watcher.start()
    watcher.drop("C-00001_upper_scan.stl", tetrahedron(10))
    eventually(lambda: network.done.count("swallow"), what="the server stored the file, its answer is lost")
    watcher.kill()
    network.plan = []
    watcher.start()
    eventually(lambda: watcher.sent() == ["C-00001_upper_scan.stl"], what="the file is moved to sent")
    assert attached() == [(1, "patient-scan", "C-00001_upper_scan.stl")]


def test_a_file_that_the_journal_knows_is_not_sent_again(
    case: Any, watcher: Watcher, network: Network
) -> None:
    watcher.start()
    watcher.drop("C-00001_upper_scan.stl", tetrahedron(10))
    eventually(lambda: len(watcher.sent()) == 1, what="the file is moved to sent")
    watcher.kill()
    # As after a power cut between the journal and the move, with the next line half-written.
    (watcher.folder / "sent" / "C-00001_upper_scan.stl").rename(watcher.folder / "C-00001_upper_scan.stl")
    with (watcher.folder / "sent" / "journal.jsonl").open("ab") as journal:
        journal.write(b'{"key": "scan-')
    uploads = network.uploads
    watcher.start()
    eventually(lambda: len(watcher.sent()) == 1, what="the file is moved to sent")
    assert network.uploads == uploads


def test_a_growing_file_is_left_until_it_rests(case: Any, watcher: Watcher, network: Network) -> None:
    watcher.settle_s = 3.0
    content = tetrahedron(10)
    growing = watcher.folder / "C-00001_upper_scan.stl"
    watcher.start()
    with growing.open("wb") as target:
        for start in range(0, len(content), 8):
            target.write(content[start : start + 8])
            target.flush()
            time.sleep(0.02)  # far less than it would have to rest
    eventually(lambda: len(watcher.sent()) == 1, what="the file is moved to sent")
    assert network.uploads == 1
    assert len(attached()) == 1


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("upper.stl", tetrahedron(), "does not say which case"),
        ("C-00099_upper_scan.stl", tetrahedron(), "no case under C-00099"),
        ("R-unknown_upper_scan.stl", tetrahedron(), "no case under the reference unknown"),
        ("C-00001_upper_print.stl", tetrahedron(), "come from the lab"),
        ("C-00001_upper_scan.stl", b"", "empty"),
        ("C-00001_upper_scan.stl", b"not a mesh at all, only words", "mesh"),
    ],
)
def test_what_cannot_be_sent_is_listed_with_a_sentence(
    name: str, content: bytes, words: str, case: Any, watcher: Watcher
) -> None:
    watcher.start()
    watcher.drop(name, content)
    watcher.drop("C-00001_lower_scan.stl", tetrahedron(12))
    eventually(lambda: watcher.problems(), what="the problem is listed")
    eventually(lambda: len(watcher.sent()) == 1, what="the good file goes on")
    assert watcher.problems().startswith(f"{name}: ")
    assert words in watcher.problems()
    assert (watcher.folder / name).exists()
    (watcher.folder / name).unlink()
    eventually(lambda: watcher.problems() == "", what="the listing is clean again")
    assert [name for _, _, name in attached()] == ["C-00001_lower_scan.stl"]


def test_another_clinics_case_is_not_there_for_this_token(
    case: Any, network: Network, people: Any, api_client: Any, tmp_path: Path
) -> None:
    stranger = tmp_path / "stranger"
    stranger.mkdir()
    watcher = Watcher(stranger, network.url, api_client(people.other_clinic).secret)
    try:
        watcher.start()
        watcher.drop("C-00001_upper_scan.stl", tetrahedron(10))
        eventually(lambda: "no case under C-00001" in watcher.problems(), what="the problem is listed")
    finally:
        watcher.kill()
    assert attached() == []


def test_a_token_that_others_can_read_is_refused(watcher: Watcher) -> None:
    watcher.token_file.chmod(0o644)
    done = subprocess.run(watcher.command(), capture_output=True, text=True, timeout=PATIENCE_S, check=False)
    assert done.returncode != 0
    assert "chmod 600" in done.stderr


def test_the_script_needs_nothing_but_python() -> None:
    imported = set(re.findall(r"^(?:import|from) (\w+)", script_text(), re.MULTILINE))
    assert imported <= sys.stdlib_module_names
