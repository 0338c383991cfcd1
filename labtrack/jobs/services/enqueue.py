"""Asking for work."""

from __future__ import annotations

from typing import Any

from django.db import IntegrityError, transaction
from django.utils import timezone

from labtrack.accounts.actor import Actor
from labtrack.jobs.choices import OPEN_STATES, Queue
from labtrack.jobs.dispatch import publish
from labtrack.jobs.handlers import handler_for
from labtrack.jobs.models import Job


def enqueue(
    *, kind: str, key: str, parameters: dict[str, Any], actor: Actor | None, queue: Queue | None = None
) -> Job:
    """Save a job row in the running transaction and wake a worker once it commits.

    ``queue`` is for input that is heavier, or lighter, than its kind usually is. While a job of the
    same ``kind`` and ``key`` is open, that one is returned instead.
    """
    handler = handler_for(kind)
    try:
        with transaction.atomic():
            job = Job.objects.create(
                kind=kind,
                key=key,
                queue=queue or handler.queue,
                parameters=parameters,
                requested_by=actor.user if actor else None,
                published_at=timezone.now(),
            )
    except IntegrityError:
        waiting = Job.objects.filter(kind=kind, key=key, state__in=OPEN_STATES).first()
        if waiting is not None:
            return waiting
        # It ended between the two statements: this is new work after all.
        return enqueue(kind=kind, key=key, parameters=parameters, actor=actor, queue=queue)
    transaction.on_commit(lambda: publish(job.pk, job.queue))
    return job
