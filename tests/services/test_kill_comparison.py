"""A worker killed in the middle of comparing or drawing a print: nothing lost, nothing half-written, one
result."""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.cases.files import files_in
from tests.services.conftest import Installation, children_of, eventually, kill_tree

pytestmark = pytest.mark.services

# The scan is asked for before any worker runs, so that its killing can be timed by the job alone.
A_PRINT_AND_ITS_SCAN = """
import json
from types import SimpleNamespace
from labtrack.accounts.actor import Actor
from labtrack.accounts.models import User
from tests.production.shop import Shop
from tests.qa.prints import compared, printed_part, scan_of
from tests.qa.geometry import scenes
people = {name: Actor(User.objects.create(username=name, name=name, role=name))
          for name in ("technician", "quality", "manager", "clinic")}
shop = Shop(SimpleNamespace(**people))
design = scenes.arch(1, 60_000)
comparison = compared(shop.tech, printed_part(shop, mesh=design), scan_of(design, bow_mm=0.1))
print(json.dumps([comparison.pk, comparison.scan.blob.sha256]))
"""
RUNNING = "SELECT 1 FROM jobs_job WHERE kind = 'compare-print' AND state = 'running'"
DRAWING = "SELECT 1 FROM jobs_job WHERE kind = 'draw-comparison' AND state = 'running'"
RESULT = "SELECT finished_at, result, histogram FROM qa_printcomparison"
STATE = "SELECT state, verdict, preview_id, picture_id FROM qa_printcomparison"


def test_a_worker_killed_in_mid_comparison_loses_nothing(installation: Installation) -> None:
    installation.environment["LABTRACK_JOB_LEASE_S"] = "6"
    _, scan = installation.ask(A_PRINT_AND_ITS_SCAN)
    before = files_in(installation.folder / "files")
    supervisor = installation.serve()
    eventually(lambda: installation.rows(RUNNING), what="the comparison is running")
    heavy = eventually(lambda: _heavy_worker(supervisor.pid), what="the heavy worker")
    kill_tree(heavy)
    assert installation.rows(STATE) == [("waiting", "", None, None)], "killed in mid-comparison"
    assert any(scan in name for name in files_in(installation.folder / "files"))
    eventually(lambda: installation.rows(STATE)[0][0] == "done", what="the comparison is made")
    assert installation.rows(STATE)[0][1] == "pass"
    eventually(lambda: installation.rows(STATE)[0][3], what="its picture is drawn")
    assert installation.rows(STATE)[0][2], "both pictures come together"
    ((told,),) = installation.rows("SELECT result FROM qa_printcomparison")
    result: dict[str, Any] = json.loads(told) if isinstance(told, str) else told
    assert result["registered"]
    assert result["pattern"]
    jobs = installation.rows("SELECT state, attempts FROM jobs_job WHERE kind = 'compare-print'")
    assert jobs == [("done", 2)]
    _all_is_done(installation)
    after = _files_are_those_of_rows(installation)
    assert set(before) <= set(after)


def test_a_worker_killed_while_it_draws_leaves_the_result_and_draws_once(installation: Installation) -> None:
    installation.environment["LABTRACK_JOB_LEASE_S"] = "6"
    installation.ask(A_PRINT_AND_ITS_SCAN)
    supervisor = installation.serve()
    heavy = eventually(lambda: _heavy_worker(supervisor.pid), what="the heavy worker")
    eventually(lambda: installation.rows(DRAWING), what="the picture is being drawn")
    kill_tree(heavy)
    killed = installation.rows(RESULT)
    assert installation.rows(STATE) == [("done", "pass", None, None)], "killed while it drew"
    eventually(lambda: installation.rows(STATE)[0][3], what="the picture is drawn")
    assert installation.rows(RESULT) == killed, "the result is the one that was there before"
    jobs = installation.rows(
        "SELECT kind, attempts FROM jobs_job WHERE kind IN ('compare-print', 'draw-comparison') ORDER BY kind"
    )
    assert jobs == [("compare-print", 1), ("draw-comparison", 2)]
    _all_is_done(installation)
    _files_are_those_of_rows(installation)


def _all_is_done(installation: Installation) -> None:
    eventually(
        lambda: not installation.rows("SELECT 1 FROM jobs_job WHERE state <> 'done'"),
        what="every other job is done too",
    )


def _files_are_those_of_rows(installation: Installation) -> list[str]:
    after = files_in(installation.folder / "files")
    blobs = {digest for (digest,) in installation.rows("SELECT sha256 FROM cases_blob")}
    assert {name.rsplit("/", 1)[-1] for name in after} == blobs, "no file without its row, no row without one"
    return after


def _heavy_worker(supervisor: int) -> int | None:
    own = children_of(supervisor).items()
    return next((pid for pid, command in own if "worker" in command and "heavy" in command), None)
