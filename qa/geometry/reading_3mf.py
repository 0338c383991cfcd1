"""3MF packages (3MF Core Specification 1.3): units, components and build items honoured.

The XML around the meshes is parsed with document types and entities refused; the vertex and triangle
lists, nearly all of the text, are read by a compiled scanner.
"""

from __future__ import annotations

import io
import posixpath
import re
import struct
import zipfile
import zlib
from dataclasses import dataclass, field
from xml.parsers import expat

import numpy as np
from numpy.typing import NDArray

from qa.geometry.errors import GeometryError
from qa.geometry.kernels import compiled
from qa.geometry.merge import merge_indexed
from qa.geometry.mesh import FloatArray, IndexArray
from qa.geometry.parsing import NOT_FINITE, NUMBER, Bytes, parse_float
from qa.geometry.reading_limits import RawMesh, not_finite, require_triangle_bound

MAX_MODEL_BYTES = 600_000_000
MAX_RATIO = 250
_RATIO_FREE_BYTES = 1_000_000
_MAX_ENTRIES = 5_000
_MAX_RELATIONSHIPS = 1_000_000
_MAX_DEPTH = 16
_MAX_PLACED = 10_000
_UNITS = {
    "micron": "micron", "millimeter": "mm", "centimeter": "cm", "inch": "inch", "foot": "foot", "meter": "m",
}  # fmt: skip
_MODEL_TYPE = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
# All that zipfile raises on a package whose directory or entries are damaged: ValueError where an offset
# comes out negative, the others by kind of damage.
_DAMAGE = (
    zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError, EOFError, OSError, ValueError,
    struct.error,
)  # fmt: skip
_BLOCK = re.compile(rb"<((?:[A-Za-z_][\w.-]*:)?)(vertices|triangles)\b[^>]*?(/?)>")

Transform = NDArray[np.float64]


@dataclass
class _Object:
    points: FloatArray | None = None
    triangles: NDArray[np.int64] | None = None
    components: list[tuple[tuple[str, str], Transform]] = field(default_factory=list)


@dataclass
class _Model:
    unit: str = "mm"
    objects: dict[tuple[str, str], _Object] = field(default_factory=dict)
    items: list[tuple[tuple[str, str], Transform]] = field(default_factory=list)
    others: list[str] = field(default_factory=list)


def _refusal(sentence: str, code: str = "archive") -> GeometryError:
    return GeometryError(code, sentence)


def _unpack(package: zipfile.ZipFile, name: str, limit: int) -> bytes:
    """One entry's bytes, whatever its header claims; raises ``archive`` beyond the bounds."""
    try:
        entry = package.getinfo(name)
        # No more is unpacked than could still be taken.
        limit = min(limit, max(_RATIO_FREE_BYTES, MAX_RATIO * max(entry.compress_size, 1)))
        with package.open(entry) as stream:
            content = stream.read(limit + 1)
    except KeyError:
        raise _refusal("The 3MF package lacks a part that it names. Export it again.") from None
    except _DAMAGE:
        raise _refusal("The 3MF package is damaged or encrypted. Export or send it again.") from None
    if len(content) > limit:
        raise _refusal(
            "The 3MF package unpacks to far more than a mesh needs, so it was not opened. "
            "Export the model again, as STL if the refusal repeats."
        )
    return content


def _model_path(package: zipfile.ZipFile) -> str:
    """The package's start part, from its root relationships."""
    parser = _safe_parser()
    found: list[str] = []

    def start(name: str, attributes: dict[str, str]) -> None:
        if name.rsplit(":", 1)[-1] == "Relationship" and attributes.get("Type") == _MODEL_TYPE:
            found.append(attributes.get("Target", ""))

    parser.StartElementHandler = start
    _feed(parser, _unpack(package, "_rels/.rels", _MAX_RELATIONSHIPS))
    if not found:
        raise _refusal("The archive is no 3MF package: it names no model. Upload the mesh itself.")
    return found[0].lstrip("/")


def _safe_parser() -> expat.XMLParserType:
    """An XML parser that refuses document types, and with them every entity."""
    parser = expat.ParserCreate()

    def refuse(*_: object) -> None:
        raise _refusal(
            "The 3MF package's XML brings entity definitions, which no mesh needs and which can be used "
            "to harm; it was not opened.",
            "unsafe_xml",
        )

    parser.StartDoctypeDeclHandler = refuse
    parser.EntityDeclHandler = refuse
    parser.ExternalEntityRefHandler = None
    return parser


def _feed(parser: expat.XMLParserType, text: bytes) -> None:
    try:
        parser.Parse(text, True)  # noqa: FBT003 (the parser takes it by place only)
    except expat.ExpatError as error:
        raise GeometryError(
            "syntax", f"The 3MF package's XML is broken at line {error.lineno:,}. Export it again."
        ) from None


