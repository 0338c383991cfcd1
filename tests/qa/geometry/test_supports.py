"""What supports would take, against solids where it can be said by hand."""

from __future__ import annotations

import numpy as np
import pytest

from fixtures.meshes.solids import box, revolved, tilted_slab
from fixtures.meshes.writers import write_ply
from qa.geometry.check import CheckRequest, DesignCheck, check_design
from qa.geometry.limits import SHIPPED
from qa.geometry.mesh import Mesh
from qa.geometry.reading import read_mesh


def checked(mesh: Mesh) -> DesignCheck:
    return check_design(read_mesh(write_ply(mesh), unit="mm"), CheckRequest(), SHIPPED)


def test_a_box_on_its_base_needs_nothing() -> None:
    figures = checked(box(30.0, 20.0, 10.0).mesh).figures
    assert figures["supports_needed"] is False and figures["support_volume_ml"] is None


def test_a_mushroom_is_held_under_its_cap() -> None:
    """A stem of radius 6 mm, 10 mm high, under a cap of radius 20: the ring between hangs free."""
    profile = np.array([[0, 0], [6, 0], [6, 10], [20, 10], [20, 14], [0, 14]], dtype=float)
    figures = checked(revolved(profile, sides=96).mesh).figures
    ring = 0.5 * 96 * np.sin(2 * np.pi / 96) * (20.0**2 - 6.0**2)
    assert figures["supports_needed"] is True
    assert figures["support_marks_cm2"] == pytest.approx(ring / 100) == figures["overhang_cm2"]
    # It stands on its stem by itself, so nothing lifts it; a tenth of the space under the ring is filled.
    assert figures["support_lift_mm"] == 0.0
    assert figures["support_volume_ml"] == pytest.approx(0.1 * ring * 10.0 / 1000.0)
    assert figures["support_layers"] == 14 * 20 and figures["support_extra_layers"] == 0


def test_a_shelf_over_another_is_held_from_it_and_not_from_the_platform() -> None:
    """Two caps of radius 20 over a stem, 4 mm apart: the upper one's space ends on the lower."""
    profile = np.array(
        [[0, 0], [6, 0], [6, 10], [20, 10], [20, 14], [6, 14], [6, 18], [20, 18], [20, 20], [0, 20]],
        dtype=float,
    )
    figures = checked(revolved(profile, sides=96).mesh).figures
    ring = 0.5 * 96 * np.sin(2 * np.pi / 96) * (20.0**2 - 6.0**2)
    assert figures["support_volume_ml"] == pytest.approx(0.1 * ring * (10.0 + 4.0) / 1000.0, rel=1e-3)


def test_a_tilted_slab_costs_layers_that_standing_flat_would_save() -> None:
    slab = tilted_slab()
    check = checked(slab.mesh)
    figures = check.figures
    flat = int(np.ceil(figures["stand_height_mm"] / 0.05 - 1e-6))
    lifted = int(np.ceil((figures["size_mm"][2] + 3.0) / 0.05 - 1e-6))
    assert figures["support_layers"] == lifted and figures["support_extra_layers"] == lifted - flat > 0
    row = next(row for row in check.checks if row.name == "supports")
    assert f"{lifted - flat:,} more layers" in row.sentence


def test_sections_hold_every_figure_and_row_once() -> None:
    check = checked(box(30.0, 20.0, 10.0).mesh)
    rows = [name for section in check.sections for name in section.checks]
    assert sorted(rows) == sorted(row.name for row in check.checks)
    named = [name for section in check.sections for name in section.figures]
    assert len(named) == len(set(named))
    assert set(named) <= set(check.figures)
    assert all(check.figures[name] is None for name in set(check.figures) - set(named))
    assert [section.name for section in check.sections][:3] == ["reading", "surface", "size"]
