"""Settings: each documented, each failing loudly."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings

from labtrack.environment import SettingError, database_settings, flag, integer, rate, secret, value

ROOT = Path(settings.BASE_DIR)
NAME = re.compile(r"LABTRACK_[A-Z][A-Z_]*[A-Z]")
READ_BY = [ROOT / "manage.py", ROOT / "docker-compose.yml"]


def names_in_code() -> set[str]:
    files = [path for path in READ_BY if path.exists()]
    for folder in ("labtrack", "cases", "production", "qa", "fixtures"):
        files += (ROOT / folder).rglob("*.py")
    return {name for path in files for name in NAME.findall(path.read_text(encoding="utf-8"))}


def names_documented() -> set[str]:
    rows = re.findall(
        r"^\| `(LABTRACK_[A-Z_]+)`", (ROOT / "docs/settings.md").read_text("utf-8"), re.MULTILINE
    )
    return set(rows)


def test_every_variable_in_the_code_is_documented() -> None:
    found = {name.removesuffix("_FILE") for name in names_in_code()}
    assert found - names_documented() == set()


def test_every_documented_variable_is_in_the_code() -> None:
    assert names_documented() - names_in_code() == set()


def test_a_bad_value_names_its_variable(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LABTRACK_X", "perhaps")
    for read in (
        lambda: flag("LABTRACK_X", default=True),
        lambda: integer("LABTRACK_X", default=1),
        lambda: rate("LABTRACK_X", default="1/s"),
    ):
        with pytest.raises(SettingError, match="LABTRACK_X must be"):
            read()
    monkeypatch.setenv("LABTRACK_X", "0")
    with pytest.raises(SettingError, match="1 or more"):
        integer("LABTRACK_X", default=1)
    assert integer("LABTRACK_X", default=1, least=0) == 0


def test_a_file_that_cannot_be_read_names_its_variable(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "redis"
    monkeypatch.setenv("LABTRACK_X_FILE", str(path))
    with pytest.raises(SettingError, match="LABTRACK_X_FILE names a file"):
        value("LABTRACK_X")
    path.write_text("redis://:word@host:6379/0\n")
    assert value("LABTRACK_X") == "redis://:word@host:6379/0"


def test_a_secret_is_made_once_for_its_owner_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("LABTRACK_X", raising=False)
    made = secret("LABTRACK_X", tmp_path)
    assert secret("LABTRACK_X", tmp_path) == made
    assert len(made) >= 48
    path = tmp_path / "secrets" / "labtrack_x"
    assert oct(path.stat().st_mode & 0o777) == "0o600"
    assert oct(path.parent.stat().st_mode & 0o777) == "0o700"


def test_a_secret_can_come_from_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "key").write_text("from a file\n")
    monkeypatch.setenv("LABTRACK_X_FILE", str(tmp_path / "key"))
    assert secret("LABTRACK_X", tmp_path) == "from a file"


def test_a_database_url_is_taken_apart(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LABTRACK_DATABASE_URL", "postgresql://lab:p%40ss@db:6000/fit")
    read: dict[str, Any] = database_settings(tmp_path)
    assert (read["USER"], read["PASSWORD"], read["HOST"], read["PORT"], read["NAME"]) == (
        "lab",
        "p@ss",
        "db",
        6000,
        "fit",
    )
    monkeypatch.setenv("LABTRACK_DATABASE_URL", "mysql://lab@db/fit")
    with pytest.raises(SettingError, match="postgresql://"):
        database_settings(tmp_path)


def test_the_database_is_its_owners_alone_in_a_folder_that_others_can_enter(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("LABTRACK_DATABASE_URL", raising=False)
    monkeypatch.delenv("LABTRACK_DATABASE_URL_FILE", raising=False)
    tmp_path.chmod(0o755)
    made: Path = database_settings(tmp_path)["NAME"]
    assert made.stat().st_mode & 0o777 == 0o600
