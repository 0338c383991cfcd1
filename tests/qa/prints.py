"""Printed parts with real designs, and scans of them, made through the use cases."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from functools import cache
from typing import Any

import numpy as np

from cases.models import Appliance, MeshUse
from cases.services.file_store import received_bytes
from cases.services.meshes import attach_mesh
from fixtures.meshes import distort, write_stl
from labtrack.jobs.services.run import run_job
from production.models import Part
from production.services import builds, preparations
from production.services.outcomes import PartResult
from qa.geometry.mesh import Mesh
from qa.models import PrintComparison
from qa.queries.measuring import comparison_for, part_of_number
from qa.services.comparisons import compare_scan
from tests.qa.geometry import scenes

TRIANGLES = 6_000
LIMIT_BYTES = 50_000_000


@cache
def design_mesh(*, kind: str = "upper", stage: float = 0.0, seed: int = 1) -> Mesh:
    return scenes.arch(seed, TRIANGLES, kind, stage)


def scan_of(mesh: Mesh, seed: int = 3, **planted: Any) -> Mesh:
    """A scan of a print of the mesh, with planted deviation, from any pose."""
    pose = scenes.random_pose(np.random.default_rng(seed))
    return scenes.moved(distort(mesh, noise_mm=0.01, seed=seed, **planted), pose)


def attached(shop: Any, appliance: Appliance, mesh: Mesh, role: str = "design") -> MeshUse:
    with received_bytes(write_stl(mesh), limit_bytes=LIMIT_BYTES) as source:
        return attach_mesh(
            actor=shop.tech,
            key="",
            case_number=appliance.case.number,
            role=role,
            unit="mm",
            source=source,
            original_name=f"{appliance.arch}-{appliance.stage}.stl",
            appliance_id=appliance.pk,
            occurred_at=shop.old,
        ).thing


def printed_part(shop: Any, appliance: Appliance | None = None, mesh: Mesh | None = None) -> Part:
    """A part of a finished build, from a design that is really there."""
    appliance = appliance or shop.appliance(stage=1)
    design = attached(shop, appliance, mesh if mesh is not None else design_mesh())
    prepared = preparations.record_preparations(
        actor=shop.tech,
        prepared=[preparations.Prepared(appliance.pk, design.pk)],
        settings=preparations.PreparationSettings(profile_name="grey-50", profile_revision="3", layer_um=50),
        occurred_at=shop.old,
    )
    at = shop.at(10 * Part.objects.count())
    build = builds.plan_build(
        actor=shop.tech,
        printer_id=shop.printer.pk,
        tank_id=shop.tank.pk,
        parts=[builds.PlannedPart(prepared[0].pk, Decimal(60), Decimal(0))],
        occurred_at=at,
    ).thing
    builds.start_build(actor=shop.tech, build_id=build.pk, started_at=at)
    part = build.parts.get()
    builds.finish_build(
        actor=shop.tech,
        build_id=build.pk,
        finished_at=at + timedelta(hours=2),
        outcomes=[PartResult(part.pk, "good")],
    )
    return part_of_number(part.number)


def compared(
    actor: Any, part: Part, content: bytes | Mesh, *, unit: str = "mm", key: str = "", **more: Any
) -> PrintComparison:
    """The comparison of a scan that is uploaded for a part; the worker has not run yet."""
    content = content if isinstance(content, bytes) else write_stl(content)
    with received_bytes(content, limit_bytes=LIMIT_BYTES) as source:
        return compare_scan(
            actor=actor, key=key, part=part, source=source, original_name="scan.stl", unit=unit, **more
        ).thing


def finished(row: PrintComparison) -> PrintComparison:
    """The comparison once the workers have compared and drawn it."""
    assert run_job(row.job_id or 0) == "done"
    row.refresh_from_db()
    assert run_job(row.pictures_job_id or 0) == "done"
    return comparison_for(row.pk)


def marks_text(mesh: Mesh) -> str:
    """Two canine-like tips and the distance between them."""
    tips = _tips(mesh)
    lines = [f"{name},{x:.3f},{y:.3f},{z:.3f}" for name, (x, y, z) in zip(("A", "B"), tips, strict=True)]
    return "name,x_mm,y_mm,z_mm\n" + "\n".join(lines) + "\ndistance,from,to\nspan,A,B\n"


def _tips(mesh: Mesh) -> list[Any]:
    """The highest vertex of the right and of the left half."""
    points = mesh.vertices
    middle = points[:, 0].mean()
    halves = [points[points[:, 0] < middle - 8], points[points[:, 0] > middle + 8]]
    return [half[half[:, 2].argmax()] for half in halves]
