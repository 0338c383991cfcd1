"""Small meshes for tests, and what lies in a file store."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

SHARED = Path(__file__).resolve().parents[3] / "shared" / "data"


def files_in(store: Path) -> list[str]:
    """Every file of the store, by its path in it."""
    return sorted(str(path.relative_to(store)) for path in store.rglob("*") if path.is_file())


def tetrahedron(edge: float = 10.0) -> bytes:
    """A binary STL of four triangles."""
    corners = [(0, 0, 0), (edge, 0, 0), (0, edge, 0), (0, 0, edge)]
    faces = [(0, 2, 1), (0, 1, 3), (0, 3, 2), (1, 2, 3)]
    records = b"".join(
        struct.pack("<12fH", 0, 0, 0, *(float(x) for corner in face for x in corners[corner]), 0)
        for face in faces
    )
    return b"\0" * 80 + struct.pack("<I", len(faces)) + records


def text_stl(*, nan: bool = False, cut: bool = False) -> bytes:
    """A text STL of one triangle; with a coordinate that is no number, or cut off inside."""
    x = "nan" if nan else "1"
    lines = ["solid one", "facet normal 0 0 1", "outer loop", f"vertex {x} 0 0", "vertex 0 1 0"]
    if not cut:
        lines += ["vertex 0 0 0", "endloop", "endfacet", "endsolid one"]
    return "\n".join(lines).encode()


def downloaded(answer: Any) -> bytes:
    """What a file response streams; its file is closed, the test's database connection is not."""
    content = b"".join(answer.streaming_content)
    for close in answer._resource_closers:
        close()
    return content
