"""PLY, text and both byte orders (Turk 1994): vertices and polygon lists among any other properties."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from qa.geometry.errors import GeometryError
from qa.geometry.kernels import compiled
from qa.geometry.merge import merge_indexed
from qa.geometry.mesh import FloatArray
from qa.geometry.parsing import NOT_A_NUMBER, Bytes, fan_triangles, parse_numbers
from qa.geometry.reading_limits import RawMesh, not_finite, require_triangle_bound, syntax

_TYPES = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1",
    "short": "i2", "int16": "i2", "ushort": "u2", "uint16": "u2",
    "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4",
    "float": "f4", "float32": "f4", "double": "f8", "float64": "f8",
}  # fmt: skip
_MAX_HEADER = 65536
_MAX_ELEMENTS = 64
_CORNER_LISTS = ("vertex_indices", "vertex_index")


@dataclass
class _Property:
    name: str
    kind: str
    count_kind: str | None = None


@dataclass
class _Element:
    name: str
    count: int
    properties: list[_Property] = field(default_factory=list)

    @property
    def fixed(self) -> bool:
        return all(each.count_kind is None for each in self.properties)


@dataclass
class _Header:
    order: str
    elements: list[_Element]
    body: int


def _bad_header(why: str) -> GeometryError:
    return GeometryError("syntax", f"The PLY header cannot be read: {why}. Export the file again.")


def _parse_header(data: Bytes) -> _Header:
    head = data[:_MAX_HEADER].tobytes()
    mark = head.find(b"end_header")
    if mark < 0:
        raise _bad_header("it has no end_header line")
    body = mark + len(b"end_header")
    body += 2 if head[body : body + 2] == b"\r\n" else 1
    order = ""
    elements: list[_Element] = []
    for line in head[:mark].decode("latin-1").splitlines()[1:]:
        words = line.split()
        if not words or words[0] in ("comment", "obj_info"):
            continue
        if words[0] == "format" and len(words) >= 2:
            orders = {"ascii": "a", "binary_little_endian": "<", "binary_big_endian": ">"}
            order = orders.get(words[1], "")
        elif words[0] == "element" and len(words) == 3 and words[2].isdigit():
            elements.append(_Element(words[1], int(words[2])))
        elif words[0] == "property" and elements:
            elements[-1].properties.append(_parse_property(words))
        else:
            raise _bad_header(f"the line '{line[:60]}' is not understood")
    if not order:
        raise _bad_header("its format line names no known byte order")
    if len(elements) > _MAX_ELEMENTS:
        raise _bad_header("it names too many elements")
    return _Header(order, elements, body)


def _parse_property(words: list[str]) -> _Property:
    if len(words) == 3 and words[1] in _TYPES:
        return _Property(words[2], _TYPES[words[1]])
    if len(words) == 5 and words[1] == "list" and words[2] in _TYPES and words[3] in _TYPES:
        return _Property(words[4], _TYPES[words[3]], _TYPES[words[2]])
    raise _bad_header(f"the property '{' '.join(words)[:60]}' is not understood")


def read_ply(data: Bytes, max_triangles: int) -> RawMesh:
    """Read a PLY mesh; polygons become triangles, other elements and properties are passed over.

    Raises ``syntax``, ``truncated``, ``index``, ``not_finite``, ``no_triangles``,
    ``too_many_triangles``.
    """
    header = _parse_header(data)
    named = {element.name: element for element in header.elements}
    if "vertex" not in named:
        raise _bad_header("it names no vertices")
    faces_stated = named["face"].count if "face" in named else 0
    require_triangle_bound(faces_stated, max_triangles)
    for element in header.elements:
        # Every record takes a byte at least, so a lying count is refused before memory is taken.
        if element.properties and element.count > len(data):
            raise _truncated(element)
    body = _AsciiBody(data, header) if header.order == "a" else _BinaryBody(data, header)
    points, corners, starts = _read_elements(header, body)
    triangles_n = int(np.maximum(np.diff(starts) - 2, 0).sum())
    require_triangle_bound(triangles_n, max_triangles)
    if len(corners) and (int(corners.min()) < 0 or int(corners.max()) >= len(points)):
        raise GeometryError(
            "index", "A face names a point that the file does not hold: it is damaged. Export it again."
        )
    vertices, faces = merge_indexed(points, fan_triangles(points, corners, starts))
    if not np.isfinite(vertices).all():
        raise not_finite("The file")
    kinds = {each.kind for each in named["vertex"].properties if each.name in ("x", "y", "z")}
    binary32 = header.order != "a" and kinds <= {"f4"}
    return RawMesh(vertices, faces, binary32=binary32, digits=body.digits)


def _read_elements(
    header: _Header, body: _AsciiBody | _BinaryBody
) -> tuple[FloatArray, NDArray[np.int64], NDArray[np.int64]]:
    points = np.zeros((0, 3))
    corners, starts = np.zeros(0, np.int64), np.zeros(1, np.int64)
    for element in header.elements:
        if element.name == "vertex":
            points = _points(element, body)
        elif element.name == "face":
            corners, starts = _polygons(element, body)
        else:
            body.skip(element)
    return points, corners, starts


def _points(element: _Element, body: _AsciiBody | _BinaryBody) -> FloatArray:
    names = [each.name for each in element.properties]
    if not element.fixed or not {"x", "y", "z"} <= set(names):
        raise _bad_header("its vertices have no plain x, y and z")
    return body.columns(element, [names.index(axis) for axis in "xyz"])


def _polygons(
    element: _Element, body: _AsciiBody | _BinaryBody
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    wanted = [
        place
        for place, each in enumerate(element.properties)
        if each.name in _CORNER_LISTS and each.count_kind is not None and each.kind[0] in "iu"
    ]
    if not wanted:
        raise _bad_header("its faces have no list of vertex indices")
    return body.lists(element, wanted[0])


def _truncated(element: _Element) -> GeometryError:
    return GeometryError(
        "truncated",
        f"The file states {element.count:,} of its element '{element.name}' but ends before them: it was "
        "cut off on the way or is damaged. Export or send it again.",
    )


class _AsciiBody:
    """The numbers after a text header, handed out element by element."""

    def __init__(self, data: Bytes, header: _Header) -> None:
        text = data[header.body :]
        upper = len(text) // 2 + 1
        numbers = np.zeros(upper)
        count, status, at = parse_numbers(text, 0, len(text), numbers)
        if status == NOT_A_NUMBER:
            raise syntax("a text PLY", data, header.body + at)
        self._numbers = numbers[:count]
        self._at = 0
        self.digits = 17

    def columns(self, element: _Element, wanted: list[int]) -> FloatArray:
        width = len(element.properties)
        stop = self._at + element.count * width
        if stop > len(self._numbers):
            raise _truncated(element)
        table = self._numbers[self._at : stop].reshape(element.count, width)
        self._at = stop
        points = np.ascontiguousarray(table[:, wanted])
        self.digits = _decimal_digits(points)
        return points

    def lists(self, element: _Element, wanted: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        is_list = np.array([each.count_kind is not None for each in element.properties])
        starts = np.zeros(element.count + 1, np.int64)
        size, stop = _walk_numbers(self._numbers, self._at, is_list, wanted, starts, np.zeros(0, np.int64))
        if stop < 0:
            raise _truncated(element)
        corners = np.zeros(size, np.int64)
        _walk_numbers(self._numbers, self._at, is_list, wanted, starts, corners)
        self._at = stop
        return corners, starts

    def skip(self, element: _Element) -> None:
        if element.fixed:
            self._at += element.count * len(element.properties)
        elif element.count:
            first_list = next(i for i, each in enumerate(element.properties) if each.count_kind)
            self.lists(element, first_list)


def _decimal_digits(points: FloatArray) -> int:
    """Significant digits that reproduce a sample of coordinates: what the writer printed."""
    sample = points[:: max(1, len(points) // 500)].reshape(-1)
    sample = sample[np.isfinite(sample)]
    for digits in range(4, 17):
        if all(float(f"{value:.{digits - 1}e}") == value for value in sample):
            return digits
    return 17


class _BinaryBody:
    """The bytes after a binary header, handed out element by element."""

    def __init__(self, data: Bytes, header: _Header) -> None:
        self._data = data
        self._order = header.order
        self._at = header.body
        self.digits = 17

    def columns(self, element: _Element, wanted: list[int]) -> FloatArray:
        record = np.dtype([(f"p{i}", self._order + each.kind) for i, each in enumerate(element.properties)])
        stop = self._at + element.count * record.itemsize
        if stop > len(self._data):
            raise _truncated(element)
        table = np.frombuffer(self._data[self._at : stop], dtype=record)
        self._at = stop
        points = np.zeros((element.count, 3))
        for axis, place in enumerate(wanted):
            points[:, axis] = table[f"p{place}"]
        if all(element.properties[place].kind == "f4" for place in wanted):
            self.digits = 7
        return points

    def lists(self, element: _Element, wanted: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        layout = np.array(
            [
                [_width(each.count_kind), _width(each.kind), int(each.kind[0] == "i")]
                for each in element.properties
            ],
            np.int64,
        )
        if any(each.count_kind is not None and each.count_kind[0] == "f" for each in element.properties):
            raise _bad_header("a list is counted by a fraction")
        starts = np.zeros(element.count + 1, np.int64)
        big = int(self._order == ">")
        none = np.zeros(0, np.int64)
        size, stop = _walk_bytes(self._data, self._at, layout, wanted, big, starts, none)
        if stop < 0:
            raise _truncated(element)
        corners = np.zeros(size, np.int64)
        _walk_bytes(self._data, self._at, layout, wanted, big, starts, corners)
        self._at = stop
        return corners, starts

    def skip(self, element: _Element) -> None:
        if element.fixed:
            self._at += element.count * sum(_width(each.kind) for each in element.properties)
        elif element.count:
            first_list = next(i for i, each in enumerate(element.properties) if each.count_kind)
            self.lists(element, first_list)


def _width(kind: str | None) -> int:
    return int(kind[1]) if kind else 0


@compiled()
def _walk_numbers(
    numbers: FloatArray,
    at: int,
    is_list: NDArray[np.bool_],
    wanted: int,
    starts: NDArray[np.int64],
    corners: NDArray[np.int64],
) -> tuple[int, int]:
    """Walk records of text numbers: (items of the wanted list, place after them or -1 when short).

    With an empty ``corners`` it only counts and fills ``starts``.
    """
    total = 0
    for record in range(len(starts) - 1):
        for place in range(len(is_list)):
            if at >= len(numbers):
                return total, -1
            size = 1
            if is_list[place]:
                if not 0.0 <= numbers[at] < 1e9:
                    return total, -1
                size = int(numbers[at])
                at += 1
            if at + size > len(numbers):
                return total, -1
            if place == wanted:
                if len(corners) > 0:
                    for item in range(size):
                        value = numbers[at + item]
                        corners[total + item] = int(value) if abs(value) < 1e15 else -1
                total += size
            at += size
        starts[record + 1] = total
    return total, at


@compiled()
def _integer(data: Bytes, at: int, width: int, big: int, signed: int) -> int:
    value = 0
    for byte in range(width):
        place = byte if big else width - 1 - byte
        value = (value << 8) | int(data[at + place])
    if signed and value >= (1 << (8 * width - 1)):
        value -= 1 << (8 * width)
    return value


@compiled()
def _walk_bytes(
    data: Bytes,
    at: int,
    layout: NDArray[np.int64],
    wanted: int,
    big: int,
    starts: NDArray[np.int64],
    corners: NDArray[np.int64],
) -> tuple[int, int]:
    """Walk binary records laid out as rows (count bytes or 0, item bytes, signed).

    Returns (items of the wanted list, byte after them or -1 when short). With an empty ``corners`` it
    only counts and fills ``starts``.
    """
    total = 0
    for record in range(len(starts) - 1):
        for place in range(len(layout)):
            size = 1
            if layout[place, 0] > 0:
                if at + layout[place, 0] > len(data):
                    return total, -1
                size = _integer(data, at, layout[place, 0], big, 0)
                at += layout[place, 0]
            width = layout[place, 1]
            if at + size * width > len(data):
                return total, -1
            if place == wanted:
                if len(corners) > 0:
                    for item in range(size):
                        corners[total + item] = _integer(
                            data, at + item * width, width, big, layout[place, 2]
                        )
                total += size
            at += size * width
        starts[record + 1] = total
    return total, at
