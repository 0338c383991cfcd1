"""What makes work certain: lost leases are taken back, forgotten messages sent again."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

from django.conf import settings
from django.db.models import F, Q
from django.utils import timezone

from labtrack.jobs.choices import JobState
from labtrack.jobs.dispatch import publish
from labtrack.jobs.handlers import find_handler
from labtrack.jobs.models import Job
from labtrack.jobs.services.lease import fail, take_over

STOPPED = (
    "The worker stopped while it worked on this, several times. The file may need more memory than the "
    "worker is allowed."
)


@dataclass(frozen=True)
class Swept:
    expired: int
    published: int


def sweep(*, worker_prefix: str = "") -> Swept:
    """Expire lost leases and publish queued jobs whose message seems lost.

    ``worker_prefix`` also takes back leases held by workers of that name at once: the supervisor
    uses it at start, when all workers of its own data folder are known to be dead.
    """
    expired = _expire(worker_prefix)
    return Swept(expired=expired, published=_publish_again())


def _expire(worker_prefix: str) -> int:
    lost = Q(lease_until__lt=timezone.now())
    if worker_prefix:
        lost |= Q(worker__startswith=worker_prefix)
    count = 0
    for job in Job.objects.filter(lost, state=JobState.RUNNING):
        handler = find_handler(job.kind)
        claim = take_over(job, lost) if handler else None
        if handler is None or claim is None:
            continue
        fail(claim, handler, sentence=STOPPED, log="the worker's lease ran out")
        count += 1
    return count


def _publish_again() -> int:
    # Long enough that a message still in the broker is not doubled at every sweep.
    stale = timezone.now() - timedelta(seconds=2 * settings.JOB_SWEEP_S)
    jobs = Job.objects.filter(state=JobState.QUEUED).filter(
        Q(published_at__isnull=True)
        | Q(published_at__lt=stale)
        | Q(attempts__gt=0, started_at__gt=F("published_at"))
    )
    count = 0
    for job in jobs.order_by("id")[:500]:
        Job.objects.filter(pk=job.pk, state=JobState.QUEUED).update(published_at=timezone.now())
        publish(job.pk, job.queue)
        count += 1
    return count
