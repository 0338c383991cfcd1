"""Meshes that come in: what is refused leaves nothing, what is stored is whole, also under a race."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import pytest
from django.db import IntegrityError, connection, transaction

from cases import hooks
from cases.models import Blob, MeshUse
from cases.services.file_store import blob_path, received_bytes
from cases.services.meshes import (
    assign_mesh,
    clean_name,
    replace_mesh,
    restate_mesh,
    reuse_mesh,
    withdraw_mesh,
)
from labtrack.audit.models import AuditRecord
from labtrack.errors import Conflict, DomainError, NotFound
from labtrack.jobs.models import Job
from tests.cases.files import SHARED, files_in, tetrahedron, text_stl


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("content", "code", "words"),
    [
        (b"", "empty", "empty"),
        (tetrahedron()[:-20], "mesh-truncated", "only 3 are in it"),
        (tetrahedron() + tetrahedron()[84:], "mesh-count", "count is wrong"),
        (text_stl(nan=True), "mesh-not-finite", "not a finite number"),
        (text_stl(cut=True), "mesh-truncated", "cut off"),
        (b"Dear lab, here is the scan we spoke of. " * 20, "mesh-not-a-mesh", ""),
        (b"solid words\nbut nothing that could be printed\n", "", ""),
        (b"%PDF-1.7 something else altogether", "mesh-not-a-mesh", "PDF"),
    ],
)
def test_a_bad_file_leaves_a_sentence_and_nothing_else(
    content: bytes, code: str, words: str, case: Any, actors: Any, attach: Any, store: Path
) -> None:
    records = AuditRecord.objects.count()
    with pytest.raises(DomainError) as caught:
        attach(actors.clinic, case, content, key="k")
    assert caught.value.status == 422
    assert code in ("", caught.value.code)
    assert words in caught.value.sentence
    assert caught.value.sentence.endswith(".")
    assert files_in(store) == []
    assert not Blob.objects.exists()
    assert not MeshUse.objects.exists()
    assert not Job.objects.exists()
    assert AuditRecord.objects.count() == records


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("name", "format", "triangles"),
    [
        ("binary_with_solid_header.stl", "stl-binary", 288),
        ("molar_on_stump.stl", None, None),
        ("arch_upper.obj", "obj", None),
        ("arch_lower.obj", "obj", None),
        ("arch_upper_other.obj", "obj", None),
        ("ascii_messy.stl", None, None),
    ],
)
def test_real_meshes_are_told_apart_by_content(
    name: str, format: str | None, triangles: int | None, case: Any, actors: Any, attach: Any
) -> None:
    if not SHARED.is_dir():
        pytest.skip("the shared meshes are not beside this checkout")
    content = (SHARED / name).read_bytes()
    mesh = attach(actors.clinic, case, content, original_name="misnamed.txt").thing
    assert format in (None, mesh.file_format)
    assert triangles in (None, mesh.triangles)
    assert blob_path(mesh.blob).read_bytes() == content


@pytest.mark.django_db
def test_a_failing_handler_undoes_everything(case: Any, actors: Any, attach: Any, store: Path) -> None:
    def broken(mesh: MeshUse) -> None:
        raise RuntimeError("no disk for the job")

    hooks.mesh_attached.add(broken)
    try:
        with pytest.raises(RuntimeError):
            attach(actors.clinic, case)
    finally:
        hooks.mesh_attached._handlers.remove(broken)
    assert files_in(store) == []
    assert not Blob.objects.exists()
    assert attach(actors.clinic, case).thing.triangles == 4


@pytest.mark.django_db
def test_the_unit_is_corrected_by_a_new_use_that_is_judged_anew(case: Any, actors: Any, attach: Any) -> None:
    first = attach(actors.clinic, case).thing
    seen: list[MeshUse] = []
    hooks.mesh_attached.add(seen.append)
    try:
        second = restate_mesh(actor=actors.clinic, key="", mesh_id=first.pk, unit="cm").thing
    finally:
        hooks.mesh_attached._handlers.remove(seen.append)
    first.refresh_from_db()
    assert (first.unit, first.replaced_by, second.unit, second.blob) == ("mm", second, "cm", first.blob)
    assert seen == [second]
    with pytest.raises(Conflict, match="already has"):
        restate_mesh(actor=actors.clinic, key="", mesh_id=second.pk, unit="cm")
    with pytest.raises(Conflict, match="replaced"):
        restate_mesh(actor=actors.clinic, key="", mesh_id=first.pk, unit="m")
    back = restate_mesh(actor=actors.clinic, key="", mesh_id=second.pk, unit="mm").thing
    assert back.unit == "mm"


@pytest.mark.django_db
def test_a_file_is_not_replaced_by_itself(case: Any, actors: Any, attach: Any) -> None:
    first = attach(actors.clinic, case).thing
    with (
        received_bytes(tetrahedron(), limit_bytes=10**6) as source,
        pytest.raises(Conflict, match="already attached"),
    ):
        replace_mesh(
            actor=actors.clinic, key="", mesh_id=first.pk, source=source, original_name="a.stl", unit="mm"
        )
    first.refresh_from_db()
    assert first.replaced_by is None


@pytest.mark.django_db
def test_a_mesh_is_assigned_once_and_only_within_its_case(case: Any, actors: Any, attach: Any) -> None:
    mesh = attach(actors.clinic, case).thing
    first, second = case.appliances.all()[:2]
    assign_mesh(actor=actors.clinic, mesh_id=mesh.pk, appliance_id=first.pk)
    assert assign_mesh(actor=actors.clinic, mesh_id=mesh.pk, appliance_id=first.pk).appliance == first
    with pytest.raises(Conflict):
        assign_mesh(actor=actors.clinic, mesh_id=mesh.pk, appliance_id=second.pk)
    with pytest.raises(NotFound):
        assign_mesh(actor=actors.other_clinic, mesh_id=mesh.pk, appliance_id=first.pk)


@pytest.mark.django_db
def test_a_mesh_is_used_elsewhere_without_a_second_file(
    case: Any, actors: Any, attach: Any, store: Path
) -> None:
    mesh = attach(actors.clinic, case).thing
    wanted = case.appliances.first()
    again = {"actor": actors.clinic, "key": "", "mesh_id": mesh.pk, "case_number": case.number}
    made = reuse_mesh(**again, appliance_id=wanted.pk, role="design")
    repeated = reuse_mesh(**again, appliance_id=wanted.pk, role="design")
    assert (made.thing.appliance, made.thing.blob, made.repeated) == (wanted, mesh.blob, False)
    assert (repeated.thing, repeated.repeated) == (made.thing, True)
    assert len(files_in(store)) == 1
    with pytest.raises(NotFound):
        reuse_mesh(**again | {"actor": actors.other_clinic})


@pytest.mark.django_db
def test_the_same_bytes_of_two_clinics_are_one_file_and_two_strangers(
    case: Any, actors: Any, attach: Any, store: Path
) -> None:
    from cases.models import Clinic
    from cases.services.log_case import log_case

    other = log_case(
        actor=actors.other_clinic,
        key="",
        clinic_id=Clinic.objects.get(code="hillside").pk,
        patient_code="P",
        prescriber="Dr Other",
    ).thing
    mine = attach(actors.clinic, case)
    theirs = attach(actors.other_clinic, other)
    assert (mine.repeated, theirs.repeated) == (False, False), "whether a file is known is not told"
    assert mine.thing.blob == theirs.thing.blob
    assert len(files_in(store)) == 1


@pytest.mark.django_db
def test_a_file_that_got_lost_comes_back_with_the_next_copy(
    case: Any, actors: Any, attach: Any, store: Path
) -> None:
    blob = attach(actors.clinic, case).thing.blob
    blob_path(blob).unlink()
    attach(actors.clinic, case, role="design")
    assert blob_path(blob).read_bytes() == tetrahedron()


@pytest.mark.parametrize(
    ("given", "kept"),
    [
        ("a.stl", "a.stl"),
        ("../../etc/passwd", "passwd"),
        ("C:\\scans\\upper.stl", "upper.stl"),
        ("a\r\nb\0.stl", "ab.stl"),
        ("gpj\u202elts.stl", "gpjlts.stl"),
        ("", "unnamed"),
        ("/", "unnamed"),
        ("x" * 300 + ".stl", "x" * 196 + ".stl"),
    ],
)
def test_a_files_own_name_is_kept_without_its_surprises(given: str, kept: str) -> None:
    assert clean_name(given) == kept


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("keyed", [True, False])
def test_many_copies_of_one_upload_at_once_make_one_mesh(
    keyed: bool, case: Any, actors: Any, attach: Any, store: Path
) -> None:
    together = threading.Barrier(8)
    outcomes: list[Any] = []

    def copy() -> None:
        try:
            together.wait()
            outcomes.append(attach(actors.clinic, case, key="same" if keyed else ""))
        except BaseException as error:  # noqa: BLE001 - the test thread reports it
            outcomes.append(error)
        finally:
            connection.close()

    threads = [threading.Thread(target=copy) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [error for error in outcomes if isinstance(error, BaseException)] == []
    assert len({outcome.thing.pk for outcome in outcomes}) == 1
    assert [outcome.repeated for outcome in outcomes].count(False) == 1
    assert MeshUse.objects.count() == 1
    assert Job.objects.count() == 1
    assert AuditRecord.objects.filter(action="mesh.attached").count() == 1
    assert len(files_in(store)) == 1


@pytest.mark.django_db(transaction=True)
def test_case_numbers_have_no_gap_and_no_double_under_a_race(actors: Any, people: Any) -> None:
    from cases.models import Case, Clinic
    from cases.services.log_case import log_case

    clinic = Clinic.objects.get(code="harbour").pk
    together = threading.Barrier(6)
    broken: list[BaseException] = []

    def log() -> None:
        try:
            together.wait()
            for _ in range(3):
                log_case(actor=actors.clinic, key="", clinic_id=clinic, patient_code="P", prescriber="Dr E")
        except BaseException as error:  # noqa: BLE001 - the test thread reports it
            broken.append(error)
        finally:
            connection.close()

    threads = [threading.Thread(target=log) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert broken == []
    assert sorted(Case.objects.values_list("number", flat=True)) == list(range(1, 19))


@pytest.mark.django_db
def test_a_withdrawn_file_is_out_of_use_and_may_be_attached_again(
    case: Any, actors: Any, attach: Any
) -> None:
    mesh = attach(actors.clinic, case).thing
    done = withdraw_mesh(actor=actors.clinic, key="w", mesh_id=mesh.pk, reason="another patient's").thing
    assert (done.withdrawal_reason, done.is_in_use) == ("another patient's", False)
    assert withdraw_mesh(actor=actors.clinic, key="w", mesh_id=mesh.pk, reason="another patient's").repeated
    assert not MeshUse.objects.in_use().exists()
    record = AuditRecord.objects.get(action="mesh.withdrawn")
    assert record.reason == "another patient's"
    again = attach(actors.clinic, case)
    assert (again.repeated, again.thing.pk == mesh.pk) == (False, False)


@pytest.mark.django_db
def test_what_is_out_of_use_is_not_withdrawn_replaced_or_restated(
    case: Any, actors: Any, attach: Any
) -> None:
    first = attach(actors.clinic, case).thing
    second = restate_mesh(actor=actors.clinic, key="", mesh_id=first.pk, unit="cm").thing
    with pytest.raises(Conflict) as replaced:
        withdraw_mesh(actor=actors.clinic, key="", mesh_id=first.pk, reason="wrong")
    assert replaced.value.code == "mesh-replaced"
    withdraw_mesh(actor=actors.clinic, key="", mesh_id=second.pk, reason="wrong")
    for change in (
        lambda: withdraw_mesh(actor=actors.clinic, key="", mesh_id=second.pk, reason="wrong"),
        lambda: restate_mesh(actor=actors.clinic, key="", mesh_id=second.pk, unit="mm"),
    ):
        with pytest.raises(Conflict) as withdrawn:
            change()
        assert withdrawn.value.code == "mesh-withdrawn"


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("reason", "code"), [("", "reason-missing"), ("  ", "reason-missing"), ("x" * 201, "reason-too-long")]
)
def test_a_file_is_not_withdrawn_without_a_reason(
    reason: str, code: str, case: Any, actors: Any, attach: Any
) -> None:
    mesh = attach(actors.clinic, case).thing
    with pytest.raises(DomainError) as caught:
        withdraw_mesh(actor=actors.clinic, key="", mesh_id=mesh.pk, reason=reason)
    assert caught.value.code == code
    with pytest.raises(IntegrityError), transaction.atomic():
        MeshUse.objects.filter(pk=mesh.pk).update(withdrawn_at=mesh.recorded_at)
