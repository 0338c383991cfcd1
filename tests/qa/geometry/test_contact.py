"""Base contact: a flat base or a flat rim passes; tilted, bowed or missing ones do not."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fixtures.meshes import ArchForm, faults, make_arch, writers
from fixtures.meshes.solids import bowl, box, moved, sphere, tilted_slab, torus, turned
from qa.geometry.check import CheckRequest, DesignCheck, check_design
from qa.geometry.limits import SHIPPED
from qa.geometry.mesh import Mesh
from qa.geometry.reading import read_mesh

FORM = ArchForm.invent("lower", 5)


def checked(mesh: Mesh, **request: object) -> DesignCheck:
    read = read_mesh(writers.write_ply(mesh))
    return check_design(read, CheckRequest(**request), SHIPPED)  # type: ignore[arg-type]


def verdict(check: DesignCheck, name: str) -> str:
    return next(row.verdict for row in check.checks if row.name == name)


@pytest.mark.parametrize(
    ("body", "told"),
    [
        ("solid", set()),
        ("hollow", {"sealed_cavities", "trapped", "suction"}),
        # Straight on the platform of a bottom-up vat the room under it has no way out.
        ("open-bottomed", {"suction"}),
    ],
)
def test_an_arch_on_its_flat_base_or_rim_passes(body: str, told: set[str]) -> None:
    check = checked(make_arch(FORM, body=body))  # type: ignore[arg-type]
    assert check.figures["contact_fraction"] == 1.0
    assert check.figures["contact_flatness_mm"] < 1e-6
    assert check.figures["base_tilt_deg"] < 1e-6
    assert {row.name for row in check.checks if row.verdict != "pass"} == told


@pytest.mark.parametrize("body", ["solid", "open-bottomed"])
def test_a_bow_of_a_fifth_of_a_millimetre_fails(body: str) -> None:
    check = checked(make_arch(FORM, body=body, faults=(faults.BowedBase(0.2),)))  # type: ignore[arg-type]
    assert check.figures["contact_flatness_mm"] == pytest.approx(0.2, abs=0.02)
    assert verdict(check, "base_contact") == "fail"
    assert verdict(check, "base_flatness") in ("review", "fail")
    assert check.figures["supports_needed"] is True


@pytest.mark.parametrize("tilt", [0.3, 1.0, 3.0, 20.0])
def test_a_tilted_base_is_measured_and_does_not_pass(tilt: float) -> None:
    check = checked(tilted_slab(tilt).mesh)
    assert check.figures["base_tilt_deg"] == pytest.approx(tilt, abs=1e-3)
    assert check.figures["contact_flatness_mm"] < 1e-6
    assert verdict(check, "base_contact") == "fail"
    assert verdict(check, "base_tilt") == ("review" if tilt < 0.5 else "fail")


def test_the_touching_share_of_a_tilted_slab_is_the_strip_within_a_layer() -> None:
    """In closed form: the strip is layer / tan(tilt) long, and its reach is forgiven."""
    mesh = turned(box(60.0, 20.0, 4.0).mesh, (0, 1, 0), 0.5)
    strip = 0.05 / np.tan(np.deg2rad(0.5)) + 1.5
    expected = (20.0 + 2 * strip) / 160.0
    assert checked(mesh).figures["contact_fraction"] == pytest.approx(expected, abs=0.01)


def test_the_rotation_to_the_best_face_puts_it_down() -> None:
    mesh = turned(make_arch(FORM), (1.0, 0.4, 0.0), 40.0)
    check = checked(mesh)
    rotation = np.array(check.figures["stand_rotation"])
    assert rotation @ rotation.T == pytest.approx(np.eye(3), abs=1e-9)
    again = checked(Mesh(mesh.vertices @ rotation.T, mesh.faces))
    assert again.figures["contact_fraction"] == pytest.approx(1.0, abs=0.01)
    assert check.figures["stand_turn_deg"] == pytest.approx(40.0, abs=0.05)


def test_the_up_direction_turns_the_part() -> None:
    mesh = turned(make_arch(FORM), (1.0, 0.0, 0.0), 90.0)
    check = checked(mesh, up=(0.0, -1.0, 0.0))
    assert check.figures["contact_fraction"] == pytest.approx(1.0, abs=0.01)
    assert checked(mesh).figures["contact_fraction"] < 0.6


def test_a_ball_and_a_ring_on_edge_touch_hardly_at_all() -> None:
    assert checked(sphere(15.0, 4).mesh).figures["contact_fraction"] < 0.5
    assert verdict(checked(turned(torus(15.0, 4.0).mesh, (1, 0, 0), 90.0)), "base_contact") != "pass"


def test_bowls_up_and_down_stand_on_their_foot_and_rim() -> None:
    for opens in ("up", "down"):
        assert checked(bowl(opens=opens).mesh).figures["contact_fraction"] == pytest.approx(1.0, abs=0.02)


def test_a_chamfer_round_the_foot_is_forgiven() -> None:
    foot, top = box(30.0, 20.0, 1.0).mesh, box(32.0, 22.0, 1.0).mesh.vertices
    vertices = np.vstack([foot.vertices[:4], top[4:]])
    check = checked(Mesh(vertices, foot.faces))
    assert check.figures["contact_fraction"] == 1.0


@settings(max_examples=15, deadline=None)
@given(
    angle=st.floats(0, 360), shift=st.tuples(st.floats(-200, 200), st.floats(-200, 200), st.floats(-50, 50))
)
def test_turning_about_z_and_moving_leaves_contact_alone(
    angle: float, shift: tuple[float, float, float]
) -> None:
    mesh = moved(turned(tilted_slab(1.0).mesh, (0, 0, 1), angle), shift)
    figures = checked(mesh).figures
    assert figures["contact_fraction"] == pytest.approx(_STILL["contact_fraction"], abs=0.03)
    assert figures["base_tilt_deg"] == pytest.approx(1.0, abs=1e-3)
    assert figures["volume_ml"] == pytest.approx(_STILL["volume_ml"], rel=1e-9)
    assert figures["layers"] == _STILL["layers"]


_STILL = checked(tilted_slab(1.0).mesh).figures


def row(check: DesignCheck, name: str) -> str:
    return next(each.sentence for each in check.checks if each.name == name)


def test_standing_better_is_said_in_figures_and_as_a_direction() -> None:
    mesh = turned(make_arch(FORM), (0.0, 1.0, 0.0), 25.0)
    check = checked(mesh)
    figures = check.figures
    assert np.abs(figures["stand_turn_axis"]) == pytest.approx([0.0, 1.0, 0.0], abs=1e-3)
    assert "25.0°" in row(check, "base_contact")
    assert f"{figures['stand_height_mm']:.1f} mm high" in row(check, "supports")
    again = checked(mesh, up=tuple(figures["stand_up"]))
    assert again.figures["contact_fraction"] == pytest.approx(1.0, abs=0.01)
    assert again.figures["supports_needed"] is False
    assert again.figures["build_height_mm"] == pytest.approx(figures["stand_height_mm"], abs=0.01)


def test_of_faces_that_are_as_good_the_nearest_is_taken() -> None:
    assert checked(box(20.0, 20.0, 20.0).mesh).figures["stand_turn_deg"] == 0.0
    assert checked(torus(10.0, 3.0).mesh).figures["stand_turn_deg"] == pytest.approx(0.0, abs=0.1)


def test_the_cost_of_supports_under_a_tilted_slab() -> None:
    """By hand: propped is the underside, lifted by 3 mm; a tenth of the space beneath is filled."""
    tilt = 20.0
    check = checked(tilted_slab(tilt, 30.0, 20.0, 4.0).mesh)
    figures = check.figures
    rise, run = 20.0 * np.sin(np.deg2rad(tilt)), 20.0 * np.cos(np.deg2rad(tilt))
    space = 30.0 * run * (3.0 + 0.5 * rise)
    assert figures["supports_needed"] is True
    assert figures["support_volume_ml"] * 1000 == pytest.approx(0.1 * space, rel=1e-6)
    assert figures["support_volume_share"] == pytest.approx(0.1 * space / 2400.0, rel=1e-6)
    assert figures["support_marks_cm2"] == pytest.approx(6.0, rel=1e-6)
    assert figures["support_marks_working_cm2"] == pytest.approx(0.0, abs=1e-9)  # its base, when formed
    height = rise + 4.0 * np.cos(np.deg2rad(tilt))
    assert figures["support_extra_layers"] == int(np.ceil((height + 3.0) / 0.05)) - 80
    assert f"{figures['support_extra_layers']:,} more layers" in row(check, "supports")


def test_supports_on_a_model_printed_face_down_mark_its_working_surface() -> None:
    figures = checked(turned(make_arch(FORM), (1.0, 0.0, 0.0), 180.0)).figures
    assert figures["support_marks_working_cm2"] == pytest.approx(
        figures["support_marks_cm2"], rel=1e-3
    )  # a groove narrower than the lines may hide a triangle from the sheet
    assert figures["support_marks_working_cm2"] > 2.0
    assert figures["support_extra_layers"] == 60


def test_a_part_that_stands_costs_no_supports() -> None:
    figures = checked(make_arch(FORM)).figures
    for key in ("support_volume_ml", "support_marks_cm2", "support_extra_layers"):
        assert figures[key] is None


def test_supports_of_an_overhang_end_on_the_part_below() -> None:
    """A table: its top overhangs a wide foot 10 mm lower; supports stand on the foot, nothing is lifted."""
    from fixtures.meshes.solids import joined

    foot, post = box(30.0, 30.0, 2.0).mesh, moved(box(6.0, 6.0, 12.0).mesh, (0.0, 0.0, 1.0))
    table = joined(foot, post, moved(box(30.0, 30.0, 2.0).mesh, (0.0, 0.0, 12.0)))
    figures = checked(table).figures
    assert figures["support_extra_layers"] == 0
    assert figures["support_volume_ml"] * 1000 == pytest.approx(0.1 * 900.0 * 10.0, rel=0.1)


def test_crowns_without_a_base_are_compared_with_lying_low() -> None:
    ball = sphere(15.0, 4).mesh
    check = checked(ball)
    assert check.figures["stand_rotation"] is None
    assert check.figures["support_extra_layers"] == 60
    assert "Turned" not in row(check, "supports")
