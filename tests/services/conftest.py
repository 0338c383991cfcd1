"""Whole installations in scratch folders: their own database, broker, web server and workers."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import time
import urllib.error
import urllib.request
import uuid
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit, urlunsplit

import psycopg
import pytest
import redis

from labtrack.serve import children

ROOT = Path(__file__).resolve().parents[2]
PATIENCE_S = 90.0


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def eventually(question: Callable[[], Any], *, what: str, patience_s: float = PATIENCE_S) -> Any:
    """Ask until the answer is truthy; fail with ``what`` when patience ends."""
    deadline = time.monotonic() + patience_s
    while time.monotonic() < deadline:
        answer = question()
        if answer:
            return answer
        time.sleep(0.05)
    pytest.fail(f"waited {patience_s:.0f} s in vain: {what}")


def children_of(pid: int) -> dict[int, str]:
    """Direct children by process number, with their command lines."""
    found: dict[int, str] = {}
    for entry in Path("/proc").iterdir():
        if not entry.name.isdigit():
            continue
        try:
            parent = int((entry / "stat").read_text().rsplit(")", 1)[1].split()[1])
            command = (entry / "cmdline").read_bytes().replace(b"\0", b" ").decode()
        except (OSError, IndexError):
            continue
        if parent == pid:
            found[int(entry.name)] = command
    return found


def kill_tree(pid: int) -> None:
    """SIGKILL to a program and all its descendants, the program first so that it starts no new ones."""
    doomed, seen = [pid], 0
    while seen < len(doomed):
        doomed += children_of(doomed[seen])
        seen += 1
    for each in doomed:
        with suppress(ProcessLookupError):
            os.kill(each, signal.SIGKILL)


@dataclass
class Installation:
    """One data folder with its environment; programs run in it as a lab would run them."""

    folder: Path
    environment: dict[str, str]
    port: int
    programs: list[subprocess.Popen[bytes]] = field(default_factory=list)

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def manage(self, *arguments: str, patience_s: float = 300) -> str:
        """Run a management command to its end; its standard output."""
        done = subprocess.run(
            [sys.executable, "-m", "django", *arguments],
            cwd=ROOT, env=self.environment, capture_output=True, text=True, check=False, timeout=patience_s,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        return done.stdout

    def ask(self, code: str) -> Any:
        """Run Python in the installation's Django; what it prints, as JSON."""
        return json.loads(self.manage("shell", "--verbosity", "0", "-c", code))

    def start(self, *command: str) -> subprocess.Popen[bytes]:
        log = (self.folder / f"log-{len(self.programs)}.txt").open("wb")
        program = subprocess.Popen(
            list(command), cwd=ROOT, env=self.environment, stdout=log, stderr=subprocess.STDOUT
        )
        log.close()
        self.programs.append(program)
        return program

    def serve(self) -> subprocess.Popen[bytes]:
        program = self.start(sys.executable, "-m", "django", "serve", "--bind", f"127.0.0.1:{self.port}")
        self.wait_until_up()
        return program

    def start_part(self, name: str) -> subprocess.Popen[bytes]:
        """One of the programs that ``serve`` keeps alive, by its name there, on its own."""
        parts = children(bind=f"127.0.0.1:{self.port}", folder=self.folder, threads=8)
        return self.start(*next(part.command for part in parts if part.name == name))

    def rows(self, query: str) -> list[tuple[Any, ...]]:
        """What the database answers, asked directly: quick enough to catch work while it is under way."""
        url = self.environment.get("LABTRACK_DATABASE_URL")
        if url:
            with psycopg.connect(url, autocommit=True) as connection:
                return connection.execute(query).fetchall()
        with closing(sqlite3.connect(self.folder / "fitledger.sqlite3", timeout=20)) as database:
            return database.execute(query).fetchall()

    def output(self, program: subprocess.Popen[bytes]) -> str:
        return (self.folder / f"log-{self.programs.index(program)}.txt").read_text(errors="replace")

    def answers(self) -> bool:
        try:
            with urllib.request.urlopen(f"{self.url}/health/", timeout=2) as response:
                return bool(response.status == 200)
        except (urllib.error.URLError, OSError):
            return False

    def wait_until_up(self) -> None:
        eventually(self.answers, what=f"{self.url} answers")

    def stop_all(self) -> None:
        for program in self.programs:
            if program.poll() is None:
                program.send_signal(signal.SIGTERM)
        for program in self.programs:
            try:
                program.wait(timeout=30)
            except subprocess.TimeoutExpired:
                program.kill()
                program.wait()


