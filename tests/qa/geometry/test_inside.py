"""Cavities, drains, trapped resin and suction pockets, against closed forms and planted openings."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import Phase, example, given, settings
from hypothesis import strategies as st

from fixtures.meshes import ArchForm, faults, make_arch, writers
from fixtures.meshes.solids import (
    bowl,
    box,
    box_with_cavity,
    box_with_hole,
    flipped,
    incisor,
    joined,
    moved,
    shell,
    sphere,
    stepped_cone,
    subdivided,
    tilted_slab,
    torus,
    turned,
)
from qa.geometry import inside
from qa.geometry.check import check_design, surface_maps
from qa.geometry.inside import InsideFigures
from qa.geometry.limits import SHIPPED
from qa.geometry.mesh import Mesh
from qa.geometry.reading import read_mesh
from qa.geometry.subject import VATS, CheckRequest
from tests.qa.geometry.scenes import TILTED, subject_of

VAT = pytest.mark.parametrize("vat", VATS)


def inside_of(mesh: Mesh, **request: object) -> InsideFigures:
    return inside.compute(subject_of(mesh, **request), SHIPPED)


def verdicts(figures: InsideFigures, **request: object) -> dict[str, str]:
    rows = inside.judge(figures, CheckRequest(**request), SHIPPED)  # type: ignore[arg-type]
    assert all(row.sentence.endswith(".") for row in rows)
    return {row.name: row.verdict for row in rows}


SOLIDS = {
    "box": box().mesh,
    "ball": sphere().mesh,
    "stepped cone": stepped_cone().mesh,
    "slab": tilted_slab().mesh,
    "incisor": incisor(),
    "two balls that overlap": joined(sphere(8.0, 3).mesh, moved(sphere(8.0, 3).mesh, (6.0, 0.0, 0.0))),
}


@pytest.mark.parametrize("name", SOLIDS)
@VAT
def test_a_solid_has_nothing_inside(name: str, vat: str) -> None:
    figures = inside_of(SOLIDS[name], vat=vat)
    assert (figures.cavities, figures.sealed, figures.openings) == (0, 0, ())
    assert (figures.trapped_mm3, figures.trapped_turned_mm3, figures.suction_mm3) == (0.0, 0.0, 0.0)
    assert (figures.drain_min_mm, figures.suction_from_mm, figures.drain_turn) == (None, None, None)
    assert set(verdicts(figures, vat=vat).values()) == {"pass"}
    assert inside.maps(figures) == ()


@pytest.mark.parametrize("seed", range(8))
def test_clean_solid_arches_raise_no_alarm(seed: int) -> None:
    mesh = make_arch(ArchForm.invent(("upper", "lower")[seed % 2], seed))
    for up in ((0.0, 0.0, 1.0), TILTED):
        figures = inside_of(mesh, up=up)
        assert figures.cavities == 0
        assert set(verdicts(figures).values()) == {"pass"}


# Sealed -------------------------------------------------------------------------------------------


@VAT
def test_a_sealed_cavity_keeps_all_it_holds(vat: str) -> None:
    figures = inside_of(box_with_cavity(20.0, 3.0).mesh, vat=vat)
    assert (figures.cavities, figures.sealed, figures.drains_mm) == (1, 1, ())
    # A cube of 14 mm; its volume comes from the mesh, to rounding.
    assert figures.trapped_mm3 == pytest.approx(2744.0, rel=1e-9)
    assert figures.trapped_turned_mm3 == pytest.approx(2744.0, rel=1e-9)
    assert figures.solid_mm3 == pytest.approx(8000.0, rel=1e-9)
    if vat == "bottom-up":
        # While it is built it is a cup against the film, from its floor on.
        assert figures.suction_from_mm == pytest.approx(3.0, abs=1e-9)
        assert figures.suction_mm3 == pytest.approx(2744.0, rel=0.01)
        assert figures.suction_area_mm2 == pytest.approx(196.0, rel=0.01)
    else:
        assert figures.suction_mm3 == 0.0
    found = verdicts(figures, vat=vat)
    assert found["sealed_cavities"] == ("pass" if vat == "none" else "fail")
    assert ("suction" in found) == (vat == "bottom-up")


def test_shells_in_shells_are_told_apart() -> None:
    nested = joined(shell(14.0, 2.0, 3).mesh, moved(shell(8.0, 2.0, 3).mesh, (0.0, 0.0, 0.0)))
    figures = inside_of(nested)
    # Between the shells, and inside the inner one.
    assert (figures.cavities, figures.sealed) == (2, 2)
    empty = [
        abs(float(np.linalg.det(sphere(radius, 3).mesh.corners()).sum()) / 6.0) for radius in (12.0, 8.0, 6.0)
    ]
    assert figures.solid_mm3 is not None
    assert figures.sealed_mm3 == pytest.approx(empty[0] + empty[2], rel=1e-6)


def test_a_planted_bubble_is_a_sealed_cavity() -> None:
    figures = inside_of(make_arch(ArchForm.invent("upper", 7), faults=(faults.SealedVoid(26, 3.0),)))
    assert (figures.cavities, figures.sealed) == (1, 1)
    assert figures.trapped_mm3 == pytest.approx(np.pi / 6.0 * 27.0, rel=0.1)
    assert verdicts(figures)["sealed_cavities"] == "fail"


# One hole of known width --------------------------------------------------------------------------


@pytest.mark.parametrize("diameter", [0.5, 0.6, 0.8, 1.3, 2.0, 4.0])
@pytest.mark.parametrize("up", [(0.0, 0.0, 1.0), TILTED])
def test_a_hole_s_width_is_the_way_out(diameter: float, up: tuple[float, float, float]) -> None:
    figures = inside_of(box_with_hole(20.0, 3.0, diameter).mesh, up=up)
    assert (figures.cavities, figures.sealed, figures.openings) == (1, 0, (1,))
    assert figures.drain_min_mm == pytest.approx(diameter, abs=0.02)
    assert figures.cavity_mm3 == pytest.approx(2744.0, rel=0.01)
    assert verdicts(figures)["drain"] == ("pass" if diameter >= 2.0 else "review")


def test_a_way_too_narrow_to_be_measured_is_no_guess() -> None:
    figures = inside_of(box_with_hole(20.0, 3.0, 0.2).mesh)
    assert (figures.cavities, figures.sealed, figures.drains_mm) == (1, 0, (None,))
    assert figures.drain_min_mm is None
    assert figures.drain_narrower_mm == pytest.approx(0.6)
    (row,) = (row for row in inside.judge(figures, CheckRequest(), SHIPPED) if row.name == "drain")
    assert (row.verdict, row.value) == ("review", None)
    assert "narrower than 0.6 mm" in row.sentence
    # Nothing runs through it, whichever way it is held.
    assert figures.trapped_turned_mm3 == pytest.approx(2744.0, rel=0.01)
    assert verdicts(figures)["trapped"] == "fail"


def test_two_cavities_have_a_drain_each() -> None:
    two = joined(
        box_with_hole(20.0, 3.0, 4.0).mesh, moved(box_with_hole(20.0, 3.0, 1.5).mesh, (40.0, 0.0, 0.0))
    )
    figures = inside_of(two)
    assert (figures.cavities, figures.openings) == (2, (1, 1))
    assert sorted(figures.drains_mm) == pytest.approx([1.5, 4.0], abs=0.02)
    assert figures.drain_min_mm == min(figures.drains_mm)


@VAT
@pytest.mark.parametrize("opens", ["top", "bottom"])
def test_liquid_runs_the_way_the_vat_says(vat: str, opens: str) -> None:
    figures = inside_of(box_with_hole(20.0, 3.0, 4.0, opens=opens).mesh, vat=vat)
    # Bottom-up, the part hangs: down is away from the platform. The platform itself shuts a hole below.
    runs_out = opens == "top" and vat == "bottom-up"
    assert figures.trapped_mm3 == pytest.approx(0.0 if runs_out else 2744.0, rel=0.01, abs=1.0)
    assert figures.trapped_turned_mm3 == pytest.approx(0.0, abs=1.0)
    if not runs_out:
        assert figures.drain_turn is not None
        assert figures.drain_turn[2] == pytest.approx(1.0 if opens == "top" else -1.0, abs=0.05)
    assert verdicts(figures, vat=vat).get("trapped", "pass") == "pass"


def test_each_cavity_is_turned_the_way_that_drains_it() -> None:
    other = moved(box_with_hole(20.0, 3.0, 4.0, opens="bottom").mesh, (40.0, 0.0, 0.0))
    figures = inside_of(joined(box_with_hole(20.0, 3.0, 4.0).mesh, other))
    # Hanging, one drains and the other does not; no single turn empties both, one each does.
    assert figures.trapped_mm3 == pytest.approx(2744.0, rel=0.01)
    assert figures.trapped_turned_mm3 == pytest.approx(0.0, abs=2.0)


def test_what_no_turn_frees_is_told() -> None:
    """A pipe of 9 mm that rises from the floor's hole into the cavity: a weir, whichever way it is held."""
    figures = inside_of(weir(), vat="top-down")
    assert (figures.cavities, figures.sealed) == (1, 0)
    # Pipe down, what stands as high as the pipe stays: 14 x 14 less the pipe's square of 6, 9 high. Lying on
    # an edge it is the least, what lies below the pipe's mouth: a prism of about 700 mm3.
    assert figures.trapped_turned_mm3 is not None
    assert 0.3 * 9.0 * 160.0 < figures.trapped_turned_mm3 <= 1.02 * 9.0 * 160.0
    assert verdicts(figures, vat="top-down")["trapped"] == "fail"


