"""How a sheet goes over a model: undercuts in closed form, draw ratio, room, what it never reaches."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fixtures.meshes import ArchForm, faults, make_arch, writers
from fixtures.meshes.solids import (
    bowl,
    box,
    box_with_cavity,
    flipped,
    moved,
    revolved,
    subdivided,
    tilted_slab,
    torus,
    turned,
    wedge,
)
from qa.geometry.check import CheckRequest, DesignCheck, check_design, surface_maps
from qa.geometry.circle import enclosing_circle
from qa.geometry.forming import undercut_limit
from qa.geometry.limits import SHIPPED
from qa.geometry.mesh import FloatArray, Mesh
from qa.geometry.plumb import drop_plumb
from qa.geometry.reading import read_mesh
from qa.geometry.subject import Sheet
from qa.geometry.topology import connect

# Depths are exact up to the way a facet samples its crest; areas are read on lines 1/640 of the part apart.
DEPTH_MM = 0.002
AREA_SHARE = 0.01


def checked(mesh: Mesh, **request: object) -> DesignCheck:
    read = read_mesh(writers.write_ply(mesh))
    return check_design(read, CheckRequest(**request), SHIPPED)  # type: ignore[arg-type]


def row(check: DesignCheck, name: str) -> tuple[str, str]:
    found = next(each for each in check.checks if each.name == name)
    return found.verdict, found.sentence


def prism(profile: list[tuple[float, float]], length_mm: float) -> Mesh:
    """A convex profile in x and z drawn along y."""
    flat = np.array(profile, float)
    count = len(flat)
    ends = [np.column_stack([flat[:, 0], np.full(count, y), flat[:, 1]]) for y in (0.0, length_mm)]
    faces = []
    for a in range(count):
        b = (a + 1) % count
        faces += [[a, b, count + b], [a, count + b, count + a]]
    for a in range(1, count - 1):
        faces += [[0, a + 1, a], [count, count + a, count + a + 1]]
    mesh = Mesh(np.vstack(ends), np.array(faces, np.int32))
    corners = mesh.corners()
    volume = np.einsum("ij,ij->", corners[:, 0], np.cross(corners[:, 1], corners[:, 2]))
    return mesh if volume > 0 else flipped(mesh)


def mushroom(foot_mm: float, head_mm: float, rise_mm: float = 8.0, cap_mm: float = 3.0) -> Mesh:
    """A cylinder that carries a wider disc; both have 96 sides."""
    profile = [(0, 0), (foot_mm, 0), (foot_mm, rise_mm), (head_mm, rise_mm)]
    profile += [(head_mm, rise_mm + cap_mm), (0, rise_mm + cap_mm)]
    return revolved(np.array(profile, float)).mesh


@pytest.mark.parametrize("mesh", [box(), wedge(), bowl(opens="up"), tilted_slab(8.0)], ids=str)
def test_what_nothing_overhangs_has_no_undercut(mesh: object) -> None:
    figures = checked(mesh.mesh).figures  # type: ignore[attr-defined]
    assert figures["undercut_cm2"] == 0.0
    assert figures["undercut_max_mm"] == 0.0
    assert figures["undercut_place"] is None


def test_a_lying_ring_is_undercut_over_its_lower_half_as_deep_as_its_tube() -> None:
    """Torus: half of 4 pi^2 R r, and the foot of the tube lies r inside its own vertical tangent."""
    solid = torus(10.0, 3.0, 192, 96)
    figures = checked(solid.mesh).figures
    assert figures["undercut_cm2"] * 100 == pytest.approx(0.5 * solid.area_mm2, rel=AREA_SHARE)
    assert figures["undercut_max_mm"] == pytest.approx(3.0, abs=3 * DEPTH_MM)


@pytest.mark.parametrize("lean_deg", [1.0, 5.0, 20.0])
def test_a_dovetail_is_as_deep_as_its_flanks_lean(lean_deg: float) -> None:
    height, half = 10.0, 12.0
    inset = height * np.tan(np.deg2rad(lean_deg))
    profile = [(-half + inset, 0.0), (half - inset, 0.0), (half, height), (-half, height)]
    figures = checked(prism(profile, 15.0)).figures
    assert figures["undercut_max_mm"] == pytest.approx(inset, abs=DEPTH_MM)
    flank = height / np.cos(np.deg2rad(lean_deg))
    assert figures["undercut_cm2"] * 100 == pytest.approx(2 * 15.0 * flank, rel=AREA_SHARE)


def test_a_part_that_lies_on_a_small_face_is_turned_over_for_one_twice_as_large() -> None:
    figures = checked(mushroom(6.0, 11.0)).figures
    assert figures["stand_turn_deg"] == pytest.approx(180.0)
    assert figures["undercut_max_mm"] == 0.0


def test_a_disc_on_a_stem_is_as_deep_as_its_rim_stands_out() -> None:
    """The stem's wall lies head - foot inside the rim; of polygons, at their corners."""
    figures = checked(mushroom(9.0, 11.0)).figures
    sides = 96
    under = sides / 2.0 * np.sin(2 * np.pi / sides) * (11.0**2 - 9.0**2)
    wall = 2 * sides * 9.0 * np.sin(np.pi / sides) * 8.0
    assert figures["undercut_max_mm"] == pytest.approx(2.0, abs=DEPTH_MM)
    assert figures["undercut_cm2"] * 100 == pytest.approx(under + wall, rel=AREA_SHARE)


