"""The Celery tasks: thin over the services."""

from __future__ import annotations

from celery import shared_task

from labtrack.jobs.dispatch import RUN_JOB
from labtrack.jobs.services.run import run_job
from labtrack.jobs.services.sweep import sweep


@shared_task(name=RUN_JOB, ignore_result=True)
def run(job_id: int) -> None:
    run_job(job_id)


@shared_task(name="labtrack.jobs.sweep", ignore_result=True)
def sweep_jobs() -> None:
    sweep()
