"""The triangle tree against closed forms, libigl (double precision) and trimesh."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import igl
import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from qa.geometry import tree
from qa.geometry.errors import GeometryError
from qa.geometry.mesh import Mesh

SHARED = Path(__file__).parents[4] / "shared" / "data"


def mesh_of(shape: trimesh.Trimesh) -> Mesh:
    return Mesh(
        np.ascontiguousarray(shape.vertices, dtype=np.float64),
        np.ascontiguousarray(shape.faces, dtype=np.int32),
    )


def box_mesh() -> Mesh:
    return mesh_of(trimesh.creation.box(extents=(2.0, 4.0, 6.0)))


def judged(mesh: Mesh, points: np.ndarray) -> np.ndarray:
    kind = igl.SIGNED_DISTANCE_TYPE_PSEUDONORMAL
    return igl.signed_distance(points, mesh.vertices, mesh.faces, sign_type=kind)[0]


@pytest.mark.parametrize(
    ("point", "distance", "place"),
    [
        ((0.0, 0.0, 0.0), -1.0, None),
        ((3.0, 0.3, 0.4), 2.0, (1.0, 0.3, 0.4)),
        ((2.0, 3.0, 0.5), np.sqrt(2.0), (1.0, 2.0, 0.5)),
        ((2.0, 3.0, 4.0), np.sqrt(3.0), (1.0, 2.0, 3.0)),
        ((0.9, 1.8, 0.0), -0.1, (1.0, 1.8, 0.0)),
    ],
)
def test_box_gives_the_closed_form(point, distance, place) -> None:
    found = tree.signed(tree.build(box_mesh()), np.array([point]))
    assert found.distance[0] == pytest.approx(distance, abs=1e-12)
    assert not found.border[0]
    if place is not None:
        assert found.point[0] == pytest.approx(place, abs=1e-12)


def test_feature_names_the_corner_and_edge_of_the_face() -> None:
    mesh = Mesh(np.array([[0.0, 0, 0], [2, 0, 0], [0, 2, 0]]), np.array([[0, 1, 2]], dtype=np.int32))
    points = [[0.5, 0.5, 1], [1, -1, 0], [2, 2, 0], [-1, 1, 0], [-1, -1, 0], [3, -0.5, 0], [-0.5, 3, 0]]
    found = tree.closest(tree.build(mesh), np.array(points, dtype=float))
    assert found.feature.tolist() == [
        tree.FACE, tree.EDGE_AB, tree.EDGE_BC, tree.EDGE_CA, tree.VERTEX_A, tree.VERTEX_B, tree.VERTEX_C,
    ]  # fmt: skip


def test_border_is_flagged_on_an_open_sheet_only_beyond_its_rim() -> None:
    sheet = Mesh(
        np.array([[0.0, 0, 0], [4, 0, 0], [4, 4, 0], [0, 4, 0]]),
        np.array([[0, 1, 2], [0, 2, 3]], dtype=np.int32),
    )
    found = tree.signed(tree.build(sheet), np.array([[1.0, 1, 1], [2, 2, -1], [-1, 2, 1], [5, 5, 1]]))
    assert found.border.tolist() == [False, False, True, True]
    assert found.distance[:2] == pytest.approx([1.0, -1.0])


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 200))
def test_any_soup_agrees_with_libigl(seed: int, count: int) -> None:
    random = np.random.default_rng(seed)
    middle = random.uniform(-10, 10, (count, 1, 3))
    corners = middle + random.normal(0, random.choice([0.01, 1.0, 5.0]), (count, 3, 3))
    vertices = corners.reshape(-1, 3)
    faces = np.arange(3 * count, dtype=np.int32).reshape(-1, 3)
    points = random.uniform(-15, 15, (300, 3))
    found = tree.closest(tree.build(Mesh(vertices, faces)), points)
    square, _, place = igl.point_mesh_squared_distance(points, vertices, faces)
    assert np.abs(found.distance - np.sqrt(square)).max() < 1e-6
    assert np.abs(found.distance - np.linalg.norm(points - found.point, axis=1)).max() < 1e-9
    assert np.abs(np.linalg.norm(points - place, axis=1) - found.distance).max() < 1e-6


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1), st.sampled_from([0.0, 1e3, 1e6]), st.sampled_from([0.1, 50.0, 1e4]))
def test_a_mesh_far_off_and_points_near_it_and_far_agree_with_libigl(
    seed: int, away: float, spread: float
) -> None:
    """What may be skipped is decided in single precision, which knows a place at 1e6 mm to 0.06 mm."""
    random = np.random.default_rng(seed)
    corners = (random.normal(0, 20, (60, 1, 3)) + random.normal(0, 0.5, (60, 3, 3))).reshape(-1, 3) + away
    mesh = Mesh(corners, np.arange(180, dtype=np.int32).reshape(-1, 3))
    points = corners[random.integers(0, 180, 200)] + random.normal(0, spread, (200, 3))
    found = tree.closest(tree.build(mesh), points)
    squared = igl.point_mesh_squared_distance(points, corners, mesh.faces)[0]
    assert found.distance == pytest.approx(np.sqrt(squared), rel=1e-9, abs=1e-9 * max(1.0, away))


@pytest.mark.parametrize("height", [1e-3, 1e-6, 1e-9, 1e-12, 0.0])
def test_sliver_triangles_stay_exact(height: float) -> None:
    vertices = np.array([[0.0, 0, 0], [10, 0, 0], [4, height, 0], [20, 0, 0]])
    mesh = Mesh(vertices, np.array([[0, 1, 2], [1, 3, 2]], dtype=np.int32))
    points = np.random.default_rng(5).uniform(-5, 25, (2000, 3))
    nearest = points.copy()
    nearest[:, 0] = np.clip(points[:, 0], 0, 20)
    nearest[:, 1:] = 0
    line = np.linalg.norm(points - nearest, axis=1)
    found = tree.closest(tree.build(mesh), points).distance
    assert np.abs(found - line).max() <= height + 1e-9


@pytest.mark.parametrize("name", ["arch_upper.obj", "arch_lower.obj", "molar_on_stump.stl"])
def test_real_meshes_agree_with_libigl_in_distance_and_sign(name: str) -> None:
    if not (SHARED / name).exists():
        pytest.skip(f"{SHARED / name} is not here")
    mesh = mesh_of(trimesh.load(SHARED / name, process=True))
    random = np.random.default_rng(3)
    near = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).sample(6000, seed=3)
    points = np.vstack([near + random.normal(0, s, near.shape) for s in (1e-4, 0.05, 1.0)])
    points = np.vstack([points, mesh.vertices[:500] + 0.02, random.uniform(-60, 60, (500, 3))])
    found = tree.signed(tree.build(mesh), points)
    expected = judged(mesh, points)
    assert np.abs(np.abs(found.distance) - np.abs(expected)).max() < 1e-6
    # Bodies that touch can tie: the nearest place lies on two surfaces and either may be named.
    clear = (np.abs(expected) > 1e-6) & ~found.border
    assert np.mean(clear) > 0.99
    differs = np.sign(found.distance[clear]) != np.sign(expected[clear])
    assert not differs.any()


def test_distances_agree_with_trimesh() -> None:
    shape = trimesh.creation.torus(10.0, 3.0, 60, 40)
    points = np.random.default_rng(8).uniform(-15, 15, (1500, 3))
    found = tree.signed(tree.build(mesh_of(shape)), points)
    # trimesh counts the inside as positive.
    expected = -trimesh.proximity.signed_distance(shape, points)
    assert np.abs(found.distance - expected).max() < 1e-6


def test_sign_is_right_round_a_thin_wall_and_a_sharp_ridge() -> None:
    roof = trimesh.convex.convex_hull(
        [[0, -20, 0], [0, 20, 0], [-1, -20, -4], [-1, 20, -4], [1, -20, -4], [1, 20, -4]]
    )
    wall = trimesh.creation.box(extents=(30.0, 0.05, 30.0))
    for shape in (roof, wall):
        mesh = mesh_of(shape.subdivide().subdivide())
        random = np.random.default_rng(2)
        points = shape.sample(4000, seed=2) + random.normal(0, 0.3, (4000, 3))
        inside = np.ones(len(points), dtype=bool)
        for normal, origin in zip(shape.face_normals, shape.triangles[:, 0], strict=True):
            inside &= (points - origin) @ normal < 0
        found = tree.signed(tree.build(mesh), points).distance
        clear = np.abs(found) > 1e-9
        assert np.array_equal(found[clear] < 0, inside[clear])


def test_rays_agree_with_trimesh_and_with_each_other() -> None:
    shape = trimesh.creation.torus(10.0, 3.0, 40, 24)
    built = tree.build(mesh_of(shape))
    random = np.random.default_rng(4)
    origins, directions = random.uniform(-15, 15, (600, 3)), random.normal(size=(600, 3))
    distance, face = tree.first_hit(built, origins, directions)
    hits = tree.all_hits(built, origins, directions)
    places, rays, _ = shape.ray.intersects_location(origins, directions, multiple_hits=True)
    judged_first = np.full(600, np.inf)
    np.minimum.at(judged_first, rays, np.linalg.norm(places - origins[rays], axis=1))
    assert np.array_equal(np.isfinite(distance), np.isfinite(judged_first))
    struck = np.isfinite(distance)
    assert np.abs(distance[struck] - judged_first[struck]).max() < 1e-6
    assert np.array_equal(np.diff(hits.start), np.bincount(rays, minlength=600))
    assert np.array_equal(hits.distance[hits.start[:-1][struck]], distance[struck])
    assert (face[~struck] == -1).all()
    inside = np.diff(hits.start) % 2 == 1
    assert np.array_equal(inside, tree.signed(built, origins).distance < 0)


def test_no_ray_slips_between_two_faces() -> None:
    shape = trimesh.creation.icosphere(4, radius=5.0)
    built = tree.build(mesh_of(shape))
    targets = np.vstack(
        [shape.vertices, shape.triangles_center, shape.vertices[shape.edges_unique].mean(axis=1)]
    )
    _, face = tree.first_hit(built, np.zeros_like(targets), targets)
    assert (face >= 0).all()


def test_a_ray_can_leave_the_face_it_starts_from() -> None:
    shape = trimesh.creation.box(extents=(2.0, 4.0, 6.0))
    built = tree.build(mesh_of(shape))
    faces = np.arange(len(shape.faces), dtype=np.int32)
    distance, face = tree.first_hit(built, shape.triangles_center, -shape.face_normals, ignore_face=faces)
    assert (
        np.abs(distance - 2 * np.abs(np.sum(shape.triangles_center * shape.face_normals, axis=1))).max()
        < 1e-9
    )
    assert not np.array_equal(face, faces)
    beyond, _ = tree.first_hit(built, np.array([[0.0, 0, 0]]), np.array([[5.0, 0, 0]]), 1.5)
    assert np.isinf(beyond[0])


def test_nothing_within_reach_is_said() -> None:
    found = tree.signed(tree.build(box_mesh()), np.array([[10.0, 0, 0], [1.5, 0, 0]]), largest_distance=1.0)
    assert found.face.tolist()[0] == -1
    assert np.isinf(found.distance[0])
    assert found.distance[1] == pytest.approx(0.5)


def test_order_of_points_and_threads_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    mesh = mesh_of(trimesh.creation.torus(10.0, 3.0, 60, 40))
    points = np.random.default_rng(1).uniform(-15, 15, (9000, 3))
    many = tree.signed(tree.build(mesh), points)
    monkeypatch.setenv("LABTRACK_THREADS", "1")
    one = tree.signed(tree.build(mesh), points[::-1])
    assert np.array_equal(many.distance, one.distance[::-1])


def test_queries_run_from_several_threads_at_once() -> None:
    built = tree.build(mesh_of(trimesh.creation.torus(10.0, 3.0, 60, 40)))
    points = np.random.default_rng(1).uniform(-15, 15, (5000, 3))
    expected = tree.signed(built, points).distance
    with ThreadPoolExecutor(4) as pool:
        found = list(pool.map(lambda _: tree.signed(built, points).distance, range(8)))
    assert all(np.array_equal(expected, one) for one in found)


@pytest.mark.parametrize(
    ("vertices", "faces", "code"),
    [
        (np.zeros((3, 3)), np.zeros((0, 3)), "empty"),
        (np.array([[0, 0, 0], [1, 0, 0], [0, np.nan, 0]]), np.array([[0, 1, 2]]), "not_finite"),
        (np.array([[0, 0, 0], [1, 0, 0], [0, 1e16, 0]]), np.array([[0, 1, 2]]), "absurd"),
        (np.zeros((3, 3)), np.array([[0, 1, 3]]), "bad_index"),
    ],
)
def test_unusable_meshes_are_refused_with_a_sentence(vertices, faces, code) -> None:
    with pytest.raises(GeometryError) as refusal:
        tree.build(Mesh(vertices, faces.astype(np.int32)))
    assert refusal.value.code == code
    assert refusal.value.sentence.endswith(".")