def environment_of(folder: Path, **more: str) -> dict[str, str]:
    kernels = ("LABTRACK_KERNEL_CACHE", "LABTRACK_KERNEL_KEY")
    kept = {
        name: value
        for name, value in os.environ.items()
        if name in kernels or not name.startswith("LABTRACK_")
    }
    return {
        **kept,
        "DJANGO_SETTINGS_MODULE": "labtrack.settings",
        "LABTRACK_DATA": str(folder),
        "LABTRACK_JOB_LEASE_S": "4",
        "LABTRACK_JOB_SWEEP_S": "1",
        "PYTHONUNBUFFERED": "1",
        **more,
    }


@contextmanager
def fresh_database(template: str = "") -> Iterator[str]:
    """Address of a new database, empty or a copy, on the PostgreSQL that ``.ci/run`` starts."""
    server = os.environ.get("LABTRACK_TEST_POSTGRES_URL")
    if not server:
        pytest.skip("no PostgreSQL: LABTRACK_TEST_POSTGRES_URL is not set (.ci/run starts one)")
    name = f"fitledger_{uuid.uuid4().hex[:12]}"
    copied = f" TEMPLATE {urlsplit(template).path[1:]}" if template else ""
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}{copied}")
    try:
        yield urlunsplit(urlsplit(server)._replace(path=f"/{name}"))
    finally:
        with psycopg.connect(server, autocommit=True) as connection:
            connection.execute(f"DROP DATABASE {name} WITH (FORCE)")


@contextmanager
def empty_redis() -> Iterator[str]:
    """Address of an empty database of the Redis that ``.ci/run`` starts."""
    url = os.environ.get("LABTRACK_TEST_REDIS_URL")
    if not url:
        pytest.skip("no Redis: LABTRACK_TEST_REDIS_URL is not set (.ci/run starts one)")
    own = url.rsplit("/", 1)[0] + "/9"
    with redis.Redis.from_url(own) as client:
        client.flushdb()
        yield own
        client.flushdb()


@dataclass(frozen=True)
class SetUp:
    """A prepared installation in which nothing runs, to be copied: making it takes longer than most tests."""

    folder: Path
    database: str  # address; empty for SQLite

    @contextmanager
    def copied_to(self, folder: Path, **variables: str) -> Iterator[Installation]:
        shutil.copytree(self.folder, folder)
        with ExitStack() as stack:
            if self.database:
                variables["LABTRACK_DATABASE_URL"] = stack.enter_context(fresh_database(self.database))
                variables["LABTRACK_REDIS_URL"] = stack.enter_context(empty_redis())
            copy = Installation(folder, environment_of(folder, **variables), free_port())
            stack.callback(copy.stop_all)
            yield copy


@contextmanager
def prepared(folder: Path, database: str = "") -> Iterator[SetUp]:
    variables = {"LABTRACK_DATABASE_URL": database} if database else {}
    Installation(folder, environment_of(folder, **variables), free_port()).manage("prepare")
    yield SetUp(folder, database)


@pytest.fixture(scope="session")
def small_set_up(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SetUp]:
    """SQLite and the file-system broker, as ``serve`` runs it."""
    with prepared(tmp_path_factory.mktemp("small")) as made:
        yield made


@pytest.fixture(scope="session")
def large_set_up(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SetUp]:
    """PostgreSQL and Redis by environment variables alone."""
    with fresh_database() as database, prepared(tmp_path_factory.mktemp("large"), database) as made:
        yield made


@pytest.fixture
def small_installation(small_set_up: SetUp, tmp_path: Path) -> Iterator[Installation]:
    with small_set_up.copied_to(tmp_path / "installation") as made:
        yield made


@pytest.fixture(params=["small", "large"])
def installation(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Installation]:
    """The same test on both: SQLite with files as broker, PostgreSQL with Redis."""
    set_up: SetUp = request.getfixturevalue(f"{request.param}_set_up")
    with set_up.copied_to(tmp_path / "installation") as made:
        yield made
