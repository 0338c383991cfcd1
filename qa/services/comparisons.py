"""Scans of printed parts compared with their designs: asked for at an upload, computed by a worker.

The key is a digest over everything the answer depends on: scan, reference, candidates, landmarks,
tolerances, the device's uncertainty and the engine's version. The same key always means the same
figures; a new engine makes a new row and the old one stays.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.conf import settings
from django.db import IntegrityError, transaction
from django.utils import timezone

from cases.choices import MeshOrigin, MeshRole
from cases.models import MeshUse
from cases.moments import settled_moment
from cases.services.file_store import Received
from cases.services.meshes import attach_mesh, check_unit, restate_mesh
from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.services.record import record_created
from labtrack.audit.services.submissions import Outcome, once
from labtrack.errors import Refused
from labtrack.jobs.choices import Queue
from labtrack.jobs.handlers import Handler, JobRefused, Progress, Store, register
from labtrack.jobs.models import Job
from labtrack.jobs.services.enqueue import enqueue
from labtrack.usecase import use_case
from production.choices import EquipmentKind
from production.models import Equipment, Part
from qa.choices import CheckState, Reference
from qa.geometry.compare import ENGINE, CompareRequest, Comparison, compare_print
from qa.geometry.errors import GeometryError
from qa.geometry.pattern import mm_per_unit
from qa.geometry.picture import histogram_of, scale_limit
from qa.geometry.reading import ReadMesh
from qa.models import LandmarkSheet, LimitVersion, PrintComparison
from qa.queries.devices import uncertainty_of
from qa.queries.limits import limit_set, limits_in_force
from qa.services.comparison_pictures import ask_for_pictures, read_both, read_stored
from qa.services.landmarks import engine_sheet, sheet_in_force

KIND = "compare-print"
# Neighbouring stages differ by about 0.25 mm, so the nearest ones are what a scan is mistaken for.
SAME_ARCH, OTHER_ARCH = 4, 1
READING, COMPARING = 0.1, 0.9
HISTOGRAM_BINS = 80
# Twice this is the distance within which identity calls a point close.
CLOSE_SPREAD_MM = 0.1


def compare_scan(
    *,
    actor: Actor,
    key: str,
    part: Part,
    source: Received,
    original_name: str,
    unit: str,
    device: Equipment | None = None,
    against: str = Reference.DESIGN,
    occurred_at: datetime | None = None,
    origin: str = MeshOrigin.PAGE,
    stated_sha256: str = "",
) -> Outcome[PrintComparison]:
    """Attach a received scan of a printed part and ask for its comparison: both, or neither.

    The same file for the same part under the same conditions is the same comparison.
    """
    actor.require(Capability.INSPECT)
    at = settled_moment(occurred_at)
    _check_device(device)
    reference = reference_of(part, against)

    def make() -> PrintComparison:
        scan = attach_mesh(
            actor=actor,
            key="",
            case_number=part.appliance.case.number,
            role=MeshRole.PRINT_SCAN,
            unit=unit,
            source=source,
            original_name=original_name,
            appliance_id=part.appliance_id,
            origin=origin,
            stated_sha256=stated_sha256,
            occurred_at=at,
        ).thing
        return _ask(_asked_now(part, scan, reference, device, at), actor=actor)

    payload = {
        "part": part.number,
        "sha256": source.sha256,
        "unit": unit,
        "device": device.code if device else None,
        "against": against,
    }
    return once(
        actor=actor, key=key, use_case="compare-scan", payload=payload, model=PrintComparison, make=make
    )


def compare_again(*, actor: Actor, comparison: PrintComparison, unit: str | None = None) -> PrintComparison:
    """Compare the same scan by today's landmarks, limits, device study and engine; old results stay.

    ``unit``: what the scan's numbers really are in. A comparison that could not be made is tried again.
    """
    actor.require(Capability.INSPECT)
    scan = comparison.scan
    with use_case():
        if unit is not None and unit != scan.unit:
            check_unit(unit)
            scan = restate_mesh(actor=actor, key="", mesh_id=scan.pk, unit=unit).thing
        asked = _asked_now(
            comparison.part, scan, comparison.reference, comparison.device, comparison.occurred_at
        )
        return _ask(asked, actor=actor, retry=True)


def reference_of(part: Part, against: str) -> MeshUse:
    """The mesh a part is held against. Raises ``Refused`` when there is no prepared file."""
    preparation = part.preparation
    if against == Reference.DESIGN:
        return preparation.design
    if against != Reference.PREPARED:
        raise Refused("against-unknown", "Compare with the design or the prepared file.", field="against")
    if preparation.prepared is None:
        raise Refused(
            "no-prepared-file", f"No prepared file was kept for {part.mark}: use its design.", field="against"
        )
    return preparation.prepared


def candidates_of(part: Part, reference: MeshUse) -> list[tuple[str, MeshUse]]:
    """Other designs of the case that the scan may be of: near stages of the arch, and the other arch."""
    designs = (
        MeshUse.objects.in_use()
        .filter(
            case=part.appliance.case_id,
            role=MeshRole.DESIGN,
            appliance__isnull=False,
            appliance__cancelled_at__isnull=True,
        )
        .exclude(blob=reference.blob_id)
        .select_related("blob", "appliance__case", "appliance__line")
    )
    arch, stage = part.appliance.arch, part.appliance.stage
    near = sorted(designs, key=lambda one: (abs(one.appliance.stage - stage), one.pk))  # type: ignore[union-attr]
    chosen: list[tuple[str, MeshUse]] = []
    seen: set[int] = set()
    for is_same, most in ((True, SAME_ARCH), (False, OTHER_ARCH)):
        count = 0
        for mesh in near:
            appliance = mesh.appliance
            if appliance is None or (appliance.arch == arch) != is_same or mesh.blob_id in seen:
                continue
            if count == most:
                break
            seen.add(mesh.blob_id)
            chosen.append((appliance.label, mesh))
            count += 1
    return chosen


def is_current(comparison: PrintComparison) -> bool:
    """Whether asking again would give the same key."""
    asked = _asked_now(
        comparison.part,
        comparison.scan,
        comparison.reference,
        comparison.device,
        comparison.occurred_at,
    )
    return asked.key == comparison.key


def _check_device(device: Equipment | None) -> None:
    if device is not None and device.kind != EquipmentKind.SCANNER:
        raise Refused("not-a-scanner", f"{device.name} is no scanner.", field="device")


@dataclass(frozen=True)
class _Asked:
    """One scan to compare, with everything the answer depends on as it stood when it was asked for."""

    part: Part
    scan: MeshUse
    reference: MeshUse
    device: Equipment | None
    occurred_at: datetime
    limits: LimitVersion
    landmarks: LandmarkSheet | None
    candidates: list[tuple[str, MeshUse]]
    request: dict[str, Any]

    @property
    def key(self) -> str:
        facts = {
            "scan": [self.scan.blob.sha256, self.scan.unit],
            "reference": [self.reference.blob.sha256, self.reference.unit],
            "candidates": [[name, mesh.blob.sha256, mesh.unit] for name, mesh in self.candidates],
            "landmarks": self.landmarks.content if self.landmarks else None,
            "request": self.request,
            "engine": ENGINE,
        }
        return hashlib.sha256(json.dumps(facts, sort_keys=True).encode()).hexdigest()


def _asked_now(
    part: Part, scan: MeshUse, reference: MeshUse, device: Equipment | None, occurred_at: datetime
) -> _Asked:
    version = limits_in_force()
    limits = limit_set(version)
    uncertainty = uncertainty_of(device, EquipmentKind.SCANNER, timezone.now())
    return _Asked(
        part=part,
        scan=scan,
        reference=reference,
        device=device,
        occurred_at=occurred_at,
        limits=version,
        landmarks=sheet_in_force(reference),
        candidates=candidates_of(part, reference),
        request={
            "tolerance_mm": limits.value("print_deviation_max"),
            "distance_tolerance_mm": limits.value("print_distance_error_max"),
            "uncertainty_mm": uncertainty.uncertainty_mm,
            "uncertainty_studied": uncertainty.studied,
            "uncertainty_said": uncertainty.sentence,
            "design_name": part.appliance.label,
        },
    )


def _ask(asked: _Asked, *, actor: Actor, retry: bool = False) -> PrintComparison:
    comparison = _made_once(asked, actor)
    if retry and comparison.state == CheckState.REFUSED:
        PrintComparison.objects.filter(pk=comparison.pk, state=CheckState.REFUSED).update(
            state=CheckState.WAITING, sentence="", finished_at=None
        )
        comparison.refresh_from_db()
    if comparison.state == CheckState.WAITING:
        comparison.job = enqueue(
            kind=KIND, key=f"{comparison.pk}", parameters={"comparison": comparison.pk}, actor=actor
        )
        comparison.save(update_fields=["job"])
    return comparison


def _made_once(asked: _Asked, actor: Actor) -> PrintComparison:
    same = PrintComparison.objects.filter(part=asked.part, scan=asked.scan, key=asked.key)
    existing = same.first()
    if existing is not None:
        return existing
    comparison = PrintComparison(
        part=asked.part,
        scan=asked.scan,
        reference=asked.reference,
        landmarks=asked.landmarks,
        device=asked.device,
        limits=asked.limits,
        key=asked.key,
        engine=ENGINE,
        request=asked.request,
        candidates=[{"mesh": mesh.pk, "name": name} for name, mesh in asked.candidates],
        occurred_at=asked.occurred_at,
        by=actor.user,
    )
    try:
        with transaction.atomic():
            comparison.save()
    except IntegrityError:  # asked for twice in the same moment
        return same.get()
    record_created(actor=actor, action="comparison.ask", subject=comparison)
    return comparison


def compute_comparison(job: Job, progress: Progress) -> Store:
    """Read and compare; what is returned stores the result while the comparison still waits for it."""
    comparison = (
        PrintComparison.objects.select_related("scan__blob", "reference__blob", "landmarks")
        .filter(pk=job.parameters["comparison"])
        .first()
    )
    if comparison is None or comparison.state != CheckState.WAITING:
        return dict
    try:
        result = _computed(comparison, progress)
    except GeometryError as error:
        raise JobRefused(error.sentence) from error
    except MemoryError:
        raise JobRefused(
            f"This scan needs more memory than a worker may use ({settings.JOB_MEMORY_LIMIT_MB:,} MB). "
            "Reduce its triangles and upload it again."
        ) from None
    return lambda: _store(comparison.pk, result)


def _computed(comparison: PrintComparison, progress: Progress) -> dict[str, Any]:
    progress(0.0, "Reading the files")
    reference, scan = read_both(comparison)
    candidates, left_out = _read_candidates(comparison.candidates)
    asked = comparison.request
    request = CompareRequest(
        tolerance_mm=asked["tolerance_mm"],
        distance_tolerance_mm=asked["distance_tolerance_mm"],
        uncertainty_mm=asked["uncertainty_mm"],
        uncertainty_studied=asked["uncertainty_studied"],
        landmarks=engine_sheet(comparison.landmarks) if comparison.landmarks else None,
        design_name=asked["design_name"],
    )
    found = compare_print(
        reference,
        scan,
        request,
        candidates,
        lambda share, words: progress(READING + COMPARING * share, words),
    )
    return _values(found, scan, left_out)


def _values(found: Comparison, scan: ReadMesh, left_out: list[str]) -> dict[str, Any]:
    """Column values of a finished comparison."""
    result = found.as_json()
    result["pattern_mm_per_unit"] = mm_per_unit(found.design.frame)
    result["misfit_unit"] = found.misfit.unit if found.misfit else None
    result["scan_triangles"] = len(scan.mesh.faces)
    result["candidates_left_out"] = left_out
    share, edges = histogram_of(found, HISTOGRAM_BINS)
    judged = found.registered and found.identity.verdict != "other"
    return {
        "verdict": found.verdict,
        "identity": found.identity.verdict,
        "accepted": found.accepted,
        "counts": _counts(found),
        "mean_mm": _finite(found.working.mean_mm) if judged else None,
        "p95_abs_mm": _finite(found.working.p95_abs_mm) if judged else None,
        "result": result,
        "histogram": {
            "scale_limit_mm": scale_limit(found),
            "edges_mm": [round(float(edge), 5) for edge in edges],
            "share_percent": [round(float(one), 4) for one in share],
        },
        "sentence": found.reason,
    }


def _counts(found: Comparison) -> bool:
    """Whether trueness and precision may count this print.

    Counting accepted prints alone would leave out the bad ones: one that is far off has too few close
    points for its identity. It counts when the fitted patterns explain it: what is left of the deviation
    then lies within the same narrow distance.
    """
    doubtful = found.registered and found.misfit is None and found.identity.verdict == "unknown"
    explained = math.isfinite(found.pattern_noise_mm) and found.pattern_noise_mm <= CLOSE_SPREAD_MM
    return found.accepted or (doubtful and found.identity.best is None and explained)


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _read_candidates(listed: list[dict[str, Any]]) -> tuple[dict[str, ReadMesh], list[str]]:
    """The candidates that can be read, by name, and the names of those that cannot: they are no reason to
    keep the answer about the part's own design."""
    meshes = MeshUse.objects.select_related("blob").in_bulk([one["mesh"] for one in listed])
    read: dict[str, ReadMesh] = {}
    left_out: list[str] = []
    for one in listed:
        try:
            read[one["name"]] = read_stored(meshes[one["mesh"]], "design")
        except GeometryError:
            left_out.append(one["name"])
    return read, left_out


def _store(comparison_id: int, values: dict[str, Any]) -> dict[str, Any]:
    """Write the result once, with the job that draws it: a comparison that another worker finished meanwhile
    is left as it is."""
    waiting = PrintComparison.objects.filter(pk=comparison_id, state=CheckState.WAITING)
    if waiting.update(state=CheckState.DONE, finished_at=timezone.now(), **values):
        ask_for_pictures(comparison_id=comparison_id)
    return {"comparison": comparison_id, "verdict": values["verdict"]}


def refuse_comparison(job: Job, sentence: str) -> None:
    """Say on the comparison why it could not be made."""
    PrintComparison.objects.filter(pk=job.parameters["comparison"], state=CheckState.WAITING).update(
        state=CheckState.REFUSED, sentence=sentence, finished_at=timezone.now()
    )


def register_handler(register_with: Callable[[Handler], None] = register) -> None:
    """Tell the workers what to do with a scan to compare."""
    register_with(
        Handler(kind=KIND, queue=Queue.HEAVY, compute=compute_comparison, refused=refuse_comparison)
    )
