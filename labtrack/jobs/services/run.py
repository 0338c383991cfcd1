"""Running one job from claim to stored result; what the Celery task does, and tests without Celery."""

from __future__ import annotations

import logging
import os
import socket
import threading
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from django.conf import settings
from django.db import DatabaseError, connection

from labtrack.jobs.handlers import JobRefused, find_handler
from labtrack.jobs.models import Job
from labtrack.jobs.services.lease import Claim, LeaseLost, claim, extend, fail, finish, refuse

log = logging.getLogger(__name__)

WORKER_HOST = socket.gethostname()[:40]


def worker_name() -> str:
    """Host, data folder's supervisor when there is one, and process."""
    group = os.environ.get("LABTRACK_WORKER_GROUP", "worker")
    return f"{WORKER_HOST}/{group}/{os.getpid()}"


def run_job(job_id: int) -> str:
    """Run one job if it is still to be done; return the word for what happened.

    ``skipped`` (done, gone or somebody else's), ``done``, ``refused``, ``failed`` or ``lost``.
    """
    kind = Job.objects.filter(pk=job_id).values_list("kind", flat=True).first()
    handler = find_handler(kind) if kind is not None else None
    held = claim(job_id=job_id, worker=worker_name()) if handler else None
    if handler is None or held is None:
        return "skipped"
    try:
        with _heartbeat(held):
            store = handler.compute(held.job, lambda share, text: extend(held, progress=share, text=text))
        finish(held, store)
    except LeaseLost:
        return "lost"
    except JobRefused as refusal:
        sentence = refusal.sentence
        return _ended(lambda: refuse(held, handler, sentence), "refused")
    except Exception:
        log.exception("job %s broke", job_id)
        trace = traceback.format_exc()
        sentence = (
            "Something in Fitledger broke while it worked on this. The person who looks after it can see why."
        )
        return _ended(lambda: fail(held, handler, sentence=sentence, log=trace), "failed")
    return "done"


def _ended(end: Callable[[], None], word: str) -> str:
    try:
        end()
    except LeaseLost:
        return "lost"
    return word


@contextmanager
def _heartbeat(held: Claim) -> Iterator[None]:
    """Extend the lease from a side thread while the body computes without a word of progress.

    Inside a caller's transaction (the demo's loader) nobody else sees the claim, so there is nothing to
    keep. SQLite in-memory test databases cannot be shared with a thread, so there the lease must suffice.
    """
    in_memory = connection.vendor == "sqlite" and "memory" in str(connection.settings_dict["NAME"])
    if connection.in_atomic_block or in_memory:
        yield
        return
    stop = threading.Event()

    def beat() -> None:
        while not stop.wait(settings.JOB_LEASE_S / 3):
            try:
                extend(held)
            except LeaseLost:
                return
            except DatabaseError as error:
                # Busy for a moment: two more beats fit into the lease.
                log.warning("the lease of job %s was not extended: %s", held.job.pk, error)
            finally:
                connection.close()

    thread = threading.Thread(target=beat, name=f"lease-{held.job.pk}", daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()
