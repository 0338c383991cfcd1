"""Compile every kernel, or load it from the cache, so that no one waits for it at first use."""

from __future__ import annotations

import io
import struct
import zipfile
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

import numpy as np

from qa.geometry.check import check_design
from qa.geometry.compare import CompareRequest, compare_print, prepared
from qa.geometry.distances import Landmark, LandmarkSheet, Span
from qa.geometry.limits import SHIPPED
from qa.geometry.mesh import Mesh
from qa.geometry.preview import make_preview
from qa.geometry.reading import read_mesh
from qa.geometry.subject import CheckRequest, Platform, Sheet

_CORNERS = [
    (0, 0, 0),
    (30, 0, 0),
    (30, 20, 0),
    (0, 20, 0),
    (0, 0, 10),
    (30, 0, 10),
    (30, 20, 10),
    (0, 20, 10),
]
_QUADS = [(0, 3, 2, 1), (4, 5, 6, 7), (0, 1, 5, 4), (1, 2, 6, 5), (2, 3, 7, 6), (3, 0, 4, 7)]


def _obj(shift: float) -> str:
    """A box of quadrilaterals as OBJ text, indices relative to its own end."""
    points = "".join(f"v {x + shift} {y} {z}\n" for x, y, z in _CORNERS)
    return points + "".join("f " + " ".join(str(index - 8) for index in quad) + "\n" for quad in _QUADS)


def _triangles() -> list[tuple[int, int, int]]:
    return [(a, b, c) for quad in _QUADS for a, b, c in ((quad[0], quad[1], quad[2]), (quad[0], *quad[2:]))]


def _cup() -> str:
    """A box with walls of 2 mm that is open at the bottom, as OBJ text."""
    inner = [(min(max(x, 2), 28), min(max(y, 2), 18), min(z, 8)) for x, y, z in _CORNERS]
    rim = [(1, 2, 10, 9), (2, 3, 11, 10), (3, 4, 12, 11), (4, 1, 9, 12)]
    quads = [tuple(i + 1 for i in quad) for quad in _QUADS[1:]]
    lining = [tuple(i + 9 for i in reversed(quad)) for quad in _QUADS[1:]]
    floor = [tuple(reversed(quad)) for quad in rim]
    points = "".join(f"v {x} {y} {z}\n" for x, y, z in [*_CORNERS, *inner])
    return points + "".join("f " + " ".join(map(str, quad)) + "\n" for quad in [*quads, *lining, *floor])


def _stl_text() -> bytes:
    facets = "".join(
        "facet normal 0 0 0\nouter loop\n"
        + "".join("vertex {} {} {}\n".format(*_CORNERS[corner]) for corner in triangle)
        + "endloop\nendfacet\n"
        for triangle in _triangles()
    )
    return f"solid box\n{facets}endsolid box\n".encode()


def _stl_binary() -> bytes:
    records = b"".join(
        struct.pack("<12fH", 0, 0, 0, *(float(v) for corner in triangle for v in _CORNERS[corner]), 0)
        for triangle in _triangles()
    )
    return bytes(80) + struct.pack("<I", len(_triangles())) + records


def _ply(*, binary: bool) -> bytes:
    head = (
        f"ply\nformat {'binary_little_endian' if binary else 'ascii'} 1.0\nelement vertex 8\n"
        "property float x\nproperty float y\nproperty float z\nelement face 6\n"
        "property list uchar int vertex_indices\nend_header\n"
    ).encode()
    if binary:
        body = b"".join(struct.pack("<3f", *corner) for corner in _CORNERS)
        return head + body + b"".join(struct.pack("<B4i", 4, *quad) for quad in _QUADS)
    body = "".join("{} {} {}\n".format(*corner) for corner in _CORNERS).encode()
    return head + body + "".join("4 {} {} {} {}\n".format(*quad) for quad in _QUADS).encode()


