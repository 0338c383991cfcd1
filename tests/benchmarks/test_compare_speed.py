"""Speed of the comparison as ratios within one run: against libigl and trimesh, and of its own parts.

Run by name: ``pytest -m benchmark tests/benchmarks/test_compare_speed.py -s``. Each contender takes the best
of its runs, taken in turns, so that a busy machine slows all of them.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import igl
import numpy as np
import pytest
import trimesh

from fixtures.meshes import distort
from qa.geometry import tree
from qa.geometry.compare import compare_print, prepared
from qa.geometry.mesh import Mesh
from qa.geometry.register import Target, register
from qa.geometry.sampling import sample_surface
from tests.qa.geometry import scenes

pytestmark = pytest.mark.benchmark

KIND = igl.SIGNED_DISTANCE_TYPE_PSEUDONORMAL


def best(calls: dict[str, Callable[[], object]], runs: int = 3) -> dict[str, float]:
    taken = dict.fromkeys(calls, float("inf"))
    for _ in range(runs):
        for name, call in calls.items():
            start = time.perf_counter()
            call()
            taken[name] = min(taken[name], time.perf_counter() - start)
    return taken


def near_points(mesh: Mesh, count: int) -> np.ndarray:
    random = np.random.default_rng(0)
    points = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).sample(count, seed=0)
    return np.ascontiguousarray(points + random.normal(0, 0.1, points.shape))


def test_signed_deviation_beats_libigl_and_trimesh() -> None:
    mesh = scenes.arch(triangles=201_000)
    points = near_points(mesh, 200_000)
    tree.signed(tree.build(mesh), points)
    shape = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    taken = best(
        {
            "ours": lambda: tree.signed(tree.build(mesh), points),
            "libigl": lambda: igl.signed_distance(points, mesh.vertices, mesh.faces, sign_type=KIND),
        }
    )
    # A tenth of the points, since it is slow; its time grows with them.
    start = time.perf_counter()
    trimesh.proximity.signed_distance(shape, points[::10])
    slow = 10 * (time.perf_counter() - start)
    ours = taken["ours"]
    print(
        f"\n200,000 points, {len(mesh.faces):,} triangles: ours {ours:.3f} s, "
        f"libigl {taken['libigl'] / ours:.1f} times, trimesh about {slow / ours:.0f} times"
    )
    assert taken["libigl"] / ours >= 5
    assert slow / ours >= 50


def test_a_million_triangles_beat_libigl() -> None:
    coarse = scenes.arch(triangles=250_000)
    vertices, faces = trimesh.remesh.subdivide(coarse.vertices, coarse.faces)
    mesh = Mesh(np.ascontiguousarray(vertices), np.ascontiguousarray(faces, dtype=np.int32))
    points = near_points(mesh, 500_000)
    taken = best(
        {
            "ours": lambda: tree.signed(tree.build(mesh), points),
            "libigl": lambda: igl.signed_distance(points, mesh.vertices, mesh.faces, sign_type=KIND),
        },
        runs=2,
    )
    ratio = taken["libigl"] / taken["ours"]
    print(f"\n500,000 points, {len(faces):,} triangles: ours {taken['ours']:.3f} s, libigl {ratio:.1f} times")
    assert ratio >= 4


def test_registration_and_the_whole_against_one_deviation() -> None:
    mesh = scenes.arch(triangles=201_000)
    pose = scenes.random_pose(np.random.default_rng(1))
    scan = scenes.moved(distort(mesh, scale=-0.002, noise_mm=0.02), pose)
    target, samples = Target.of(mesh), sample_surface(scan)
    points = near_points(mesh, 200_000)
    ready = prepared(mesh)
    compare_print(ready, scan)
    taken = best(
        {
            "deviation": lambda: tree.signed(tree.build(mesh), points),
            "registration": lambda: register(target, samples),
            "prepare": lambda: prepared(mesh),
            "comparison": lambda: compare_print(ready, scan),
        }
    )
    one = taken["deviation"]
    for name, seconds in taken.items():
        print(f"\n{name}: {seconds:.3f} s, {seconds / one:.1f} times one deviation", end="")
    whole = taken["prepare"] + taken["comparison"]
    print(f"\nmeshes to result: {whole / (taken['registration'] + one):.1f} times registration and deviation")
    assert taken["registration"] / one < 4
