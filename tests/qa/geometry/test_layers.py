"""Layer areas are exact, and what starts in mid-air is found and nothing else."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fixtures.meshes import ArchForm, faults, make_arch
from fixtures.meshes.solids import (
    box,
    box_with_cavity,
    joined,
    moved,
    sphere,
    stepped_cone,
    subdivided,
    torus,
    turned,
)
from qa.geometry.layers import LayerProfile, layer_count, profile_mesh
from qa.geometry.merge import merge_indexed
from qa.geometry.mesh import Mesh
from qa.geometry.topology import connect


def profile(*meshes: Mesh, layer_mm: float = 0.1) -> LayerProfile:
    whole = joined(*meshes)
    vertices, faces = merge_indexed(whole.vertices - [0, 0, whole.vertices[:, 2].min()], whole.faces)
    result = profile_mesh(vertices, faces, connect(Mesh(vertices, faces)), layer_mm)
    assert result is not None
    return result


def test_a_box_has_one_area_on_every_layer() -> None:
    areas = profile(box(20.0, 15.0, 10.0).mesh).areas_mm2
    assert len(areas) == 100
    assert areas == pytest.approx(np.full(100, 300.0), rel=1e-12)


def test_layers_are_counted_up_and_rounding_makes_none() -> None:
    assert layer_count(10.0, 0.05) == 200
    assert layer_count(10.0 + 1e-9, 0.05) == 200
    assert layer_count(10.01, 0.05) == 201
    assert layer_count(0.001, 0.05) == 1


def test_a_vertex_on_a_plane_counts_as_above_it() -> None:
    """Steps exactly at plane heights: the plane at 0.25 sees what lies below the step."""
    low = moved(box(10.0, 10.0, 0.25).mesh, (0.0, 0.0, 0.0))
    high = moved(box(4.0, 4.0, 0.25).mesh, (0.0, 0.0, 0.25))
    areas = profile(low, high, layer_mm=0.1).areas_mm2
    assert areas == pytest.approx([100.0, 100.0, 100.0, 16.0, 16.0])


def test_a_ball_slices_to_circles() -> None:
    solid = sphere(10.0, 6)
    result = profile(solid.mesh, layer_mm=0.2)
    heights = result.heights_mm - 10.0
    exact = np.pi * (100.0 - heights**2)
    assert result.areas_mm2 == pytest.approx(exact, rel=2e-3, abs=0.05)
    assert result.areas_mm2.sum() * 0.2 == pytest.approx(solid.known["polyhedron_volume_mm3"], rel=2e-4)


def test_a_lying_ring_slices_to_annuli() -> None:
    """Area at height h of a torus: 4 pi R sqrt(r^2 - h^2)."""
    result = profile(torus(12.0, 4.0, 384, 192).mesh, layer_mm=0.1)
    exact = 4 * np.pi * 12.0 * np.sqrt(16.0 - (result.heights_mm - 4.0) ** 2)
    assert result.areas_mm2[5:-5] == pytest.approx(exact[5:-5], rel=2e-3)
    assert (result.loops == 2).all()


def test_a_cavity_is_left_out() -> None:
    areas = profile(box_with_cavity(20.0, 3.0).mesh).areas_mm2
    assert areas[:30] == pytest.approx(np.full(30, 400.0))
    assert areas[30:170] == pytest.approx(np.full(140, 400.0 - 14.0**2))


def test_the_largest_step_of_a_stepped_cone_is_a_shrink_and_of_its_flip_a_growth() -> None:
    cone = stepped_cone().mesh
    upright = np.diff(profile(cone).areas_mm2)
    upside_down = np.diff(profile(turned(cone, (1, 0, 0), 180.0)).areas_mm2)
    assert upright.max() < 1e-9
    assert upside_down.max() > 1.0


def test_overlapping_bodies_count_once_when_asked() -> None:
    whole = joined(box(10.0, 10.0, 4.0).mesh, moved(box(6.0, 6.0, 4.0).mesh, (4.0, 0.0, 0.0)))
    topology = connect(whole)
    twice = profile_mesh(whole.vertices, whole.faces, topology, 0.1)
    once = profile_mesh(whole.vertices, whole.faces, topology, 0.1, overlaps=True)
    assert twice is not None
    assert once is not None
    assert twice.areas_mm2 == pytest.approx(np.full(40, 136.0))
    assert once.areas_mm2 == pytest.approx(np.full(40, 112.0), rel=0.005)


def test_a_cavity_stays_exact_when_overlaps_are_looked_for() -> None:
    mesh = box_with_cavity(20.0, 3.0).mesh
    result = profile_mesh(mesh.vertices, mesh.faces, connect(mesh), 0.1, overlaps=True)
    assert result is not None
    assert result.areas_mm2[50:150] == pytest.approx(np.full(100, 400.0 - 14.0**2), rel=1e-12)


def test_an_open_outline_has_no_area() -> None:
    mesh = box().mesh
    result = profile(Mesh(mesh.vertices, mesh.faces[:-1]))
    assert np.isnan(result.areas_mm2).any()
    assert (result.open_chains > 0).any()


def starts(*meshes: Mesh, layer_mm: float = 0.1) -> list[tuple[float, float, float]]:
    result = profile(*meshes, layer_mm=layer_mm)
    assert result.starts_found == len(result.starts)
    return [(float(z), float(x), float(y)) for z, x, y, _ in result.starts]


def test_a_part_on_the_platform_starts_nowhere_else() -> None:
    assert starts(box().mesh) == []
    assert starts(turned(box(20, 20, 20).mesh, (1, 1, 0), 35.0)) == []
    assert starts(box_with_cavity(20.0, 3.0).mesh) == []


def test_a_block_in_the_air_starts_once_where_it_is() -> None:
    found = profile(box(20, 20, 1).mesh, moved(box(2, 3, 2).mesh, (4.0, -5.0, 3.0)))
    assert found.starts_found == 1
    layer, x, y, area = found.starts[0]
    assert layer == 30
    assert (x, y) == pytest.approx((4.0, -5.0), abs=1.0)
    assert area == pytest.approx(6.0)


def test_a_table_top_rests_on_its_legs() -> None:
    legs = [moved(box(1, 1, 5).mesh, (x, y, 0.0)) for x in (-4, 4) for y in (-4, 4)]
    assert starts(*legs, moved(box(10, 10, 1).mesh, (0, 0, 4.9))) == []
    assert len(starts(*legs, moved(box(10, 10, 1).mesh, (0, 0, 5.35)))) == 1


def test_a_ledge_grows_from_its_wall_but_a_hook_does_not() -> None:
    wall = box(2, 10, 10).mesh
    ledge = moved(box(6, 4, 1).mesh, (3.5, 0, 5))
    assert starts(wall, ledge) == []
    hook = moved(box(1, 4, 3).mesh, (6.0, 0, 3.0))
    assert len(starts(wall, ledge, hook)) == 1


def test_a_ring_round_a_pillar_hangs_in_the_air() -> None:
    ring = torus(6.0, 1.0).mesh
    pillar = box(2, 2, 8).mesh
    cut = profile(pillar, moved(ring, (0, 0, 4.0)))
    assert cut.starts_found == 1


def test_two_blocks_that_overlap_in_the_air_start_once() -> None:
    floor = box(30, 30, 1).mesh
    one, other = moved(box(4, 4, 2).mesh, (0, 0, 5)), moved(box(4, 4, 2).mesh, (2, 2.2, 5))
    assert len(starts(floor, one, other)) == 1


def test_a_tooth_shaped_tongue_is_found_on_an_arch() -> None:
    form = ArchForm.invent("upper", 2)
    clean = make_arch(form)
    hung = make_arch(form, faults=(faults.MidAirStart(26),))
    assert starts(clean, layer_mm=0.05) == []
    assert len(starts(hung, layer_mm=0.05)) == 1


@settings(max_examples=25, deadline=None)
@given(
    angle=st.floats(0, 360),
    layer=st.floats(0.03, 0.4),
    shift=st.tuples(st.floats(-30, 30), st.floats(-30, 30)),
    finer=st.booleans(),
)
def test_areas_do_not_move_with_turning_shifting_or_subdividing(
    angle: float, layer: float, shift: tuple[float, float], finer: bool
) -> None:
    mesh = turned(box(9.0, 7.0, 5.0).mesh, (1.0, 0.3, 0.2), 25.0)
    plain = profile(mesh, layer_mm=layer).areas_mm2
    other = turned(subdivided(mesh) if finer else mesh, (0, 0, 1), angle)
    moved_areas = profile(moved(other, (*shift, 0.0)), layer_mm=layer).areas_mm2
    assert len(plain) == len(moved_areas)
    assert moved_areas == pytest.approx(plain, rel=1e-7, abs=1e-6)


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_a_heap_of_blocks_starts_as_often_as_polygons_say(seed: int) -> None:
    """Judged by shapely: union of each layer's rectangles against the layer below."""
    from shapely.geometry import box as rectangle
    from shapely.ops import unary_union

    rng = np.random.default_rng(seed)
    blocks = []
    for _ in range(12):
        low = np.append(rng.integers(0, 12, 2), rng.integers(0, 8)) + rng.random(3) * 0.2
        blocks.append((low, rng.integers(1, 5, 3) + rng.random(3) * 0.2))
    lowest = min(low[2] for low, _ in blocks)
    meshes = [
        moved(box(*size).mesh, (low[0] + size[0] / 2, low[1] + size[1] / 2, low[2])) for low, size in blocks
    ]
    layer = 0.25
    expected, below = 0, None
    top = max(low[2] + size[2] for low, size in blocks) - lowest
    for k in range(layer_count(top, layer)):
        z = lowest + (k + 0.5) * layer
        # A block whose face lies exactly on a plane does not occur: the coordinates are random.
        cut = unary_union(
            [
                rectangle(low[0], low[1], low[0] + size[0], low[1] + size[1])
                for low, size in blocks
                if low[2] <= z < low[2] + size[2]
            ]
        )
        parts = [cut] if cut.geom_type == "Polygon" else list(cut.geoms)
        if below is not None:
            expected += sum(part.area > 0 and part.intersection(below).area < 1e-9 for part in parts)
        below = cut
    assert profile(*meshes, layer_mm=layer).starts_found == expected


