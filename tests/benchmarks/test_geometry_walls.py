"""Walls by ray against trimesh's rays, from the same places of one mesh, in one run: ratios."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import trimesh

from fixtures.meshes import ArchForm, make_arch
from qa.geometry.mesh import FloatArray
from qa.geometry.sampling import face_normals_and_areas
from qa.geometry.tree import build
from qa.geometry.walls import measure, ray_walls
from qa.geometry.warm import warm_up

pytestmark = pytest.mark.benchmark

TRIANGLES = 201_000
PLACES = 155_000
LEAST_TRIMESH = 30.0


def seconds(work: Callable[[], Any], rounds: int) -> float:
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def test_walls_by_ray() -> None:
    """Both build their tree first; ours is also told without it, and with the inscribed spheres."""
    warm_up()
    mesh = make_arch(ArchForm.invent("upper", 1), body="open-bottomed", target_triangles=TRIANGLES)
    normals, areas = face_normals_and_areas(mesh)
    faces = np.flatnonzero(areas > 0.0)[:PLACES].astype(np.int32)
    points, outward = mesh.corners()[faces].mean(axis=1), normals[faces]

    def own() -> FloatArray:
        return ray_walls(build(mesh), points, outward, faces)[0]

    def library() -> FloatArray:
        judge = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
        places, rays, _ = judge.ray.intersects_location(
            points - 1e-6 * outward, -outward, multiple_hits=False
        )
        found = np.full(len(points), np.inf)
        found[rays] = np.linalg.norm(places - points[rays], axis=1)
        return found

    ray_walls(build(mesh), points[:2_000], outward[:2_000], faces[:2_000])
    theirs_found: list[FloatArray] = []
    theirs = seconds(lambda: theirs_found.append(library()), 1)
    ours = seconds(own, 5)
    tree = build(mesh)
    query = seconds(lambda: ray_walls(tree, points, outward, faces), 5)
    spheres = seconds(lambda: measure(tree, normals, points, faces), 3)
    print(
        f"\nwalls by ray at {len(points):,} places of {len(mesh.faces):,} triangles: trimesh {theirs:.2f} s, "
        f"ours {ours:.3f} s, {theirs / ours:.0f} times "
        f"(query alone {query:.3f} s; with spheres {spheres:.2f} s)"
    )
    assert (np.abs(own() - theirs_found[0]) < 1e-5).mean() > 0.99
    assert theirs / ours >= LEAST_TRIMESH
