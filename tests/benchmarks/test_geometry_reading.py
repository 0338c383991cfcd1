"""Reading and merging against trimesh, on one generated arch in one run: ratios, never seconds."""

from __future__ import annotations

import io
import statistics
import time
from collections.abc import Callable
from typing import Any

import pytest
import trimesh

from fixtures.meshes import ArchForm, make_arch, writers
from qa.geometry.reading import read_mesh

pytestmark = pytest.mark.benchmark

TRIANGLES = 201_000
ROUNDS = 7
LEAST = 15.0


def medians(*works: Callable[[], Any]) -> list[float]:
    """Median seconds of each work, the works taking turns so that a busy machine slows them alike."""
    times: list[list[float]] = [[] for _ in works]
    for _ in range(ROUNDS):
        for place, work in enumerate(works):
            start = time.perf_counter()
            work()
            times[place].append(time.perf_counter() - start)
    return [statistics.median(each) for each in times]


@pytest.fixture(scope="module")
def mesh() -> Any:
    return make_arch(ArchForm.invent("upper", 1), target_triangles=TRIANGLES)


@pytest.mark.parametrize(("kind", "least"), [("stl", LEAST), ("obj", 1.0), ("ply", 0.5), ("stl_ascii", 1.0)])
def test_reading_and_merging(mesh: Any, kind: str, least: float) -> None:
    judge = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    text = writers.write_stl(mesh) if kind == "stl" else judge.export(file_type=kind)
    data = text.encode() if isinstance(text, str) else bytes(text)
    read_mesh(data)

    def theirs() -> Any:
        # Merged on both sides: STL always is; for the others the library is asked to.
        return trimesh.load_mesh(io.BytesIO(data), file_type=kind, process=True)

    own, other = medians(lambda: read_mesh(data), theirs)
    print(f"\n{kind}, {len(mesh.faces):,} triangles: {other / own:.1f} times faster ({own * 1e3:.1f} ms)")
    assert len(read_mesh(data).mesh.vertices) == len(theirs().vertices)
    assert other / own >= least
