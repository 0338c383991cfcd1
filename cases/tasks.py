"""The Celery tasks: thin over the services."""

from __future__ import annotations

from celery import shared_task

from cases.services.file_store import sweep_files


@shared_task(name="cases.sweep_files", ignore_result=True)  # type: ignore[untyped-decorator]
def sweep_uploads() -> None:
    sweep_files()
