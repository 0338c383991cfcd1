"""All layers with their areas and mid-air starts against two libraries' sections, in one run: ratios."""

from __future__ import annotations

import manifold3d
import numpy as np
import pytest
import trimesh

from fixtures.meshes import ArchForm, make_arch
from qa.geometry.layers import LayerProfile, profile_mesh
from qa.geometry.topology import connect
from tests.benchmarks.timing import seconds

pytestmark = pytest.mark.benchmark

TRIANGLES = 201_000
LAYER_MM = 0.05
LEAST_TRIMESH = 50.0
LEAST_MANIFOLD = 4.0


def test_layer_areas_and_mid_air_starts() -> None:
    mesh = make_arch(ArchForm.invent("upper", 1), target_triangles=TRIANGLES)
    judge = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    solid = manifold3d.Manifold(manifold3d.Mesh64(mesh.vertices, mesh.faces.astype(np.uint64)))
    topology = connect(mesh)

    def own() -> LayerProfile | None:
        return profile_mesh(mesh.vertices, mesh.faces, topology, LAYER_MM)

    profile = own()
    assert profile is not None
    heights = profile.heights_mm[:-1]

    def polygons() -> list[float]:
        sections = judge.section_multiplane([0, 0, 0], [0, 0, 1], heights)
        return [sum(ring.area for ring in each.polygons_full) if each else 0.0 for each in sections]

    def cuts() -> list[float]:
        return [solid.slice(float(height)).area() for height in heights]

    assert np.array(polygons()) == pytest.approx(profile.areas_mm2[:-1], rel=1e-4, abs=0.05)
    assert np.array(cuts()) == pytest.approx(profile.areas_mm2[:-1], rel=1e-6, abs=1e-3)
    ours, theirs, modeller = seconds(own, 7), seconds(polygons, 2), seconds(cuts, 3)
    print(
        f"\n{profile.layers} layers of {len(mesh.faces):,} triangles with mid-air starts: "
        f"{ours * 1e3:.0f} ms, "
        f"{theirs / ours:.0f} times faster than trimesh's polygons, "
        f"{modeller / ours:.1f} times faster than manifold3d's slices"
    )
    assert theirs / ours >= LEAST_TRIMESH
    assert modeller / ours >= LEAST_MANIFOLD