def test_a_ball_on_a_stem_is_as_deep_as_its_equator_stands_out() -> None:
    angle = np.linspace(-np.arccos(0.5), np.pi / 2, 60)
    profile = np.vstack([[(0, 0), (4.0, 0)], np.column_stack([8 * np.cos(angle), 14 + 8 * np.sin(angle)])])
    profile[2, 0], profile[-1, 0] = 4.0, 0.0
    figures = checked(revolved(profile, 128).mesh).figures
    assert figures["undercut_max_mm"] == pytest.approx(4.0, abs=0.01)


@pytest.mark.parametrize("tilt", [2.0, 5.0, 10.0])
def test_a_slab_taken_off_aslant_is_undercut_by_its_tilt(tilt: float) -> None:
    """Along its own base nothing; along an axis off by the tilt, one wall t high lies t sin(tilt) inside."""
    solid = tilted_slab(tilt)
    figures = checked(solid.mesh, insertion=(0.0, 0.0, 1.0)).figures
    assert figures["undercut_cm2"] == 0.0
    assert figures["insertion_lean_deg"] == pytest.approx(tilt, abs=1e-6)
    assert figures["insertion_undercut_max_mm"] == pytest.approx(4.0 * np.sin(np.deg2rad(tilt)), abs=DEPTH_MM)
    assert figures["insertion_undercut_cm2"] == pytest.approx(30.0 * 4.0 / 100, rel=AREA_SHARE)


def test_an_insertion_axis_that_points_into_the_base_is_refused() -> None:
    check = checked(box().mesh, insertion=(0.0, 0.0, -1.0))
    assert check.figures["insertion_undercut_cm2"] is None
    assert row(check, "insertion_undercut")[0] == "unknown"


def test_an_appliance_reaches_only_so_far_down_along_the_insertion_axis() -> None:
    """A tower 40 mm high leaning 5 degrees: only the top 12 mm count."""
    check = checked(box(30.0, 30.0, 40.0).mesh, insertion=(float(np.tan(np.deg2rad(5.0))), 0.0, 1.0))
    reach = SHIPPED.value("appliance_reach")
    expected = reach * np.sin(np.deg2rad(5.0))
    assert check.figures["insertion_undercut_max_mm"] == pytest.approx(expected, abs=0.05)
    assert check.figures["insertion_undercut_cm2"] * 100 == pytest.approx(30.0 * reach, rel=0.03)


