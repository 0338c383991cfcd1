"""The everyday supervisor: one per folder, restarts the dead, stops cleanly."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests.services.conftest import ROOT, Installation, children_of, eventually

pytestmark = pytest.mark.services


def web_child(pid: int) -> int | None:
    return next((child for child, command in children_of(pid).items() if "gunicorn" in command), None)


def test_it_stops_cleanly_on_ctrl_c(small_installation: Installation) -> None:
    program = small_installation.serve()
    children = eventually(lambda: len(found := children_of(program.pid)) == 4 and found, what="four children")
    program.send_signal(signal.SIGINT)
    assert program.wait(timeout=40) == 0
    assert not [child for child in children if Path(f"/proc/{child}").exists()]
    assert "Traceback" not in small_installation.output(program)


def test_it_starts_a_dead_child_again(small_installation: Installation) -> None:
    program = small_installation.serve()
    first = eventually(lambda: web_child(program.pid), what="the web child")
    os.kill(first, signal.SIGKILL)
    eventually(lambda: (again := web_child(program.pid)) and again != first, what="a new web child")
    small_installation.wait_until_up()
    assert "web ended (code -9); starting it again" in small_installation.output(program)


def test_a_second_one_on_the_same_folder_is_refused_with_a_sentence(small_installation: Installation) -> None:
    small_installation.serve()
    second = subprocess.run(
        [sys.executable, "-m", "django", "serve", "--bind", "127.0.0.1:0"],
        cwd=ROOT, env=small_installation.environment, capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    assert second.returncode != 0
    assert "already serves this data folder" in second.stderr
    assert "Traceback" not in second.stderr


def test_children_do_not_outlive_a_killed_supervisor(small_installation: Installation) -> None:
    program = small_installation.serve()
    children = eventually(lambda: len(found := children_of(program.pid)) == 4 and found, what="four children")
    program.kill()
    program.wait()
    eventually(
        lambda: not [child for child in children if Path(f"/proc/{child}").exists()],
        what="the children of the killed supervisor end",
    )
    small_installation.serve()
