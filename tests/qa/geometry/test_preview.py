"""The preview is small, near the mesh, and made from any mesh."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from fixtures.meshes import ArchForm, make_arch
from fixtures.meshes.solids import box, sphere, torus
from qa.geometry.errors import GeometryError
from qa.geometry.mesh import Mesh
from qa.geometry.preview import Preview, make_preview


def test_it_keeps_to_its_size_and_to_the_surface() -> None:
    solid = torus(20.0, 6.0, 300, 100)
    preview = make_preview(solid.mesh, max_triangles=5_000)
    assert 3_000 < len(preview.faces) <= 5_000
    assert preview.triangles_full == 60_000
    points = preview.vertices.astype(float) + preview.origin_mm
    ring = np.hypot(points[:, 0], points[:, 1]) - 20.0
    middle = 0.5 * (solid.mesh.vertices[:, 2].min() + solid.mesh.vertices[:, 2].max())
    assert np.abs(np.hypot(ring, points[:, 2] - middle) - 6.0).max() < 0.1


def test_a_small_mesh_is_kept_whole() -> None:
    mesh = box().mesh
    preview = make_preview(mesh)
    assert (preview.faces == mesh.faces).all()
    assert preview.vertices + np.array(preview.origin_mm, np.float32) == pytest.approx(mesh.vertices)


def test_bytes_are_read_back_with_values() -> None:
    mesh = sphere(8.0, 5).mesh
    preview = make_preview(
        mesh, max_triangles=2_000, values=mesh.vertices[:, 2], values_name="height", values_unit="mm"
    )
    again = Preview.from_bytes(preview.to_bytes())
    assert (again.vertices == preview.vertices).all()
    assert (again.faces == preview.faces).all()
    assert again.values is not None
    assert (again.values_name, again.values_unit) == ("height", "mm")
    assert np.abs(again.values - again.vertices[:, 2] - again.origin_mm[2]).max() < 0.5
    assert again.faces.max() < len(again.vertices)


def test_far_from_the_origin_it_keeps_its_shape() -> None:
    mesh = box().mesh
    preview = make_preview(Mesh(mesh.vertices + 4.0e6, mesh.faces))
    assert np.ptp(preview.vertices, axis=0) == pytest.approx(np.ptp(mesh.vertices, axis=0))


@pytest.mark.parametrize("damage", [b"", b"FLM1", b"FLM1\xff\xff\xff\xff", b"XXXX" + bytes(20)])
def test_damaged_bytes_are_refused(damage: bytes) -> None:
    with pytest.raises(GeometryError):
        Preview.from_bytes(damage)
    with pytest.raises(GeometryError):
        Preview.from_bytes(make_preview(box().mesh).to_bytes()[:-5])


def heap(kind: str) -> Mesh:
    rng = np.random.default_rng(5)
    if kind == "fan":
        angles = np.linspace(0, 6, 9_001)
        vertices = np.vstack([[0, 0, 5], np.column_stack([np.cos(angles), np.sin(angles), 0 * angles])])
        fan = [(0, i, i + 1) for i in range(1, 9_000)]
        return Mesh(vertices, np.array(fan, np.int32))
    if kind == "open arch":
        mesh = make_arch(ArchForm.invent("upper", 1))
        return Mesh(mesh.vertices, mesh.faces[::2].copy())
    vertices = rng.random((27_000, 3)) * 40
    faces = np.arange(27_000, dtype=np.int32).reshape(-1, 3)
    if kind == "flat":
        vertices[:, 2] = 0.0
    if kind == "branching":
        faces = rng.integers(0, 300, (9_000, 3)).astype(np.int32)
    return Mesh(vertices, faces)


@pytest.mark.parametrize("kind", ["fan", "open arch", "loose", "flat", "branching"])
def test_any_heap_of_triangles_gets_a_preview(kind: str) -> None:
    preview = make_preview(heap(kind), max_triangles=3_000)
    assert np.isfinite(preview.vertices).all()
    assert 0 < len(preview.faces) <= 9_000
    assert preview.faces.max() < len(preview.vertices)


def test_a_closed_mesh_stays_nearly_its_volume() -> None:
    mesh = make_arch(ArchForm.invent("lower", 3), target_triangles=60_000)
    preview = make_preview(mesh, max_triangles=8_000)
    full = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).volume
    small = trimesh.Trimesh(preview.vertices.astype(float), preview.faces, process=False).volume
    assert small == pytest.approx(full, rel=0.01)