def test_a_sheet_never_gets_inside() -> None:
    """Sealed, open to the table, or open at the bottom: an inner skin is neither undercut nor formed."""
    sealed = checked(box_with_cavity(20.0, 3.0).mesh).figures
    assert sealed["undercut_cm2"] == 0.0
    assert sealed["formed_cm2"] == pytest.approx(20.0, rel=1e-6)
    hollow = make_arch(ArchForm.invent("upper", 3), body="hollow")
    outer = Mesh(hollow.vertices, hollow.faces[connect(hollow).body == 0])
    both, alone = checked(hollow).figures, checked(outer).figures
    for name in ("undercut_cm2", "undercut_max_mm", "formed_cm2"):
        assert both[name] == pytest.approx(alone[name], rel=1e-6)


def test_a_sheet_never_gets_into_an_open_bottom() -> None:
    """Its outside is another mesh of the same arch, so figures agree as far as triangles are coarse."""
    form = ArchForm.invent("upper", 3)
    solid, shell = (
        checked(make_arch(form, body=body, target_triangles=90_000)).figures
        for body in ("solid", "open-bottomed")
    )
    assert shell["undercut_max_mm"] == pytest.approx(solid["undercut_max_mm"], abs=0.06)
    assert shell["undercut_cm2"] == pytest.approx(solid["undercut_cm2"], rel=0.05)
    assert shell["formed_cm2"] == pytest.approx(solid["formed_cm2"], rel=0.02)


def test_an_opening_in_a_wall_lets_no_sheet_into_the_cavity() -> None:
    form = ArchForm.invent("upper", 3)
    whole = checked(make_arch(form, body="hollow")).figures
    drained = checked(make_arch(form, body="hollow", faults=(faults.CavityOpening(26),))).figures
    assert drained["formed_cm2"] == pytest.approx(whole["formed_cm2"], rel=0.02)
    assert drained["undercut_cm2"] == pytest.approx(whole["undercut_cm2"], abs=0.8)  # its cavity has some 40


def test_the_draw_ratio_of_a_cylinder_is_that_of_the_arithmetic() -> None:
    """Worked by hand: a frame of 120 mm, a cylinder of 60 x 20 mm; ratio 1.333, 0.75 mm leave 0.5625 mm."""
    profile = np.array([(0, 0), (30.0, 0), (30.0, 20.0), (0, 20.0)], float)
    check = checked(revolved(profile, 720).mesh, sheet=Sheet("petg", 0.75))
    assert check.figures["areal_draw_ratio"] == pytest.approx(4.0 / 3.0, rel=1e-3)
    assert check.figures["mean_sheet_left_mm"] == pytest.approx(0.5625, rel=1e-3)
    assert check.figures["model_draw_ratio"] == pytest.approx(2.3333, rel=2e-3)
    assert check.figures["forming_room_mm"] == pytest.approx(30.0, abs=1e-6)
    assert row(check, "forming_room")[0] == "pass"
    assert "compare" in row(check, "mean_sheet")[1]


def test_without_a_sheet_nothing_is_said_of_what_is_left_of_it() -> None:
    check = checked(box().mesh)
    assert check.figures["mean_sheet_left_mm"] is None
    assert "mean_sheet" not in [each.name for each in check.checks]


def test_too_high_too_wide_or_too_tight_is_said() -> None:
    assert row(checked(box(20.0, 20.0, 26.0).mesh, up=(0, 0, 1)), "forming_height")[0] == "review"
    assert row(checked(box(30.0, 30.0, 24.0).mesh), "forming_height")[0] == "pass"
    wide = checked(box(110.0, 80.0, 15.0).mesh)
    assert row(wide, "forming_room")[0] == "fail"
    assert wide.figures["areal_draw_ratio"] is None
    assert row(checked(box(80.0, 60.0, 15.0).mesh), "forming_room")[0] == "review"


def test_limits_follow_the_sheet() -> None:
    def name(sheet: Sheet | None) -> str:
        return undercut_limit(sheet, SHIPPED).name

    assert (
        name(None) == name(Sheet("EVA", 3.0)) == name(Sheet("soft-hard laminate", 2.0)) == "undercut_max_soft"
    )
    assert name(Sheet("petg", 0.75)) == name(Sheet("petg", 1.0)) == "undercut_max_thin"
    assert name(Sheet("petg", 1.5)) == "undercut_max_thick"
    lip = mushroom(10.0, 11.0)
    assert row(checked(lip, sheet=Sheet("petg", 0.75)), "undercut")[0] == "pass"
    thick = checked(lip, sheet=Sheet("petg", 2.0))
    assert row(thick, "undercut")[0] == "review"
    assert "Block it out" in row(thick, "undercut")[1]


