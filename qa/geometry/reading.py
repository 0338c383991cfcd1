"""Read a triangle mesh from bytes: STL, PLY, OBJ or 3MF, told apart by content, never by name."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from qa.geometry.errors import GeometryError
from qa.geometry.mesh import Mesh
from qa.geometry.parsing import Bytes
from qa.geometry.reading_3mf import read_3mf
from qa.geometry.reading_limits import (
    MAX_BYTES,
    MAX_TRIANGLES,
    RawMesh,
    require_sound_coordinates,
    require_triangle_bound,
)
from qa.geometry.reading_obj import read_obj
from qa.geometry.reading_ply import read_ply
from qa.geometry.reading_stl import (
    HEADER_BYTES,
    counts_plausibly,
    length_fits,
    looks_like_records,
    read_binary,
    read_text,
)
from qa.geometry.threads import in_pairs

MM_PER_UNIT = {"micron": 0.001, "mm": 1.0, "cm": 10.0, "m": 1000.0, "inch": 25.4, "foot": 304.8}
UNITS = ("mm", "cm", "m", "inch")
# Storage coarser than this blurs what the checks look for (a layer is 0.025 to 0.1 mm).
NEEDED_RESOLUTION_MM = 0.01
_LEAST_DIGITS = 6
_HASH_ASIDE_BYTES = 1_000_000
_SNIFF_BYTES = 8192
_FORMAT_NAMES = {
    b"\x1f\x8b": "a gzip archive",
    b"Rar!": "a RAR archive",
    b"7z\xbc\xaf": "a 7z archive",
    b"%PDF": "a PDF document",
    b"\x89PNG": "a PNG picture",
    b"\xff\xd8\xff": "a JPEG picture",
}


@dataclass(frozen=True, eq=False)
class ReadMesh:
    """A mesh as read: vertices in mm once ``unit`` was applied, merged by exact coordinates.

    ``format`` is ``stl-binary``, ``stl-ascii``, ``ply``, ``obj`` or ``3mf``. ``unit`` is the unit
    applied, ``unit_asked`` what the caller asked for and ``unit_stated`` what the file itself states
    (3MF only; it goes before the caller's). ``resolution_mm`` is the spacing of stored coordinates at
    the farthest vertex; ``coarse`` says that it is too wide for the checks. ``digest`` is the SHA-256 of
    the bytes in hexadecimal.
    """

    mesh: Mesh
    format: str
    unit: str
    unit_asked: str | None
    unit_stated: str | None
    triangles: int
    digest: str
    size_bytes: int
    resolution_mm: float
    coarse: bool


def read_mesh(
    source: bytes | Path,
    *,
    unit: str | None = None,
    max_triangles: int = MAX_TRIANGLES,
    max_bytes: int = MAX_BYTES,
    needed_resolution_mm: float = NEEDED_RESOLUTION_MM,
) -> ReadMesh:
    """Read, bound and merge a mesh.

    ``unit`` (mm, cm, m, inch; ``None`` means mm) is the unit of the file's numbers. Raises
    ``GeometryError`` with a sentence for a person; codes: ``unit, unreadable, empty, too_large,
    not_a_mesh, truncated, count, syntax, index, not_finite, absurd, no_triangles, no_area,
    too_many_triangles, archive, unsafe_xml``.
    """
    if unit is not None and unit not in UNITS:
        raise GeometryError("unit", f"'{unit}' is no unit that is known here; use one of {', '.join(UNITS)}.")
    data = _load(source, max_bytes)
    if len(data) > _HASH_ASIDE_BYTES:
        # Hashing lets go of the interpreter lock, so it costs no time beside the reading.
        (kind, raw), digest = in_pairs(lambda: _read(data, max_triangles), lambda: _digest(data))
    else:
        (kind, raw), digest = _read(data, max_triangles), _digest(data)
    applied = raw.unit_stated or unit or "mm"
    mesh = _in_mm(raw, applied)
    resolution = _resolution(raw) * MM_PER_UNIT[applied]
    return ReadMesh(
        mesh=mesh,
        format=kind,
        unit=applied,
        unit_asked=unit,
        unit_stated=raw.unit_stated,
        triangles=len(mesh.faces),
        digest=digest,
        size_bytes=len(data),
        resolution_mm=resolution,
        coarse=resolution > needed_resolution_mm,
    )


def sniff(data: Bytes) -> str:
    """The format the bytes are in; raises ``not_a_mesh`` or ``truncated`` when there is none."""
    head = data[:_SNIFF_BYTES].tobytes()
    if head[:4] == b"PK\x03\x04":
        return "3mf"
    if head[:3] == b"ply" and head[3:4] in (b"\n", b"\r", b" "):
        return "ply"
    if length_fits(data):
        return "stl-binary"
    for magic, name in _FORMAT_NAMES.items():
        if head.startswith(magic):
            raise GeometryError(
                "not_a_mesh", f"This is {name}, not a mesh. Upload the STL, PLY, OBJ or 3MF file itself."
            )
    text = b"\x00" not in head
    words = head.lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if words.startswith(b"solid"):
        if text:
            _require_more_than_header(data, words)
            return "stl-ascii"
        if counts_plausibly(data):
            return "stl-binary"
    if text and _has_obj_lines(head):
        return "obj"
    if not text and len(data) < HEADER_BYTES:
        raise _cut_in_header()
    if not text and looks_like_records(data):
        return "stl-binary"
    raise GeometryError(
        "not_a_mesh",
        "This is no mesh in a format that is known here, whatever its name says. "
        "Upload an STL, PLY, OBJ or 3MF file.",
    )


def _require_more_than_header(data: Bytes, words: bytes) -> None:
    """A text STL has a line after its name; what has none may be a binary one cut off in its header."""
    if len(data) < HEADER_BYTES and b"\n" not in words and b"\r" not in words:
        raise _cut_in_header()


def _cut_in_header() -> GeometryError:
    return GeometryError("truncated", "The file ends inside its header: it was cut off. Send it again.")


def _has_obj_lines(head: bytes) -> bool:
    lines = head.replace(b"\r", b"\n").split(b"\n")
    opening = (b"v ", b"v\t", b"f ", b"o ", b"g ", b"vn ", b"vt ", b"mtllib ", b"usemtl ")
    plain = [line.strip() for line in lines if line.strip()]
    remarks = sum(line.startswith(b"#") for line in plain)
    known = sum(line.startswith(opening) for line in plain)
    return (known > 0 and known + remarks >= len(plain) // 2) or (remarks == len(plain) and remarks > 20)


def _load(source: bytes | Path, max_bytes: int) -> Bytes:
    if isinstance(source, bytes):
        _require_size(len(source), max_bytes)
        return np.frombuffer(source, np.uint8)
    try:
        _require_size(source.stat().st_size, max_bytes)
        data = np.fromfile(source, np.uint8, count=max_bytes)
    except OSError as error:
        reason = error.strerror or "it cannot be opened"
        raise GeometryError("unreadable", f"The file cannot be read: {reason}.") from None
    _require_size(len(data), max_bytes)
    # Read-only as bytes are, or every kernel that reads them would be compiled a second time.
    data.flags.writeable = False
    return data


def _require_size(size: int, max_bytes: int) -> None:
    """Asked before the file is taken into memory."""
    if size == 0:
        raise GeometryError("empty", "The file is empty. Export or send it again.")
    if size > max_bytes:
        raise GeometryError(
            "too_large",
            f"The file takes {size:,} bytes; at most {max_bytes:,} can be read. "
            "Reduce the mesh or save it as binary STL.",
        )


def _digest(data: Bytes) -> str:
    return hashlib.sha256(data.data).hexdigest()


def _read(data: Bytes, max_triangles: int) -> tuple[str, RawMesh]:
    readers = {
        "stl-binary": read_binary,
        "stl-ascii": read_text,
        "ply": read_ply,
        "obj": read_obj,
        "3mf": read_3mf,
    }
    kind = sniff(data)
    raw = readers[kind](data, max_triangles)
    require_triangle_bound(len(raw.faces), max_triangles)
    require_sound_coordinates(raw.vertices)
    return kind, raw


def _in_mm(raw: RawMesh, unit: str) -> Mesh:
    vertices = raw.vertices if unit == "mm" else raw.vertices * MM_PER_UNIT[unit]
    mesh = Mesh(np.ascontiguousarray(vertices), raw.faces)
    if not _has_area(mesh):
        raise GeometryError(
            "no_area",
            "Every triangle of the file has no area: the model is squashed to lines or points. "
            "Export it again.",
        )
    return mesh


def _has_area(mesh: Mesh) -> bool:
    """Whether any triangle spans an area; looks at blocks, so that a sound file costs one block."""
    for start in range(0, len(mesh.faces), 4096):
        corners = mesh.vertices[mesh.faces[start : start + 4096]]
        sides = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        longest = np.abs(corners - corners[:, :1]).max(axis=(1, 2))
        if (np.abs(sides).max(axis=1) > 1e-12 * longest**2).any():
            return True
    return False


def _resolution(raw: RawMesh) -> float:
    """Spacing of stored coordinates at the largest one, in the file's unit."""
    largest = float(np.abs(raw.vertices).max())
    if largest == 0.0:
        return 0.0
    if raw.binary32:
        return float(np.spacing(np.float32(largest)))
    # A writer that prints 100 may print six digits elsewhere: fewer are never concluded from the text.
    digits = max(raw.digits, _LEAST_DIGITS)
    return float(10.0 ** (np.floor(np.log10(largest)) + 1 - digits))
