"""No figure moves when the same part is turned about z, shifted, divided finer, or turned with its ``up``.

docs/measuring.md states the same tolerances.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from fixtures.meshes import ArchForm, faults, make_arch, writers
from fixtures.meshes.solids import moved, subdivided, turned
from qa.geometry.check import CheckRequest, DesignCheck, check_design
from qa.geometry.limits import SHIPPED
from qa.geometry.mesh import Mesh
from qa.geometry.reading import read_mesh
from qa.geometry.subject import Sheet

FORM = ArchForm.invent("upper", 8)
MESHES = {
    "solid": make_arch(FORM, target_triangles=20_000),
    "open-bottomed": make_arch(FORM, body="open-bottomed", target_triangles=20_000),
    "drained": make_arch(
        FORM, body="hollow", target_triangles=20_000, drains=(faults.CavityOpening(26, 3.0),)
    ),
}
# Share of the figure, and what is forgiven beside it in the figure's own unit.
EXACT, LINES, LATTICE = (1e-5, 1e-4), (0.01, 0.02), (0.02, 0.15)
TOLERANCES = {
    "open_edges": EXACT, "bodies": EXACT, "outer_bodies": EXACT, "nonmanifold_edges": EXACT,
    "self_intersections": EXACT, "inverted_bodies": EXACT, "volume_ml": EXACT, "union_volume_ml": EXACT,
    "area_cm2": EXACT, "resin_ml": EXACT, "base_area_cm2": EXACT, "stand_area_cm2": EXACT,
    "base_tilt_deg": (0, 0.01), "stand_turn_deg": (0, 0.01), "stand_height_mm": EXACT, "height_mm": EXACT,
    "build_height_mm": EXACT,
    "contact_flatness_mm": (0, 1e-3), "layers": EXACT, "max_layer_area_cm2": EXACT, "peel_index": (1e-4, 0),
    "largest_step_cm2": (0.02, 1e-3), "overhang_cm2": (1e-3, 1e-3), "mid_air_starts": EXACT,
    "contact_fraction": (0.005, 0), "contact_area_cm2": (0.01, 0), "footprint_area_cm2": (0.01, 0),
    "undercut_cm2": (0.03, 0), "undercut_max_mm": (0.05, 0), "formed_cm2": (0.005, 0),
    "forming_footprint_cm2": (0.005, 0), "areal_draw_ratio": (0.003, 0), "model_draw_ratio": (0.01, 0),
    "mean_sheet_left_mm": (0.003, 0), "forming_room_mm": (0.002, 0), "solid_volume_ml": LATTICE,
    "wall_min_mm": (0, 0.05), "wall_p01_mm": (0.02, 0.05), "wall_p05_mm": (0.02, 0.05),
    "wall_below_limit_cm2": (0.05, 0.1), "drain_min_mm": (0, 0.2), "trapped_ml": (0.05, 0.1),
    "trapped_after_turning_ml": (0.05, 0.15), "suction_pocket_ml": (0.05, 0.1),
    "suction_from_mm": (0, 0.5),
}  # fmt: skip


def figures(mesh: Mesh, **request: object) -> DesignCheck:
    asked = CheckRequest(sheet=Sheet("petg", 0.75), **request)  # type: ignore[arg-type]
    return check_design(read_mesh(writers.write_ply(mesh)), asked, SHIPPED)


def shifted(mesh: Mesh) -> DesignCheck:
    return figures(moved(mesh, (123.4, -87.6, 31.9)))


def spun(mesh: Mesh) -> DesignCheck:
    return figures(turned(mesh, (0.0, 0.0, 1.0), 37.0))


def finer(mesh: Mesh) -> DesignCheck:
    return figures(subdivided(mesh))


def turned_with_up(mesh: Mesh) -> DesignCheck:
    arrow = turned(Mesh(np.array([[0.0, 0.0, 1.0]]), np.zeros((0, 3), np.int32)), (1.0, 0.4, 0.2), 71.0)
    return figures(turned(mesh, (1.0, 0.4, 0.2), 71.0), up=tuple(arrow.vertices[0]))


@pytest.fixture(scope="module")
def still() -> dict[str, DesignCheck]:
    return {name: figures(mesh) for name, mesh in MESHES.items()}


@pytest.mark.parametrize("name", MESHES)
@pytest.mark.parametrize("change", [shifted, spun, finer, turned_with_up])
def test_no_figure_moves(
    name: str, change: Callable[[Mesh], DesignCheck], still: dict[str, DesignCheck]
) -> None:
    before, after = still[name], change(MESHES[name])
    wrong = {}
    for figure, (share, beside) in TOLERANCES.items():
        was, now = before.figures[figure], after.figures[figure]
        if was is now is None:
            continue
        if was is None or now is None or abs(now - was) > share * abs(was) + beside:
            wrong[figure] = (was, now)
    assert wrong == {}
    told = {row.name: row.verdict for row in before.checks}
    assert {row.name: row.verdict for row in after.checks} == told
