"""What every process loads when it starts: each command, the web server, two workers and the scheduler."""

from __future__ import annotations

import subprocess
import sys

import pytest
from django.conf import settings

# Each takes a tenth of the start or more and is loaded by what needs it.
_ON_DEMAND = (
    "matplotlib",
    "scipy.ndimage",
    "scipy.optimize",
    "scipy.sparse",
    "scipy.spatial",
    "scipy.stats",
    "statsmodels",
)
_START = """
import sys

import django

django.setup()
import labtrack.celery
import labtrack.urls

print(*sys.modules)
"""


@pytest.fixture(scope="module")
def loaded() -> set[str]:
    done = subprocess.run(
        [sys.executable, "-c", _START], cwd=settings.BASE_DIR, capture_output=True, text=True, check=True
    )
    return set(done.stdout.split())


def test_the_pages_and_the_engine_are_loaded(loaded: set[str]) -> None:
    assert {"qa.urls", "qa.geometry.compare"} <= loaded


@pytest.mark.parametrize("library", _ON_DEMAND)
def test_what_few_need_is_loaded_on_demand(loaded: set[str], library: str) -> None:
    assert library not in loaded
