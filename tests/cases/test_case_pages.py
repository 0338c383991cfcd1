"""Pages of cases, as each role sees them."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.utils import timezone

from cases.models import Appliance, Case, Clinic, MeshUse
from cases.services.waits import answer_clinic, ask_clinic


pytestmark = pytest.mark.django_db


def line(index: int, **values: Any) -> dict[str, Any]:
    return {f"lines-{index}-{name}": value for name, value in values.items()}


def order(*lines: dict[str, Any], **more: Any) -> dict[str, Any]:
    data: dict[str, Any] = {
        "clinic": Clinic.objects.get(code="harbour").pk,
        "patient_code": "P-9",
        "prescriber": "Dr Example",
        "lines-TOTAL_FORMS": len(lines),
        "lines-INITIAL_FORMS": 0,
    } | more
    for values in lines:
        data |= values
    return data


def test_every_page_answers(case: Any, people: Any, client_of: Any, attach: Any, actors: Any) -> None:
    mesh = attach(actors.clinic, case).thing
    appliance = case.appliances.first()
    paths = [
        "/cases/",
        "/cases/log/",
        f"/cases/{case.number}/",
        f"/cases/{case.number}/change/",
        f"/cases/{case.number}/meshes/",
        f"/cases/{case.number}/meshes/{mesh.pk}/",
        f"/cases/{case.number}/meshes/{mesh.pk}/row/",
        f"/cases/{case.number}/meshes/{mesh.pk}/file/",
        f"/cases/{case.number}/appliances/{appliance.pk}/",
        "/clinics/",
        f"/clinics/{case.clinic_id}/",
        "/",
    ]
    manager = client_of(people.manager)
    for path in paths:
        assert manager.get(path).status_code == 200, path
