"""The engine's figures against reference libraries: trimesh, manifold3d, shapely, libigl.

All four compute in double precision. Meshes are generated; what is compared is the geometry of one and
the same mesh, so no published value is involved.
"""

from __future__ import annotations

import igl
import manifold3d
import numpy as np
import pytest
import trimesh
from shapely.geometry import Point, Polygon

from fixtures.meshes import ArchForm, make_arch, writers
from fixtures.meshes.solids import box, joined, moved, shell, sphere, torus, turned
from qa.geometry.check import CheckRequest, check_design
from qa.geometry.crossings import find_crossings
from qa.geometry.layers import profile_mesh
from qa.geometry.limits import SHIPPED
from qa.geometry.mesh import Mesh
from qa.geometry.reading import read_mesh
from qa.geometry.topology import connect

ARCHES = {
    "solid": make_arch(ArchForm.invent("upper", 11)),
    "hollow": make_arch(ArchForm.invent("lower", 12), body="hollow"),
    "open-bottomed": make_arch(ArchForm.invent("upper", 13), body="open-bottomed"),
}
MESHES = ARCHES | {
    "torus": torus(12.0, 4.0).mesh,
    "shell": shell(10.0, 2.0, 3).mesh,
    "turned box": turned(box(30, 20, 10).mesh, (1, 2, 3), 50.0),
}


def library(mesh: Mesh) -> trimesh.Trimesh:
    return trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)


def manifold(mesh: Mesh) -> manifold3d.Manifold:
    return manifold3d.Manifold(
        manifold3d.Mesh64(mesh.vertices.astype(np.float64), mesh.faces.astype(np.uint64))
    )


@pytest.mark.parametrize("name", MESHES)
def test_volume_and_area_agree_with_two_libraries(name: str) -> None:
    mesh = MESHES[name]
    figures = check_design(read_mesh(writers.write_ply(mesh)), CheckRequest(), SHIPPED).figures
    judge = manifold(mesh)
    assert figures["volume_ml"] * 1000 == pytest.approx(library(mesh).volume, rel=1e-9)
    assert figures["volume_ml"] * 1000 == pytest.approx(judge.volume(), rel=1e-6)
    assert figures["area_cm2"] * 100 == pytest.approx(library(mesh).area, rel=1e-9)
    assert figures["area_cm2"] * 100 == pytest.approx(judge.surface_area(), rel=1e-6)
    assert figures["watertight"] == library(mesh).is_watertight


@pytest.mark.parametrize("name", MESHES)
def test_borders_and_edges_agree(name: str) -> None:
    mesh = MESHES[name]
    opened = Mesh(mesh.vertices, np.delete(mesh.faces, [0, 17 % len(mesh.faces)], axis=0))
    for each in (mesh, opened):
        topology = connect(each)
        edges = np.asarray(igl.boundary_facets(each.faces.astype(np.int64))[0]).reshape(-1, 2)
        assert topology.open_edges == len(edges)
        assert topology.watertight == library(each).is_watertight
        assert topology.bodies == library(each).body_count


@pytest.mark.parametrize("name", MESHES)
def test_layer_areas_agree_with_a_solid_modeller_and_with_polygons(name: str) -> None:
    mesh = MESHES[name]
    vertices = mesh.vertices - [0, 0, mesh.vertices[:, 2].min()]
    standing = Mesh(vertices, mesh.faces)
    # A layer of an odd thickness, so that no plane meets a vertex and no convention is in question.
    profile = profile_mesh(vertices, mesh.faces, connect(standing), 0.3137)
    assert profile is not None
    judge, polygons = manifold(standing), library(standing)
    for layer in range(0, profile.layers - 1, 7):
        height = float(profile.heights_mm[layer])
        assert profile.areas_mm2[layer] == pytest.approx(judge.slice(height).area(), rel=1e-6, abs=1e-6)
        section = polygons.section(plane_origin=[0, 0, height], plane_normal=[0, 0, 1])
        assert section is not None
        signed = 0.0
        for path in section.discrete:
            ring = Polygon(path[:, :2])
            inside = sum(
                Polygon(other[:, :2]).contains(Point(path[0, :2]))
                for other in section.discrete
                if other is not path
            )
            signed += ring.area * (1 if inside % 2 == 0 else -1)
        assert profile.areas_mm2[layer] == pytest.approx(signed, rel=1e-7, abs=1e-6)


def test_the_union_of_overlapping_bodies_agrees_with_a_solid_modeller() -> None:
    parts = [
        box(20, 20, 12).mesh,
        moved(sphere(9.0, 4).mesh, (6.0, 3.0, 10.0)),
        moved(torus().mesh, (4, 0, 6)),
    ]
    figures = check_design(read_mesh(writers.write_ply(joined(*parts))), CheckRequest(), SHIPPED).figures
    judge = manifold(parts[0]) + manifold(parts[1]) + manifold(parts[2])
    assert figures["union_volume_ml"] * 1000 == pytest.approx(judge.volume(), rel=1e-3)
    assert figures["self_intersections"] > 0


def crossing_pairs(mesh: Mesh) -> int:
    """By libigl: each two triangles that meet (Guigue and Devillers 2003) and share no vertex."""
    corners = mesh.corners()
    low, high = corners.min(axis=1), corners.max(axis=1)
    pairs = 0
    for one in range(len(mesh.faces)):
        near = ((low[one + 1 :] <= high[one]) & (high[one + 1 :] >= low[one])).all(axis=1)
        for other in one + 1 + np.flatnonzero(near):
            if not np.isin(mesh.faces[one], mesh.faces[other]).any():
                six = (*corners[one][:, None], *corners[other][:, None])
                pairs += bool(igl.tri_tri_intersection_test_3d(*six)[0])
    return pairs


@pytest.mark.parametrize("seed", range(4))
def test_crossings_of_bodies_are_those_of_a_library(seed: int) -> None:
    """Balls and rings pushed into each other at odd angles, so that nothing merely touches."""
    dice = np.random.default_rng(seed)
    parts = [
        moved(turned(part, tuple(dice.normal(size=3)), dice.uniform(0, 360)), tuple(dice.uniform(-4, 4, 3)))
        for part in (sphere(6.0, 2).mesh, torus(8.0, 2.5, 24, 12).mesh, box(9.0, 7.0, 5.0).mesh)
    ]
    heap = joined(*parts)
    found = find_crossings(heap, connect(heap))
    assert found.complete
    assert found.pairs == crossing_pairs(heap) > 50


def test_a_ball_pushed_through_itself_crosses_itself_as_often_as_a_library_says() -> None:
    ball = turned(sphere(8.0, 3).mesh, (3.0, 1.0, 2.0), 37.0)
    vertices = ball.vertices.copy()
    vertices[vertices[:, 2] > 6.0] -= [1.3, 0.7, 15.1]
    pushed = Mesh(vertices, ball.faces)
    assert find_crossings(pushed, connect(pushed)).pairs == crossing_pairs(pushed) > 50


@pytest.mark.parametrize("kind", ["stl", "stl_ascii", "ply", "obj", "3mf"])
def test_a_file_holds_for_us_what_it_holds_for_the_library(kind: str) -> None:
    mesh = ARCHES["solid"]
    text = library(mesh).export(file_type=kind)
    read = read_mesh(text.encode() if isinstance(text, str) else bytes(text))
    own = trimesh.Trimesh(read.mesh.vertices, read.mesh.faces, process=False)
    assert len(read.mesh.faces) == len(mesh.faces)
    assert own.is_watertight
    assert own.volume == pytest.approx(library(mesh).volume, rel=1e-5)
