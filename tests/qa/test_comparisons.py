"""A scan of a printed part is compared once, by a worker that may die at any moment."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any

import numpy as np
import pytest
from django.db import IntegrityError, transaction

from cases.models import MeshUse
from cases.services.file_store import blob_path
from cases.services.meshes import withdraw_mesh
from fixtures.meshes import ArchForm, make_arch, write_stl
from fixtures.meshes.faults import MissingCusp
from labtrack.audit.models import AuditRecord
from labtrack.errors import Conflict, NotAllowed, Refused
from labtrack.jobs.models import Job
from labtrack.jobs.services.run import run_job
from labtrack.jobs.services.sweep import sweep
from production.models import Part
from production.services.equipment import record_event
from qa.comparison_page import headline, identity_words, next_steps
from qa.geometry.mesh import Mesh
from qa.geometry.preview import Preview
from qa.models import PrintComparison
from qa.queries.measuring import comparison_for
from qa.services import comparison_pictures, comparisons
from qa.services.comparison_pictures import draw_again
from qa.services.comparisons import candidates_of, compare_again, is_current
from qa.services.landmarks import place_landmarks
from tests.cases.files import files_in, tetrahedron, text_stl
from tests.qa.geometry import scenes
from tests.qa.prints import TRIANGLES, attached, compared, design_mesh, marks_text, printed_part, scan_of

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _lease(settings: Any) -> None:
    # A worker's heartbeat is of another thread, which the test's own open transaction would keep waiting.
    settings.JOB_LEASE_S = 36_000


@pytest.fixture
def part(shop: Any) -> Part:
    return printed_part(shop)


def done(row: PrintComparison) -> PrintComparison:
    assert run_job(row.job_id or 0) == "done"
    return comparison_for(row.pk)


def drawn(row: PrintComparison) -> PrintComparison:
    assert run_job(row.pictures_job_id or 0) == "done"
    return comparison_for(row.pk)


def test_a_good_print_passes_with_figures_pictures_and_one_sentence(shop: Any, part: Part) -> None:
    row = compared(shop.tech, part, scan_of(design_mesh()))
    assert row.state == "waiting" and row.job is not None and row.job.queue == "heavy"
    row = done(row)
    assert (row.state, row.verdict, row.identity, row.accepted) == ("done", "pass", "this", True)
    assert row.preview is None and row.pictures_state == "waiting", "the answer does not wait for pictures"
    row = drawn(row)
    assert row.p95_abs_mm is not None and row.p95_abs_mm < 0.06
    assert "the tolerance is ±0.250 mm" in headline(row) and next_steps(row) == []
    assert sum(row.histogram["share_percent"]) == pytest.approx(100, abs=0.01)
    assert row.preview is not None and row.picture is not None
    preview = Preview.from_bytes(blob_path(row.preview).read_bytes())
    assert preview.values is not None and preview.values_unit == "µm"
    # Micrometres: 0.01 mm of noise gives some ten of them, not hundredths.
    assert 2 < np.nanstd(preview.values) < 60
    assert blob_path(row.picture).read_bytes().startswith(b"\x89PNG")


def test_a_missing_cusp_passes_the_percentile_but_is_said_on_the_page(shop: Any, part: Part) -> None:
    form = ArchForm.invent("upper", 1)
    broken = make_arch(form, target_triangles=TRIANGLES, faults=(MissingCusp(16, "MB"),))
    row = done(compared(shop.tech, part, scan_of(broken)))
    assert row.verdict == "pass"
    assert "but a hollow of" in headline(row)
    assert "hollow" in row.sentence
    assert any("bumps and hollows" in step for step in next_steps(row))


def test_a_distorted_print_fails_and_says_what_happened_and_what_to_do(shop: Any, part: Part) -> None:
    row = done(compared(shop.tech, part, scan_of(design_mesh(), opening_mm=-0.9)))
    # So far off that most of it is not close: what it is cannot be told, that it is bad can.
    assert (row.verdict, row.identity, row.accepted) == ("fail", "unknown", False)
    assert row.counts, "a bad print is no reason to flatter the printer"
    assert "more than the tolerance" in headline(row) and "another, similar one" in headline(row)
    assert any("Look at the mark" in step for step in next_steps(row))
    opening = next(one for one in row.result["pattern"] if one["name"] == "arch_opening")
    assert opening["verdict"] == "present" and opening["size"] == pytest.approx(-0.9, abs=0.08)
    assert any("Do not form over" in step for step in next_steps(row))
    assert any("Arch opening" in step for step in next_steps(row))


def test_the_same_upload_is_one_comparison_and_one_scan(shop: Any, part: Part) -> None:
    scan = scan_of(design_mesh())
    first = compared(shop.tech, part, scan, key="k")
    assert compared(shop.tech, part, scan, key="k").pk == first.pk
    assert compared(shop.tech, part, scan, key="other").pk == first.pk
    assert MeshUse.objects.filter(role="print-scan").count() == 1
    assert Job.objects.filter(kind="compare-print").count() == 1


def test_a_scan_of_another_stage_is_named_by_the_cases_other_designs(shop: Any, part: Part) -> None:
    other = shop.appliance(stage=2)
    other.case, other.line = part.appliance.case, part.appliance.line
    other.save()
    attached(shop, other, design_mesh(stage=3.0))
    part.refresh_from_db()
    assert [name for name, _ in candidates_of(part, part.preparation.design)] == [other.label]
    row = done(compared(shop.tech, part, scan_of(design_mesh(stage=3.0))))
    assert (row.verdict, row.identity) == ("unknown", "other")
    assert identity_words(row) == f"A print of {other.label}"
    assert other.label in headline(row)
    assert any(other.label in step for step in next_steps(row))


def test_a_withdrawn_design_is_no_candidate(shop: Any, part: Part) -> None:
    other = shop.appliance(stage=3)
    other.case, other.line = part.appliance.case, part.appliance.line
    other.save()
    mesh = attached(shop, other, design_mesh(stage=3.0))
    part.refresh_from_db()
    assert len(candidates_of(part, part.preparation.design)) == 1
    withdraw_mesh(actor=shop.tech, key="", mesh_id=mesh.pk, reason="of another patient")
    assert candidates_of(part, part.preparation.design) == []


@pytest.mark.parametrize(
    ("scan", "words", "step"),
    [
        (lambda: scenes.mirrored(scan_of(design_mesh())), "Mirror image", "without mirroring"),
        (lambda: scenes.scaled(scan_of(design_mesh()), 1 / 25.4), "another unit", "reading the file in inch"),
        (lambda: design_mesh(kind="lower", seed=2), "None of this case's designs", "another case"),
    ],
)
def test_a_wrong_scan_is_never_accepted_and_is_named(
    shop: Any, part: Part, scan: Callable[[], Mesh], words: str, step: str
) -> None:
    row = done(compared(shop.tech, part, scan()))
    assert not row.accepted and row.verdict == "unknown" and not row.counts
    assert words in identity_words(row)
    assert any(step in one for one in next_steps(row))


def test_a_scan_in_inches_is_compared_again_in_its_unit_and_the_old_result_stays(
    shop: Any, part: Part
) -> None:
    row = done(compared(shop.tech, part, scenes.scaled(scan_of(design_mesh()), 1 / 25.4)))
    again = done(compare_again(actor=shop.tech, comparison=row, unit="inch"))
    assert again.pk != row.pk and (again.verdict, again.scan.unit) == ("pass", "inch")
    assert comparison_for(row.pk).result["misfit"] == "unit"


def _two_parts() -> Mesh:
    one, beside = scan_of(design_mesh()), np.eye(4)
    beside[0, 3] = 120.0
    return scenes.joined(one, scenes.moved(one, beside))


def _table() -> Mesh:
    side = np.linspace(-40, 40, 30)
    x, y = np.meshgrid(side, side)
    points = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])
    grid = np.arange(900).reshape(30, 30)
    a, b, c, d = (grid[i : 29 + i, j : 29 + j].ravel() for i, j in ((0, 0), (0, 1), (1, 0), (1, 1)))
    return Mesh(points, np.vstack([np.column_stack([a, b, c]), np.column_stack([b, d, c])]).astype(np.int32))


def _dirty() -> Mesh:
    """A print with every tenth face gone and a hundred faces doubled: open and not a closed surface."""
    mesh = scan_of(design_mesh())
    kept = np.arange(len(mesh.faces)) % 10 != 0
    return Mesh(mesh.vertices, np.vstack([mesh.faces[kept], mesh.faces[:100]]).astype(np.int32))


def _tiny() -> Mesh:
    return scenes.part(design_mesh(), np.arange(len(design_mesh().faces)) < 50)


@pytest.mark.parametrize(
    ("scan", "said"),
    [(_two_parts, "more than one body"), (_table, "nothing but a flat surface"), (_tiny, "")],
)
def test_unusable_scans_get_a_sentence_and_no_verdict(
    shop: Any, part: Part, scan: Callable[[], Mesh], said: str
) -> None:
    row = compared(shop.tech, part, scan())
    assert run_job(row.job_id or 0) in ("done", "refused")
    row = comparison_for(row.pk)
    assert row.verdict in ("", "unknown") and not row.accepted
    assert said in row.sentence and len(row.sentence) > 20


def test_an_open_dirty_scan_is_still_judged(shop: Any, part: Part) -> None:
    row = done(compared(shop.tech, part, _dirty()))
    assert (row.verdict, row.accepted) == ("pass", True)


@pytest.mark.parametrize(
    "content", [b"", b"solid nothing here", text_stl(nan=True), text_stl(cut=True), tetrahedron()[:-20]]
)
def test_a_bad_file_leaves_a_sentence_and_nothing_else(
    shop: Any, part: Part, store: Any, content: bytes
) -> None:
    before = files_in(store)
    with pytest.raises(Refused) as refusal:
        compared(shop.tech, part, content)
    assert len(refusal.value.sentence) > 20
    assert not PrintComparison.objects.exists() and not MeshUse.objects.filter(role="print-scan").exists()
    assert not Job.objects.filter(kind="compare-print").exists() and files_in(store) == before


def test_fewer_triangles_than_can_be_compared_are_refused_by_the_worker(shop: Any, part: Part) -> None:
    row = compared(shop.tech, part, tetrahedron(30.0))
    assert run_job(row.job_id or 0) == "refused"
    row = comparison_for(row.pk)
    assert row.state == "refused" and "fewer than 20 triangles" in row.sentence
    assert row.preview is None and row.result == {}


class Killed(BaseException):
    """As sudden as a signal: no handler of the worker runs."""


def test_a_worker_killed_in_mid_comparison_loses_and_doubles_nothing(
    shop: Any, part: Part, monkeypatch: pytest.MonkeyPatch
) -> None:
    row = compared(shop.tech, part, scan_of(design_mesh()))

    def die(*args: Any, **kwargs: Any) -> Any:
        raise Killed

    with monkeypatch.context() as patched:
        patched.setattr(comparisons, "_values", die)
        with pytest.raises(Killed):
            run_job(row.job_id or 0)
    row = comparison_for(row.pk)
    assert (row.state, row.result, row.preview) == ("waiting", {}, None)
    Job.objects.update(lease_until="2000-01-01T00:00:00Z")
    assert sweep().expired == 1
    assert done(row).verdict == "pass" and PrintComparison.objects.count() == 1


def test_a_worker_killed_between_result_and_picture_loses_and_doubles_nothing(
    shop: Any, part: Part, store: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    row = done(compared(shop.tech, part, scan_of(design_mesh())))

    def die(*args: Any, **kwargs: Any) -> Any:
        raise Killed

    before = files_in(store)
    with monkeypatch.context() as patched:
        patched.setattr(comparison_pictures, "draw_view", die)
        with pytest.raises(Killed):
            run_job(row.pictures_job_id or 0)
    left = comparison_for(row.pk)
    assert (left.state, left.verdict, left.pictures_state) == ("done", "pass", "waiting")
    assert (left.preview, left.picture) == (None, None) and files_in(store) == before
    Job.objects.filter(state="running").update(lease_until="2000-01-01T00:00:00Z")
    assert sweep().expired == 1
    assert drawn(row).pictures_state == "ready"
    assert (comparison_for(row.pk).result, comparison_for(row.pk).finished_at) == (
        row.result,
        row.finished_at,
    )
    assert Job.objects.filter(kind="draw-comparison").count() == 1


def test_the_job_that_draws_is_stored_with_the_result_or_not_at_all(
    shop: Any, part: Part, monkeypatch: pytest.MonkeyPatch
) -> None:
    row = compared(shop.tech, part, scan_of(design_mesh()))

    def broken(**_: Any) -> Any:
        raise RuntimeError

    with monkeypatch.context() as patched:
        patched.setattr(comparisons, "ask_for_pictures", broken)
        assert run_job(row.job_id or 0) == "failed"
    assert comparison_for(row.pk).state == "waiting"
    assert not Job.objects.filter(kind="draw-comparison").exists()
    assert done(row).pictures_state == "waiting"


def test_a_doubled_message_draws_and_stores_once(shop: Any, part: Part, store: Any) -> None:
    row = done(compared(shop.tech, part, scan_of(design_mesh())))
    assert row.pictures_job is not None
    late = comparison_pictures.compute_pictures(row.pictures_job, lambda share, words: None)
    first = drawn(row)
    files = files_in(store)
    assert run_job(row.pictures_job_id or 0) == "skipped"
    late()
    again = comparison_for(row.pk)
    assert (again.preview_id, again.picture_id) == (first.preview_id, first.picture_id)
    assert files_in(store) == files, "the same row draws the same bytes"
    asked = comparison_pictures.ask_for_pictures(comparison_id=row.pk)
    assert asked.pk == comparison_pictures.ask_for_pictures(comparison_id=row.pk).pk
    assert run_job(asked.pk) == "done" and comparison_for(row.pk).picture_id == first.picture_id


def test_pictures_are_asked_for_again_only_where_they_failed(
    shop: Any, part: Part, actors: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    row = compared(shop.tech, part, scan_of(design_mesh()))
    with pytest.raises(Refused, match="no result"):
        draw_again(actor=shop.tech, comparison=row)
    row = done(row)
    assert draw_again(actor=shop.tech, comparison=row).pictures_job_id == row.pictures_job_id
    with monkeypatch.context() as patched:
        patched.setattr(comparison_pictures, "coloured_preview", _too_large)
        assert run_job(row.pictures_job_id or 0) == "refused"
    row = comparison_for(row.pk)
    assert (row.state, row.verdict, row.pictures_state) == ("done", "pass", "failed")
    assert row.pictures_job is not None and "more memory" in row.pictures_job.sentence
    with pytest.raises(NotAllowed):
        draw_again(actor=actors.clinic, comparison=row)
    again = draw_again(actor=shop.tech, comparison=row)
    assert again.pictures_state == "waiting" and again.pictures_job_id != row.pictures_job_id
    assert AuditRecord.objects.filter(action="comparison.draw", subject_id=row.pk).count() == 1
    ready = drawn(comparison_for(row.pk))
    assert draw_again(actor=shop.tech, comparison=ready).picture_id == ready.picture_id


def _too_large(*args: Any) -> Any:
    raise MemoryError


def test_pictures_without_a_result_or_one_without_the_other_are_refused_by_the_database(
    shop: Any, part: Part
) -> None:
    row = done(compared(shop.tech, part, scan_of(design_mesh())))
    for half in ({"preview": row.scan.blob}, {"picture": row.scan.blob}):
        with pytest.raises(IntegrityError, match="comparison_pictures_of_result"), transaction.atomic():
            PrintComparison.objects.filter(pk=row.pk).update(**half)
    waiting = compared(shop.tech, part, scan_of(design_mesh(), seed=5))
    both = {"preview": row.scan.blob, "picture": row.scan.blob}
    with pytest.raises(IntegrityError, match="comparison_pictures_of_result"), transaction.atomic():
        PrintComparison.objects.filter(pk=waiting.pk).update(**both)


def test_a_second_worker_that_finishes_late_stores_nothing(shop: Any, part: Part) -> None:
    row = compared(shop.tech, part, scan_of(design_mesh()))
    assert row.job is not None
    late = comparisons.compute_comparison(row.job, lambda share, words: None)
    first = done(row)
    late()
    assert comparison_for(row.pk).finished_at == first.finished_at


def test_a_new_engine_makes_a_new_result_and_keeps_the_old_one(
    shop: Any, part: Part, monkeypatch: pytest.MonkeyPatch
) -> None:
    row = done(compared(shop.tech, part, scan_of(design_mesh())))
    assert is_current(row)
    monkeypatch.setattr(comparisons, "ENGINE", "comparison 99")
    assert not is_current(row)
    again = compare_again(actor=shop.tech, comparison=row)
    assert again.pk != row.pk and again.engine == "comparison 99" and again.state == "waiting"
    assert comparison_for(row.pk).result == row.result
    # The same question in the same words is the same comparison.
    assert compare_again(actor=shop.tech, comparison=again).pk == again.pk


def test_a_comparison_that_failed_may_be_asked_for_again(
    shop: Any, part: Part, monkeypatch: pytest.MonkeyPatch
) -> None:
    row = compared(shop.tech, part, scan_of(design_mesh()))
    with monkeypatch.context() as patched:
        patched.setattr(comparisons, "compare_print", lambda *args: 1 / 0)
        for _ in range(3):
            run_job(row.job_id or 0)
    row = comparison_for(row.pk)
    assert row.state == "refused"
    again = compare_again(actor=shop.tech, comparison=row)
    assert again.pk == row.pk and done(again).verdict == "pass"


def test_the_device_study_is_judged_with_and_named(shop: Any, part: Part) -> None:
    scanner = shop.machine("scan-1", "scanner")
    scan = scan_of(design_mesh())
    row = compared(shop.tech, part, scan, device=scanner)
    assert row.request["uncertainty_said"].startswith("No device study yet")
    record_event(actor=shop.tech, equipment_id=scanner.pk, kind="studied", value=Decimal("0.24"))
    row = compare_again(actor=shop.tech, comparison=row)
    assert row.request["uncertainty_mm"] == 0.24 and row.request["uncertainty_studied"]
    row = done(row)
    # So coarse a device leaves nearly everything in the guard band.
    assert row.verdict == "unknown" and row.accepted and "device uncertainty 0.240 mm" in row.sentence
    assert any("guard band" in step for step in next_steps(row))


@pytest.mark.parametrize(("value", "unit"), [(None, "mm"), ("0", "mm"), ("9", "mm"), ("0.02", "inch")])
def test_a_device_study_states_its_uncertainty_in_mm(shop: Any, value: str | None, unit: str) -> None:
    scanner = shop.machine("scan-1", "scanner")
    with pytest.raises(Refused):
        record_event(
            actor=shop.tech,
            equipment_id=scanner.pk,
            kind="studied",
            value=None if value is None else Decimal(value),
            unit=unit,
        )


def test_landmarks_of_the_design_are_measured_on_the_scan(shop: Any, part: Part) -> None:
    mesh = design_mesh()
    place_landmarks(actor=shop.tech, key="", mesh_id=part.preparation.design_id, text=marks_text(mesh))
    row = done(compared(shop.tech, part, scan_of(mesh, scale=-0.003)))
    span = row.result["distances"][0]
    assert span["name"] == "span"
    assert span["error_mm"] == pytest.approx(-0.003 * span["design_mm"], abs=0.05)


def test_a_wrong_device_or_reference_is_refused(shop: Any, part: Part) -> None:
    scan = write_stl(scan_of(design_mesh()))
    with pytest.raises(Refused, match="no scanner"):
        compared(shop.tech, part, scan, device=shop.machine("cal-1", "caliper"))
    with pytest.raises(Refused, match="No prepared file"):
        compared(shop.tech, part, scan, against="prepared")
    with pytest.raises(Refused, match="unit"):
        compared(shop.tech, part, scan, unit="")


def test_clinic_staff_may_not_compare(shop: Any, part: Part, actors: Any) -> None:
    with pytest.raises(NotAllowed):
        compared(actors.clinic, part, scan_of(design_mesh()))


def test_the_key_of_one_upload_is_not_taken_for_another(shop: Any, part: Part) -> None:
    compared(shop.tech, part, scan_of(design_mesh()), key="k")
    with pytest.raises(Conflict):
        compared(shop.tech, part, scan_of(design_mesh(), seed=4), key="k")
