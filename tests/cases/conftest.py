"""Cases for tests: a file store of their own, a case of the clinic Harbour, and small meshes."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.cases.files import tetrahedron


@pytest.fixture(autouse=True)
def store(settings: Any, tmp_path: Path) -> Path:
    """An empty file store."""
    folder = tmp_path / "files"
    (folder / "incoming").mkdir(parents=True)
    settings.FILE_STORE = folder
    settings.FILE_UPLOAD_TEMP_DIR = str(folder / "incoming")
    return folder


@pytest.fixture
def case(actors: Any) -> Any:
    """C-00001 of Harbour: a series of 3 upper and 2 lower stages, and an upper retainer."""
    from cases.models import Clinic
    from cases.services.log_case import log_case
    from cases.services.order import LineOrder, aligner_series

    outcome = log_case(
        actor=actors.clinic,
        key="",
        clinic_id=Clinic.objects.get(code="harbour").pk,
        patient_code="P-1042",
        prescriber="Dr Example",
        clinic_reference="H-77",
        lines=[*aligner_series(upper=3, lower=2), LineOrder("retainer", upper=1)],
    )
    return outcome.thing


@pytest.fixture
def attach() -> Callable[..., Any]:
    """Attach bytes to a case through the use case; returns its outcome."""
    from cases.services.file_store import received_bytes
    from cases.services.meshes import attach_mesh

    def do(actor: Any, case: Any, content: bytes | None = None, **more: Any) -> Any:
        wanted = {"key": "", "role": "patient-scan", "unit": "mm", "original_name": "scan.stl"} | more
        with received_bytes(tetrahedron() if content is None else content, limit_bytes=10**8) as source:
            return attach_mesh(actor=actor, case_number=case.number, source=source, **wanted)

    return do
