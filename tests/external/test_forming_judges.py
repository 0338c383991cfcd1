"""Forming and overhang against trimesh's rays, shapely's polygons and libigl's normals."""

from __future__ import annotations

import igl
import numpy as np
import pytest
import shapely
import trimesh
from shapely.geometry import Point

from fixtures.meshes import ArchForm, make_arch, writers
from fixtures.meshes.solids import tilted_slab, torus, turned
from qa.geometry.check import CheckRequest, DesignCheck, check_design
from qa.geometry.limits import SHIPPED
from qa.geometry.mesh import Mesh
from qa.geometry.reading import read_mesh

ARCH = make_arch(ArchForm.invent("lower", 21), target_triangles=12_000)


def checked(mesh: Mesh, **request: object) -> DesignCheck:
    return check_design(read_mesh(writers.write_ply(mesh)), CheckRequest(**request), SHIPPED)  # type: ignore[arg-type]


def risen(mesh: Mesh, above_mm: float) -> shapely.Geometry:
    """The plan of what rises above a height, by shapely; faces that look up make it."""
    shape = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    cut = trimesh.intersections.slice_mesh_plane(shape, [0, 0, 1], [0, 0, above_mm])
    corners = cut.triangles[cut.face_normals[:, 2] > 1e-9][:, :, :2]
    return shapely.unary_union(shapely.make_valid(shapely.polygons(corners)), grid_size=1e-7)


def test_the_share_in_undercut_is_what_rays_find() -> None:
    """12,000 places spread evenly over the surface, a ray upward from each; 3 standard errors."""
    shape = trimesh.Trimesh(ARCH.vertices, ARCH.faces, process=False)
    places, faces = trimesh.sample.sample_surface(shape, 12_000, seed=5)
    off_base = ~((shape.face_normals[faces][:, 2] < -0.99) & (places[:, 2] < 0.01))
    places, faces = places[off_base], faces[off_base]
    starts = places + 1e-3 * shape.face_normals[faces]
    hit = np.zeros(len(starts), bool)
    for part in np.array_split(np.arange(len(starts)), 12):
        hit[part] = shape.ray.intersects_any(starts[part], np.tile([0.0, 0.0, 1.0], (len(part), 1)))
    figures = checked(ARCH).figures
    share = figures["undercut_cm2"] / figures["formed_cm2"]
    error = np.sqrt(hit.mean() * (1 - hit.mean()) / len(hit))
    assert share == pytest.approx(hit.mean(), abs=3 * error + 0.003)


def test_the_deepest_undercut_is_the_distance_to_the_edge_of_what_rises_above_it() -> None:
    figures = checked(ARCH).figures
    low = ARCH.vertices[:, 2].min()
    x, y, z = figures["undercut_place"]
    cover = risen(ARCH, z)
    assert z > low
    assert cover.contains(Point(x, y))
    assert cover.boundary.distance(Point(x, y)) == pytest.approx(figures["undercut_max_mm"], abs=1e-3)


def test_no_place_is_deeper_than_the_deepest() -> None:
    """Every vertex of a band of heights, judged by shapely; a band's plan changes by less than its height."""
    deepest = checked(ARCH).figures["undercut_max_mm"]
    for height in np.linspace(1.0, ARCH.vertices[:, 2].max() - 1.0, 12):
        cover = risen(ARCH, float(height))
        section = trimesh.Trimesh(ARCH.vertices, ARCH.faces, process=False).section([0, 0, 1], [0, 0, height])
        for x, y in section.vertices[:, :2]:
            if cover.contains(Point(x, y)):
                assert cover.boundary.distance(Point(x, y)) <= deepest + 0.02


def test_the_plan_is_that_of_polygons() -> None:
    figures = checked(ARCH).figures
    plan = risen(ARCH, float(ARCH.vertices[:, 2].min()) - 1.0)
    assert figures["forming_footprint_cm2"] * 100 == pytest.approx(plan.area, rel=2e-3)
    room = 60.0 - shapely.minimum_bounding_radius(plan)
    assert figures["forming_room_mm"] == pytest.approx(room, abs=1e-6)


@pytest.mark.parametrize("tilt", [0.0, 25.0, 65.0])
def test_overhang_is_the_area_of_normals_that_look_down(tilt: float) -> None:
    """libigl's normals and areas, trimesh's cut at the first layer."""
    mesh = turned(ARCH, (1.0, 0.0, 0.0), tilt)
    shape = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    low = float(mesh.vertices[:, 2].min())
    above = trimesh.intersections.slice_mesh_plane(shape, [0, 0, 1], [0, 0, low + 0.05])
    vertices, faces = np.asarray(above.vertices), np.asarray(above.faces, dtype=np.int64)
    area = 0.5 * igl.doublearea(vertices, faces)
    normals = np.asarray(igl.per_face_normals(vertices, faces, np.array([0.0, 0.0, 1.0])))
    shallow = (normals[:, 2] < -np.cos(np.deg2rad(20.0))) & (area > 1e-12)
    expected = float(area[shallow].sum()) / 100.0
    assert checked(mesh).figures["overhang_cm2"] == pytest.approx(expected, rel=1e-6, abs=1e-6)


def test_closed_forms_agree_with_polygons_too() -> None:
    ring = torus(10.0, 3.0, 96, 48).mesh
    cover = risen(ring, 3.0)
    figures = checked(ring).figures
    assert figures["forming_footprint_cm2"] * 100 == pytest.approx(cover.area, rel=2e-3)
    slab = tilted_slab(10.0, 30.0, 20.0, 4.0).mesh
    under = 30.0 * (20.0 - 0.05 / np.sin(np.deg2rad(10.0)))
    assert checked(slab).figures["overhang_cm2"] * 100 == pytest.approx(under, rel=1e-9)
