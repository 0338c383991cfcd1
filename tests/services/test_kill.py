"""Programs killed and messages lost at the worst moment, on both brokers: nothing lost, nothing doubled."""

from __future__ import annotations

import json
import socket
import subprocess
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import redis

from fixtures.meshes.solids import sphere
from fixtures.meshes.writers import write_stl
from tests.cases.files import files_in, tetrahedron
from tests.services.conftest import (
    Installation,
    SetUp,
    children_of,
    eventually,
    kill_tree,
)

pytestmark = pytest.mark.services

ROLE = "patient-scan"
# Divided until its check takes a second or more: long enough to be caught in the middle.
DETAIL = 7
KEY = "one and the same upload"
SEVEN_HOURS_S = 7 * 3600

A_CLINIC_AND_A_SCRIPT = """
import json
from datetime import timedelta
from django.utils import timezone
from cases.models import Clinic, ClinicMembership
from cases.services.log_case import log_case
from labtrack.accounts.actor import Actor
from labtrack.accounts.models import User
from labtrack.accounts.services.tokens import make_token
user = User.objects.create(username="clara", name="Clara", role="clinic")
clinic = Clinic.objects.create(code="harbour", name="Harbour")
ClinicMembership.objects.create(user=user, clinic=clinic)
actor = Actor(user)
case = log_case(actor=actor, key="", clinic_id=clinic.pk, patient_code="P-1", prescriber="Dr Example").thing
token = make_token(
    actor=actor, key="", name="scanner", scopes=["cases:read", "cases:write"],
    expires_at=timezone.now() + timedelta(days=1),
)
print(json.dumps([case.number, token.secret]))
"""
SWEEP_FILES = """
import json, time
from cases.services.file_store import sweep_files
now = sweep_files()
later = sweep_files(now_s=time.time() + {later_s})
print(json.dumps([now.incoming + now.orphans, later.incoming + later.orphans]))
"""
PUBLISH_TWICE_MORE = """
from labtrack.jobs.dispatch import publish
from labtrack.jobs.models import Job
job = Job.objects.get()
for queue in ("light", "heavy"):
    publish(job.pk, queue)
print("null")
"""