def test_a_thin_sheet_needs_something_to_hold_on_to() -> None:
    verdict, sentence = row(checked(box().mesh, sheet=Sheet("petg", 0.75)), "undercut")
    assert verdict == "review"
    assert "hold on" in sentence
    assert row(checked(box().mesh, sheet=Sheet("petg", 2.0)), "undercut")[0] == "pass"


def test_the_deepest_place_is_given_in_the_frame_of_the_file() -> None:
    mesh = moved(turned(mushroom(9.0, 11.0), (1, 0, 0), 90.0), (100.0, -40.0, 7.0))
    place = np.array(checked(mesh, up=(0.0, -1.0, 0.0)).figures["undercut_place"])
    back = turned(Mesh((place - [100.0, -40.0, 7.0])[None], np.zeros((0, 3), np.int32)), (1, 0, 0), -90.0)
    assert np.hypot(*back.vertices[0, :2]) == pytest.approx(9.0, abs=0.02)


def test_a_model_without_a_base_is_not_judged_and_says_why() -> None:
    ball = revolved(
        np.column_stack(
            [8 * np.sin(np.linspace(0, np.pi, 60)), -8 * np.cos(np.linspace(0, np.pi, 60))]
        ).round(12)
    ).mesh
    check = checked(ball)
    for key in ("forming_axis", "undercut_cm2", "undercut_max_mm", "areal_draw_ratio", "mean_sheet_left_mm"):
        assert check.figures[key] is None
    assert row(check, "forming")[0] == "unknown"
    assert check.figures["height_mm"] == pytest.approx(16.0)


@pytest.mark.parametrize("wrong", ["flipped", "patched"])
def test_where_outside_is_not_defined_no_undercut_is_told(wrong: str) -> None:
    form = ArchForm.invent("lower", 2)
    mesh = (
        flipped(make_arch(form))
        if wrong == "flipped"
        else make_arch(form, faults=(faults.InvertedPatch(36),))
    )
    check = checked(mesh)
    assert check.figures["undercut_cm2"] is None
    assert row(check, "forming")[0] == "unknown"


def test_a_hole_in_the_surface_leaves_the_rest_measured() -> None:
    form = ArchForm.invent("upper", 5)
    whole = checked(make_arch(form)).figures
    holed = checked(make_arch(form, faults=(faults.MissingTriangles(26),))).figures
    assert holed["undercut_max_mm"] == pytest.approx(whole["undercut_max_mm"], abs=0.05)
    assert holed["formed_cm2"] == pytest.approx(whole["formed_cm2"], rel=0.02)


def test_a_bowed_base_is_still_a_base() -> None:
    form = ArchForm.invent("lower", 4)
    flat = checked(make_arch(form)).figures
    bowed = checked(make_arch(form, faults=(faults.BowedBase(0.2),))).figures
    assert bowed["undercut_max_mm"] == pytest.approx(flat["undercut_max_mm"], abs=0.1)
    assert bowed["undercut_cm2"] == pytest.approx(flat["undercut_cm2"], abs=2.0)  # a base has 15
    assert bowed["formed_cm2"] == pytest.approx(flat["formed_cm2"], rel=0.02)


ARCH = make_arch(ArchForm.invent("upper", 8), target_triangles=20_000)
_STILL = checked(ARCH, sheet=Sheet("petg", 0.75)).figures
SAME = {
    "undercut_cm2": 0.03, "undercut_max_mm": 0.05, "formed_cm2": 0.005, "forming_footprint_cm2": 0.005,
    "areal_draw_ratio": 0.003, "mean_sheet_left_mm": 0.003, "forming_room_mm": 0.002, "height_mm": 0.001,
}  # fmt: skip


