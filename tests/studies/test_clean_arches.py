"""Fifty clean generated arches: no row of surface, size, contact, layers, supports or forming speaks up.

Run by name with ``-m study -s``; it then prints the spread that docs/accuracy.md gives.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from fixtures.meshes import ArchForm, make_arch, writers
from qa.geometry.check import DesignCheck, check_design
from qa.geometry.limits import SHIPPED
from qa.geometry.reading import read_mesh
from qa.geometry.subject import CheckRequest, Sheet

pytestmark = pytest.mark.study

FIRST_SEED, ARCHES = 100, 50
SHEETS = (None, Sheet("petg", 0.75), Sheet("eva", 3.0))
OWN = {
    "open_edges", "bodies", "winding", "inside_out", "nonmanifold_edges", "useless_triangles",
    "self_intersections", "unit", "volume", "base_contact", "base_flatness", "base_tilt", "layer_area",
    "mid_air", "layer_step", "overhang", "supports", "forming", "forming_height", "forming_room", "undercut",
    "mean_sheet",
}  # fmt: skip
SPREAD = (
    "undercut_cm2", "undercut_max_mm", "areal_draw_ratio", "mean_sheet_left_mm", "height_mm",
    "forming_room_mm", "overhang_cm2", "largest_step_cm2", "contact_fraction",
)  # fmt: skip


def arches() -> Iterator[tuple[str, DesignCheck]]:
    for index in range(ARCHES):
        kind, body = ("upper", "lower")[index % 2], ("solid", "open-bottomed")[index // 2 % 2]
        mesh = make_arch(ArchForm.invent(kind, FIRST_SEED + index), body=body)  # type: ignore[arg-type]
        request = CheckRequest(sheet=SHEETS[index % 3])
        read = read_mesh(writers.write_stl(mesh))
        yield f"{kind} {body} {FIRST_SEED + index}", check_design(read, request, SHIPPED)


def test_fifty_clean_arches_are_silent() -> None:
    loud: dict[str, list[str]] = {}
    spread: dict[str, list[float]] = {name: [] for name in SPREAD}
    for name, check in arches():
        found = [row.sentence for row in check.checks if row.name in OWN and row.verdict != "pass"]
        if found:
            loud[name] = found
        for figure, values in spread.items():
            if check.figures[figure] is not None:
                values.append(check.figures[figure])
    for figure, values in spread.items():
        least, middle, most = np.percentile(values, [0, 50, 100])
        print(f"\n{figure}: {least:.3f} to {most:.3f}, median {middle:.3f}, n = {len(values)}", end="")
    print()
    assert loud == {}
