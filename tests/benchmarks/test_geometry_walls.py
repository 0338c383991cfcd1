"""Walls by ray against trimesh's rays, from the same places of one mesh, in one run: ratios."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from fixtures.meshes import ArchForm, make_arch
from qa.geometry.mesh import FloatArray
from qa.geometry.sampling import face_normals_and_areas
from qa.geometry.tree import build
from qa.geometry.walls import measure, ray_walls
from qa.geometry.warm import warm_up
from tests.benchmarks.timing import seconds

pytestmark = pytest.mark.benchmark

TRIANGLES = 201_000
PLACES = 20_000
# The library holds all candidates of a call at once: more rays at a time would take gigabytes.
AT_ONCE = 2_500
# Started nearer to the surface, half of the library's rays hit the triangle they start from. Distances are
# taken from the place itself, so where a ray starts does not count.
BELOW_MM = 1e-4
LEAST_TRIMESH = 30.0


def test_walls_by_ray() -> None:
    """Rays alone, both with their tree built; ours is also told with the tree, and with the spheres."""
    warm_up()
    mesh = make_arch(ArchForm.invent("upper", 1), body="open-bottomed", target_triangles=TRIANGLES)
    normals, areas = face_normals_and_areas(mesh)
    sound = np.flatnonzero(areas > 0.0)
    faces = sound[:: max(1, len(sound) // PLACES)][:PLACES].astype(np.int32)
    points, outward = mesh.corners()[faces].mean(axis=1), normals[faces]
    judge = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)

    def library() -> FloatArray:
        found = np.full(len(points), np.inf)
        for first in range(0, len(points), AT_ONCE):
            part = slice(first, first + AT_ONCE)
            places, rays, _ = judge.ray.intersects_location(
                points[part] - BELOW_MM * outward[part], -outward[part], multiple_hits=False
            )
            found[first + rays] = np.linalg.norm(places - points[first + rays], axis=1)
        return found

    tree = build(mesh)
    judge.ray.intersects_location(points[:10], -outward[:10])
    theirs_found: list[FloatArray] = []
    theirs = seconds(lambda: theirs_found.append(library()), 1)
    ours = seconds(lambda: ray_walls(tree, points, outward, faces), 5)
    whole = seconds(lambda: ray_walls(build(mesh), points, outward, faces), 3)
    spheres = seconds(lambda: measure(tree, normals, points, faces), 3)
    print(
        f"\nwalls by ray at {len(points):,} places of {len(mesh.faces):,} triangles: trimesh {theirs:.2f} s, "
        f"ours {1000 * ours:.0f} ms, {theirs / ours:.0f} times (with building the tree "
        f"{1000 * whole:.0f} ms; rays and spheres {1000 * spheres:.0f} ms)"
    )
    found, _ = ray_walls(tree, points, outward, faces)
    assert (np.abs(found - theirs_found[0]) < 1e-5).mean() > 0.99
    assert theirs / ours >= LEAST_TRIMESH