def weir() -> Mesh:
    """A cube of 20 with a cavity of 14, and a square pipe (4 wide inside, 6 outside) that rises 9 mm from a
    hole in the floor."""
    manifold = pytest.importorskip("manifold3d")

    def block(side: float, low: float, high: float) -> object:
        return manifold.Manifold.cube([side, side, high - low]).translate([-side / 2, -side / 2, low])

    made = block(20.0, 0.0, 20.0) - (block(14.0, 3.0, 17.0) - block(6.0, 2.0, 12.0)) - block(4.0, -1.0, 13.0)
    mesh = made.to_mesh64() if hasattr(made, "to_mesh64") else made.to_mesh()
    return Mesh(
        np.ascontiguousarray(mesh.vert_properties[:, :3], dtype=np.float64),
        np.ascontiguousarray(mesh.tri_verts, dtype=np.int32),
    )


# Bowls --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("opens", "seals_at"), [("up", 2.0), ("down", 0.0)])
def test_a_bowl_is_a_suction_pocket_either_way_up_on_the_platform(opens: str, seals_at: float) -> None:
    solid = bowl(opens=opens)
    held = solid.known["cavity_mm3"]
    figures = inside_of(solid.mesh)
    assert figures.suction_mm3 == pytest.approx(held, rel=0.01)
    assert figures.suction_from_mm == pytest.approx(seals_at, abs=1e-6)
    assert figures.suction_area_mm2 == pytest.approx(np.pi * 100.0, rel=0.02)
    assert verdicts(figures)["suction"] == "review"
    assert figures.cavity_mm3 == pytest.approx(held, rel=0.01)
    # Opening away from the platform it drains by itself while it hangs, and holds its fill when it stands.
    assert figures.trapped_mm3 == pytest.approx(0.0 if opens == "up" else held, rel=0.01, abs=1.0)
    standing = inside_of(solid.mesh, vat="top-down")
    assert standing.trapped_mm3 == pytest.approx(held, rel=0.01)
    assert standing.trapped_turned_mm3 == pytest.approx(0.0, abs=1.0)
    assert standing.suction_mm3 == 0.0


