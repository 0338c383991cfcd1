"""Waking a worker: the only place that talks to the broker."""

from __future__ import annotations

import logging

from celery import current_app
from kombu.exceptions import OperationalError

log = logging.getLogger(__name__)

RUN_JOB = "labtrack.jobs.run"


def publish(job_id: int, queue: str) -> None:
    """Send the job's id. A broker that is away is no error: the sweep publishes again."""
    try:
        current_app.send_task(RUN_JOB, args=[job_id], queue=queue, retry=False)
    except (OperationalError, OSError) as error:
        log.warning("job %s waits for the sweep: the broker did not take it (%s)", job_id, error)
