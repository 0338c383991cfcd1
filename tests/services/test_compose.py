"""docker-compose.yml is parsed, and its very commands run here against real PostgreSQL and Redis."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml

from tests.services.conftest import (
    ROOT,
    Installation,
    empty_redis,
    environment_of,
    eventually,
    free_port,
    fresh_database,
)

COMPOSE: dict[str, Any] = yaml.safe_load((ROOT / "docker-compose.yml").read_text())
SERVICES: dict[str, Any] = COMPOSE["services"]
OURS = ("web", "worker-light", "worker-heavy", "scheduler")


def native(service: str, installation: Installation) -> list[str]:
    """The service's own command, with this Python, a free port and a scratch path put in."""
    return [
        sys.executable if word == "python"
        else word.replace("0.0.0.0:8000", f"127.0.0.1:{installation.port}").replace(
            "/tmp/schedule", str(installation.folder / "schedule")
        )
        for word in SERVICES[service]["command"]
    ]  # fmt: skip


def test_every_part_is_there_with_a_health_check() -> None:
    assert set(SERVICES) == {"postgres", "redis", "set-up", *OURS}
    for name in ("postgres", "redis", "web", "worker-light", "worker-heavy"):
        assert SERVICES[name]["healthcheck"]["test"][0] == "CMD"
    assert set(COMPOSE["volumes"]) == {"data", "database", "queue"}


def test_every_volume_that_is_mounted_is_declared() -> None:
    mounted = {volume.split(":")[0] for service in SERVICES.values() for volume in service.get("volumes", [])}
    assert mounted == set(COMPOSE["volumes"])


def test_nothing_of_ours_starts_before_the_set_up_is_done() -> None:
    for name in OURS:
        assert SERVICES[name]["depends_on"] == {"set-up": {"condition": "service_completed_successfully"}}
    assert {name: need["condition"] for name, need in SERVICES["set-up"]["depends_on"].items()} == {
        "postgres": "service_healthy",
        "redis": "service_healthy",
    }


def test_every_variable_it_sets_is_a_documented_setting() -> None:
    documented = set(re.findall(r"LABTRACK_[A-Z_]+", (ROOT / "docs" / "settings.md").read_text()))
    named = {name for name in SERVICES["web"]["environment"] if name.startswith("LABTRACK_")}
    assert named <= documented


def test_the_web_port_is_published_on_this_machine_only() -> None:
    assert SERVICES["web"]["ports"] == ["127.0.0.1:8000:8000"]


@pytest.fixture
def from_nothing(tmp_path: Path) -> Iterator[Installation]:
    with fresh_database() as database, empty_redis() as redis:
        environment = environment_of(tmp_path, LABTRACK_DATABASE_URL=database, LABTRACK_REDIS_URL=redis)
        made = Installation(tmp_path, environment, free_port())
        yield made
        made.stop_all()


@pytest.mark.services
def test_its_very_commands_run_and_answer(from_nothing: Installation) -> None:
    from_nothing.environment["LABTRACK_OWN_PACKAGES"] = "1"
    set_up = from_nothing.start(*native("set-up", from_nothing))
    assert set_up.wait(timeout=120) == 0, from_nothing.output(set_up)
    for name in OURS:
        from_nothing.start(*native(name, from_nothing))
    from_nothing.wait_until_up()
    ping = [
        sys.executable if word == "python" else word
        for word in SERVICES["worker-light"]["healthcheck"]["test"][1:]
    ]

    def both_workers_answer() -> bool:
        asked = from_nothing.start(*ping)
        asked.wait(timeout=60)
        said = from_nothing.output(asked)
        return "light@" in said and "heavy@" in said

    eventually(both_workers_answer, what="both workers answer their health check")
