"""Reading ``LABTRACK_...`` variables, failing loudly on a bad value."""

from __future__ import annotations

import os
import re
import secrets
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit


class SettingError(Exception):
    """A variable holds something Fitledger cannot use; the message names it."""


def data_folder() -> Path:
    """Folder of the database, files and secrets: ``LABTRACK_DATA`` or the user's own data folder."""
    stated = os.environ.get("LABTRACK_DATA")
    folder = Path(stated) if stated else Path.home() / ".local" / "share" / "fitledger"
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    return folder


def value(name: str) -> str | None:
    """The variable, or the content of the file that ``NAME_FILE`` points to."""
    from_file = os.environ.get(f"{name}_FILE")
    if not from_file:
        return os.environ.get(name)
    try:
        return Path(from_file).read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise SettingError(f"{name}_FILE names a file that cannot be read: {error}.") from None


def flag(name: str, *, default: bool) -> bool:
    text = os.environ.get(name)
    if text is None:
        return default
    if text.lower() in {"1", "true", "yes", "on"}:
        return True
    if text.lower() in {"0", "false", "no", "off", ""}:
        return False
    raise SettingError(f"{name} must be yes or no, not {text!r}.")


def integer(name: str, *, default: int, least: int = 1) -> int:
    text = os.environ.get(name)
    if text is None:
        return default
    try:
        number = int(text)
    except ValueError:
        raise SettingError(f"{name} must be a whole number, not {text!r}.") from None
    if number < least:
        raise SettingError(f"{name} must be {least} or more, not {number}.")
    return number


def rate(name: str, *, default: str) -> str:
    """A number of requests per ``s``, ``min``, ``h`` or ``d``."""
    text = os.environ.get(name, default)
    if not re.fullmatch(r"[1-9]\d*/(s|sec|m|min|h|hour|d|day)", text):
        raise SettingError(f"{name} must be such as 600/min, not {text!r}.")
    return text


def words(name: str, *, default: str) -> list[str]:
    return [word.strip() for word in os.environ.get(name, default).split(",") if word.strip()]


def secret(name: str, folder: Path) -> str:
    """A secret from the environment, else made once and kept in ``folder`` for its owner only."""
    given = value(name)
    if given:
        return given
    path = folder / "secrets" / name.lower()
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    if not path.exists():
        _make_secret(path)
    return path.read_text(encoding="ascii")


def _make_secret(path: Path) -> None:
    """Several processes may start at once: the first link wins, nobody reads a half-written file."""
    draft = path.with_name(f"{path.name}.{os.getpid()}")
    descriptor = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(descriptor, "w", encoding="ascii") as handle:
        handle.write(secrets.token_urlsafe(48))
    try:
        os.link(draft, path)
    except FileExistsError:
        pass
    finally:
        draft.unlink()


def database_settings(folder: Path) -> dict[str, Any]:
    """PostgreSQL when ``LABTRACK_DATABASE_URL`` names one, else SQLite in the data folder."""
    url = value("LABTRACK_DATABASE_URL")
    if not url:
        path = folder / "fitledger.sqlite3"
        # Made here for its owner only, since the folder may be an older one that others can enter;
        # SQLite gives its journal files the same mode.
        path.touch(mode=0o600, exist_ok=True)
        return {
            "ENGINE": "django.db.backends.sqlite3",
            "NAME": path,
            "OPTIONS": {
                "transaction_mode": "IMMEDIATE",
                "timeout": 20,
                "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=NORMAL; PRAGMA foreign_keys=ON;",
            },
        }
    parts = urlsplit(url)
    if parts.scheme not in {"postgresql", "postgres"}:
        raise SettingError("LABTRACK_DATABASE_URL must start with postgresql://")
    return {
        "ENGINE": "django.db.backends.postgresql",
        "NAME": unquote(parts.path.lstrip("/")),
        "USER": unquote(parts.username or ""),
        "PASSWORD": unquote(parts.password or ""),
        "HOST": unquote(parts.hostname or ""),
        "PORT": parts.port or 5432,
        "CONN_MAX_AGE": 60,
        "CONN_HEALTH_CHECKS": True,
    }
