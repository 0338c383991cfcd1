"""A shop whose work quality judges, and a file store of its own."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.cases.files import tetrahedron


@pytest.fixture
def store(settings: Any, tmp_path: Path) -> Path:
    """An empty file store."""
    folder = tmp_path / "files"
    (folder / "incoming").mkdir(parents=True)
    settings.FILE_STORE = folder
    settings.FILE_UPLOAD_TEMP_DIR = str(folder / "incoming")
    return folder


@pytest.fixture
def shop(actors: Any, store: Path) -> Any:
    from tests.production.shop import Shop

    return Shop(actors)


@pytest.fixture
def case(actors: Any, store: Path) -> Any:
    """A case of the clinic Harbour with one upper retainer."""
    from cases.models import Clinic
    from cases.services.log_case import log_case
    from cases.services.order import LineOrder

    return log_case(
        actor=actors.clinic,
        key="",
        clinic_id=Clinic.objects.get(code="harbour").pk,
        patient_code="H-17",
        prescriber="Dr Invented",
        lines=[LineOrder(kind="retainer", upper=1)],
    ).thing


@pytest.fixture
def attach(actors: Any, case: Any, settings: Any) -> Callable[..., Any]:
    """Attach bytes as a design of the case."""
    # A worker's heartbeat is of another thread, which the test's own open transaction would keep waiting.
    settings.JOB_LEASE_S = 36_000
    from cases.services.file_store import received_bytes
    from cases.services.meshes import attach_mesh

    def attached(
        content: bytes = tetrahedron(30.0), *, role: str = "design", unit: str = "mm", actor: Any = None
    ) -> Any:
        with received_bytes(content, limit_bytes=10_000_000) as source:
            return attach_mesh(
                actor=actor or actors.clinic,
                key="",
                case_number=case.number,
                role=role,
                unit=unit,
                source=source,
                original_name="design.stl",
            ).thing

    return attached