def test_a_bowl_on_feet_that_opens_down_shuts_nothing_in() -> None:
    feet = [moved(box(2.0, 2.0, 3.5).mesh, (11.0 * np.cos(t), 11.0 * np.sin(t), -3.0)) for t in (0, 2, 4)]
    figures = inside_of(joined(bowl(opens="down").mesh, *feet))
    assert figures.suction_mm3 == 0.0
    assert verdicts(figures)["suction"] == "pass"


def test_a_ring_on_the_platform_shuts_in_what_it_surrounds() -> None:
    """By the definition: a closed ring, the platform on one side and the film on the other."""
    figures = inside_of(torus(10.0, 3.0).mesh)
    assert figures.cavities == 0
    assert figures.suction_from_mm == pytest.approx(0.0, abs=1e-6)
    # Between the torus and its axis: pi h R^2 less the torus's inner half, 6 pi 10^2 - (9 pi^2 10 - 36 pi).
    assert figures.suction_mm3 == pytest.approx(600 * np.pi - 90 * np.pi**2 + 36 * np.pi, rel=0.02)


def test_small_or_shallow_rooms_are_left_out_by_the_limits() -> None:
    small = bowl(3.5, 4.0, 1.0).mesh
    assert inside_of(small).pockets == ()
    strict = SHIPPED.changed({"suction_area_min": 0.1}, name="strict", version="2", source="test")
    assert len(inside.compute(subject_of(small), strict).pockets) == 1
    shallow = bowl(12.0, 1.9, 2.0).mesh
    assert inside_of(shallow).pockets == ()
    assert len(inside_of(bowl(12.0, 2.4, 2.0).mesh).pockets) == 1