def _cut_blocks(text: bytes) -> tuple[bytes, list[tuple[int, int]]]:
    """The XML with vertex and triangle lists cut out, and where they lay.

    A list element keeps its tag with its number as text, so that the parser tells whose it is.
    """
    kept: list[bytes] = []
    blocks: list[tuple[int, int]] = []
    at = 0
    for match in _BLOCK.finditer(text):
        if match.start() < at or match.group(3):
            continue
        closing = b"</" + match.group(1) + match.group(2)
        stop = text.find(closing, match.end())
        if stop < 0:
            raise GeometryError(
                "truncated", "The 3MF package's mesh ends in the middle: it was cut off. Export it again."
            )
        kept.append(text[at : match.end()])
        kept.append(str(len(blocks)).encode())
        blocks.append((match.end(), stop))
        at = stop
    kept.append(text[at:])
    return b"".join(kept), blocks


def _transform(text: str | None) -> Transform:
    """A 4 x 3 row-vector transform, the identity when absent (section 3.3 of the specification)."""
    if text is None:
        return np.vstack([np.eye(3), np.zeros(3)])
    try:
        values = np.array([float(word) for word in text.split()])
    except ValueError:
        values = np.zeros(0)
    if values.shape != (12,) or not np.isfinite(values).all():
        raise GeometryError("syntax", "The 3MF package holds a broken placement. Export it again.")
    return values.reshape(4, 3)


class _ModelReader:
    """Fills a ``_Model`` from one model part's XML."""

    def __init__(self, model: _Model, path: str, text: bytes) -> None:
        skeleton, blocks = _cut_blocks(text)
        self._model = model
        self._path = path
        self._data = np.frombuffer(text, np.uint8)
        self._blocks = blocks
        self._object: _Object | None = None
        self._list = ""
        parser = _safe_parser()
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.CharacterDataHandler = self._text
        parser.buffer_text = True
        _feed(parser, skeleton)

    def _reference(self, attributes: dict[str, str]) -> tuple[str, str]:
        path = next((value for key, value in attributes.items() if key.endswith(":path")), None)
        if path is not None:
            self._model.others.append(path.lstrip("/"))
        return (self._path if path is None else path.lstrip("/"), attributes.get("objectid", ""))

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        kind = name.rsplit(":", 1)[-1]
        if kind == "model":
            unit = attributes.get("unit", "millimeter").strip().lower()
            if unit not in _UNITS:
                raise GeometryError("unit", f"The 3MF package states the unit '{unit[:20]}', which is none.")
            self._model.unit = _UNITS[unit]
        elif kind == "object":
            self._object = _Object()
            if attributes.get("type", "model") != "other":
                self._model.objects[(self._path, attributes.get("id", ""))] = self._object
        elif kind == "component" and self._object is not None:
            placed = (self._reference(attributes), _transform(attributes.get("transform")))
            self._object.components.append(placed)
        elif kind == "item":
            self._model.items.append((self._reference(attributes), _transform(attributes.get("transform"))))
        self._list = kind if kind in ("vertices", "triangles") else ""

    def _end(self, name: str) -> None:
        self._list = ""
        if name.rsplit(":", 1)[-1] == "object":
            self._object = None

    def _text(self, text: str) -> None:
        if not self._list or self._object is None or not text.strip().isdigit():
            return
        begin, end = self._blocks[int(text)]
        block = self._data[begin:end]
        if self._list == "vertices":
            self._object.points = _read_points(block)
        else:
            self._object.triangles = _read_triangles(block)


def _read_points(block: Bytes) -> FloatArray:
    table, status = _scan(block, int(_count_tags(block)), 120)
    if status == NOT_FINITE:
        raise not_finite("The 3MF package")
    if status != NUMBER:
        raise GeometryError("syntax", "The 3MF package holds a vertex without x, y and z. Export it again.")
    return table


def _read_triangles(block: Bytes) -> NDArray[np.int64]:
    table, status = _scan(block, int(_count_tags(block)), 118)
    if status != NUMBER or (len(table) and (table.min() < 0 or table.max() > 2**31)):
        raise GeometryError(
            "syntax", "The 3MF package holds a triangle without v1, v2 and v3. Export it again."
        )
    return table.astype(np.int64)


@compiled()
def _count_tags(block: Bytes) -> int:
    count = 0
    for at in range(len(block) - 1):
        if block[at] == 60 and block[at + 1] != 47 and block[at + 1] != 33:
            count += 1
    return count


