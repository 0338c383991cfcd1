"""The insertion axis: chosen on the page or through the API, kept, and what a design is checked along."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.db import IntegrityError, transaction
from django.urls import reverse

from cases.services.meshes import restate_mesh
from fixtures.meshes.solids import box, turned
from fixtures.meshes.writers import write_stl
from labtrack.audit.models import AuditRecord
from labtrack.errors import Conflict, NotAllowed, Refused
from labtrack.jobs.services.run import run_job
from qa.models import InsertionAxis, MeshCheck
from qa.queries.check_keys import is_current
from qa.queries.check_request import engine_request, request_of
from qa.queries.checks import latest_check
from qa.queries.insertion import axis_in_force
from qa.services.insertion import choose_insertion

pytestmark = pytest.mark.django_db


@pytest.fixture
def block(attach: Callable[..., Any]) -> Any:
    """A block of 30 x 20 x 12 mm that stands on its largest face, checked once."""
    mesh = attach(write_stl(box(30.0, 20.0, 12.0).mesh))
    done(mesh)
    return mesh


def done(mesh: Any) -> MeshCheck:
    check = latest_check(mesh)
    assert check is not None and run_job(check.job_id or 0) == "done"
    return MeshCheck.objects.get(pk=check.pk)


def test_a_choice_asks_for_a_check_along_it_and_the_earlier_result_stays(block: Any, actors: Any) -> None:
    before = block.checks.get()
    # Leaning by 30 degrees toward x, of any length: one side of the block then lies in undercut.
    outcome = choose_insertion(actor=actors.clinic, key="k1", mesh_id=block.pk, axis=(5.0, 0.0, 8.660254038))
    assert outcome.thing.vector == pytest.approx([0.5, 0.0, 0.8660254], abs=1e-7)
    assert not is_current(MeshCheck.objects.get(pk=before.pk))
    after = done(block)
    assert after.pk != before.pk and is_current(after)
    assert after.figures["insertion_lean_deg"] == pytest.approx(30.0, abs=0.01)
    # The side is 20 x 12 mm, closed form; what is within half a millimetre of the table is left out.
    assert after.figures["insertion_undercut_cm2"] == pytest.approx(2.4, rel=0.06)
    assert (
        before.figures["insertion_undercut_cm2"] is None and MeshCheck.objects.filter(pk=before.pk).exists()
    )
    assert "insertion_undercut" in {row["name"] for row in after.findings}


def test_taking_it_back_is_a_choice_too(block: Any, actors: Any) -> None:
    first = block.checks.get()
    choose_insertion(actor=actors.clinic, key="k1", mesh_id=block.pk, axis=(0.0, 0.3, 1.0))
    choose_insertion(actor=actors.clinic, key="k2", mesh_id=block.pk, axis=None)
    choice = axis_in_force(block)
    assert choice is not None and choice.vector is None and choice.words == "as it is formed"
    last = done(block)
    assert last.pk > first.pk and is_current(last) and last.figures["insertion_lean_deg"] is None
    assert InsertionAxis.objects.count() == 2


def test_the_same_submission_chooses_once_and_the_record_says_who(block: Any, actors: Any) -> None:
    for _ in range(2):
        outcome = choose_insertion(actor=actors.clinic, key="same", mesh_id=block.pk, axis=(0.0, 0.0, 1.0))
    assert outcome.repeated and InsertionAxis.objects.count() == 1
    row = AuditRecord.objects.get(action="insertion.chosen")
    assert row.actor_id == actors.clinic.user.pk


@pytest.mark.parametrize("axis", [(0.0, 0.0, 0.0), (float("nan"), 0.0, 1.0), (float("inf"), 0.0, 1.0)])
def test_what_is_no_direction_is_refused(block: Any, actors: Any, axis: tuple[float, float, float]) -> None:
    with pytest.raises(Refused, match="not all zero"):
        choose_insertion(actor=actors.clinic, key="k", mesh_id=block.pk, axis=axis)
    assert not InsertionAxis.objects.exists()


@pytest.mark.parametrize("sides", [(0.0, 0.0, 0.0), (2.0, 0.0, 0.0), (None, 0.0, 1.0)])
def test_the_database_holds_only_directions(block: Any, actors: Any, sides: tuple[Any, Any, Any]) -> None:
    with pytest.raises(IntegrityError, match="insertion_axis_is_a_direction"), transaction.atomic():
        InsertionAxis.objects.create(mesh=block, x=sides[0], y=sides[1], z=sides[2], by=actors.clinic.user)


def test_somebody_elses_choice_is_not_overwritten_unseen(block: Any, actors: Any) -> None:
    choose_insertion(actor=actors.clinic, key="k1", mesh_id=block.pk, axis=(0.0, 0.3, 1.0), based_on=0)
    with pytest.raises(Conflict, match="meanwhile"):
        choose_insertion(actor=actors.clinic, key="k2", mesh_id=block.pk, axis=(0.3, 0.0, 1.0), based_on=0)
    with pytest.raises(Conflict, match="already"):
        choose_insertion(actor=actors.clinic, key="k3", mesh_id=block.pk, axis=(0.0, 0.3, 1.0))


def test_a_scan_has_none_and_an_administrator_cannot_choose(
    attach: Callable[..., Any], block: Any, actors: Any
) -> None:
    scan = attach(write_stl(box(9.0, 9.0, 9.0).mesh), role="patient-scan")
    with pytest.raises(Refused, match="nothing comes off"):
        choose_insertion(actor=actors.clinic, key="k1", mesh_id=scan.pk, axis=(0.0, 0.0, 1.0))
    with pytest.raises(NotAllowed):
        choose_insertion(actor=actors.administrator, key="k2", mesh_id=block.pk, axis=(0.0, 0.0, 1.0))


def test_it_stays_with_the_file_when_its_unit_is_restated(block: Any, actors: Any) -> None:
    choose_insertion(actor=actors.clinic, key="k1", mesh_id=block.pk, axis=(0.0, 0.6, 0.8))
    again = restate_mesh(actor=actors.clinic, key="k2", mesh_id=block.pk, unit="cm").thing
    assert engine_request(request_of(again)).insertion == (0.0, 0.6, 0.8)


def test_the_page_shows_and_takes_it(block: Any, client_of: Any, people: Any) -> None:
    client = client_of(people.clinic)
    page = client.get(reverse("qa:check", args=[block.pk])).content.decode()
    assert "Nobody chose one" in page and "Insertion axis" in page
    address = reverse("qa:check-insertion", args=[block.pk])
    sent = {"way": "along", "x": "0", "y": "0,6", "z": "0,8", "based_on": "0", "submission_key": "s1"}
    refused = client.post(address, sent | {"x": "", "z": "up"})
    assert refused.status_code == 422
    shown = refused.content.decode()
    assert "Type a number; 0 where" in shown and "Type a number, such as" in shown
    assert client.post(address, sent).status_code == 302
    check = done(block)
    page = client.get(reverse("qa:check", args=[block.pk])).content.decode()
    assert "0.000, 0.600, 0.800" in page and people.clinic.name in page
    assert check.figures["insertion_lean_deg"] == pytest.approx(36.87, abs=0.01)


def test_the_api_reads_and_takes_it(block: Any, api_client: Any, people: Any) -> None:
    client, address = api_client(people.clinic), reverse("api-insertion", args=[block.pk])
    assert client.get(address).json() == {"choice": 0, "axis": None, "by": None, "recorded_at": None}
    made = client.post_json(address, {"axis": [0, 3, 4], "based_on": 0}, key="a")
    assert made.status_code == 201 and made.json()["axis"] == [0.0, 0.6, 0.8]
    for number, wrong in enumerate(([0, 0, 0], [1, 2], "up", [0, 0, "NaN"])):
        answer = client.post_json(address, {"axis": wrong}, key=f"b{number}")
        assert answer.status_code == 422, wrong
    assert client.get(address).json()["axis"] == [0.0, 0.6, 0.8]
    assert client.post_json(address, {"axis": None}, key="c").json()["axis"] is None


def test_a_turned_file_is_looked_along_in_its_own_frame(attach: Callable[..., Any], actors: Any) -> None:
    """The direction is the file's: a block turned by 20 degrees comes off its base that much aslant."""
    mesh = attach(write_stl(turned(box(30.0, 20.0, 12.0).mesh, (1.0, 0.0, 0.0), 20.0)))
    choose_insertion(actor=actors.clinic, key="k", mesh_id=mesh.pk, axis=(0.0, 0.0, 1.0))
    assert done(mesh).figures["insertion_lean_deg"] == pytest.approx(20.0, abs=0.01)