def _package() -> bytes:
    points = "".join(f'<vertex x="{x}" y="{y}" z="{z}"/>' for x, y, z in _CORNERS)
    faces = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in _triangles())
    model = (
        '<model unit="millimeter"><resources><object id="1"><mesh>'
        f"<vertices>{points}</vertices><triangles>{faces}</triangles></mesh></object></resources>"
        '<build><item objectid="1"/></build></model>'
    )
    relation = (
        '<Relationships><Relationship Id="r" Target="/3D/m.model" '
        'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>'
    )
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as package:
        package.writestr("_rels/.rels", relation)
        package.writestr("3D/m.model", model)
    return stream.getvalue()


def _lopsided(steps: int, turn_rad: float = 0.0) -> Mesh:
    """A closed block with an uneven top that fits itself in one pose only, turned about its height, mm."""
    x, y = np.meshgrid(np.linspace(-20, 20, steps), np.linspace(-14, 14, steps), indexing="ij")
    top = 9 + 4 * np.sin(x / 5) * np.cos(y / 4) + 0.15 * x + 3 * np.exp(-((x - 9) ** 2 + (y + 5) ** 2) / 9)
    points = np.column_stack(
        [np.tile(x.ravel(), 2), np.tile(y.ravel(), 2), np.r_[top.ravel(), 0 * x.ravel()]]
    )
    a = (np.arange(steps - 1)[:, None] * steps + np.arange(steps - 1)).ravel()
    over = np.vstack([np.column_stack(c) for c in ((a, a + steps, a + steps + 1), (a, a + steps + 1, a + 1))])
    rim = np.r_[
        np.arange(steps) * steps,
        (steps - 1) * steps + np.arange(1, steps),
        np.arange(steps - 2, -1, -1) * steps + steps - 1,
        np.arange(steps - 2, 0, -1),
    ]
    ahead, below = np.roll(rim, -1), steps * steps
    walls = np.vstack(
        [np.column_stack(c) for c in ((rim, rim + below, ahead), (ahead, rim + below, ahead + below))]
    )
    faces = np.vstack([over, over[:, ::-1] + below, walls]).astype(np.int32)
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    return Mesh(np.ascontiguousarray(points @ np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]])), faces)


def _warm_comparison() -> None:
    """A scan that fits, with landmarks and a candidate large enough for all cores, and one that does not."""
    design, scan = _lopsided(24), _lopsided(31, 0.7)
    marks = tuple(Landmark(str(k), (*design.vertices[k][:2], design.vertices[k][2])) for k in (100, 400))
    sheet = LandmarkSheet(marks, (Span("span", ("100", "400")),))
    request = CompareRequest(landmarks=sheet, spacing_mm=0.6)
    ready = prepared(design, request)
    compare_print(ready, scan, request, {"another": _lopsided(60)})
    mirrored = Mesh(scan.vertices * [-1.0, 1.0, 1.0], np.ascontiguousarray(scan.faces[:, ::-1]))
    compare_print(ready, mirrored, request)


def _warm_check() -> None:
    """Every format, and every kind of mesh that is checked in a way of its own."""
    for data in (_stl_binary(), _stl_text(), _ply(binary=True), _ply(binary=False), _package()):
        read_mesh(data)
    two = read_mesh((_obj(0.0) + _obj(29.5)).encode())
    request = CheckRequest(platforms=(Platform("any", 100.0, 100.0, 100.0),))
    check_design(two, request, SHIPPED)
    aslant = CheckRequest(up=(0.0, 0.2, 1.0), insertion=(0.0, 0.2, 1.0), sheet=Sheet("petg", 0.75))
    check_design(two, aslant, SHIPPED)
    check_design(read_mesh(_cup().encode()), request, SHIPPED)
    open_box = "\n".join((_obj(0.0)).splitlines()[:-1]).encode()
    check_design(read_mesh(open_box), CheckRequest(role="patient-scan"), SHIPPED)
    make_preview(two.mesh, max_triangles=12)


def warm_up() -> None:
    """Run every kernel once on a tiny mesh: seconds the first time, then a fraction of one."""
    _warm_check()
    _warm_comparison()


def fill_cache() -> None:
    """Compile on two cores at once what ``warm_up`` then loads."""
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        for half in [pool.submit(_warm_check), pool.submit(_warm_comparison)]:
            half.result()


if __name__ == "__main__":
    fill_cache()