@compiled()
def _scan(block: Bytes, rows: int, letter: int) -> tuple[FloatArray, int]:
    """The three numbers of every tag: attributes x, y, z (``letter`` x) or v1, v2, v3 (``letter`` v)."""
    table = np.zeros((rows, 3))
    end = len(block)
    at = 0
    row = 0
    while True:
        while at < end and block[at] != 60:
            at += 1
        if at >= end:
            break
        if at + 1 < end and (block[at + 1] == 47 or block[at + 1] == 33):
            at += 1
            continue
        seen = 0
        while at < end and block[at] != 62:
            if block[at] != 61:
                at += 1
                continue
            axis = _axis(block, at, letter)
            while at < end and block[at] != 34 and block[at] != 39:
                at += 1
            quote = block[at] if at < end else 0
            at += 1
            while at < end and block[at] <= 32:
                at += 1
            if axis >= 0:
                value, at, status, _ = parse_float(block, at, end)
                if status != NUMBER:
                    return table, status
                table[row, axis] = value
                seen += 1
            while at < end and block[at] != quote:
                at += 1
            at += 1
        if seen != 3:
            return table, 0
        row += 1
    return table[:row], 1


@compiled()
def _axis(block: Bytes, at: int, letter: int) -> int:
    """Which of the three attributes ends before the equals sign at ``at``, or -1."""
    at -= 1
    while at > 0 and block[at] <= 32:
        at -= 1
    if letter == 118:
        named = at > 1 and block[at - 1] == 118 and block[at - 2] <= 32 and 49 <= block[at] <= 51
        return block[at] - 49 if named else -1
    named = at > 0 and block[at - 1] <= 32 and 120 <= block[at] <= 122
    return block[at] - 120 if named else -1


def _placements(model: _Model) -> list[tuple[_Object, Transform]]:
    """The meshes of all build items and of their components, each with its placement."""
    placed: list[tuple[_Object, Transform]] = []
    waiting = [(key, transform, 0) for key, transform in model.items]
    visits = 0
    while waiting:
        key, transform, depth = waiting.pop()
        visits += 1
        if depth > _MAX_DEPTH or visits > _MAX_PLACED:
            raise _refusal("The 3MF package nests its objects without end, so it was not opened.")
        found = model.objects.get(key)
        if found is None:
            continue
        if found.points is not None and found.triangles is not None:
            placed.append((found, transform))
        for child, inner in found.components:
            combined = np.vstack([inner[:3] @ transform[:3], inner[3] @ transform[:3] + transform[3]])
            waiting.append((child, combined, depth + 1))
    return placed


def _read_model(package: zipfile.ZipFile) -> _Model:
    start = _model_path(package)
    model = _Model()
    budget = MAX_MODEL_BYTES
    waiting, done = [start], set[str]()
    unit = ""
    while waiting:
        path = waiting.pop()
        if path in done:
            continue
        done.add(path)
        text = _unpack(package, posixpath.normpath(path), budget)
        budget -= len(text)
        if text[:2] in (b"\xff\xfe", b"\xfe\xff"):
            raise GeometryError("syntax", "The 3MF package's XML is not in UTF-8. Export it again.")
        _ModelReader(model, path, text)
        unit = unit or model.unit
        waiting.extend(model.others)
    model.unit = unit
    return model


def read_3mf(data: Bytes, max_triangles: int) -> RawMesh:
    """Read the build items of a 3MF package as one mesh in the package's unit.

    Raises ``archive``, ``unsafe_xml``, ``syntax``, ``truncated``, ``unit``, ``index``, ``not_finite``,
    ``no_triangles``, ``too_many_triangles``.
    """
    try:
        package = zipfile.ZipFile(io.BytesIO(data.tobytes()))
    except (zipfile.BadZipFile, OSError, ValueError):
        raise _refusal("The archive cannot be opened: it is damaged or cut off. Send it again.") from None
    with package:
        if len(package.infolist()) > _MAX_ENTRIES:
            raise _refusal("The archive holds too many entries to be a 3MF package of one model.")
        model = _read_model(package)
    placed = _placements(model)
    require_triangle_bound(sum(len(_triangles(each)) for each, _ in placed), max_triangles)
    points, triangles = _gather(placed)
    vertices, faces = merge_indexed(points, triangles)
    return RawMesh(vertices, faces, binary32=False, digits=9, unit_stated=model.unit)


def _triangles(each: _Object) -> NDArray[np.int64]:
    return each.triangles if each.triangles is not None else np.zeros((0, 3), np.int64)


def _gather(placed: list[tuple[_Object, Transform]]) -> tuple[FloatArray, IndexArray]:
    points: list[FloatArray] = []
    triangles: list[NDArray[np.int64]] = []
    offset = 0
    for each, transform in placed:
        own = each.points if each.points is not None else np.zeros((0, 3))
        faces = _triangles(each)
        if len(faces) and int(faces.max()) >= len(own):
            raise GeometryError(
                "index", "A triangle names a vertex that the 3MF package does not hold. Export it again."
            )
        points.append(own @ transform[:3] + transform[3])
        # A mirroring placement turns the surface inside out unless its triangles are turned too.
        mirrored = np.linalg.det(transform[:3]) < 0
        triangles.append((faces[:, ::-1] if mirrored else faces) + offset)
        offset += len(own)
    return np.vstack(points), np.vstack(triangles).astype(np.int32)
