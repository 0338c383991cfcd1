"""Values on the surface survive the reduction: the worst spot, its place, and what is not there."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fixtures.meshes import ArchForm, make_arch
from fixtures.meshes.solids import box, sphere, subdivided, torus, turned
from fixtures.meshes.writers import write_ply
from qa.geometry.check import CheckRequest, check_design, surface_maps
from qa.geometry.errors import GeometryError
from qa.geometry.limits import SHIPPED
from qa.geometry.maps import MapPack, SurfaceMap, carry_over, pack_maps, worst_places
from qa.geometry.mesh import Mesh
from qa.geometry.preview import Preview, make_preview
from qa.geometry.reading import ReadMesh, read_mesh


def on_copy(mesh: Mesh, most: int) -> tuple[Preview, np.ndarray]:
    preview = make_preview(mesh, max_triangles=most)
    return preview, preview.vertices.astype(float) + preview.origin_mm


def shown(values: np.ndarray, **more: object) -> SurfaceMap:
    facts = {"name": "wall", "title": "Wall", "unit": "mm", "low": 0.0, "high": 5.0, "note": "x"} | more
    return SurfaceMap(values=np.asarray(values, np.float32), **facts)  # type: ignore[arg-type]


def test_a_single_thin_vertex_survives_a_hundredfold_reduction() -> None:
    mesh = torus(20.0, 6.0, 300, 100).mesh
    values = np.full(len(mesh.vertices), 2.0)
    thin = 12_345
    values[thin] = 0.31
    preview, points = on_copy(mesh, 600)
    (carried,) = carry_over([shown(values)], mesh, points, preview.faces)
    assert carried.min() == np.float32(0.31)
    assert np.linalg.norm(points[carried.argmin()] - mesh.vertices[thin]) < 2.0
    assert np.isclose(carried, 2.0).sum() == len(carried) - 1


def test_a_smooth_map_arrives_where_it_was() -> None:
    mesh = sphere(20.0, 6).mesh
    preview, points = on_copy(mesh, 5_000)
    (carried,) = carry_over([shown(mesh.vertices[:, 0], worse="none")], mesh, points, preview.faces)
    assert np.abs(carried - points[:, 0]).max() < 0.6


def test_the_two_skins_of_a_thin_shell_do_not_lend_each_other_their_values() -> None:
    outer, inner = sphere(10.0, 6).mesh, sphere(9.6, 6).mesh
    count = len(outer.vertices)
    shell = Mesh(
        np.vstack([outer.vertices, inner.vertices]),
        np.vstack([outer.faces, inner.faces[:, ::-1] + count]).astype(np.int32),
    )
    values = np.concatenate([np.full(count, np.nan), np.full(len(inner.vertices), 0.4)])
    preview, points = on_copy(shell, 4_000)
    (carried,) = carry_over([shown(values)], shell, points, preview.faces)
    outside = np.linalg.norm(points - shell.vertices.mean(axis=0), axis=1) > 9.8
    assert np.isnan(carried[outside]).all() and np.allclose(carried[~outside], 0.4)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), worse=st.sampled_from(["low", "high"]))
def test_packed_bytes_keep_both_ends_and_the_holes(seed: int, worse: str) -> None:
    random = np.random.default_rng(seed)
    values = random.normal(size=200).astype(np.float32)
    values[random.random(200) < 0.3] = np.nan
    pack = MapPack((shown(values, worse=worse).about(),), (values,))
    again = MapPack.from_bytes(pack.to_bytes()).of("wall")
    assert (np.isnan(again) == np.isnan(values)).all()
    assert np.nanmin(again) == np.nanmin(values) and np.nanmax(again) == np.nanmax(values)
    assert np.nanmax(np.abs(again - values)) <= np.ptp(values[np.isfinite(values)]) / 131_068 + 1e-6


def test_worst_places_are_apart_and_beyond_the_limit() -> None:
    vertices = np.column_stack([np.arange(20.0), np.zeros(20), np.zeros(20)])
    values = np.full(20, 3.0)
    values[[4, 5, 15]] = [0.2, 0.1, 0.4]
    found = worst_places(shown(values, limit=1.0), vertices)
    assert found[:, 0].tolist() == [5.0, 15.0]
    assert found[:, 3] == pytest.approx([0.1, 0.4])
    assert worst_places(shown(values), vertices)[:, 0].tolist() == [5.0]
    assert worst_places(shown(values, limit=4.0, worse="high"), vertices).shape == (0, 4)


def test_damaged_bytes_are_named() -> None:
    with pytest.raises(GeometryError) as problem:
        MapPack.from_bytes(b"FLV1\x00")
    assert problem.value.code == "maps"


def checked(mesh: Mesh) -> tuple[ReadMesh, dict[str, SurfaceMap]]:
    read = read_mesh(write_ply(mesh), unit="mm")
    result = check_design(read, CheckRequest(), SHIPPED)
    return read, {one.name: one for one in surface_maps(result)}


def test_the_underside_of_a_ball_is_shown_by_its_angle_from_level() -> None:
    solid = sphere(10.0, 6).mesh
    read, maps = checked(solid)
    overhang = maps["overhang"]
    middle = 0.5 * (read.mesh.vertices.min(axis=0) + read.mesh.vertices.max(axis=0))
    away = (read.mesh.vertices - middle) / 10.0
    known = np.isfinite(overhang.values)
    slope = np.degrees(np.arccos(np.clip(-away[:, 2], -1, 1)))
    assert np.abs(overhang.values[known] - slope[known]).max() < 1.5
    assert slope[known].max() < 62.0 and overhang.limit == SHIPPED.value("overhang_angle")
    assert "mid-air" not in maps


def test_a_floating_ball_is_marked_where_it_starts() -> None:
    base, ball = torus(20.0, 6.0, 120, 60).mesh, sphere(3.0, 4).mesh
    moved = ball.vertices - ball.vertices.mean(axis=0) + [0.0, 0.0, 9.0]
    both = Mesh(
        np.vstack([base.vertices - [0, 0, base.vertices[:, 2].min()], moved]),
        np.vstack([base.faces, ball.faces + len(base.vertices)]).astype(np.int32),
    )
    read, maps = checked(both)
    (place,) = maps["mid-air"].places
    assert np.linalg.norm(place[:3] - moved[moved[:, 2].argmin()]) < 1.0
    marked = np.isfinite(maps["mid-air"].values)
    far = np.linalg.norm(read.mesh.vertices - place[:3], axis=1) > 2.0
    assert marked.any() and not marked[far].any()


def test_maps_of_an_arch_fit_its_preview_and_stay_small() -> None:
    arch = make_arch(ArchForm.invent("upper", 3), target_triangles=60_000)
    read, maps = checked(arch)
    preview, points = on_copy(read.mesh, 20_000)
    pack = pack_maps(list(maps.values()), read.mesh, points, preview.faces)
    assert set(pack.names) == set(maps)
    assert len(pack.to_bytes()) < 2 * len(points) * len(maps) + 20_000
    for one in maps.values():
        carried = pack.of(one.name)
        if one.worse == "low":
            assert np.nanmin(carried) == pytest.approx(np.nanmin(one.values))


def test_overhang_does_not_depend_on_how_the_surface_is_divided() -> None:
    """A slab of 30 x 20 mm tilted by 15 degrees faces down with 6 cm2, less what lies in layer one."""
    slab = turned(box(30.0, 20.0, 6.0).mesh, (0.0, 1.0, 0.0), 15.0)
    first = 0.05 / np.sin(np.deg2rad(15.0)) * 20.0
    expected = (600.0 - first) / 100.0
    mesh = slab
    for _ in range(4):
        result = check_design(read_mesh(write_ply(mesh), unit="mm"), CheckRequest(), SHIPPED)
        assert result.figures["overhang_cm2"] == pytest.approx(expected, rel=1e-9)
        mesh = subdivided(mesh)
