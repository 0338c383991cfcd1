"""Walls: solid or hollow, by ray and by inscribed sphere, against closed forms and planted thin spots."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from fixtures.meshes import ArchForm, faults, make_arch
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
    wedge,
)
from qa.geometry import walls
from qa.geometry.limits import SHIPPED
from qa.geometry.mesh import Mesh
from qa.geometry.sampling import face_normals_and_areas
from qa.geometry.subject import CheckRequest
from qa.geometry.tree import build
from qa.geometry.walls import WallFigures, measure, ray_walls
from tests.qa.geometry.scenes import TILTED, subject_of


def walls_of(mesh: Mesh, **request: object) -> WallFigures:
    return walls.compute(subject_of(mesh, **request), SHIPPED)


def verdict(figures: WallFigures) -> str:
    (row,) = walls.judge(figures, CheckRequest(), SHIPPED)
    assert row.sentence.endswith(".")
    return row.verdict


SOLIDS = {
    "box": box().mesh,
    "ball": sphere().mesh,
    "torus": torus().mesh,
    "wedge": wedge().mesh,
    "stepped cone": stepped_cone().mesh,
    "slab": tilted_slab().mesh,
    "incisor": incisor(),
    "two balls that overlap": joined(sphere(8.0, 3).mesh, moved(sphere(8.0, 3).mesh, (6.0, 0.0, 0.0))),
    "arch": make_arch(ArchForm.invent("upper", 3)),
    "arch with a bar": make_arch(ArchForm.invent("lower", 3), cross_arch="bar"),
    "arch with a plate": make_arch(ArchForm.invent("upper", 4), cross_arch="plate"),
}


@pytest.mark.parametrize("name", SOLIDS)
@pytest.mark.parametrize("up", [(0.0, 0.0, 1.0), TILTED])
def test_solid_parts_have_no_walls_and_raise_no_alarm(name: str, up: tuple[float, float, float]) -> None:
    figures = walls_of(SOLIDS[name], up=up)
    assert figures.hollow is False
    assert figures.sphere.least_mm is None
    assert np.isnan(figures.vertex_mm).all()
    assert walls.maps(figures) == ()
    assert verdict(figures) == "pass"


def slot_block() -> Mesh:
    """A block with a through slot 4 mm wide, its sides 1.2 mm thick: a prism of a U outline."""
    outline = [(0, 0), (6.4, 0), (6.4, 10), (5.2, 10), (5.2, 3), (1.2, 3), (1.2, 10), (0, 10)]
    front = [(x, 0.0, z) for x, z in outline]
    back = [(x, 20.0, z) for x, z in outline]
    caps = [(0, 1, 4), (0, 4, 5), (1, 2, 3), (1, 3, 4), (0, 5, 6), (0, 6, 7)]
    faces = [*caps, *[(a + 8, c + 8, b + 8) for a, b, c in caps]]
    for i in range(8):
        j = (i + 1) % 8
        faces += [(j, i, i + 8), (j, i + 8, j + 8)]
    return Mesh(np.array(front + back, dtype=np.float64), np.array(faces, dtype=np.int32))


def test_a_slot_is_no_void() -> None:
    assert walls_of(slot_block()).hollow is False


HOLLOW = {
    "shell": (shell(10.0, 2.0, 4).mesh, 2.0, 0.01),
    "coarse shell": (shell(10.0, 2.0, 3).mesh, 2.0, 0.02),
    "box with a sealed cavity": (box_with_cavity(20.0, 3.0).mesh, 3.0, 1e-9),
    "box with a hole": (box_with_hole(20.0, 3.0, 4.0).mesh, 3.0, 1e-9),
    "box with a hole below": (box_with_hole(20.0, 2.5, 3.0, opens="bottom").mesh, 2.5, 1e-9),
    "bowl": (bowl().mesh, 2.0, 0.002),
    "bowl upside down": (bowl(opens="down").mesh, 2.0, 0.002),
}


@pytest.mark.parametrize("name", HOLLOW)
@pytest.mark.parametrize("up", [(0.0, 0.0, 1.0), TILTED])
def test_a_shell_has_its_wall_by_ray_and_by_sphere(name: str, up: tuple[float, float, float]) -> None:
    mesh, wall, within = HOLLOW[name]
    figures = walls_of(mesh, up=up)
    assert figures.hollow is True
    for numbers in (figures.ray, figures.sphere):
        assert numbers.least_mm == pytest.approx(wall, abs=within)
        assert numbers.p01_mm == pytest.approx(wall, abs=within)
        assert numbers.p05_mm == pytest.approx(wall, abs=within)
    shown = figures.vertex_mm[np.isfinite(figures.vertex_mm)]
    assert shown.min() == pytest.approx(wall, abs=within)
    json.dumps(walls.figures_json(figures), default=lambda array: array.tolist())


def test_area_under_the_limit_is_the_inner_skin_s() -> None:
    figures = walls_of(shell(10.0, 1.5, 4).mesh)
    assert figures.sphere.below_cm2 == pytest.approx(4.0 * np.pi * 8.5**2 / 100.0, rel=0.02)
    assert figures.sphere.far_below_cm2 == 0.0
    assert verdict(figures) == "review"
    assert verdict(walls_of(shell(10.0, 0.8, 4).mesh)) == "fail"


@pytest.mark.parametrize("body", ["hollow", "open-bottomed"])
@pytest.mark.parametrize("seed", range(3))
def test_hollow_arches_have_the_wall_they_were_made_with(body: str, seed: int) -> None:
    mesh = make_arch(ArchForm.invent(("upper", "lower")[seed % 2], seed), body=body)  # type: ignore[arg-type]
    figures = walls_of(mesh)
    assert figures.hollow is True
    assert figures.sphere.p05_mm == pytest.approx(2.5, abs=0.12)
    assert figures.sphere.below_cm2 == 0.0
    assert verdict(figures) == "pass"


@pytest.mark.parametrize("body", ["hollow", "open-bottomed"])
def test_a_planted_thin_spot_is_found_and_placed(body: str) -> None:
    form = ArchForm.invent("upper", 3)
    figures = walls_of(make_arch(form, body=body, faults=(faults.ThinSpot(26, 0.8, 3.0),)))  # type: ignore[arg-type]
    clean = make_arch(form, body=body)  # type: ignore[arg-type]
    assert figures.sphere.least_mm == pytest.approx(0.8, abs=0.05)
    assert figures.ray.least_mm == pytest.approx(0.8, abs=0.05)
    assert verdict(figures) == "fail"
    assert figures.place is not None
    # By tooth 26, on the cheek side: the patient's left is +x, and the spot's middle is a known vertex.
    middle = clean.vertices[np.argmin(np.linalg.norm(clean.vertices - figures.place, axis=1))]
    assert np.linalg.norm(figures.place - middle) < 1.5
    assert figures.place[0] > 20.0
    (shown,) = walls.maps(figures)
    assert float(np.nanmin(shown.values)) == pytest.approx(0.8, abs=0.05)
    assert shown.places[0, 3] == pytest.approx(figures.sphere.least_mm)


def test_the_place_is_given_in_the_file_s_own_frame() -> None:
    thin = joined(box(20.0, 20.0, 20.0).mesh, flipped(moved(box(12.0, 12.0, 12.0).mesh, (2.5, 0.0, 4.0))))
    for shift in ((0.0, 0.0, 0.0), (100.0, -40.0, 7.0)):
        figures = walls_of(moved(thin, shift), up=(1.0, 0.0, 0.0))
        assert figures.sphere.least_mm == pytest.approx(1.5, abs=1e-6)
        assert figures.place is not None
        local = figures.place - np.array(shift)
        assert local[0] == pytest.approx(8.5, abs=1e-6) or local[0] == pytest.approx(10.0, abs=1e-6)


def test_figures_do_not_depend_on_pose_or_triangles() -> None:
    mesh = make_arch(ArchForm.invent("lower", 5), body="open-bottomed", faults=(faults.ThinSpot(36, 1.2),))
    plain = walls_of(mesh)
    others = [
        walls_of(turned(mesh, (0, 0, 1), 73.0)),
        walls_of(moved(mesh, (31.0, -17.0, 5.0))),
        walls_of(subdivided(mesh)),
        walls_of(turned(mesh, (1, 0, 0), 90.0), up=(0.0, -1.0, 0.0)),
    ]
    for other in others:
        assert other.sphere.least_mm == pytest.approx(plain.sphere.least_mm, abs=0.03)
        assert other.sphere.p01_mm == pytest.approx(plain.sphere.p01_mm, abs=0.12)
        assert other.sphere.p05_mm == pytest.approx(plain.sphere.p05_mm, abs=0.02)
        assert other.sphere.below_cm2 == pytest.approx(plain.sphere.below_cm2, rel=0.08)


def test_ray_and_sphere_part_in_a_wedge_by_the_known_factor() -> None:
    # From the level face at height t below the ramp of angle a: the ray is t, the sphere
    # 2 t cos a / (1 + cos a), since it touches the ramp at the bisector.
    solid = wedge(20.0, 12.0, 10.0)
    angle = np.radians(solid.known["angle_deg"])
    tree, (normals, _) = build(solid.mesh), face_normals_and_areas(solid.mesh)
    level = np.flatnonzero(normals[:, 2] < -0.99)
    for x in (6.0, 10.0, 14.0):
        points = np.array([[x, 6.0, 0.0]])
        found = measure(tree, normals, points, level[:1].astype(np.int32))
        height = x * np.tan(angle)
        assert found.ray_mm[0] == pytest.approx(height, rel=1e-9)
        assert found.sphere_mm[0] == pytest.approx(2 * height * np.cos(angle) / (1 + np.cos(angle)), rel=1e-6)


def test_ray_and_sphere_agree_in_a_slot_s_sides_and_part_at_its_foot() -> None:
    mesh = slot_block()
    tree, (normals, _) = build(mesh), face_normals_and_areas(mesh)
    side = np.flatnonzero((normals[:, 0] < -0.99) & (mesh.corners()[:, :, 0].max(axis=1) < 0.1))[:1]
    high, low = np.array([[0.0, 10.0, 8.0]]), np.array([[0.0, 10.0, 2.5]])
    at_side = measure(tree, normals, high, side.astype(np.int32))
    assert at_side.ray_mm[0] == pytest.approx(1.2, abs=1e-9)
    assert at_side.sphere_mm[0] == pytest.approx(1.2, abs=1e-9)
    # Half a millimetre below the slot's floor the ray runs through the whole foot; the sphere is held by
    # the slot's edge at (1.2, 0.5) from the place: |d|^2 / (d . m).
    at_foot = measure(tree, normals, low, side.astype(np.int32))
    assert at_foot.ray_mm[0] == pytest.approx(6.4, abs=1e-9)
    assert at_foot.sphere_mm[0] == pytest.approx((1.2**2 + 0.5**2) / 1.2, rel=1e-9)


@pytest.mark.parametrize("detail", [3, 4])
def test_the_sphere_does_not_collapse_on_a_faceted_shell(detail: int) -> None:
    mesh = shell(10.0, 2.0, detail).mesh
    tree, (normals, areas) = build(mesh), face_normals_and_areas(mesh)
    points = mesh.corners().mean(axis=1)
    found = measure(tree, normals, points, np.arange(len(points), dtype=np.int32))
    assert found.sphere_mm.min() > 1.95
    assert np.all(found.sphere_mm <= found.ray_mm + 1e-9)
    # Without the angle the textbook sphere shrinks on the neighbouring facets.
    textbook = measure(tree, normals, points, np.arange(len(points), dtype=np.int32), contact_deg=10.0)
    assert np.median(textbook.sphere_mm) <= np.median(found.sphere_mm)
    assert areas.sum() > 0


def test_rays_start_from_the_face_and_name_what_they_meet() -> None:
    mesh = box_with_cavity(20.0, 3.0).mesh
    tree, (normals, _) = build(mesh), face_normals_and_areas(mesh)
    points = mesh.corners()[12:].mean(axis=1)
    faces = np.arange(12, 24, dtype=np.int32)
    distance, met = ray_walls(tree, points, normals[faces], faces)
    assert distance == pytest.approx(np.full(12, 3.0))
    assert np.all(met < 12)


@pytest.mark.parametrize(
    ("mesh", "why"),
    [
        (Mesh(box().mesh.vertices, box().mesh.faces[1:]), "open"),
        (flipped(box().mesh), "wrong way"),
    ],
)
def test_without_an_inside_walls_are_unknown(mesh: Mesh, why: str) -> None:
    figures = walls_of(mesh)
    assert figures.hollow is None
    assert verdict(figures) == "unknown"
    assert why in str(figures.refused)


def test_a_small_bubble_in_a_solid_arch_has_a_wall_of_its_own() -> None:
    figures = walls_of(make_arch(ArchForm.invent("upper", 7), faults=(faults.SealedVoid(26, 3.0),)))
    assert figures.hollow is True
    assert figures.sphere.least_mm is not None
    assert figures.sphere.least_mm > 2.0


# Beside a drain -----------------------------------------------------------------------------------

BORED = make_arch(
    ArchForm.invent("upper", 1),
    body="hollow",
    target_triangles=20_000,
    drains=(faults.CavityOpening(11, 2.0),),
)


@pytest.fixture(scope="module")
def bored() -> WallFigures:
    return walls_of(BORED)


@settings(max_examples=6, deadline=None, phases=(Phase.explicit, Phase.reuse, Phase.generate))
@given(
    turn=st.floats(0.0, 360.0),
    x=st.floats(-50.0, 50.0),
    y=st.floats(-50.0, 50.0),
)
def test_the_thinnest_wall_beside_a_bore_is_the_same_however_the_part_is_turned(
    turn: float, x: float, y: float, bored: WallFigures
) -> None:
    found = walls_of(moved(turned(BORED, (0, 0, 1), turn), (x, y, 0.0)))
    assert found.sphere.least_mm == pytest.approx(bored.sphere.least_mm, abs=0.05)
    # Drawn with a wall of 2.5 mm: nothing near half of it is there to be found.
    assert bored.sphere.least_mm is not None and bored.sphere.least_mm > 2.1


def test_a_thin_spot_beside_a_bore_is_still_found() -> None:
    thin = faults.ThinSpot(12, 0.6)
    mesh = make_arch(
        ArchForm.invent("upper", 1), body="hollow", target_triangles=20_000,
        drains=(faults.CavityOpening(11, 2.0),), faults=(thin,),
    )  # fmt: skip
    least = walls_of(mesh).sphere.least_mm
    assert least == pytest.approx(0.6, abs=0.1)
