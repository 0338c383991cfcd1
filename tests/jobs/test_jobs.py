"""Work is done once, whatever happens to messages and workers."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from datetime import timedelta
from typing import Any

import pytest
from celery import current_app
from django.db import IntegrityError, connection, transaction
from django.utils import timezone

from labtrack.jobs import handlers
from labtrack.jobs.choices import JobState, Queue
from labtrack.jobs.handlers import Handler, JobRefused, Progress, Store, register
from labtrack.jobs.models import Job
from labtrack.jobs.services import enqueue as enqueuing
from labtrack.jobs.services import lease
from labtrack.jobs.services import sweep as sweeping
from labtrack.jobs.services.enqueue import enqueue
from labtrack.jobs.services.lease import LeaseLost, claim, extend, finish
from labtrack.jobs.services.run import run_job
from labtrack.jobs.services.sweep import sweep
from labtrack.jobs.tasks import run as run_task

KIND = "test.weigh"
Compute = Callable[[Job, Progress], Store]


@pytest.fixture
def published(monkeypatch: pytest.MonkeyPatch) -> list[tuple[int, str]]:
    """What would have been sent to the broker."""
    sent: list[tuple[int, str]] = []

    def note(job_id: int, queue: str) -> None:
        sent.append((job_id, queue))

    monkeypatch.setattr(enqueuing, "publish", note)
    monkeypatch.setattr(sweeping, "publish", note)
    return sent


@pytest.fixture
def handle(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., None]]:
    """Register a handler of ``KIND`` for this test alone."""
    monkeypatch.setattr(handlers, "_handlers", dict(handlers._handlers))

    def add(compute: Compute, **options: Any) -> None:
        register(Handler(kind=KIND, queue=Queue.LIGHT, compute=compute, **options))

    yield add


def weighed(job: Job, progress: Progress) -> Store:
    progress(0.5, "on the scale")
    return lambda: {"grams": 12}


def ask(key: str = "mesh 1") -> Job:
    return enqueue(kind=KIND, key=key, parameters={"mesh": 1}, actor=None)


@pytest.mark.django_db(transaction=True)
def test_the_message_goes_out_only_when_the_row_is_committed(handle: Any, published: Any) -> None:
    handle(weighed)
    with pytest.raises(RuntimeError), transaction.atomic():
        ask()
        raise RuntimeError
    assert published == []
    assert not Job.objects.exists()
    with transaction.atomic():
        job = ask()
        assert published == []
    assert published == [(job.pk, "light")]


@pytest.mark.django_db
def test_the_same_work_is_not_queued_twice_while_open(handle: Any, published: Any) -> None:
    handle(weighed)
    first = ask()
    assert ask() == first
    assert ask("mesh 2") != first
    run_job(first.pk)
    assert ask() != first


@pytest.mark.django_db
def test_the_database_too_holds_one_open_job_per_key(handle: Any, published: Any) -> None:
    handle(weighed)
    ask()
    with pytest.raises(IntegrityError), transaction.atomic():
        Job.objects.create(kind=KIND, key="mesh 1")


@pytest.mark.django_db
def test_it_stores_the_result(handle: Any, published: Any) -> None:
    handle(weighed)
    job = ask()
    assert run_job(job.pk) == "done"
    job.refresh_from_db()
    assert (job.state, job.result, job.progress, job.attempts) == (JobState.DONE, {"grams": 12}, 1, 1)
    assert job.finished_at is not None


@pytest.mark.django_db
def test_a_doubled_message_does_nothing(handle: Any, published: Any) -> None:
    runs: list[int] = []

    def count(job: Job, progress: Progress) -> Store:
        runs.append(job.pk)
        return lambda: {}

    handle(count)
    job = ask()
    run_task(job.pk)
    run_task(job.pk)
    assert runs == [job.pk]
    assert run_job(job.pk) == "skipped"
    assert run_job(job.pk + 1000) == "skipped"


@pytest.mark.django_db(transaction=True)
def test_of_two_workers_one_gets_the_job(handle: Any, published: Any) -> None:
    handle(weighed)
    job = ask()
    claims: list[Any] = []
    start = threading.Barrier(2)

    def take(name: str) -> None:
        try:
            start.wait()
            claims.append(claim(job_id=job.pk, worker=name))
        finally:
            connection.close()

    threads = [threading.Thread(target=take, args=(name,)) for name in ("left", "right")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sum(one is not None for one in claims) == 1
    job.refresh_from_db()
    assert job.attempts == 1


@pytest.mark.django_db
def test_a_worker_that_lost_its_lease_stores_nothing(handle: Any, published: Any) -> None:
    stored: list[str] = []

    def slow(job: Job, progress: Progress) -> Store:
        Job.objects.filter(pk=job.pk).update(lease="somebody else's")

        def store() -> dict[str, Any]:
            stored.append("late")
            return {}

        return store

    handle(slow)
    job = ask()
    assert run_job(job.pk) == "lost"
    job.refresh_from_db()
    assert (stored, job.state, job.result) == ([], JobState.RUNNING, None)


@pytest.mark.django_db
def test_progress_stops_a_worker_that_lost_its_lease(handle: Any, published: Any) -> None:
    def slow(job: Job, progress: Progress) -> Store:
        Job.objects.filter(pk=job.pk).update(state=JobState.QUEUED, lease="", lease_until=None)
        progress(0.9, "nearly")
        raise AssertionError("it should have stopped")

    handle(slow)
    assert run_job(ask().pk) == "lost"


@pytest.mark.django_db(transaction=True)
def test_a_store_that_fails_stores_nothing_and_is_tried_again(handle: Any, published: Any) -> None:
    def compute(job: Job, progress: Progress) -> Store:
        def store() -> dict[str, Any]:
            Job.objects.create(kind="test.half", key="half")
            raise ValueError("the disk is full")

        return store

    handle(compute)
    job = ask()
    assert run_job(job.pk) == "failed"
    job.refresh_from_db()
    assert (job.state, job.attempts) == (JobState.QUEUED, 1)
    assert "the disk is full" in job.log
    assert not Job.objects.filter(kind="test.half").exists()


@pytest.mark.django_db
def test_after_its_attempts_it_fails_with_a_sentence(handle: Any, published: Any) -> None:
    told: list[str] = []

    def broken(job: Job, progress: Progress) -> Store:
        raise ZeroDivisionError

    handle(broken, max_attempts=2, refused=lambda job, sentence: told.append(sentence))
    job = ask()
    assert [run_job(job.pk), run_job(job.pk), run_job(job.pk)] == ["failed", "failed", "skipped"]
    job.refresh_from_db()
    assert (job.state, job.attempts) == (JobState.FAILED, 2)
    assert told == [job.sentence]
    assert "Something in Fitledger broke" in job.sentence
    assert "ZeroDivisionError" in job.log
    assert "ZeroDivisionError" not in job.sentence


@pytest.mark.django_db
def test_a_refusal_is_final_and_says_why(handle: Any, published: Any) -> None:
    told: list[str] = []

    def refuse(job: Job, progress: Progress) -> Store:
        raise JobRefused("The file is empty.")

    handle(refuse, refused=lambda job, sentence: told.append(sentence))
    job = ask()
    assert run_job(job.pk) == "refused"
    job.refresh_from_db()
    assert (job.state, job.sentence, told) == (JobState.REFUSED, "The file is empty.", ["The file is empty."])


@pytest.mark.django_db
def test_a_lost_lease_is_taken_back_and_published_at_once(handle: Any, published: Any) -> None:
    handle(weighed)
    job = ask()
    dead = claim(job_id=job.pk, worker="dead")
    assert dead is not None
    assert sweep().expired == 0
    Job.objects.filter(pk=job.pk).update(lease_until=timezone.now() - timedelta(seconds=1))
    published.clear()
    swept = sweep()
    assert (swept.expired, swept.published, published) == (1, 1, [(job.pk, "light")])
    with pytest.raises(LeaseLost):
        finish(dead, lambda: {"grams": 99})
    assert run_job(job.pk) == "done"
    job.refresh_from_db()
    assert (job.result, job.attempts) == ({"grams": 12}, 2)


@pytest.mark.django_db
def test_a_lease_extended_in_the_last_moment_is_kept(
    handle: Any, published: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The sweep reads an expired lease; before it takes over, the worker extends it."""
    handle(weighed)
    job = ask()
    alive = claim(job_id=job.pk, worker="alive")
    assert alive is not None
    Job.objects.filter(pk=job.pk).update(lease_until=timezone.now() - timedelta(seconds=1))

    def extended_first(*args: Any) -> Any:
        extend(alive)
        return lease.take_over(*args)

    monkeypatch.setattr(sweeping, "take_over", extended_first)
    assert sweep().expired == 0
    finish(alive, lambda: {"grams": 12})


