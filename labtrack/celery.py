"""The Celery application: a file-system broker in the data folder, or Redis when one is named."""

from __future__ import annotations

import os
from typing import Any

from celery import Celery
from celery.signals import worker_process_init
from django.conf import settings

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "labtrack.settings")

app = Celery("labtrack")


def _broker() -> dict[str, Any]:
    if settings.REDIS_URL:
        return {
            "broker_url": settings.REDIS_URL,
            "broker_connection_retry_on_startup": True,
            "broker_transport_options": {"visibility_timeout": 3600},
        }
    folder = settings.DATA_DIR / "queue"
    for name in ("messages", "control", "processed"):
        (folder / name).mkdir(parents=True, exist_ok=True, mode=0o700)
    return {
        "broker_url": "filesystem://localhost",  # the host is never asked; without one every process warns
        "broker_transport_options": {
            "data_folder_in": str(folder / "messages"),
            "data_folder_out": str(folder / "messages"),
            "processed_folder": str(folder / "processed"),
            "control_folder": str(folder / "control"),
            "store_processed": False,
        },
    }


app.conf.update(
    _broker(),
    task_serializer="json",
    accept_content=["json"],
    task_ignore_result=True,
    task_default_queue="light",
    task_acks_late=False,  # the job row, not the message, makes the work certain
    task_time_limit=settings.JOB_TIME_LIMIT_S,
    worker_prefetch_multiplier=1,
    worker_max_tasks_per_child=50,
    worker_hijack_root_logger=False,
    timezone=settings.TIME_ZONE,
    beat_schedule={
        "let-time-pass": {
            "task": "qa.mature",
            "schedule": 1800,
            "options": {"queue": "light", "expires": 1800},
        },
        "sweep-jobs": {
            "task": "labtrack.jobs.sweep",
            "schedule": settings.JOB_SWEEP_S,
            "options": {"queue": "light", "expires": settings.JOB_SWEEP_S},
        },
        "sweep-files": {
            "task": "cases.sweep_files",
            "schedule": 3600,
            "options": {"queue": "light", "expires": 3600},
        },
        "seal-audit": {
            "task": "labtrack.audit.seal",
            "schedule": 600,
            "options": {"queue": "light", "expires": 600},
        },
    },
)
app.autodiscover_tasks()


@worker_process_init.connect
def limit_memory(**_: Any) -> None:
    """Bound each pre-forked child, so a hostile mesh ends a child and not the machine."""
    import resource

    limit = settings.JOB_MEMORY_LIMIT_MB * 1024 * 1024
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
