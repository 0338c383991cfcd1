"""The registry of what workers can do. Upper apps add a handler per kind when they start."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from labtrack.jobs.choices import Queue
from labtrack.jobs.models import Job

Progress = Callable[[float, str], None]
Store = Callable[[], dict[str, Any]]


class JobRefused(Exception):
    """The input cannot be worked on, with a sentence for a person; trying again will not help."""

    def __init__(self, sentence: str) -> None:
        super().__init__(sentence)
        self.sentence = sentence


@dataclass(frozen=True)
class Handler:
    """``compute`` runs outside any transaction and returns ``store``, which runs in the one that
    finishes the job: a worker that lost its lease stores nothing. ``refused`` runs in the
    transaction that records a refusal or the last failure."""

    kind: str
    queue: Queue
    compute: Callable[[Job, Progress], Store]
    refused: Callable[[Job, str], None] | None = None
    max_attempts: int = 3


_handlers: dict[str, Handler] = {}


def register(handler: Handler) -> None:
    _handlers[handler.kind] = handler


def find_handler(kind: str) -> Handler | None:
    """The handler of ``kind``; None when the job was queued by a newer Fitledger than this one."""
    return _handlers.get(kind)


def handler_for(kind: str) -> Handler:
    """The handler of ``kind``; KeyError when no installed app brings one."""
    return _handlers[kind]
