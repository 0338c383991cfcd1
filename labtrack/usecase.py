"""The frame round every use-case function: one transaction, with work deferred to its end.

``use_case()`` opens a transaction or joins the one that an outer use case opened. Work that must be
done once per transaction however often it is asked for (keeping an evidence row after ten answers)
is handed to ``before_commit`` and runs at the end of the outermost use case, still inside it.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import TypeVar, cast

from django.db import transaction

Work = TypeVar("Work", bound=Callable[[], None])

_pending: ContextVar[dict[Hashable, Callable[[], None]] | None] = ContextVar("pending", default=None)


@contextmanager
def use_case() -> Iterator[None]:
    """Run the body in one transaction; deferred work runs before the outermost one commits."""
    if _pending.get() is not None:
        with transaction.atomic():
            yield
        return
    pending: dict[Hashable, Callable[[], None]] = {}
    token = _pending.set(pending)
    try:
        with transaction.atomic():
            yield
            while pending:
                key = next(iter(pending))
                pending.pop(key)()
    finally:
        _pending.reset(token)


def before_commit(key: Hashable, work: Work) -> Work:
    """Ask for ``work`` once at the end of the running use case; the same ``key`` asks only once.

    Returns the work that will run: the first one asked for under ``key``, so that a caller can add
    to what it gathers.
    """
    pending = _pending.get()
    if pending is None:
        raise RuntimeError("before_commit is only for use inside a use case")
    return cast(Work, pending.setdefault(key, work))