def overhang_mm2(mesh: Mesh, layer_mm: float = 0.05, **limits: float) -> float:
    from fixtures.meshes import writers
    from qa.geometry.layers import overhang_area
    from qa.geometry.reading import read_mesh
    from qa.geometry.subject import CheckRequest, make_subject

    subject = make_subject(read_mesh(writers.write_ply(mesh)), CheckRequest(layer_mm=layer_mm))
    return overhang_area(subject, limits.get("angle", 20.0))


@pytest.mark.parametrize("tilt", [1.0, 5.0, 19.0])
def test_a_tilted_slab_overhangs_with_all_but_its_first_layer(tilt: float) -> None:
    """In closed form: width x (length - layer / sin(tilt)); at 21 degrees nothing is shallow any more."""
    mesh = turned(box(30.0, 20.0, 4.0).mesh, (1, 0, 0), tilt)
    expected = 30.0 * (20.0 - 0.05 / np.sin(np.deg2rad(tilt)))
    assert overhang_mm2(mesh) == pytest.approx(expected, rel=1e-9)
    assert overhang_mm2(subdivided(subdivided(mesh))) == pytest.approx(expected, rel=1e-9)
    assert overhang_mm2(turned(box(30.0, 20.0, 4.0).mesh, (1, 0, 0), 21.0)) == 0.0


