"""Edges, bodies, nesting and crossings are counted as they are."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fixtures.meshes import ArchForm, make_arch
from fixtures.meshes.solids import box, flipped, joined, moved, shell, sphere, subdivided, torus, turned
from qa.geometry.borders import find_borders
from qa.geometry.crossings import find_crossings
from qa.geometry.merge import distinct_rows, merge_indexed
from qa.geometry.mesh import FloatArray, Mesh
from qa.geometry.nesting import nest
from qa.geometry.topology import area_vectors, body_sums, connect


def merged(*meshes: Mesh) -> Mesh:
    whole = joined(*meshes)
    return Mesh(*merge_indexed(whole.vertices, whole.faces))


def volumes(mesh: Mesh) -> FloatArray:
    topology = connect(mesh)
    vectors = area_vectors(mesh.vertices, mesh.faces)
    sums = body_sums(mesh.vertices, mesh.faces, vectors, topology.body, topology.bodies, np.zeros(3))
    return np.asarray(sums[0])


def depths(mesh: Mesh) -> list[int]:
    return [int(depth) for depth in nest(mesh, connect(mesh), volumes(mesh)).depth]


@pytest.mark.parametrize("mesh", [box().mesh, torus().mesh, sphere(5.0, 3).mesh])
def test_a_sound_solid_has_nothing_to_count(mesh: Mesh) -> None:
    topology = connect(mesh)
    assert topology.bodies == 1
    assert topology.watertight
    assert topology.closed
    assert topology.open_edges == topology.nonmanifold_edges == topology.mixed_edges == 0
    halves = np.arange(len(topology.twin))
    assert (topology.twin[topology.twin] == halves).all()


def test_a_missing_triangle_opens_three_edges() -> None:
    mesh = box().mesh
    topology = connect(Mesh(mesh.vertices, mesh.faces[1:]))
    assert topology.open_edges == 3
    assert not topology.watertight
    assert not topology.closed


def test_a_turned_triangle_is_mixed_winding_not_a_hole() -> None:
    mesh = box().mesh
    faces = mesh.faces.copy()
    faces[0] = faces[0, ::-1]
    topology = connect(Mesh(mesh.vertices, faces))
    assert topology.mixed_edges == 3
    assert topology.open_edges == 0
    assert not topology.closed


def test_boxes_that_share_an_edge_branch_but_bound_a_volume() -> None:
    mesh = merged(box(2, 2, 2).mesh, moved(box(2, 2, 2).mesh, (2, 2, 0)))
    topology = connect(mesh)
    assert topology.nonmanifold_edges == 1
    assert not topology.watertight
    assert topology.closed
    assert volumes(mesh).sum() == pytest.approx(16.0)


def test_a_face_with_one_corner_twice_takes_no_part() -> None:
    mesh = box().mesh
    topology = connect(Mesh(mesh.vertices, np.vstack([mesh.faces, [[0, 1, 1]]]).astype(np.int32)))
    assert topology.collapsed == 1
    assert topology.watertight


def test_an_edge_of_very_many_faces_ends_quickly() -> None:
    count = 40_000
    angles = np.linspace(0, 1, count)
    rim = np.column_stack([np.cos(angles), np.sin(angles), np.zeros(count)])
    vertices = np.vstack([[[0, 0, 0], [0, 0, 1]], rim])
    faces = np.column_stack([np.zeros(count), np.ones(count), np.arange(count) + 2]).astype(np.int32)
    topology = connect(Mesh(vertices, faces))
    assert topology.nonmanifold_edges == 1
    assert topology.bodies == 1


def test_shells_in_shells_are_told_by_depth() -> None:
    nested = joined(
        sphere(20.0, 3).mesh, flipped(sphere(15.0, 3).mesh), sphere(10.0, 3).mesh,
        moved(sphere(3.0, 2).mesh, (40.0, 0.0, 0.0)),
    )  # fmt: skip
    assert depths(nested) == [0, 1, 2, 0]


def test_overlap_is_not_nesting() -> None:
    assert depths(joined(sphere(10.0, 3).mesh, moved(sphere(5.0, 3).mesh, (9.0, 0.0, 0.0)))) == [0, 0]


def test_an_open_body_holds_nothing() -> None:
    outer = sphere(20.0, 3).mesh
    opened = Mesh(outer.vertices, outer.faces[1:])
    assert depths(joined(opened, sphere(5.0, 2).mesh)) == [0, 0]


def test_a_shell_has_the_volume_between_its_skins() -> None:
    solid = shell(10.0, 2.0, 4)
    assert volumes(solid.mesh).sum() == pytest.approx(solid.known["polyhedron_volume_mm3"], rel=1e-12)


@settings(max_examples=20, deadline=None)
@given(
    shift=st.tuples(*[st.floats(-1e3, 1e3)] * 3),
    angle=st.floats(0, 360),
    axis=st.tuples(st.floats(-1, 1), st.floats(-1, 1), st.floats(0.1, 1)),
)
def test_volume_and_area_do_not_move_with_the_part(
    shift: tuple[float, float, float], angle: float, axis: tuple[float, float, float]
) -> None:
    solid = torus(10.0, 3.0, 24, 12)
    mesh = moved(turned(subdivided(solid.mesh), axis, angle), shift)
    topology = connect(mesh)
    vectors = area_vectors(mesh.vertices, mesh.faces)
    volume, area = body_sums(
        mesh.vertices, mesh.faces, vectors, topology.body, topology.bodies, mesh.vertices.mean(axis=0)
    )
    assert float(volume.sum()) == pytest.approx(solid.volume_mm3, rel=1e-9)
    assert float(area.sum()) == pytest.approx(solid.area_mm2, rel=1e-9)


def crossings(mesh: Mesh) -> int:
    return find_crossings(mesh, connect(mesh)).pairs


def test_solids_that_touch_do_not_cross() -> None:
    assert crossings(box().mesh) == 0
    assert crossings(joined(box(10, 10, 10).mesh, moved(box(4, 4, 4).mesh, (0, 0, 10.001)))) == 0


def test_boxes_pushed_into_each_other_cross() -> None:
    mesh = joined(box(10, 10, 10).mesh, moved(turned(box(4, 4, 4).mesh, (1, 1, 1), 20.0), (3.0, 0, 7)))
    found = find_crossings(mesh, connect(mesh))
    assert found.pairs > 0
    assert found.between_bodies == found.pairs
    assert found.complete
    assert found.faces.shape == (found.pairs, 2)


def test_rounding_to_32_bits_does_not_change_what_is_counted() -> None:
    """Blocks face to face: eight pairs overlap in one plane, also turned and stored as 32-bit numbers."""
    lower, upper = box(10, 10, 10).mesh, moved(subdivided(box(10, 10, 4).mesh), (0, 0, 10))
    mesh = turned(joined(lower, upper), (1.0, 0.7, 0.2), 33.0)
    stored = Mesh(mesh.vertices.astype(np.float32).astype(np.float64), mesh.faces)
    for each in (joined(lower, upper), mesh, stored):
        assert find_crossings(each, connect(each), near_mm=4e-6).pairs == 8


@pytest.mark.parametrize("seed", [1, 5])
def test_flat_facets_split_by_rounding_do_not_cross(seed: int) -> None:
    mesh = make_arch(ArchForm.invent("lower", seed))
    assert crossings(mesh) == 0


def test_faces_of_one_plane_that_overlap_cross() -> None:
    flat = np.array(
        [[0.0, 0, 0], [4, 0, 0], [0, 4, 0], [1, 1, 0], [5, 1, 0], [1, 5, 0], [9, 9, 0], [9, 8, 0]]
    )
    overlapping = Mesh(flat, np.array([[0, 1, 2], [3, 4, 5]], np.int32))
    apart = Mesh(flat, np.array([[0, 1, 2], [4, 6, 7]], np.int32))
    assert crossings(overlapping) == 1
    assert crossings(apart) == 0


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_the_tree_finds_every_pair_that_comparing_all_finds(seed: int) -> None:
    rng = np.random.default_rng(seed)
    count = 60
    vertices = (rng.random((count, 1, 3)) * 3 + rng.random((count, 3, 3))).reshape(-1, 3)
    mesh = Mesh(vertices, np.arange(3 * count, dtype=np.int32).reshape(-1, 3))
    expected = sum(
        _segments_cross(mesh.corners()[i], mesh.corners()[j]) for i in range(count) for j in range(i)
    )
    assert crossings(mesh) == expected


def _segments_cross(one: FloatArray, other: FloatArray) -> bool:
    """Plain Moeller-Trumbore (1997) of each edge of either triangle against the other triangle."""
    for a, b in ((one, other), (other, one)):
        for corner in range(3):
            start, way = a[corner], a[(corner + 1) % 3] - a[corner]
            u, v = b[1] - b[0], b[2] - b[0]
            system = np.column_stack([-way, u, v])
            if abs(np.linalg.det(system)) < 1e-14:
                continue
            t, s, r = np.linalg.solve(system, start - b[0])
            if 0 < t < 1 and s > 0 and r > 0 and s + r < 1:
                return True
    return False


def test_work_on_a_heap_of_crossing_faces_is_bounded() -> None:
    rng = np.random.default_rng(1)
    vertices = rng.random((30_000, 3)) * 50
    mesh = Mesh(vertices, np.arange(30_000, dtype=np.int32).reshape(-1, 3))
    found = find_crossings(mesh, connect(mesh))
    assert not found.complete
    assert found.pairs > 10_000


def test_borders_of_an_open_box() -> None:
    mesh = box(20.0, 15.0, 10.0).mesh
    opened = Mesh(mesh.vertices, mesh.faces[2:])  # without its floor
    borders = find_borders(opened, connect(opened))
    assert borders.count == 1
    assert borders.lengths_mm[0] == pytest.approx(70.0)
    assert borders.widths_mm[0] == pytest.approx(25.0)  # corner to corner, however it is turned
    assert borders.missing_mm2[0] == pytest.approx(300.0)


def test_equal_rows_are_counted_once() -> None:
    assert distinct_rows(np.array([[1, 2, 3], [1, 2, 3], [1, 2, 4]], np.int32)) == 2
