"""Asking a use case for what it must refuse."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from labtrack.audit.models import AuditRecord
from labtrack.errors import DomainError, Refused


def refused(
    call: Callable[[], Any], code: str, *words: str, kind: type[DomainError] = Refused
) -> DomainError:
    """Run it, check the refusal, and that it left no trace in the record of changes."""
    before = AuditRecord.objects.count()
    with pytest.raises(kind) as caught:
        call()
    assert caught.value.code == code
    for word in words:
        assert word in caught.value.sentence
    assert AuditRecord.objects.count() == before
    return caught.value