@pytest.mark.django_db
def test_workers_known_to_be_dead_lose_their_leases_at_once(handle: Any, published: Any) -> None:
    handle(weighed)
    mine, other = ask("mesh 1"), ask("mesh 2")
    claim(job_id=mine.pk, worker="host/this-folder/1")
    claim(job_id=other.pk, worker="host/another-folder/2")
    assert sweep(worker_prefix="host/this-folder/").expired == 1
    mine.refresh_from_db()
    other.refresh_from_db()
    assert (mine.state, other.state) == (JobState.QUEUED, JobState.RUNNING)


@pytest.mark.django_db
def test_a_job_that_kills_its_workers_ends(handle: Any, published: Any) -> None:
    handle(weighed, max_attempts=2)
    job = ask()
    for _ in range(2):
        claim(job_id=job.pk, worker="killed")
        Job.objects.filter(pk=job.pk).update(lease_until=timezone.now() - timedelta(seconds=1))
        sweep()
    job.refresh_from_db()
    assert job.state == JobState.FAILED
    assert "more memory" in job.sentence


@pytest.mark.django_db
def test_a_forgotten_message_is_sent_again(handle: Any, published: Any, settings: Any) -> None:
    handle(weighed)
    job = ask()
    published.clear()
    assert sweep().published == 0
    long_ago = timezone.now() - timedelta(seconds=2 * settings.JOB_SWEEP_S + 1)
    Job.objects.filter(pk=job.pk).update(published_at=long_ago)
    assert sweep().published == 1
    assert sweep().published == 0
    assert published == [(job.pk, "light")]


