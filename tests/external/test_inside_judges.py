"""Walls and what is inside against reference libraries: trimesh's rays and spheres, manifold3d's solids.

Both compute in double precision. Meshes are generated; what is compared is the geometry of one and the same
mesh, so no published value is involved.
"""

from __future__ import annotations

import manifold3d
import numpy as np
import pytest
import trimesh

from fixtures.meshes import ArchForm, faults, make_arch, writers
from fixtures.meshes.solids import bowl, box_with_cavity, box_with_hole, moved, shell, torus, turned
from qa.geometry import inside
from qa.geometry.limits import SHIPPED
from qa.geometry.mesh import Mesh
from qa.geometry.reading import read_mesh
from qa.geometry.sampling import face_normals_and_areas
from qa.geometry.subject import CheckRequest, make_subject
from qa.geometry.tree import build
from qa.geometry.walls import measure, ray_walls

OPEN = make_arch(ArchForm.invent("upper", 13), body="open-bottomed")
HOLLOW = {
    "shell": shell(10.0, 2.0, 3).mesh,
    "box with a hole": box_with_hole(20.0, 3.0, 4.0).mesh,
    "turned box with a cavity": turned(box_with_cavity(20.0, 2.5).mesh, (1, 2, 3), 40.0),
    "open-bottomed arch": OPEN,
}


@pytest.mark.parametrize("name", HOLLOW)
def test_ray_walls_agree_with_trimesh(name: str) -> None:
    mesh = HOLLOW[name]
    normals, areas = face_normals_and_areas(mesh)
    chosen = np.flatnonzero(areas > 1e-6)
    chosen = chosen[:: max(1, len(chosen) // 400)]
    points = mesh.corners()[chosen].mean(axis=1)
    found, _ = ray_walls(build(mesh), points, normals[chosen], chosen.astype(np.int32))
    judge = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    inward = -normals[chosen]
    places, rays, _ = judge.ray.intersects_location(points + 1e-6 * inward, inward, multiple_hits=True)
    reach = np.full(len(points), np.inf)
    along = np.sum((places - points[rays]) * inward[rays], axis=1)
    np.minimum.at(reach, rays[along > 1e-5], along[along > 1e-5])
    assert np.isfinite(reach).all()
    # Its rays may slip through where they meet an edge exactly, and then go on to the next surface.
    agree = np.abs(found - reach) < 1e-6
    assert agree.mean() > 0.99
    assert (found <= reach + 1e-6).all()


def test_spheres_agree_with_trimesh_where_no_facet_is_in_their_way() -> None:
    """Between the parallel walls of a box both spheres are as wide as the wall."""
    mesh = box_with_cavity(20.0, 2.5).mesh
    normals, _ = face_normals_and_areas(mesh)
    faces = np.arange(12, 24, dtype=np.int32)
    points = mesh.corners()[12:].mean(axis=1)
    found = measure(build(mesh), normals, points, faces)
    judge = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    theirs = trimesh.proximity.thickness(
        judge, points, exterior=False, normals=normals[faces], method="max_sphere"
    )
    assert found.sphere_mm == pytest.approx(2.5, abs=1e-9)
    assert theirs == pytest.approx(found.sphere_mm, abs=1e-3)


def free_rooms(mesh: Mesh, top_mm: float) -> list[float]:
    """Volumes (mm3) of empty rooms between platform and a level that have no way out to the sides."""
    low, high = mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)
    size = np.append((high - low)[:2] + 10.0, top_mm)
    block = manifold3d.Manifold.cube(size).translate(np.append(low[:2] - 5.0, 0.0))
    part = manifold3d.Manifold(manifold3d.Mesh64(mesh.vertices, mesh.faces.astype(np.uint64)))
    rooms = []
    for room in (block - part).decompose():
        bounds = np.array(room.bounding_box())
        if bounds[0] > low[0] - 4.9 and bounds[1] > low[1] - 4.9:
            rooms.append(float(room.volume()))
    return sorted(rooms)


POCKETS = {
    "bowl up": bowl().mesh,
    "bowl down": bowl(opens="down").mesh,
    "torus": torus(10.0, 3.0).mesh,
    "open-bottomed arch": OPEN,
    "arch with a bar": make_arch(ArchForm.invent("lower", 3), cross_arch="bar"),
}


@pytest.mark.parametrize("name", POCKETS)
def test_a_suction_pocket_is_what_a_solid_modeller_finds_shut_in(name: str) -> None:
    """The pocket's own end is the level that is tried: what is then cut off from all sides is its room."""
    mesh = POCKETS[name]
    figures = inside.compute(make_subject(read_mesh(writers.write_ply(mesh)), CheckRequest()), SHIPPED)
    (pocket,) = figures.pockets
    standing = moved(mesh, (0.0, 0.0, -float(mesh.vertices[:, 2].min())))
    room = max(free_rooms(standing, pocket.to_mm - 0.6 * (figures.step_mm or 0.0)), default=0.0)
    slack = pocket.area_mm2 * 1.5 * (figures.step_mm or 0.0)
    assert room == pytest.approx(pocket.volume_mm3, abs=slack, rel=0.01)


@pytest.mark.parametrize(
    "mesh",
    [
        make_arch(ArchForm.invent("upper", 13)),
        make_arch(
            ArchForm.invent("upper", 13), body="open-bottomed", drains=(faults.CavityOpening(26, 3.0),)
        ),
    ],
    ids=["solid", "vented"],
)
def test_where_there_is_no_pocket_a_solid_modeller_finds_no_room_of_its_size(mesh: Mesh) -> None:
    figures = inside.compute(make_subject(read_mesh(writers.write_ply(mesh)), CheckRequest()), SHIPPED)
    assert figures.pockets == ()
    least = 100.0 * SHIPPED.value("suction_area_min") * SHIPPED.value("suction_depth_min")
    for level in np.arange(2.5, float(mesh.vertices[:, 2].max()), 1.37):
        assert max(free_rooms(mesh, float(level)), default=0.0) < least


def test_the_room_in_a_cavity_is_what_a_solid_modeller_says() -> None:
    mesh = make_arch(ArchForm.invent("lower", 12), body="hollow", drains=(faults.CavityOpening(36, 2.0),))
    figures = inside.compute(make_subject(read_mesh(writers.write_ply(mesh)), CheckRequest()), SHIPPED)
    closed = make_arch(ArchForm.invent("lower", 12), body="hollow")
    (room,) = free_rooms(closed, float(closed.vertices[:, 2].max()) + 5.0)
    assert figures.cavity_mm3 == pytest.approx(room, rel=0.02)
