"""The Celery task: thin over the service."""

from __future__ import annotations

from celery import shared_task

from labtrack.audit.services.seal import seal_settled


@shared_task(name="labtrack.audit.seal", ignore_result=True)
def seal() -> None:
    seal_settled()
