"""Making the environment on a bare machine. Standard library only, until the packages are in.

``manage.py`` calls ``main``: it makes ``.venv``, installs the pinned, hash-checked wheels, compiles
the engine's kernels once, and starts itself again with that environment's Python. Containers that
bring their packages set ``LABTRACK_OWN_PACKAGES=1`` and skip all that.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
ENVIRONMENT = ROOT / ".venv"
RUNTIME_LOCK = ROOT / "requirements.txt"
TOOLS_LOCK = ROOT / "requirements-dev.txt"
# Pure Python, published without a wheel: the one package that is built here, from its hashed source.
NO_WHEEL = "autograd-gamma"

# Commands that are programs of the tools' lock rather than Django commands.
TOOL_COMMANDS: dict[str, tuple[tuple[str, ...], ...]] = {
    "test": (("-m", "pytest"),),
    "lint": (
        ("-m", "ruff", "check", "."),
        ("-m", "ruff", "format", "--check", "."),
        ("-m", "mypy", "labtrack", "cases", "production", "qa", "fixtures", "manage.py"),
        ("-c", "from importlinter.cli import lint_imports_command as run; run()"),
        ("-m", "django", "makemigrations", "--check", "--dry-run"),
    ),
    "lock": (
        (
            "-m", "uv", "pip", "compile", "--quiet", "--universal", "--python-version", "3.11",
            "--generate-hashes", "--no-header", "--no-emit-index-url", "--no-emit-find-links",
            "requirements.in", "--output-file", "requirements.txt",
        ),
        (
            "-m", "uv", "pip", "compile", "--quiet", "--universal", "--python-version", "3.11",
            "--generate-hashes", "--no-header", "--no-emit-index-url", "--no-emit-find-links",
            "requirements-dev.in", "--output-file", "requirements-dev.txt",
        ),
    ),
}  # fmt: skip
# Django commands that need the tools' lock beside the runtime's.
COMMANDS_WITH_TOOLS = frozenset({"pictures"})


class SetUpFailed(Exception):
    """The environment cannot be made; the message says what to do."""


def main(arguments: Sequence[str]) -> int:
    """Run one command in Fitledger's own environment; the process's exit code."""
    command = arguments[1] if len(arguments) > 1 else "help"
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "labtrack.settings")
    if command in ("demo", "pictures"):
        # The demo lab is invented: it never shares a folder with a real lab's records.
        os.environ.setdefault("LABTRACK_DATA", str(Path.home() / ".local" / "share" / "fitledger-demo"))
    try:
        if not _inside() and os.environ.get("LABTRACK_OWN_PACKAGES") != "1":
            with_tools = command in TOOL_COMMANDS or command in COMMANDS_WITH_TOOLS
            return _run_inside(arguments, with_tools=with_tools)
    except SetUpFailed as failure:
        print(f"manage.py: {failure}", file=sys.stderr)  # noqa: T201 - it talks to a person
        return 1
    if command in TOOL_COMMANDS:
        return _run_tool(command, arguments[2:])
    from django.core.management import execute_from_command_line

    execute_from_command_line(list(arguments))
    return 0


def _inside() -> bool:
    return Path(sys.prefix).resolve() == ENVIRONMENT.resolve() and os.environ.get("LABTRACK_READY") == "1"


def _python() -> Path:
    return ENVIRONMENT / "bin" / "python"


def _run_inside(arguments: Sequence[str], *, with_tools: bool) -> int:
    with _one_at_a_time():
        if not _python().exists():
            _make_environment()
        _install(RUNTIME_LOCK)
        if with_tools:
            _install(TOOLS_LOCK)
        _compile_kernels()
    os.environ["LABTRACK_READY"] = "1"
    sys.stdout.flush()
    os.execv(_python(), [str(_python()), str(ROOT / "manage.py"), *arguments[1:]])  # noqa: S606


@contextmanager
def _one_at_a_time() -> Iterator[None]:
    """Two first runs at once: the second waits for the first."""
    import fcntl

    with (ROOT / ".venv.lock").open("w") as handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            _say("another set-up is running here; waiting for it …")
            fcntl.flock(handle, fcntl.LOCK_EX)
        yield


def _make_environment() -> None:
    version = f"{sys.version_info.major}.{sys.version_info.minor}"
    missing = SetUpFailed(
        "this Python cannot make an environment of its own. Install the package that brings it "
        f"(on Debian and Ubuntu: python{version}-venv) and call this again."
    )
    try:
        import ensurepip  # noqa: F401 - only asked whether it is there
        import venv
    except ImportError as error:
        raise missing from error
    _say("making .venv …")
    try:
        venv.create(ENVIRONMENT, with_pip=True, clear=True)
    except (subprocess.CalledProcessError, OSError) as error:
        raise missing from error


def _install(lock: Path) -> None:
    stamp = ENVIRONMENT / f"installed-{lock.stem}"
    wanted = hashlib.sha256(lock.read_bytes()).hexdigest()
    if stamp.exists() and stamp.read_text() == wanted:
        return
    _say(f"installing the packages of {lock.name} (once; a few minutes on a slow line) …")
    done = subprocess.run(  # noqa: S603
        [
            str(_python()), "-m", "pip", "install", "--quiet", "--disable-pip-version-check",
            "--require-hashes", "--no-deps", "--only-binary", ":all:", "--no-binary", NO_WHEEL,
            "-r", str(lock),
        ],
        check=False,
    )  # fmt: skip
    if done.returncode:
        raise SetUpFailed(
            f"the packages of {lock.name} did not install. What the installer said is above; "
            "with a network or a package mirror that it can reach, call this again."
        )
    stamp.write_text(wanted)


def _compile_kernels() -> None:
    """Fill the cache of compiled kernels, so that nobody's first mesh waits for a compiler."""
    digest = hashlib.sha256()
    for source in sorted((ROOT / "qa" / "geometry").glob("*.py")):
        digest.update(source.read_bytes())
    stamp = ENVIRONMENT / "compiled-kernels"
    if stamp.exists() and stamp.read_text() == digest.hexdigest():
        return
    _say("compiling the measuring kernels (once) …")
    done = subprocess.run([str(_python()), "-m", "qa.geometry.warm"], cwd=ROOT, check=False)  # noqa: S603
    if done.returncode:
        raise SetUpFailed("the measuring kernels did not compile; what the compiler said is above.")
    stamp.write_text(digest.hexdigest())


def _run_tool(command: str, extra: Sequence[str]) -> int:
    for program in TOOL_COMMANDS[command]:
        done = subprocess.run([sys.executable, *program, *extra], cwd=ROOT, check=False)  # noqa: S603
        if done.returncode:
            return done.returncode
    return 0


def _say(text: str) -> None:
    print(f"manage.py: {text}", file=sys.stderr, flush=True)  # noqa: T201 - it talks to a person