def test_what_stands_on_the_platform_does_not_overhang() -> None:
    assert overhang_mm2(box().mesh) == 0.0
    assert overhang_mm2(stepped_cone().mesh) == 0.0


def test_an_upturned_stepped_cone_overhangs_with_its_steps() -> None:
    """Rings between the discs of 10, 7 and 4 mm: what grows from layer to layer, to the last digit."""
    cone = stepped_cone()
    known = [cone.known[f"layer_area_{i}_mm2"] for i in range(3)]
    upturned = turned(cone.mesh, (1, 0, 0), 180.0)
    assert overhang_mm2(upturned) == pytest.approx(known[0] - known[2], rel=1e-9)
    steps = np.diff(profile(upturned).areas_mm2)
    assert steps.max() == pytest.approx(known[0] - known[1], rel=1e-9)


def test_a_lying_ring_overhangs_within_the_angle_of_its_lowest_circle() -> None:
    """Torus: 2 pi r (R beta +- r (1 - cos beta)) from the layer's height up to the limit's angle."""
    ring, tube, layer = 12.0, 4.0, 0.05
    start = np.arccos(1 - layer / tube)  # from straight down to where the first layer ends
    expected = 2 * 2 * np.pi * tube * ring * (np.deg2rad(20.0) - start)
    assert overhang_mm2(torus(ring, tube, 720, 720).mesh, layer) == pytest.approx(expected, rel=0.02)


@settings(max_examples=20, deadline=None)
@given(
    angle=st.floats(0, 360),
    shift=st.tuples(st.floats(-200, 200), st.floats(-200, 200), st.floats(-50, 50)),
    tilt=st.floats(2.0, 18.0),
)
def test_overhang_does_not_move_with_the_part(
    angle: float, shift: tuple[float, float, float], tilt: float
) -> None:
    mesh = turned(box(30.0, 20.0, 4.0).mesh, (1, 0.2, 0), tilt)
    still = overhang_mm2(mesh)
    assert overhang_mm2(moved(turned(mesh, (0, 0, 1), angle), shift)) == pytest.approx(still, rel=1e-6)
