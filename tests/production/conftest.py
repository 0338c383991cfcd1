from __future__ import annotations

from typing import Any

import pytest

from tests.production.shop import Shop


@pytest.fixture
def shop(actors: Any) -> Shop:
    return Shop(actors)
