"""The API's description: complete, valid, and the one in git."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import yaml
from django.conf import settings
from openapi_spec_validator import validate

from labtrack.api.docs import groups
from labtrack.api.schema import schema_text


@pytest.fixture(scope="module")
def text() -> str:
    """Raises with the list of gaps when a view leaves something open."""
    return schema_text()


def test_it_is_valid_openapi(text: str) -> None:
    validate(yaml.safe_load(text))


def test_the_file_in_git_is_what_the_code_says(text: str) -> None:
    kept = (Path(settings.BASE_DIR) / "docs/openapi.yaml").read_text(encoding="utf-8")
    assert kept == text, "run: python3 manage.py openapi"


def test_every_operation_names_its_scope_and_problems(text: str) -> None:
    for path, item in yaml.safe_load(text)["paths"].items():
        for method in set(item) & {"get", "post", "put", "patch", "delete"}:
            assert item[method].get("x-scope"), (method, path)
            assert "401" in item[method]["responses"], (method, path)


@pytest.mark.django_db
def test_the_page_shows_every_operation(people: Any, client_of: Any, text: str) -> None:
    page = client_of(people.clinic).get("/api/docs/").content.decode()
    paths = yaml.safe_load(text)["paths"]
    assert paths
    for path, item in paths.items():
        for method in set(item) & {"get", "post", "put", "patch", "delete"}:
            assert f"{method.upper()} {path}" in page
    assert sum(len(operations) for _, operations in groups()) >= len(paths)


@pytest.mark.django_db
def test_the_schema_is_served(client: Any, text: str) -> None:
    answer = client.get("/api/v1/schema/")
    assert answer.status_code == 200
    assert yaml.safe_load(answer.content) == yaml.safe_load(text)
