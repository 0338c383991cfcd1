"""Pictures of a comparison, drawn after its result is stored: nobody waits for them to read the answer.

Asked for in the transaction that stores the result, so a result never lacks the job that draws it. The job
measures the scan again in the pose that the result names; the same row always gives the same pictures, so a
worker that dies or a message that comes twice changes nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from django.conf import settings

from cases.models import MeshUse
from cases.services.file_store import blob_path, received_bytes, store
from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.services.record import record_change
from labtrack.errors import Conflict, Refused
from labtrack.jobs.choices import Queue
from labtrack.jobs.handlers import Handler, JobRefused, Progress, Store, register
from labtrack.jobs.models import Job
from labtrack.jobs.services.enqueue import enqueue
from labtrack.usecase import use_case
from qa.choices import CheckState, PicturesState
from qa.geometry.compare import CompareRequest, measured_at
from qa.geometry.errors import GeometryError
from qa.geometry.picture import coloured_preview, draw_view
from qa.geometry.reading import ReadMesh, read_mesh
from qa.geometry.threads import in_pairs
from qa.models import PrintComparison

KIND = "draw-comparison"
LIMIT_BYTES = 20_000_000
READ, MEASURED, COLOURED = 0.2, 0.5, 0.8


def ask_for_pictures(*, comparison_id: int, actor: Actor | None = None) -> Job:
    """Ask for the pictures in the running transaction; while a job for them is open, that one is kept."""
    job = enqueue(kind=KIND, key=f"{comparison_id}", parameters={"comparison": comparison_id}, actor=actor)
    PrintComparison.objects.filter(pk=comparison_id).update(pictures_job=job)
    return job


def draw_again(*, actor: Actor, comparison: PrintComparison) -> PrintComparison:
    """Ask again for pictures that could not be drawn; where they are there or under way nothing changes.

    Raises ``Refused`` for a comparison without a result.
    """
    actor.require(Capability.INSPECT)
    with use_case():
        row = (
            PrintComparison.objects.select_for_update(of=("self",))
            .select_related("pictures_job")
            .get(pk=comparison.pk)
        )
        state = row.pictures_state
        if state is None:
            raise Refused("no-result", "This comparison has no result to draw yet.")
        if state == PicturesState.FAILED:
            before = row.pictures_job_id
            job = ask_for_pictures(comparison_id=row.pk, actor=actor)
            record_change(
                actor=actor,
                action="comparison.draw",
                subject=row,
                before={"pictures_job": before},
                after={"pictures_job": job.pk},
            )
            row.refresh_from_db()
        return row


def require_drawn(comparison: PrintComparison) -> None:
    """Raise ``Conflict`` while the pictures are still being drawn."""
    if comparison.pictures_state == PicturesState.WAITING:
        raise Conflict(
            "pictures-being-drawn",
            "The picture of this comparison is still being drawn. Ask again in a moment.",
        )


def read_stored(mesh: MeshUse, role: str) -> ReadMesh:
    """The mesh of a stored file. Raises ``GeometryError`` with the file's name and ``role``."""
    try:
        return read_mesh(blob_path(mesh.blob), unit=mesh.unit)
    except GeometryError as error:
        raise GeometryError(
            error.code, f"The {role} {mesh.original_name} cannot be read: {error.sentence}"
        ) from error


def read_both(comparison: PrintComparison) -> tuple[ReadMesh, ReadMesh]:
    """Reference and scan, read side by side; their files' rows must have been fetched."""
    return in_pairs(
        lambda: read_stored(comparison.reference, "design"), lambda: read_stored(comparison.scan, "scan")
    )


def compute_pictures(job: Job, progress: Progress) -> Store:
    """Draw what is not drawn yet; what is returned stores it while it is still missing."""
    comparison = (
        PrintComparison.objects.defer(None)
        .select_related("scan__blob", "reference__blob")
        .filter(pk=job.parameters["comparison"], state=CheckState.DONE, picture__isnull=True)
        .first()
    )
    if comparison is None:
        return dict
    try:
        preview, picture = _drawn(comparison, progress)
    except GeometryError as error:
        raise JobRefused(error.sentence) from error
    except MemoryError:
        raise JobRefused(
            "Drawing this scan needs more memory than a worker may use "
            f"({settings.JOB_MEMORY_LIMIT_MB:,} MB)."
        ) from None
    return lambda: _store(comparison.pk, preview, picture)


def _drawn(comparison: PrintComparison, progress: Progress) -> tuple[bytes, bytes]:
    progress(0.0, "Reading the files")
    reference, scan = read_both(comparison)
    progress(READ, "Measuring in the pose that was found")
    pose = np.array(comparison.result["transform"], dtype=np.float64)
    request = CompareRequest(tolerance_mm=comparison.request["tolerance_mm"])
    found = measured_at(reference, scan, pose, request)
    progress(MEASURED, "Colouring the shape")
    preview = coloured_preview(found, scan.mesh).to_bytes()
    progress(COLOURED, "Drawing the picture")
    return preview, draw_view(found)


def _store(comparison_id: int, preview: bytes, picture: bytes) -> dict[str, Any]:
    """Store both pictures once: those that another worker stored meanwhile are left as they are."""
    blobs = []
    for content in (preview, picture):
        with received_bytes(content, limit_bytes=LIMIT_BYTES) as source:
            blobs.append(store(source))
    PrintComparison.objects.filter(pk=comparison_id, state=CheckState.DONE, picture__isnull=True).update(
        preview=blobs[0], picture=blobs[1]
    )
    return {"comparison": comparison_id}


def register_handler(register_with: Callable[[Handler], None] = register) -> None:
    """Tell the workers how a comparison is drawn."""
    register_with(Handler(kind=KIND, queue=Queue.HEAVY, compute=compute_pictures))