@dataclass
class Scanner:
    """A clinic's script that sends meshes to its one case."""

    installation: Installation
    case: int
    secret: str

    @property
    def path(self) -> str:
        return f"/api/v1/cases/{self.case}/meshes/"

    def send(self, content: bytes, *, key: str = KEY) -> tuple[int, dict[str, Any]]:
        """The whole file; status and answer."""
        request = urllib.request.Request(
            f"{self.installation.url}{self.path}?role={ROLE}&unit=mm&name=upper.stl",
            data=content,
            headers={**self._headers(key), "Content-Type": "application/octet-stream"},
        )
        with urllib.request.urlopen(request, timeout=60) as answer:
            return answer.status, json.load(answer)

    def send_half(self, content: bytes) -> socket.socket:
        """The body of ``send``, stopped in its middle; the connection stays open."""
        address = f"{self.path}?role={ROLE}&unit=mm&name=upper.stl"
        return self._half(address, "application/octet-stream", content, len(content))

    def send_half_a_form(self, content: bytes) -> socket.socket:
        fields = "".join(
            f'--edge\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n'
            for name, value in (("role", ROLE), ("unit", "mm"))
        )
        file = '--edge\r\nContent-Disposition: form-data; name="file"; filename="upper.stl"\r\n\r\n'
        head, end = (fields + file).encode(), b"\r\n--edge--\r\n"
        length = len(head) + len(content) + len(end)
        return self._half(self.path, "multipart/form-data; boundary=edge", head + content, length)

    def _half(self, address: str, kind: str, body: bytes, length: int) -> socket.socket:
        head = [f"POST {address} HTTP/1.1", f"Host: 127.0.0.1:{self.installation.port}"]
        facts = {**self._headers(KEY), "Content-Type": kind, "Content-Length": str(length)}
        head += [f"{name}: {value}" for name, value in facts.items()]
        connection = socket.create_connection(("127.0.0.1", self.installation.port), timeout=60)
        connection.sendall("\r\n".join(head).encode() + b"\r\n\r\n" + body[: length // 2])
        return connection

    def _headers(self, key: str) -> dict[str, str]:
        return {"Authorization": f"Bearer {self.secret}", "Idempotency-Key": key}


@pytest.fixture(scope="module")
def ball() -> bytes:
    return write_stl(sphere(15.0, DETAIL).mesh)


@pytest.fixture(scope="module")
def undisturbed(ball: bytes) -> dict[str, Any]:
    """What the engine says of the ball when nobody kills it."""
    from qa.geometry.check import CheckRequest, check_design
    from qa.geometry.limits import SHIPPED
    from qa.geometry.reading import read_mesh

    result = check_design(read_mesh(ball, unit="mm"), CheckRequest(role=ROLE), SHIPPED)
    figures: dict[str, Any] = json.loads(json.dumps(result.as_json()["figures"]))
    return figures


@dataclass(frozen=True)
class Lab:
    """An installation with a clinic, a case and a token."""

    set_up: SetUp
    case: int
    secret: str


@pytest.fixture(scope="module", params=["small", "large"])
def lab(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lab]:
    """SQLite with files as broker, PostgreSQL with Redis."""
    empty: SetUp = request.getfixturevalue(f"{request.param}_set_up")
    with empty.copied_to(tmp_path_factory.mktemp("lab") / "installation") as made:
        case, secret = made.ask(A_CLINIC_AND_A_SCRIPT)
        database = made.environment.get("LABTRACK_DATABASE_URL", "")
        yield Lab(SetUp(made.folder, database), case, secret)


@pytest.fixture
def installation(lab: Lab, tmp_path: Path) -> Iterator[Installation]:
    # So long that no lease runs out, however busy the machine, unless a test shortens it.
    with lab.set_up.copied_to(tmp_path / "installation", LABTRACK_JOB_LEASE_S="600") as copy:
        yield copy


@pytest.fixture
def scanner(installation: Installation, lab: Lab) -> Scanner:
    return Scanner(installation, lab.case, lab.secret)


def part_of(supervisor: subprocess.Popen[bytes], *words: str) -> int:
    """Process number of the supervised program whose command has these words."""

    def found() -> int | None:
        own = children_of(supervisor.pid).items()
        return next((pid for pid, command in own if all(word in command for word in words)), None)

    return int(eventually(found, what=f"the supervisor's child {' '.join(words)}"))


def count(installation: Installation, table: str) -> int:
    return int(installation.rows(f"SELECT count(*) FROM {table}")[0][0])


def wait_until_running(installation: Installation) -> None:
    query = "SELECT 1 FROM jobs_job WHERE state = 'running'"
    eventually(lambda: installation.rows(query), what="the check is running")


def wait_until_checked(installation: Installation, checks: int = 1) -> None:
    query = "SELECT 1 FROM qa_meshcheck WHERE state = 'done'"
    eventually(lambda: len(installation.rows(query)) == checks, what="the check is done")


def assert_checked_once(installation: Installation, figures: dict[str, Any], *, attempts: int) -> None:
    """One mesh, one job, one check with these figures, one preview; nothing else in the store."""
    ((stored, preview),) = installation.rows("SELECT figures, preview_id FROM qa_meshcheck")
    assert (json.loads(stored) if isinstance(stored, str) else stored) == figures
    assert installation.rows("SELECT state, attempts, lease_until FROM jobs_job") == [
        ("done", attempts, None)
    ]
    assert count(installation, "cases_meshuse") == 1
    blobs = installation.rows("SELECT id, sha256 FROM cases_blob")
    assert len(blobs) == 2
    assert preview in {pk for pk, _ in blobs}
    assert files_in(installation.folder / "files") == sorted(f"blobs/{s[:2]}/{s}" for _, s in blobs)


def waiting_messages(installation: Installation) -> int:
    """How many messages lie in the broker for workers to take."""
    url = installation.environment.get("LABTRACK_REDIS_URL")
    if url:
        with redis.Redis.from_url(url) as client:
            return sum(int(client.llen(queue)) for queue in ("light", "heavy"))  # type: ignore[arg-type]
    return len(_message_files(installation))


def lose_messages(installation: Installation) -> None:
    url = installation.environment.get("LABTRACK_REDIS_URL")
    if url:
        with redis.Redis.from_url(url) as client:
            client.delete("light", "heavy")
    for path in _message_files(installation):
        path.unlink()


def _message_files(installation: Installation) -> list[Path]:
    return list((installation.folder / "queue" / "messages").glob("*.msg"))


def test_a_worker_killed_in_mid_check_is_started_again_and_the_check_is_made_once(
    installation: Installation, scanner: Scanner, ball: bytes, undisturbed: dict[str, Any]
) -> None:
    installation.environment["LABTRACK_JOB_LEASE_S"] = "6"
    supervisor = installation.serve()
    worker = part_of(supervisor, "worker", "light")
    assert scanner.send(ball)[0] == 201
    wait_until_running(installation)
    kill_tree(worker)
    assert installation.rows("SELECT state FROM qa_meshcheck") == [("waiting",)], "killed in mid-check"
    wait_until_checked(installation)
    assert_checked_once(installation, undisturbed, attempts=2)
    assert "light worker ended (code -9); starting it again" in installation.output(supervisor)


def test_after_a_power_cut_in_mid_check_the_next_start_finishes_it_once(
    installation: Installation, scanner: Scanner, ball: bytes, undisturbed: dict[str, Any]
) -> None:
    supervisor = installation.serve()
    assert scanner.send(ball)[0] == 201
    wait_until_running(installation)
    kill_tree(supervisor.pid)
    assert installation.rows("SELECT state FROM qa_meshcheck") == [("waiting",)], "killed in mid-check"
    installation.serve()
    wait_until_checked(installation)
    assert_checked_once(installation, undisturbed, attempts=2)


def test_a_server_killed_in_mid_upload_keeps_nothing_and_takes_the_same_upload_once_afterwards(
    installation: Installation, scanner: Scanner, ball: bytes, undisturbed: dict[str, Any]
) -> None:
    store = installation.folder / "files"
    incoming = store / "incoming"
    supervisor = installation.serve()
    web = part_of(supervisor, "gunicorn")
    with scanner.send_half(ball), scanner.send_half_a_form(ball):
        eventually(
            lambda: [path.stat().st_size > 0 for path in incoming.iterdir()] == [True, True],
            what="half of both uploads lies in incoming",
        )
        kill_tree(web)
    eventually(lambda: part_of(supervisor, "gunicorn") != web, what="a new web server")
    installation.wait_until_up()
    for table in ("cases_blob", "cases_meshuse", "qa_meshcheck", "jobs_job"):
        assert count(installation, table) == 0, table
    assert installation.rows(f"SELECT 1 FROM audit_submission WHERE key = '{KEY}'") == []
    assert all(name.startswith("incoming/") for name in files_in(store))
    assert installation.ask(SWEEP_FILES.format(later_s=SEVEN_HOURS_S)) == [0, 2], (
        "left while young, then swept"
    )
    assert files_in(store) == []

    first, again = scanner.send(ball), scanner.send(ball)
    assert (first[0], again[0]) == (201, 200)
    assert first[1]["id"] == again[1]["id"]
    wait_until_checked(installation)
    assert_checked_once(installation, undisturbed, attempts=1)


def test_a_message_that_got_lost_is_sent_again_by_the_sweep(
    installation: Installation, scanner: Scanner, ball: bytes, undisturbed: dict[str, Any]
) -> None:
    installation.start_part("web")
    installation.wait_until_up()
    assert scanner.send(ball)[0] == 201
    assert waiting_messages(installation) == 1
    lose_messages(installation)
    assert waiting_messages(installation) == 0
    installation.start_part("light worker")
    installation.start_part("scheduler")
    wait_until_checked(installation)
    assert_checked_once(installation, undisturbed, attempts=1)


def test_a_message_that_comes_three_times_to_two_workers_makes_one_result(
    installation: Installation, scanner: Scanner, ball: bytes, undisturbed: dict[str, Any]
) -> None:
    installation.start_part("web")
    installation.wait_until_up()
    assert scanner.send(ball)[0] == 201
    installation.ask(PUBLISH_TWICE_MORE)
    assert waiting_messages(installation) == 3
    for name in ("light worker", "heavy worker"):
        installation.start_part(name)
    wait_until_checked(installation)
    eventually(lambda: waiting_messages(installation) == 0, what="every message is taken")
    assert_checked_once(installation, undisturbed, attempts=1)
    # Its worker takes one message after the other: with this one done, all earlier ones are dealt with.
    scanner.send(tetrahedron(), key="a later upload")
    wait_until_checked(installation, 2)
    assert installation.rows("SELECT state, attempts FROM jobs_job") == [("done", 1), ("done", 1)]
    assert count(installation, "qa_meshcheck") == 2