# Arches -------------------------------------------------------------------------------------------

FORM = ArchForm.invent("upper", 3)
OPEN = make_arch(FORM, body="open-bottomed")


def raised(mesh: Mesh, by_mm: float = 3.0) -> Mesh:
    """The model on stubs, as on supports."""
    rim = mesh.vertices[mesh.vertices[:, 2] < 0.01]
    stubs = [moved(box(2.0, 2.0, by_mm + 0.5).mesh, (x, y, -by_mm)) for x, y in rim[::60, :2]]
    return joined(mesh, *stubs)


def room_under(mesh: Mesh) -> float:
    """Volume (mm3) between an open-bottomed arch's inner skin and the platform: its flux through the faces
    that are not of the outer skin, found by taking the flat rim away."""
    import trimesh

    flat = (np.abs(mesh.corners()[:, :, 2]) < 1e-9).all(axis=1)
    pieces = trimesh.Trimesh(mesh.vertices, mesh.faces[~flat], process=False).split(only_watertight=False)
    rooms = []
    for piece in pieces:
        corners = piece.triangles
        vectors = 0.5 * np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        rooms.append(-float((vectors[:, 2] * corners[:, :, 2].mean(axis=1)).sum()))
    return max(rooms)


def test_an_open_bottomed_arch_straight_on_the_platform_is_a_suction_pocket() -> None:
    room, figures = room_under(OPEN), inside_of(OPEN)
    assert (figures.cavities, figures.sealed, figures.openings) == (1, 0, (1,))
    assert figures.suction_mm3 == pytest.approx(room, rel=0.01)
    assert figures.suction_from_mm == pytest.approx(0.0, abs=1e-6)
    assert figures.cavity_mm3 == pytest.approx(room, rel=0.01)
    assert figures.trapped_mm3 == pytest.approx(room, rel=0.01)
    assert figures.trapped_turned_mm3 == pytest.approx(0.0, abs=0.005 * room)
    found = verdicts(figures)
    assert found["suction"] == "review"
    assert (found["sealed_cavities"], found["drain"], found["trapped"]) == ("pass", "pass", "pass")


def test_raised_or_vented_or_in_a_top_down_vat_it_is_none() -> None:
    vented = make_arch(FORM, body="open-bottomed", drains=(faults.CavityOpening(26, 3.0),))
    for mesh, vat in ((raised(OPEN), "bottom-up"), (vented, "bottom-up"), (OPEN, "top-down"), (OPEN, "none")):
        figures = inside_of(mesh, vat=vat)
        assert figures.suction_mm3 == 0.0
        assert figures.suction_from_mm is None
        assert verdicts(figures, vat=vat).get("suction", "pass") == "pass"


