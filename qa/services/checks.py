"""Checks of meshes: asked for when a mesh is attached, computed by a worker, stored under one key.

The key is a digest over the mesh's bytes, its unit, what it is checked as, the limits and the engine:
the same key always means the same figures, so a result is never overwritten and never computed twice
for one mesh.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from django.conf import settings
from django.db import IntegrityError, transaction
from django.utils import timezone

from cases.models import Blob, MeshUse
from cases.services.file_store import blob_path, received_bytes, store
from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.services.record import record_created
from labtrack.jobs.choices import Queue
from labtrack.jobs.handlers import Handler, JobRefused, Progress, Store, register
from labtrack.jobs.models import Job
from labtrack.jobs.services.enqueue import enqueue
from labtrack.usecase import use_case
from qa.choices import CheckState
from qa.geometry.check import ENGINE, DesignCheck, check_design, surface_maps
from qa.geometry.errors import GeometryError
from qa.geometry.maps import MapPack, pack_maps
from qa.geometry.preview import make_preview
from qa.geometry.reading import read_mesh
from qa.models import LimitVersion, MeshCheck
from qa.queries.check_keys import check_key
from qa.queries.check_request import engine_request, request_of
from qa.queries.limits import limit_set, limits_in_force

KIND = "check-mesh"
# From here on a mesh waits in the queue of heavy work.
HEAVY_TRIANGLES = 500_000
PREVIEW_LIMIT_BYTES = 20_000_000
# What one check of the same key takes over from another.
COPIED = ("state", "verdict", "figures", "findings", "sections", "profile", "preview", "maps", "map_values")
READING_SHARE, CHECKING_SHARE = 0.25, 0.65


@dataclass(frozen=True)
class Pictures:
    """What the 3-D view draws: the small copy of the mesh, and the maps it can be coloured by."""

    preview: bytes
    maps: MapPack


def check_attached(mesh: MeshUse) -> MeshCheck:
    """Ask for the check of a mesh that was just attached, in the transaction that attached it."""
    return _ask(mesh, actor=None)


def check_again(*, actor: Actor, mesh: MeshUse) -> MeshCheck:
    """Ask for a check under the limits and engine in force; the one under the same key is returned.

    A check that a failing worker gave up is tried again.
    """
    actor.require(Capability.CASES_WRITE)
    with use_case():
        return _ask(mesh, actor=actor, retry=True)


def check_all_again(*, actor: Actor, meshes: Sequence[MeshUse]) -> list[MeshCheck]:
    """``check_again`` for many meshes at once; those that are current already are left as they are."""
    actor.require(Capability.CASES_WRITE)
    with use_case():
        return [_ask(mesh, actor=actor, retry=True) for mesh in meshes]


def _ask(mesh: MeshUse, *, actor: Actor | None, retry: bool = False) -> MeshCheck:
    limits = limits_in_force()
    request = request_of(mesh)
    key = check_key(mesh, request, limits)
    check = _made_once(mesh, key=key, request=request, limits=limits, actor=actor)
    if retry and check.state == CheckState.REFUSED:
        MeshCheck.objects.filter(pk=check.pk, state=CheckState.REFUSED).update(
            state=CheckState.WAITING, sentence="", finished_at=None
        )
        check.refresh_from_db()
    if check.state == CheckState.WAITING:
        check.job = enqueue(
            kind=KIND,
            key=f"{check.pk}",
            parameters={"check": check.pk},
            actor=actor,
            queue=Queue.HEAVY if mesh.triangles > HEAVY_TRIANGLES else Queue.LIGHT,
        )
        check.save(update_fields=["job"])
    return check


def _made_once(
    mesh: MeshUse, *, key: str, request: dict[str, Any], limits: LimitVersion, actor: Actor | None
) -> MeshCheck:
    existing = MeshCheck.objects.filter(mesh=mesh, key=key).first()
    if existing is not None:
        return existing
    check = MeshCheck(mesh=mesh, key=key, engine=ENGINE, limits=limits, request=request)
    _copy_result(check, _same_in_clinic(check))
    try:
        with transaction.atomic():
            check.save()
    except IntegrityError:  # asked for twice in the same moment
        return MeshCheck.objects.get(mesh=mesh, key=key)
    record_created(actor=actor, action="check.ask", subject=check)
    return check


def _same_in_clinic(check: MeshCheck) -> MeshCheck | None:
    """A finished check under the same key. Only of the same clinic: that another clinic holds the very
    same file must not show, not even by how fast an answer comes."""
    return MeshCheck.objects.filter(
        key=check.key, state=CheckState.DONE, mesh__case__clinic=check.mesh.case.clinic_id
    ).first()


def _copy_result(check: MeshCheck, done: MeshCheck | None) -> None:
    if done is None:
        return
    for name in COPIED:
        setattr(check, name, getattr(done, name))
    check.finished_at = timezone.now()


def _take_over(check_id: int, done: MeshCheck) -> dict[str, Any]:
    MeshCheck.objects.filter(pk=check_id, state=CheckState.WAITING).update(
        **{name: getattr(done, name) for name in COPIED}, finished_at=timezone.now()
    )
    return {"check": check_id, "verdict": done.verdict}


def compute_check(job: Job, progress: Progress) -> Store:
    """Read and check the mesh; what is returned stores the result while the check still waits for it."""
    check = (
        MeshCheck.objects.select_related("mesh__blob", "limits").filter(pk=job.parameters["check"]).first()
    )
    if check is None or check.state != CheckState.WAITING:
        return dict
    # Another of the same key may have been made while this one waited for its turn.
    if (done := _same_in_clinic(check)) is not None:
        return lambda: _take_over(check.pk, done)
    try:
        result, pictures = _computed(check, progress)
    except GeometryError as error:
        raise JobRefused(error.sentence) from error
    except MemoryError:
        raise JobRefused(
            f"This mesh needs more memory than a worker may use ({settings.JOB_MEMORY_LIMIT_MB:,} MB). "
            "Reduce its triangles and attach it again."
        ) from None
    return lambda: _store(check.pk, result, pictures)


def _computed(check: MeshCheck, progress: Progress) -> tuple[DesignCheck, Pictures]:
    mesh = check.mesh
    progress(0.0, "reading the file")
    read = read_mesh(blob_path(mesh.blob), unit=mesh.unit)
    result = check_design(
        read,
        engine_request(check.request),
        limit_set(check.limits),
        lambda share, words: progress(READING_SHARE + CHECKING_SHARE * share, words),
    )
    progress(READING_SHARE + CHECKING_SHARE, "drawing the preview")
    preview = make_preview(read.mesh)
    points = preview.vertices.astype(np.float64) + preview.origin_mm
    maps = pack_maps(surface_maps(result), read.mesh, points, preview.faces)
    return result, Pictures(preview.to_bytes(), maps)


def _kept(content: bytes) -> Blob:
    with received_bytes(content, limit_bytes=PREVIEW_LIMIT_BYTES) as source:
        return store(source)


def _store(check_id: int, result: DesignCheck, pictures: Pictures) -> dict[str, Any]:
    """Write the result once: a check that another worker finished meanwhile is left as it is."""
    content = result.as_json()
    maps = pictures.maps
    MeshCheck.objects.filter(pk=check_id, state=CheckState.WAITING).update(
        state=CheckState.DONE,
        verdict=result.verdict,
        figures=content["figures"],
        findings=content["checks"],
        profile=result.profile.as_json() if result.profile else {},
        sections=content["sections"],
        preview=_kept(pictures.preview),
        maps=list(maps.about),
        map_values=_kept(maps.to_bytes()) if maps.about else None,
        finished_at=timezone.now(),
    )
    return {"check": check_id, "verdict": result.verdict}


def refuse_check(job: Job, sentence: str) -> None:
    """Say on the check why it could not be made."""
    MeshCheck.objects.filter(pk=job.parameters["check"], state=CheckState.WAITING).update(
        state=CheckState.REFUSED, sentence=sentence, finished_at=timezone.now()
    )


def register_handler(register_with: Callable[[Handler], None] = register) -> None:
    """Tell the workers what to do with a mesh to check."""
    register_with(Handler(kind=KIND, queue=Queue.LIGHT, compute=compute_check, refused=refuse_check))
