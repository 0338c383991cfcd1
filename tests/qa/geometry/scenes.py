"""Meshes as the engine gets them, and scans made of them: moved, cropped, joined, mirrored."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from fixtures.meshes import ArchForm, make_arch, write_ply
from qa.geometry.mesh import Mesh
from qa.geometry.reading import read_mesh
from qa.geometry.register import angle_between_deg
from qa.geometry.subject import CheckRequest, Subject, make_subject

SHARED = Path(__file__).parents[4] / "shared" / "data"

# A direction to stand on that is along no axis.
TILTED = (0.5, 0.2, 0.8)


def subject_of(mesh: Mesh, **request: object) -> Subject:
    """A mesh as the groups of a check get it."""
    return make_subject(read_mesh(write_ply(mesh)), CheckRequest(**request))  # type: ignore[arg-type]


def mesh_of(shape: trimesh.Trimesh) -> Mesh:
    return Mesh(
        np.ascontiguousarray(shape.vertices, dtype=np.float64),
        np.ascontiguousarray(shape.faces, dtype=np.int32),
    )


@cache
def real(name: str) -> Mesh:
    if not (SHARED / name).exists():
        pytest.skip(f"{SHARED / name} is not here")
    return mesh_of(trimesh.load(SHARED / name, process=True))


@cache
def arch(seed: int = 1, triangles: int = 16_000, kind: str = "upper", stage: float = 0.0) -> Mesh:
    form = ArchForm.invent(kind, seed)
    return make_arch(form.at_stage(stage) if stage else form, target_triangles=triangles)


def random_pose(random: np.random.Generator) -> np.ndarray:
    pose = np.eye(4)
    pose[:3, :3] = Rotation.random(random_state=random).as_matrix()
    pose[:3, 3] = random.uniform(-100, 100, 3)
    return pose


def moved(mesh: Mesh, pose: np.ndarray) -> Mesh:
    return Mesh(np.ascontiguousarray(mesh.vertices @ pose[:3, :3].T + pose[:3, 3]), mesh.faces)


def part(mesh: Mesh, chosen: np.ndarray) -> Mesh:
    return Mesh(mesh.vertices, np.ascontiguousarray(mesh.faces[chosen]))


def upper_surface(mesh: Mesh, above_mm: float = 1.0) -> Mesh:
    return part(mesh, mesh.corners().mean(axis=1)[:, 2] > above_mm)


def crop(mesh: Mesh, share: float, random: np.random.Generator) -> Mesh:
    along = random.normal(size=3) * [1, 1, 0.2]
    far = mesh.corners().mean(axis=1) @ along
    return part(mesh, far < np.quantile(far, share))


def joined(*meshes: Mesh) -> Mesh:
    vertices, faces, used = [], [], 0
    for mesh in meshes:
        vertices.append(mesh.vertices)
        faces.append(mesh.faces + used)
        used += len(mesh.vertices)
    return Mesh(np.vstack(vertices), np.vstack(faces).astype(np.int32))


def mirrored(mesh: Mesh) -> Mesh:
    return Mesh(mesh.vertices * [-1.0, 1.0, 1.0], np.ascontiguousarray(mesh.faces[:, ::-1]))


def turned_over(mesh: Mesh) -> Mesh:
    return Mesh(mesh.vertices, np.ascontiguousarray(mesh.faces[:, ::-1]))


def scaled(mesh: Mesh, factor: float) -> Mesh:
    return Mesh(mesh.vertices * factor, mesh.faces)


def table(side_mm: float = 110.0, z_mm: float = 0.0) -> Mesh:
    """One sheet looking up, as a scanner sees the table round a model."""
    grid = np.linspace(-side_mm / 2, side_mm / 2, 12)
    x, y = np.meshgrid(grid, grid, indexing="ij")
    vertices = np.column_stack([x.ravel(), y.ravel(), np.full(x.size, z_mm)])
    a = (np.arange(11)[:, None] * 12 + np.arange(11)).ravel()
    faces = np.vstack([np.column_stack([a, a + 12, a + 13]), np.column_stack([a, a + 13, a + 1])])
    return Mesh(vertices, faces.astype(np.int32))


def stubs(mesh: Mesh) -> Mesh:
    """Support stubs under the base of a standing model."""
    places = mesh.vertices[mesh.vertices[:, 2] < 0.01][::300, :2]
    one = trimesh.creation.cylinder(0.5, 4.0, sections=12)
    return joined(*[mesh_of(one.copy().apply_translation((x, y, -2.0))) for x, y in places])


def off_pose(transform: np.ndarray, pose: np.ndarray, mesh: Mesh) -> tuple[float, float]:
    """How far a registration is from undoing ``pose``: degrees, and mm at the mesh's middle."""
    left = transform @ pose
    middle = mesh.vertices.mean(axis=0)
    shift = left[:3, :3] @ middle + left[:3, 3] - middle
    return angle_between_deg(left, np.eye(4)), float(np.linalg.norm(shift))