def test_turned_round_it_opens_toward_the_film() -> None:
    figures = inside_of(OPEN, up=(0.0, 0.0, -1.0))
    # The teeth are on the platform now and the roof of the room is its floor; it drains as it hangs.
    assert figures.suction_mm3 == pytest.approx(room_under(OPEN), rel=0.01)
    assert figures.suction_from_mm is not None and figures.suction_from_mm > 2.0
    assert figures.trapped_mm3 == pytest.approx(0.0, abs=1.0)


@pytest.mark.parametrize("diameter", [1.2, 3.0])
def test_a_planted_opening_is_found_with_its_width(diameter: float) -> None:
    drained = make_arch(FORM, body="hollow", drains=(faults.CavityOpening(26, diameter),))
    figures = inside_of(drained)
    assert (figures.cavities, figures.sealed, figures.openings) == (1, 0, (1,))
    assert figures.drain_min_mm == pytest.approx(diameter, abs=0.1)
    assert verdicts(figures)["drain"] == ("pass" if diameter > 2.0 else "review")
    closed = inside_of(make_arch(FORM, body="hollow"))
    assert (closed.sealed, closed.openings) == (1, ())
    assert figures.cavity_mm3 == pytest.approx(closed.cavity_mm3, rel=0.02)
    assert verdicts(closed)["sealed_cavities"] == "fail"


def test_two_drains_of_one_cavity_are_counted() -> None:
    both = (faults.CavityOpening(26, 3.0), faults.CavityOpening(16, 2.0))
    figures = inside_of(make_arch(FORM, body="hollow", drains=both))
    assert (figures.cavities, figures.openings) == (1, (2,))
    # The widest way out counts: it is what a drop needs.
    assert figures.drain_min_mm == pytest.approx(3.0, abs=0.1)


# Poses and triangles ------------------------------------------------------------------------------


def test_figures_do_not_depend_on_pose_or_triangles() -> None:
    mesh = make_arch(ArchForm.invent("lower", 5), body="open-bottomed")
    plain = inside_of(mesh)
    others = [
        inside_of(turned(mesh, (0, 0, 1), 73.0)),
        inside_of(moved(mesh, (31.0, -17.0, 5.0))),
        inside_of(subdivided(mesh)),
        inside_of(turned(mesh, (1, 0, 0), 90.0), up=(0.0, -1.0, 0.0)),
    ]
    for other in others:
        assert (other.cavities, other.sealed, other.openings) == (
            plain.cavities,
            plain.sealed,
            plain.openings,
        )
        for name in ("suction_mm3", "cavity_mm3", "trapped_mm3", "solid_mm3"):
            assert getattr(other, name) == pytest.approx(getattr(plain, name), rel=0.01), name
        assert other.suction_from_mm == pytest.approx(0.0, abs=1e-6)
        assert other.drain_min_mm == pytest.approx(plain.drain_min_mm, abs=0.6)
        assert other.trapped_turned_mm3 == pytest.approx(plain.trapped_turned_mm3, abs=20.0)


@settings(max_examples=6, deadline=None, phases=(Phase.explicit, Phase.reuse, Phase.generate))
@example(turn=0.4863, x=35.796, y=50.0, z=0.0, diameter=1.479, up=(0.3, -0.6, 0.7))
@given(
    turn=st.floats(0.0, 360.0),
    x=st.floats(-50.0, 50.0),
    y=st.floats(-50.0, 50.0),
    z=st.floats(-50.0, 50.0),
    diameter=st.floats(0.6, 6.0),
    up=st.sampled_from([(0.0, 0.0, 1.0), (0.0, 0.0, -1.0), (1.0, 0.0, 0.0), (0.3, -0.6, 0.7)]),
)
def test_a_hole_keeps_its_width_and_its_cavity_wherever_it_is(
    turn: float, x: float, y: float, z: float, diameter: float, up: tuple[float, float, float]
) -> None:
    mesh = moved(turned(box_with_hole(20.0, 3.0, diameter).mesh, (0, 0, 1), turn), (x, y, z))
    figures = inside_of(mesh, up=up)
    assert (figures.cavities, figures.sealed, figures.openings) == (1, 0, (1,))
    assert figures.drain_min_mm == pytest.approx(diameter, abs=0.05)
    # How much of the bore counts as room depends on how its mouth lies.
    bore_mm3 = np.pi / 4.0 * diameter**2 * 3.0
    assert 0.99 * 2744.0 <= figures.cavity_mm3 <= 1.01 * (2744.0 + bore_mm3)
    assert figures.trapped_turned_mm3 == pytest.approx(0.0, abs=2.0)


