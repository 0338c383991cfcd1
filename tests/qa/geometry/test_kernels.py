"""Kernels mean the same with compilation off, and the engine needs no web framework."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[3]

CHECK = """
import json, sys
import numpy as np
from fixtures.meshes import writers
from fixtures.meshes.solids import box, joined, moved, shell, turned
from qa.geometry.check import CheckRequest, check_design
from qa.geometry.kernels import COMPILING
from qa.geometry.limits import SHIPPED
from qa.geometry.reading import read_mesh
from qa.geometry.warm import _package, _ply, _stl_text

two = joined(turned(box(9, 7, 5).mesh, (1, 2, 3), 20.0), moved(shell(4.0, 1.0, 1).mesh, (6.0, 0.0, 9.0)))
out = {"compiling": COMPILING}
with np.errstate(over="ignore"):  # hashes wrap on purpose
    for name, data in (
        ("stl", writers.write_stl(two)), ("obj", writers.write_obj(two)), ("text", _stl_text()),
        ("ply", _ply(binary=False)), ("ply binary", _ply(binary=True)), ("3mf", _package()),
    ):
        read = read_mesh(data)
        out[name] = [read.mesh.vertices.tolist(), read.mesh.faces.tolist(), read.unit]
    request = CheckRequest(layer_mm=1.0, lines_across=32)
    out["check"] = check_design(read_mesh(writers.write_stl(two)), request, SHIPPED).as_json()
assert "django" not in sys.modules
print(json.dumps(out))
"""


def run(compiling: str) -> dict[str, object]:
    done = subprocess.run(
        [sys.executable, "-c", CHECK],
        capture_output=True,
        text=True,
        cwd=ROOT,
        env=os.environ | {"LABTRACK_COMPILE": compiling},
    )
    assert done.returncode == 0, done.stderr
    return dict(json.loads(done.stdout))


def close(one: object, other: object) -> bool:
    if isinstance(one, float) and isinstance(other, float):
        return one == pytest.approx(other, rel=1e-9, abs=1e-9)
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(close(one[key], other[key]) for key in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(close(a, b) for a, b in zip(one, other, strict=True))
    return bool(one == other)


@pytest.mark.slow
def test_figures_are_the_same_with_compilation_off() -> None:
    plain, compiled = run("0"), run("1")
    assert plain.pop("compiling") is False
    assert compiled.pop("compiling") is True
    for name, result in compiled.items():
        assert close(result, plain[name]), name


WARM = """
import json, sys
import numpy as np
from qa.geometry import warm

def kernels():
    return {
        f"{module.__name__}.{name}": {str(one) for one in value.signatures}
        for module in list(sys.modules.values()) if getattr(module, "__name__", "").startswith("qa.geometry")
        for name, value in vars(module).items() if hasattr(value, "signatures")
    }

warm.warm_up()
warmed = kernels()
"""

COMPARE = """
from fixtures.meshes import ArchForm, distort, landmarks, make_arch, write_stl
from qa.geometry.compare import CompareRequest, compare_print
from qa.geometry.distances import Landmark, LandmarkSheet, Span
from qa.geometry.picture import coloured_preview
from qa.geometry.reading import read_mesh

form = ArchForm.invent("upper", 1)
design = make_arch(form, body="hollow", target_triangles=6_000)
places = landmarks(form)
sheet = LandmarkSheet(
    tuple(Landmark(name, tuple(places[name])) for name in ("13 tip", "23 tip")),
    (Span("inter-canine", ("13 tip", "23 tip")),),
)
scan = read_mesh(write_stl(distort(design, bow_mm=0.1, noise_mm=0.02)))
found = compare_print(design, scan, CompareRequest(landmarks=sheet), {"other": make_arch(form.at_stage(3.0))})
coloured_preview(found, scan.mesh)
"""

CHECKS = """
import tempfile
from pathlib import Path
from fixtures.meshes import ArchForm, make_arch, solids, writers
from qa.geometry.check import CheckRequest, check_design, surface_maps
from qa.geometry.limits import SHIPPED
from qa.geometry.maps import pack_maps
from qa.geometry.mesh import Mesh
from qa.geometry.preview import make_preview
from qa.geometry.reading import read_mesh
from qa.geometry.subject import Platform, Sheet

form = ArchForm.invent("upper", 1)
solid = make_arch(form, target_triangles=6_000)
hollow = make_arch(form, body="hollow", target_triangles=6_000)
shell = make_arch(form, body="open-bottomed", target_triangles=6_000)
aslant = dict(up=(0.0, 0.2, 1.0), insertion=(0.0, 0.3, 1.0), sheet=Sheet("petg", 0.75))
room = (Platform("any", 140.0, 90.0, 100.0),)
kinds = [
    (writers.write_stl(solid), dict(platforms=room)), (writers.write_stl(solid), aslant),
    (writers.write_stl(solid), dict(role="prepared")), (writers.write_stl(solid), dict(formed=False)),
    (writers.write_stl(shell), {}), (writers.write_stl(shell), dict(vat="top-down")),
    (writers.write_stl(hollow), {}), (writers.write_ply(hollow), dict(vat="none")),
    (writers.write_stl(solids.box_with_hole().mesh), dict(lines_across=64)),
    (writers.write_obj(solids.shell().mesh), {}), (writers.write_stl(solids.bowl().mesh), {}),
    (writers.write_stl(Mesh(solid.vertices, solid.faces[:-900])), dict(role="patient-scan")),
    (writers.write_stl(Mesh(solid.vertices, solid.faces[:-900])), {}),
    (writers.write_stl(solids.flipped(solid)), {}), (writers.write_stl(solids.incisor()), {}),
    (writers.write_stl(solids.joined(solid, solids.moved(shell, (0.0, 90.0, 0.0)))), {}),
    (writers.write_stl(solids.joined(solid, solids.moved(solid, (3.0, 0.0, 0.0)))), {}),
    (warm._package(), {}), (warm._stl_text(), {}),
    (warm._ply(binary=True), {}), (warm._ply(binary=False), {}),
]
with tempfile.TemporaryDirectory() as folder:
    path = Path(folder) / "part"
    for data, request in kinds:
        path.write_bytes(data)
        read = read_mesh(path)
        found = check_design(read, CheckRequest(**request), SHIPPED)
        small = make_preview(read.mesh, max_triangles=1_000)
        points = small.vertices.astype(np.float64) + np.asarray(small.origin_mm)
        pack_maps(surface_maps(found), read.mesh, points, small.faces)
"""

TELL = """
fresh = {name: sorted(one - warmed.get(name, set())) for name, one in kernels().items()}
print(json.dumps({name: one for name, one in fresh.items() if one}))
"""


@pytest.mark.parametrize("work", [COMPARE, CHECKS], ids=["comparison", "checks of every kind of mesh"])
def test_first_work_compiles_nothing_that_was_not_warmed(work: str) -> None:
    done = subprocess.run(
        [sys.executable, "-c", WARM + work + TELL], capture_output=True, text=True, cwd=ROOT
    )
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout) == {}
