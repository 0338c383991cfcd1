"""The everyday supervisor: web server, workers and scheduler, kept alive together."""

from __future__ import annotations

import ctypes
import fcntl
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

PARENT_DEATH_SIGNAL = 1  # PR_SET_PDEATHSIG of prctl(2)
STOP_AFTER_S = 20.0
LONGEST_PAUSE_S = 30.0


class AlreadyServing(Exception):
    """Another supervisor works on the same data folder."""


@dataclass
class Child:
    """One supervised program. A child that dies young is started again ever more slowly."""

    name: str
    command: list[str]
    process: subprocess.Popen[bytes] | None = None
    deaths: int = 0
    started_at: float = 0.0
    start_again_at: float = field(default=0.0)

    def start(self, environment: dict[str, str]) -> None:
        self.process = subprocess.Popen(  # noqa: S603 - our own programs
            self.command, env=environment, preexec_fn=_die_with_parent, start_new_session=False
        )
        self.started_at = time.monotonic()

    def look(self, say: Callable[[str], None]) -> None:
        """Note a death and when to start again."""
        if self.process is None or self.process.poll() is None:
            return
        lived_s = time.monotonic() - self.started_at
        self.deaths = self.deaths + 1 if lived_s < LONGEST_PAUSE_S else 0
        pause_s = min(LONGEST_PAUSE_S, 0.5 * 2**self.deaths) if self.deaths else 0.0
        say(f"{self.name} ended (code {self.process.returncode}); starting it again")
        self.process = None
        self.start_again_at = time.monotonic() + pause_s


def _die_with_parent() -> None:
    """Children never outlive a supervisor that was killed, and leave Ctrl-C to it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(PARENT_DEATH_SIGNAL, signal.SIGTERM)


@contextmanager
def only_one(folder: Path) -> Iterator[None]:
    """Hold the data folder's lock; raise ``AlreadyServing`` when somebody else does."""
    with (folder / "serve.lock").open("a+") as handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            handle.seek(0)
            raise AlreadyServing(
                f"Fitledger already serves this data folder (process {handle.read().strip() or 'unknown'}). "
                "Use that one, stop it first, or give this one another folder in LABTRACK_DATA."
            ) from None
        handle.truncate(0)
        handle.write(str(os.getpid()))
        handle.flush()
        yield


def children(*, bind: str, folder: Path, threads: int) -> list[Child]:
    """Web server, a worker per queue, and the scheduler."""
    python = sys.executable
    celery = [python, "-m", "celery", "--app", "labtrack.celery", "--quiet"]

    def worker(queue: str) -> list[str]:
        return [
            *celery, "worker", "--queues", queue, "--hostname", f"{queue}@%h", "--concurrency", "1",
            "--loglevel", "WARNING", "--without-gossip", "--without-mingle",
        ]  # fmt: skip

    return [
        Child(
            "web",
            [
                python, "-m", "gunicorn", "labtrack.wsgi:application", "--bind", bind,
                "--worker-class", "gthread", "--workers", "1", "--threads", str(threads),
                "--timeout", "120", "--graceful-timeout", "10", "--log-level", "warning",
                "--no-control-socket",
            ],
        ),
        Child("light worker", worker("light")),
        Child("heavy worker", worker("heavy")),
        Child(
            "scheduler",
            [
                *celery, "beat", "--loglevel", "WARNING", "--pidfile", "",
                "--schedule", str(folder / "schedule"),
            ],
        ),
    ]  # fmt: skip


class Supervisor:
    """Starts the children, restarts the dead, stops all on SIGINT or SIGTERM."""

    def __init__(self, programs: list[Child], *, worker_group: str, say: Callable[[str], None]) -> None:
        self.programs = programs
        self.say = say
        self.stopping = False
        self.environment = {**os.environ, "LABTRACK_WORKER_GROUP": worker_group, "PYTHONUNBUFFERED": "1"}

    def run(self, *, ready: Callable[[], None]) -> None:
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, self._ask_to_stop)
        for child in self.programs:
            child.start(self.environment)
        ready()
        while not self.stopping:
            self._turn()
            time.sleep(0.2)
        self._stop_all()

    def _turn(self) -> None:
        for child in self.programs:
            child.look(self.say)
            if child.process is None and time.monotonic() >= child.start_again_at:
                child.start(self.environment)

    def _ask_to_stop(self, *_: object) -> None:
        self.stopping = True

    def _stop_all(self) -> None:
        self.say("stopping …")
        alive = [child.process for child in self.programs if child.process is not None]
        for process in alive:
            process.terminate()
        deadline = time.monotonic() + STOP_AFTER_S
        for process in alive:
            try:
                process.wait(timeout=max(0.1, deadline - time.monotonic()))
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