@pytest.mark.django_db
def test_a_kind_from_a_newer_version_waits_and_stops_nothing(handle: Any, published: Any) -> None:
    handle(weighed)
    strange = Job.objects.create(kind="test.unknown", key="x", published_at=timezone.now())
    assert run_job(strange.pk) == "skipped"
    claim(job_id=strange.pk, worker="newer")
    job = ask()
    claim(job_id=job.pk, worker="dead")
    Job.objects.update(lease_until=timezone.now() - timedelta(seconds=1))
    assert sweep().expired == 1


@pytest.mark.django_db(transaction=True)
def test_a_broker_that_is_away_is_no_error(handle: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    def away(*args: Any, **options: Any) -> None:
        raise ConnectionRefusedError("no broker")

    monkeypatch.setattr(current_app, "send_task", away)
    handle(weighed)
    job = ask()
    assert Job.objects.get(pk=job.pk).state == JobState.QUEUED


@pytest.mark.django_db
@pytest.mark.parametrize(
    "values",
    [
        {"state": JobState.DONE},
        {"state": JobState.RUNNING},
        {"progress": 1.5},
        {"state": JobState.QUEUED, "finished_at": timezone.now()},
    ],
)
def test_the_database_refuses_states_that_cannot_be(values: dict[str, Any]) -> None:
    with pytest.raises(IntegrityError), transaction.atomic():
        Job.objects.create(kind=KIND, key="x", **values)


@pytest.mark.django_db(transaction=True)
def test_the_lease_is_kept_while_the_work_says_nothing(handle: Any, published: Any, settings: Any) -> None:
    """The heartbeat beats at a third of the lease: the work waits for one beat, however long it takes."""
    settings.JOB_LEASE_S = 0.3

    def silent(job: Job, progress: Progress) -> Store:
        first = Job.objects.get(pk=job.pk).lease_until
        never = threading.Event()
        for _ in range(3000):
            if Job.objects.get(pk=job.pk).lease_until != first:
                return lambda: {}
            never.wait(0.01)
        raise AssertionError("no beat came")

    handle(silent)
    assert run_job(ask().pk) == "done"