def unmoved(figures: object, still: object = None) -> None:
    for name, share in SAME.items():
        assert figures[name] == pytest.approx((still or _STILL)[name], rel=share), name  # type: ignore[index]


@settings(max_examples=4, deadline=None)
@given(
    angle=st.floats(0, 360),
    shift=st.tuples(st.floats(-200, 200), st.floats(-200, 200), st.floats(-50, 50)),
)
def test_turning_about_z_and_moving_leave_the_figures_alone(
    angle: float, shift: tuple[float, float, float]
) -> None:
    mesh = moved(turned(ARCH, (0, 0, 1), angle), shift)
    unmoved(checked(mesh, sheet=Sheet("petg", 0.75)).figures)


@settings(max_examples=4, deadline=None)
@given(angle=st.floats(0, 180), way=st.floats(0, 2 * np.pi))
def test_how_it_is_printed_leaves_the_figures_alone(angle: float, way: float) -> None:
    """Turned as a whole, with its own up or without it: the forming base is found again."""
    axis = (float(np.cos(way)), float(np.sin(way)), 0.0)
    mesh = turned(ARCH, axis, angle)
    up = turned(Mesh(np.array([[0.0, 0.0, 1.0]]), np.zeros((0, 3), np.int32)), axis, angle).vertices[0]
    with_up = checked(mesh, sheet=Sheet("petg", 0.75), up=tuple(up)).figures
    unmoved(with_up)
    assert np.array(with_up["forming_axis"]) == pytest.approx([0.0, 0.0, 1.0], abs=1e-4)
    unmoved(checked(mesh, sheet=Sheet("petg", 0.75), layer_mm=0.2).figures)


def test_finer_triangles_leave_the_figures_alone() -> None:
    unmoved(checked(subdivided(ARCH), sheet=Sheet("petg", 0.75)).figures)


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10_000), count=st.integers(1, 60))
def test_no_circle_round_points_is_smaller(seed: int, count: int) -> None:
    """Judged by shapely's smallest bounding circle."""
    from shapely import MultiPoint, minimum_bounding_radius

    points = np.random.default_rng(seed).normal(size=(count, 2)) * [30.0, 20.0]
    x, y, radius = enclosing_circle(points)
    assert np.hypot(points[:, 0] - x, points[:, 1] - y).max() <= radius * (1 + 1e-8) + 1e-12
    assert radius == pytest.approx(minimum_bounding_radius(MultiPoint(points)), rel=1e-7, abs=1e-9)


def test_points_on_a_line_or_in_one_place_have_a_circle_too() -> None:
    assert enclosing_circle(np.zeros((5, 2)))[2] == 0.0
    line = np.column_stack([np.linspace(0, 10, 7), np.zeros(7)])
    assert enclosing_circle(line) == pytest.approx((5.0, 0.0, 5.0))


def test_plumb_lines_cross_a_ball_in_pairs() -> None:
    mesh = turned(box(20, 14, 9).mesh, (1, 2, 3), 33.0)
    plumb = drop_plumb(mesh.vertices, mesh.faces, 640)
    counts = np.diff(plumb.starts)
    assert set(np.unique(counts)) == {0, 2}
    first: FloatArray = plumb.heights[plumb.starts[:-1][counts == 2]]
    second: FloatArray = plumb.heights[plumb.starts[:-1][counts == 2] + 1]
    assert (second >= first).all()
    assert float((second - first).sum() * plumb.cell**2) == pytest.approx(20 * 14 * 9, rel=2e-3)


def test_undercut_is_shown_on_the_surface_where_it_is() -> None:
    check = checked(mushroom(9.0, 11.0))
    shown = next(each for each in surface_maps(check) if each.name == "undercut")
    vertices = read_mesh(writers.write_ply(mushroom(9.0, 11.0))).mesh.vertices
    marked = np.isfinite(shown.values)
    assert marked.any()
    assert vertices[marked, 2].max() <= 8.0
    assert shown.worse == "high"
    assert "undercut" not in [each.name for each in surface_maps(checked(box().mesh))]
