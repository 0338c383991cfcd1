"""The Celery tasks of quality: thin over the services."""

from __future__ import annotations

from celery import shared_task

from qa.services.evidence import promote_mature


@shared_task(name="qa.mature", ignore_result=True)  # type: ignore[untyped-decorator]
def let_time_pass() -> None:
    """Count what had its time to fail since the last run."""
    promote_mature()
