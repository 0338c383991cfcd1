"""Registration from any pose: generated arches and real scans, whole and in part."""

from __future__ import annotations

import fast_simplification
import numpy as np
import pytest

from fixtures.meshes import distort
from qa.geometry.mesh import Mesh
from qa.geometry.register import Target, axis_rotations, register, spread_rotations
from qa.geometry.sampling import sample_surface
from qa.geometry.tree import closest
from tests.qa.geometry import scenes


@pytest.fixture(scope="module")
def target() -> Target:
    return Target.of(scenes.arch())


def conditions(mesh: Mesh, random: np.random.Generator) -> dict[str, Mesh]:
    noisy = distort(mesh, noise_mm=0.02, seed=int(random.integers(1 << 30)))
    return {
        "full": mesh,
        "noise": noisy,
        "upper": scenes.upper_surface(noisy),
        "crop": scenes.crop(noisy, 0.6, random),
        "table": scenes.joined(scenes.upper_surface(noisy), scenes.table()),
        "stubs": scenes.joined(noisy, scenes.stubs(mesh)),
    }


@pytest.mark.parametrize("condition", ["full", "noise", "upper", "crop", "table", "stubs"])
def test_the_pose_is_found_from_anywhere(target: Target, condition: str) -> None:
    mesh = scenes.arch()
    random = np.random.default_rng(list(condition.encode()))
    for _ in range(2):
        pose = scenes.random_pose(random)
        scan = sample_surface(scenes.moved(conditions(mesh, random)[condition], pose))
        found = register(target, scan)
        angle, shift = scenes.off_pose(found.transform, pose, mesh)
        assert angle < 0.05
        assert shift < 0.01
        assert found.registered
        assert found.margin > 3


@pytest.mark.parametrize(
    "planted", [{"opening_mm": 0.5}, {"bow_mm": 0.5}, {"scale": -0.01}, {"twist_mm": 0.5, "noise_mm": 0.03}]
)
def test_real_deviation_keeps_the_basin_and_no_larger_residual(target: Target, planted) -> None:
    mesh = scenes.arch()
    bent = distort(mesh, **planted)
    pose = scenes.random_pose(np.random.default_rng(5))
    scan = sample_surface(bent)
    found = register(target, sample_surface(scenes.moved(bent, pose)))
    angle, _ = scenes.off_pose(found.transform, pose, mesh)
    assert angle < 1.0
    left = found.transform @ pose
    here = closest(target.tree, scan.points @ left[:3, :3].T + left[:3, 3]).distance
    planted_frame = closest(target.tree, scan.points).distance
    assert scan.weights @ here**2 <= scan.weights @ planted_frame**2


@pytest.mark.parametrize("name", ["arch_upper.obj", "arch_lower.obj"])
def test_a_real_arch_finds_itself_after_another_triangulation(name: str) -> None:
    mesh = scenes.real(name)
    vertices, faces = fast_simplification.simplify(
        mesh.vertices.astype(np.float32), mesh.faces, target_reduction=0.6
    )
    other = Mesh(
        np.ascontiguousarray(vertices, dtype=np.float64), np.ascontiguousarray(faces, dtype=np.int32)
    )
    target = Target.of(mesh)
    random = np.random.default_rng(9)
    poses = [scenes.random_pose(random) for _ in range(3)]
    found = [register(target, sample_surface(scenes.moved(other, pose))).transform @ pose for pose in poses]
    middle = mesh.vertices.mean(axis=0)
    places = [pose[:3, :3] @ middle + pose[:3, 3] for pose in found]
    for pose, place in zip(found, places, strict=True):
        angle, shift = scenes.off_pose(pose, np.eye(4), mesh)
        assert angle < 0.03
        assert shift < 0.01
        assert scenes.angle_between_deg(pose, found[0]) < 0.01
        assert np.linalg.norm(place - places[0]) < 0.01


def test_another_surface_of_the_same_arch_is_brought_into_its_basin() -> None:
    mesh, other = scenes.real("arch_upper.obj"), scenes.real("arch_upper_other.obj")
    target = Target.of(mesh)
    pose = scenes.random_pose(np.random.default_rng(2))
    found = register(target, sample_surface(scenes.moved(other, pose)))
    angle, _ = scenes.off_pose(found.transform, pose, mesh)
    assert angle < 5.0
    scan = sample_surface(other)
    left = found.transform @ pose
    here = closest(target.tree, scan.points @ left[:3, :3].T + left[:3, 3]).distance
    shared = closest(target.tree, scan.points).distance
    assert np.average(here**2, weights=scan.weights) <= np.average(shared**2, weights=scan.weights)
    # The folder's notes give 0.70 mm RMS for the shared frame.
    assert np.sqrt(np.average(shared**2, weights=scan.weights)) == pytest.approx(0.70, abs=0.02)


def test_rotation_sets_are_rotations_all_different() -> None:
    for rotations in (axis_rotations(), spread_rotations(60)):
        products = rotations @ rotations.transpose(0, 2, 1)
        assert np.abs(products - np.eye(3)).max() < 1e-12
        assert np.linalg.det(rotations) == pytest.approx(1.0)
        assert len(np.unique(np.round(rotations.reshape(len(rotations), 9), 6), axis=0)) == len(rotations)
