"""Claiming a job, keeping it, ending it. Every write is guarded by the lease token."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.db.models import F, Q, QuerySet
from django.utils import timezone

from labtrack.jobs.choices import JobState
from labtrack.jobs.handlers import Handler, Store
from labtrack.jobs.models import Job
from labtrack.usecase import use_case

LOG_LIMIT = 20_000


class LeaseLost(Exception):
    """Another worker holds the job now; this one must store nothing."""


@dataclass(frozen=True)
class Claim:
    job: Job
    token: str


def _lease_end() -> datetime:
    return timezone.now() + timedelta(seconds=settings.JOB_LEASE_S)


def claim(*, job_id: int, worker: str) -> Claim | None:
    """Take a queued job by one guarded update; None when it is gone, final or somebody else's."""
    token = secrets.token_hex(16)
    taken = Job.objects.filter(pk=job_id, state=JobState.QUEUED).update(
        state=JobState.RUNNING,
        lease=token,
        lease_until=_lease_end(),
        worker=worker,
        started_at=timezone.now(),
        attempts=F("attempts") + 1,
        progress=0,
        progress_text="",
    )
    return Claim(Job.objects.get(pk=job_id), token) if taken else None


def extend(claim: Claim, *, progress: float | None = None, text: str | None = None) -> None:
    """Keep the lease, optionally with progress; raise ``LeaseLost`` when it is no longer ours."""
    changes: dict[str, Any] = {"lease_until": _lease_end()}
    if progress is not None:
        changes["progress"] = min(max(progress, 0.0), 1.0)
    if text is not None:
        changes["progress_text"] = text[:120]
    if not _held(claim).update(**changes):
        raise LeaseLost


def take_over(job: Job, lost: Q) -> Claim | None:
    """Take a running job from a worker that ``lost`` still calls dead at this very moment.

    A worker that extended its lease since the job was read keeps it.
    """
    token = secrets.token_hex(16)
    taken = Job.objects.filter(lost, pk=job.pk, state=JobState.RUNNING, lease=job.lease).update(
        lease=token, lease_until=_lease_end()
    )
    return Claim(job, token) if taken else None


def finish(claim: Claim, store: Store) -> None:
    """Store the result and end the job in one transaction, if the lease is still ours."""
    with use_case():
        if not _held(claim).update(
            state=JobState.DONE, finished_at=timezone.now(), progress=1, progress_text="", lease_until=None
        ):
            raise LeaseLost
        Job.objects.filter(pk=claim.job.pk).update(result=store())


def refuse(claim: Claim, handler: Handler, sentence: str) -> None:
    """End the job with a sentence about its input."""
    _end(claim, handler, JobState.REFUSED, sentence, log="")


def fail(claim: Claim, handler: Handler, *, sentence: str, log: str) -> None:
    """Queue the job again, or end it after the last attempt; raise ``LeaseLost`` when it is not ours."""
    if claim.job.attempts < handler.max_attempts:
        queued = {"state": JobState.QUEUED, "lease": "", "lease_until": None, "log": log[-LOG_LIMIT:]}
        if not _held(claim).update(**queued):
            raise LeaseLost
        return
    _end(claim, handler, JobState.FAILED, sentence, log=log[-LOG_LIMIT:])


def _end(claim: Claim, handler: Handler, state: JobState, sentence: str, *, log: str) -> None:
    with use_case():
        ended = _held(claim).update(
            state=state, finished_at=timezone.now(), sentence=sentence, log=log, lease_until=None
        )
        if not ended:
            raise LeaseLost
        if handler.refused is not None:
            handler.refused(claim.job, sentence)


def _held(claim: Claim) -> QuerySet[Job]:
    return Job.objects.filter(pk=claim.job.pk, state=JobState.RUNNING, lease=claim.token)
