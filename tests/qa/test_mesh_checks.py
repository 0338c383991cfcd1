"""A mesh that is attached is checked once, by a worker that may die at any moment."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from labtrack.errors import Refused
from labtrack.jobs.models import Job
from labtrack.jobs.services.run import run_job
from labtrack.jobs.services.sweep import sweep
from qa.models import MeshCheck
from qa.queries.check_keys import is_current
from qa.queries.limits import limits_in_force
from qa.services import checks
from qa.services.checks import check_again, check_attached
from qa.services.limits import change_limits
from tests.cases.files import tetrahedron, text_stl

pytestmark = pytest.mark.django_db


def test_attaching_asks_for_one_check_in_the_same_transaction(attach: Callable[..., Any]) -> None:
    mesh = attach()
    check = mesh.checks.get()
    assert (check.state, check.limits.version) == ("waiting", 1)
    assert check.job.kind == "check-mesh" and check.job.queue == "light"
    # Asked for again in the same words, it is the same check and the same job.
    assert check_attached(mesh).pk == check.pk
    assert Job.objects.count() == 1


def test_the_worker_stores_figures_verdict_profile_and_preview(attach: Callable[..., Any]) -> None:
    check = attach().checks.get()
    assert run_job(check.job_id) == "done"
    check.refresh_from_db()
    assert check.state == "done" and check.verdict in {"pass", "review", "fail", "unknown"}
    # A corner of a cube of 30 mm: a sixth of 27 ml, four triangles, closed.
    assert check.figures["triangles"] == 4 and check.figures["watertight"] is True
    assert check.figures["volume_ml"] == pytest.approx(4.5, rel=1e-6)
    assert {row["name"] for row in check.findings} and check.profile["areas_mm2"]
    assert check.preview is not None


def test_running_the_same_job_twice_changes_nothing(attach: Callable[..., Any]) -> None:
    check = attach().checks.get()
    run_job(check.job_id)
    first = MeshCheck.objects.values().get()
    assert run_job(check.job_id) == "skipped"
    assert MeshCheck.objects.values().get() == first


def test_a_worker_killed_in_mid_check_loses_and_doubles_nothing(
    attach: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    check = attach().checks.get()

    class Killed(BaseException):
        """As sudden as a signal: no handler of the worker runs."""

    def die(*args: Any, **kwargs: Any) -> Any:
        raise Killed

    with monkeypatch.context() as patched:
        patched.setattr(checks, "check_design", die)
        with pytest.raises(Killed):
            run_job(check.job_id)
    check.refresh_from_db()
    assert check.state == "waiting" and check.job.state == "running"
    # The sweep takes the lost lease back; another worker does the work.
    Job.objects.update(lease_until="2000-01-01T00:00:00Z")
    assert sweep().expired == 1
    assert run_job(check.job_id) == "done"
    assert MeshCheck.objects.count() == 1 and MeshCheck.objects.get().state == "done"


def test_a_second_worker_that_finishes_late_stores_nothing(attach: Callable[..., Any]) -> None:
    check = attach().checks.get()
    store = checks.compute_check(check.job, lambda share, words: None)
    MeshCheck.objects.filter(pk=check.pk).update(state="refused", sentence="no", finished_at=check.asked_at)
    store()
    check.refresh_from_db()
    assert check.state == "refused" and check.verdict == ""


def test_a_file_the_engine_cannot_read_is_refused_with_its_sentence(
    attach: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    from qa.geometry.errors import GeometryError

    check = attach().checks.get()

    def fail(*args: Any, **kwargs: Any) -> Any:
        raise GeometryError("truncated", "The file ends too early; export it again.")

    monkeypatch.setattr(checks, "read_mesh", fail)
    assert run_job(check.job_id) == "refused"
    check.refresh_from_db()
    assert (check.state, check.sentence) == ("refused", "The file ends too early; export it again.")


def test_too_little_memory_is_said_not_retried(
    attach: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    check = attach().checks.get()

    def exhaust(*args: Any, **kwargs: Any) -> Any:
        raise MemoryError

    monkeypatch.setattr(checks, "check_design", exhaust)
    assert run_job(check.job_id) == "refused"
    check.refresh_from_db()
    assert "more memory than a worker may use" in check.sentence


def test_a_check_that_failed_may_be_asked_for_again(
    attach: Callable[..., Any], actors: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    check = attach().checks.get()
    with monkeypatch.context() as patched:
        patched.setattr(checks, "make_preview", lambda mesh: 1 / 0)
        for _ in range(3):
            run_job(check.job_id)
    check.refresh_from_db()
    assert check.state == "refused"
    again = check_again(actor=actors.clinic, mesh=check.mesh)
    assert again.pk == check.pk and again.state == "waiting"
    assert run_job(again.job_id or 0) == "done"


def test_heavy_meshes_wait_in_the_heavy_queue(
    attach: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(checks, "HEAVY_TRIANGLES", 3)
    assert attach().checks.get().job.queue == "heavy"


def test_new_limits_offer_a_new_check_and_keep_the_old_one(attach: Callable[..., Any], actors: Any) -> None:
    check = attach().checks.get()
    run_job(check.job_id)
    assert is_current(MeshCheck.objects.get())
    change_limits(
        actor=actors.quality,
        key="",
        based_on=1,
        values={"part_size_max": 25.0},
        source="own trial of 3 May",
        note="smaller platform",
    )
    assert not is_current(MeshCheck.objects.get())
    again = check_again(actor=actors.clinic, mesh=check.mesh)
    run_job(again.job_id or 0)
    old, new = MeshCheck.objects.order_by("pk")
    assert (old.limits.version, new.limits.version) == (1, 2)
    size = next(row for row in new.findings if (row["limit"] or {}).get("source") == "own trial of 3 May")
    assert size["limit"]["value"] == 25.0 and size["verdict"] != "pass"


def test_the_same_file_twice_in_one_clinic_is_computed_once(attach: Callable[..., Any], actors: Any) -> None:
    first = attach(role="design").checks.get()
    run_job(first.job_id)
    content = tetrahedron(30.0)
    second = attach(content, role="prepared", actor=actors.technician).checks.get()
    assert second.state == "waiting", "another role is judged otherwise"
    run_job(second.job_id)
    from cases.models import MeshUse

    use = MeshUse.objects.get(pk=first.mesh_id)
    use.pk, use.unit, use.original_name = None, "mm", "copy.stl"
    use.appliance = use.case.appliances.get()
    use.save()
    copied = check_attached(use)
    assert copied.state == "done" and copied.figures == MeshCheck.objects.get(pk=first.pk).figures
    assert copied.job is None


def test_what_was_made_under_the_same_key_while_it_waited_is_taken_over(
    attach: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    from cases.models import MeshUse

    first = attach(role="design").checks.get()
    use = MeshUse.objects.get(pk=first.mesh_id)
    use.pk, use.original_name, use.appliance = None, "copy.stl", use.case.appliances.get()
    use.save()
    second = check_attached(use)
    assert (second.state, second.key) == ("waiting", first.key)
    run_job(first.job_id)
    monkeypatch.setattr(checks, "_computed", lambda *_: pytest.fail("computed twice"))
    run_job(second.job_id)
    made = [MeshCheck.objects.get(pk=one.pk) for one in (first, second)]
    for name in checks.COPIED:
        assert getattr(made[0], name) == getattr(made[1], name), name
    assert made[1].state == "done" and made[1].finished_at is not None


@pytest.mark.parametrize(
    "content", [b"solid nothing here", text_stl(nan=True), text_stl(cut=True), tetrahedron()[:-20]]
)
def test_a_bad_file_leaves_a_sentence_and_nothing_else(attach: Callable[..., Any], content: bytes) -> None:
    with pytest.raises(Refused) as refusal:
        attach(content)
    assert len(refusal.value.sentence) > 20
    assert MeshCheck.objects.count() == 0 and Job.objects.count() == 0


def test_version_one_of_the_limits_is_the_shipped_set() -> None:
    from qa.geometry.limits import SHIPPED

    version = limits_in_force()
    assert version.version == 1 and version.content == SHIPPED.to_json()
    assert limits_in_force().pk == version.pk


@pytest.mark.parametrize(
    ("values", "source", "note", "code"),
    [
        ({}, "trial", "why", "nothing-changed"),
        ({"part_size_max": 99.0}, " ", "why", "source-missing"),
        ({"part_size_max": 99.0}, "trial", "", "note-missing"),
        ({"no_such_limit": 1.0}, "trial", "why", "limit-limit"),
        ({"part_size_max": float("inf")}, "trial", "why", "limit-limit"),
    ],
)
def test_limits_change_only_with_source_and_reason(
    actors: Any, values: dict[str, float], source: str, note: str, code: str
) -> None:
    with pytest.raises(Refused) as refusal:
        change_limits(actor=actors.quality, key="", based_on=1, values=values, source=source, note=note)
    assert refusal.value.code == code
    assert limits_in_force().version == 1


def test_limits_seen_before_another_change_are_not_overwritten(actors: Any) -> None:
    from labtrack.errors import Conflict

    change_limits(
        actor=actors.quality, key="", based_on=1, values={"part_size_max": 99.0}, source="a", note="b"
    )
    with pytest.raises(Conflict):
        change_limits(
            actor=actors.manager, key="", based_on=1, values={"part_size_max": 88.0}, source="a", note="b"
        )
    assert limits_in_force().version == 2