def test_the_direction_to_drain_is_given_in_the_file_s_own_frame() -> None:
    stood = box_with_hole(20.0, 3.0, 4.0, opens="bottom").mesh
    laid = turned(stood, (1.0, 0.0, 0.0), 90.0)
    hole = np.array([0.0, 1.0, 0.0]) if _hole_at(laid, 1) else np.array([0.0, -1.0, 0.0])
    figures = inside_of(laid, vat="top-down", up=(0.0, 0.0, 1.0))
    assert figures.trapped_turned_mm3 == pytest.approx(0.0, abs=1.0)
    assert figures.drain_turn is not None
    assert float(figures.drain_turn @ hole) > 0.7


def _hole_at(mesh: Mesh, axis: int) -> bool:
    """Whether the round hole lies at the high end of an axis: most vertices do."""
    along = mesh.vertices[:, axis]
    return bool((along > along.max() - 1.0).sum() > (along < along.min() + 1.0).sum())


# What cannot be told, and what is shown -----------------------------------------------------------


@pytest.mark.parametrize(
    ("mesh", "why"),
    [
        (Mesh(box().mesh.vertices, box().mesh.faces[1:]), "open"),
        (flipped(box().mesh), "wrong way"),
    ],
)
def test_without_an_inside_it_is_unknown_with_the_reason(mesh: Mesh, why: str) -> None:
    figures = inside_of(mesh)
    assert why in str(figures.refused)
    shown = inside.figures_json(figures)
    for name in ("cavities", "sealed_cavities", "drain_min_mm", "trapped_ml", "trapped_after_turning_ml",
                 "suction_pocket_ml", "suction_from_mm", "solid_volume_ml"):  # fmt: skip
        assert shown[name] is None
    assert set(verdicts(figures).values()) == {"unknown"}
    assert inside.maps(figures) == ()


def test_maps_show_what_lines_a_cavity_and_a_pocket() -> None:
    result = check_design(read_mesh(writers.write_ply(OPEN)), CheckRequest(), SHIPPED)
    json.dumps(result.as_json())
    by_name = {one.name: one for one in surface_maps(result)}
    inner = by_name["cavity"].values
    assert np.nanmin(inner) == pytest.approx(result.figures["drain_min_mm"], abs=1e-4)
    suction = by_name["suction"]
    lined = np.isfinite(suction.values)
    assert np.nanmax(suction.values) == pytest.approx(0.0, abs=1e-6)
    assert suction.places[0, 3] == pytest.approx(0.0, abs=1e-6)
    # The inner skin is lined, the outer skin and the teeth are not.
    figures = result.groups["walls"]
    both = np.isfinite(figures.vertex_mm)
    assert lined.sum() > 0.8 * np.isfinite(inner).sum()
    assert (lined & both).sum() > 0.9 * lined.sum()
    assert not lined[OPEN.vertices[:, 2] > OPEN.vertices[:, 2].max() - 2.0].any()
    assert result.profile is not None
    assert result.profile.as_json()["suction_heights_mm"] == pytest.approx([0.0], abs=1e-6)


def test_a_sealed_cavity_s_lining_is_shown_as_without_a_way_out() -> None:
    figures = inside_of(box_with_cavity(20.0, 3.0).mesh, vat="top-down")
    (shown,) = inside.maps(figures)
    assert shown.name == "cavity"
    assert np.flatnonzero(np.isfinite(shown.values)).tolist() == list(range(8, 16))
    assert np.nanmax(shown.values) == 0.0
