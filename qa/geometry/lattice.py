"""Empty and solid space on a cubic lattice of points, with the exact crossings of its lines with a mesh.

Every lattice line along x, y and z keeps where it meets the surface, to double rounding. A point is solid
where the winding number along its z line is not 0. Two neighbouring points are joined only when nothing
crosses the edge between them, so a path over joined empty points is a path through empty space, however
thin the walls beside it: a wall thinner than the lattice never leaks. What can be missed is the other
way round: a passage narrower than about twice the step.

The lattice is turned about z by an odd angle, so that walls along x and y do not fall in step with it,
and lengths along z are measured to the crossings. Volumes are therefore finer than the step.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from qa.geometry.kernels import compiled
from qa.geometry.mesh import FloatArray, IndexArray, Mesh
from qa.geometry.nesting import height_over
from qa.geometry.threads import side_by_side

# The kernels see plain arrays of fixed kinds; the compiler checks what mypy cannot.
Array = Any
Crossings = tuple[FloatArray, IndexArray, NDArray[np.bool_]]
Bytes = NDArray[np.uint8]

SOLID, WALL_X, WALL_Y, WALL_Z = 1, 2, 4, 8
TURN_RAD = 0.5537
_MOST_TESTS = 400_000_000.0
_RUN = 32_768
# Where in its cell the first point lies: an uneven place, so that flat faces miss the points.
_OFFSETS = (0.5137, 0.4871, 0.5093)


@dataclass(frozen=True, eq=False)
class Lines:
    """Crossings of the lattice lines along one axis: those of line n are ``starts[n]:starts[n + 1]``.

    ``at`` is the coordinate in mm in the lattice's frame, rising along each line; ``facing`` 1 where the
    surface faces along the axis, -1 against it; ``face`` the face crossed.
    """

    starts: NDArray[np.int64]
    at: FloatArray
    facing: NDArray[np.int8]
    face: IndexArray


@dataclass(frozen=True, eq=False)
class Lattice:
    """Points of a mesh that stands on z = 0.

    ``shape`` is (layers, rows, columns); point (k, j, i) lies at ``origin + step_mm * (i, j, k)`` in a frame
    turned by ``TURN_RAD`` about z. ``flags`` (uint8, flat, column fastest): ``SOLID`` and, per axis,
    ``WALL_X`` and so on where the surface crosses the edge to the next point. Layer 0 lies under the
    platform, and the outermost points are empty. ``lines``: along x (line k * rows + j), y (k * columns
    + i) and z (j * columns + i).
    """

    step_mm: float
    origin: FloatArray
    shape: tuple[int, int, int]
    flags: Bytes
    lines: tuple[Lines, Lines, Lines]

    def places(self, cells: IndexArray) -> FloatArray:
        """Points (n x 3, mm) in the mesh's own frame."""
        found = np.zeros((len(cells), 3))
        _, rows, columns = self.shape
        _places(cells, self.origin, self.step_mm, *_turn(), rows * columns, columns, found)
        return found

    def middle(self, cells: IndexArray) -> FloatArray:
        """Mean of points (mm) in the mesh's own frame."""
        ends = (cells[first : first + _RUN] for first in range(0, len(cells), _RUN))
        total: FloatArray = np.sum([self.places(run).sum(axis=0) for run in ends], axis=0)
        return total / len(cells)


@compiled()
def _places(
    cells: Array, origin: Array, step: float, cosine: float, sine: float, plane: int, columns: int,
    found: Array,
) -> None:  # fmt: skip
    for n in range(len(cells)):
        rest = cells[n] % plane
        u = origin[0] + step * (rest % columns)
        v = origin[1] + step * (rest // columns)
        found[n, 0], found[n, 1] = cosine * u - sine * v, sine * u + cosine * v
        found[n, 2] = origin[2] + step * (cells[n] // plane)


def _turn() -> tuple[float, float]:
    """Cosine and sine of the lattice's turn."""
    return float(np.cos(TURN_RAD)), float(np.sin(TURN_RAD))


def into_lattice(points: FloatArray) -> FloatArray:
    """Points or directions (n x 3) of the mesh's frame in the lattice's turned frame."""
    # Written out: a product of matrices this thin costs more in threads than in sums.
    cosine, sine = _turn()
    x, y, z = points[:, 0], points[:, 1], points[:, 2]
    return np.column_stack([cosine * x + sine * y, cosine * y - sine * x, z])


def choose_step(vertices: FloatArray, finest_mm: float, most_points: int) -> float:
    """The step in mm: ``finest_mm``, or coarser so that no more than about ``most_points`` are needed."""
    size = np.ptp(into_lattice(vertices), axis=0)
    step = finest_mm
    while float(np.prod(size / step + 4.0)) > most_points:
        step *= 1.05
    return step


def make_lattice(mesh: Mesh, body: IndexArray, step_mm: float) -> Lattice:
    """Lay the lattice over a closed mesh that stands on z = 0; ``body`` (m) is -1 for collapsed faces.

    The step grows when the faces would otherwise take unreasonably many tests.
    """
    turned = np.ascontiguousarray(into_lattice(mesh.vertices))
    low, high = turned.min(axis=0), turned.max(axis=0)
    while float(count_tests(turned, mesh.faces, step_mm)) > _MOST_TESTS:
        step_mm *= 1.4
    origin = low + step_mm * (np.array(_OFFSETS) - 1.0)
    counts = np.ceil((high - origin) / step_mm).astype(np.int64) + 1
    columns, rows, layers = (int(count) for count in counts)
    lines: list[Lines | None] = [None, None, None]

    def along(axis: int) -> None:
        order = [(axis + 1) % 3, (axis + 2) % 3, axis]
        points = np.ascontiguousarray(turned[:, order])
        across, up = int(counts[order[0]]), int(counts[order[1]])
        wanted = _crossings(points, mesh.faces, body, origin[order[:2]], step_mm, across, up, 0)
        raw = _crossings(points, mesh.faces, body, origin[order[:2]], step_mm, across, up, wanted[4])
        # Lines are numbered with the slower axis last: y-z for x, z-x for y (turned round), x-y for z.
        lines[axis] = Lines(*_by_line(*raw[:4], across, up, int(axis == 1)))

    side_by_side([lambda axis=axis: along(axis) for axis in range(3)])  # type: ignore[misc]
    x, y, z = lines
    assert x is not None and y is not None and z is not None
    flags = np.zeros(layers * rows * columns, np.uint8)
    for number, each in enumerate((x, y, z)):
        _mark_walls(each.starts, each.at, origin[number], step_mm, layers, rows, columns, number, flags)
    _mark_solid(z.starts, z.at, z.facing, origin[2], step_mm, layers, rows, columns, flags)
    return Lattice(step_mm, origin, (layers, rows, columns), flags, (x, y, z))


@compiled()
def count_tests(points: Array, faces: Array, step: float) -> float:
    """How many line-in-triangle tests the faces need, all three axes together."""
    total = 0.0
    for face in range(len(faces)):
        a, b, c = faces[face, 0], faces[face, 1], faces[face, 2]
        x = max(points[a, 0], points[b, 0], points[c, 0]) - min(points[a, 0], points[b, 0], points[c, 0])
        y = max(points[a, 1], points[b, 1], points[c, 1]) - min(points[a, 1], points[b, 1], points[c, 1])
        z = max(points[a, 2], points[b, 2], points[c, 2]) - min(points[a, 2], points[b, 2], points[c, 2])
        total += (x * y + y * z + z * x) / (step * step)
    return total


@compiled()
def _crossings(
    points: Array, faces: Array, body: Array, origin: Array, step: float, across: int, up: int, room: int
) -> tuple[Array, Array, Array, Array, int]:
    """Where lines along the third axis meet the faces: (line, at, facing, face, how many).

    Called with no room it only counts.
    """
    line = np.zeros(room, np.int64)
    at = np.zeros(room)
    facing = np.zeros(room, np.int8)
    owner = np.zeros(room, np.int32)
    found = 0
    for face in range(len(faces)):
        if body[face] < 0:
            continue
        a, b, c = faces[face, 0], faces[face, 1], faces[face, 2]
        low_u, high_u = (
            min(points[a, 0], points[b, 0], points[c, 0]),
            max(points[a, 0], points[b, 0], points[c, 0]),
        )
        low_v, high_v = (
            min(points[a, 1], points[b, 1], points[c, 1]),
            max(points[a, 1], points[b, 1], points[c, 1]),
        )
        first_i = max(0, int(np.ceil((low_u - origin[0]) / step - 1e-9)))
        last_i = min(across - 1, int(np.floor((high_u - origin[0]) / step + 1e-9)))
        first_j = max(0, int(np.ceil((low_v - origin[1]) / step - 1e-9)))
        last_j = min(up - 1, int(np.floor((high_v - origin[1]) / step + 1e-9)))
        for j in range(first_j, last_j + 1):
            for i in range(first_i, last_i + 1):
                way, height = height_over(points, faces, face, origin[0] + i * step, origin[1] + j * step)
                if way == 0:
                    continue
                if found < room:
                    line[found], at[found], facing[found], owner[found] = j * across + i, height, way, face
                found += 1
    return line, at, facing, owner, found


@compiled()
def _by_line(
    line: Array, at: Array, facing: Array, face: Array, across: int, up: int, swapped: int
) -> tuple[Array, Array, Array, Array]:
    """Crossings grouped by line and sorted along it; ``swapped`` numbers lines the other way round."""
    starts = np.zeros(across * up + 1, np.int64)
    for n in range(len(line)):
        key = line[n]
        if swapped:
            key = (key % across) * up + key // across
            line[n] = key
        starts[key + 1] += 1
    for n in range(across * up):
        starts[n + 1] += starts[n]
    cursor = starts[:-1].copy()
    sorted_at, sorted_facing, sorted_face = np.zeros_like(at), np.zeros_like(facing), np.zeros_like(face)
    for n in range(len(line)):
        key = line[n]
        place = cursor[key]
        cursor[key] += 1
        while place > starts[key] and sorted_at[place - 1] > at[n]:
            sorted_at[place] = sorted_at[place - 1]
            sorted_facing[place] = sorted_facing[place - 1]
            sorted_face[place] = sorted_face[place - 1]
            place -= 1
        sorted_at[place], sorted_facing[place], sorted_face[place] = at[n], facing[n], face[n]
    return starts, sorted_at, sorted_facing, sorted_face


@compiled()
def line_of(axis: int, line: int, rows: int, columns: int) -> tuple[int, int]:
    """The first point of a line and the stride along it."""
    if axis == 0:
        return line * columns, 1
    if axis == 1:
        return (line // columns) * rows * columns + line % columns, columns
    return line, rows * columns


@compiled()
def _mark_walls(
    starts: Array, at: Array, origin: float, step: float, layers: int, rows: int, columns: int,
    axis: int, flags: Array,
) -> None:  # fmt: skip
    length = columns if axis == 0 else (rows if axis == 1 else layers)
    for line in range(len(starts) - 1):
        first, stride = line_of(axis, line, rows, columns)
        for n in range(starts[line], starts[line + 1]):
            place = int(np.floor((at[n] - origin) / step))
            if 0 <= place < length:
                flags[first + place * stride] |= np.uint8(2 << axis)


@compiled()
def _mark_solid(
    starts: Array, at: Array, facing: Array, origin: float, step: float, layers: int, rows: int,
    columns: int, flags: Array,
) -> None:  # fmt: skip
    for line in range(len(starts) - 1):
        first, stride = line_of(2, line, rows, columns)
        winding = 0
        for n in range(starts[line], starts[line + 1] - 1):
            winding += facing[n]
            if winding == 0:
                continue
            begin = max(0, int(np.floor((at[n] - origin) / step)) + 1)
            end = min(layers - 1, int(np.floor((at[n + 1] - origin) / step)))
            for layer in range(begin, end + 1):
                flags[first + layer * stride] |= np.uint8(1)


@compiled()
def blocked_sides(
    starts: Array, at: Array, face: Array, label: Array, origin: float, step: float, layers: int, rows: int,
    columns: int, axis: int, inner: Array, outer: Array,
) -> None:  # fmt: skip
    """Add, for every point, on how many of a line's two sides it meets a face of label 1, and of any other.

    ``label`` (per face) is one of 0 and 1.
    """
    length = columns if axis == 0 else (rows if axis == 1 else layers)
    for line in range(len(starts) - 1):
        low, high = starts[line], starts[line + 1]
        if low == high:
            continue
        first, stride = line_of(axis, line, rows, columns)
        n = low
        for place in range(length):
            here = origin + place * step
            while n < high and at[n] <= here:
                n += 1
            point = first + place * stride
            if n > low:
                if label[face[n - 1]] == 1:
                    inner[point] += 1
                else:
                    outer[point] += 1
            if n < high:
                if label[face[n]] == 1:
                    inner[point] += 1
                else:
                    outer[point] += 1


def surface_points(lattice: Lattice) -> Crossings:
    """Every crossing as a point (n x 3, mm, the mesh's own frame), its face, and whether it is buried.

    An even sampling: a patch with unit normal n (in the lattice's frame) holds
    (|nx| + |ny| + |nz|) / step^2 points per mm2. *Buried* points lie inside the material of another body.
    """
    _, rows, columns = lattice.shape
    parts, buried = [], []
    for axis, lines in enumerate(lattice.lines):
        line = np.repeat(np.arange(len(lines.starts) - 1), np.diff(lines.starts))
        slow, fast = np.divmod(line, rows if axis == 0 else columns)
        points = np.zeros((len(line), 3))
        across = {0: (2, 1), 1: (2, 0), 2: (1, 0)}[axis]
        points[:, across[0]] = lattice.origin[across[0]] + lattice.step_mm * slow
        points[:, across[1]] = lattice.origin[across[1]] + lattice.step_mm * fast
        points[:, axis] = lines.at
        parts.append(points)
        after = np.concatenate([[0], np.cumsum(lines.facing, dtype=np.int64)])
        winding = after[1:] - after[lines.starts[line]]
        buried.append(np.where(lines.facing > 0, winding, winding - lines.facing) != 0)
    faces = np.concatenate([each.face for each in lattice.lines])
    turned, (cosine, sine) = np.vstack(parts), _turn()
    u, v = turned[:, 0].copy(), turned[:, 1].copy()
    turned[:, 0], turned[:, 1] = cosine * u - sine * v, sine * u + cosine * v
    return turned, faces, np.concatenate(buried)


def count_blocked(lattice: Lattice, label: NDArray[np.uint8]) -> tuple[Bytes, Bytes]:
    """For every point on how many of its six sides the next face is of label 1, and of label 0."""
    inner, outer = np.zeros_like(lattice.flags), np.zeros_like(lattice.flags)
    for axis, lines in enumerate(lattice.lines):
        blocked_sides(
            lines.starts, lines.at, lines.face, label, lattice.origin[axis], lattice.step_mm,
            *lattice.shape, axis, inner, outer,
        )  # fmt: skip
    return inner, outer


@compiled()
def _facing_marks(
    vertices: Array, normals: Array, marks: Array, origin: Array, step: float, cosine: float, sine: float,
    layers: int, rows: int, columns: int, found: Array,
) -> None:  # fmt: skip
    for vertex in range(len(vertices)):
        nx, ny, nz = normals[vertex, 0], normals[vertex, 1], normals[vertex, 2]
        length = np.sqrt(nx * nx + ny * ny + nz * nz)
        if length == 0.0:
            continue
        x, y = vertices[vertex, 0], vertices[vertex, 1]
        u = (cosine * x + sine * y - origin[0]) / step
        v = (cosine * y - sine * x - origin[1]) / step
        w = (vertices[vertex, 2] - origin[2]) / step
        out_u, out_v, out_w = (
            (cosine * nx + sine * ny) / length,
            (cosine * ny - sine * nx) / length,
            nz / length,
        )
        first_i = int(np.floor(u + 0.3 * out_u))
        first_j = int(np.floor(v + 0.3 * out_v))
        first_k = int(np.floor(w + 0.3 * out_w))
        for k in range(max(first_k, 0), min(first_k + 2, layers)):
            for j in range(max(first_j, 0), min(first_j + 2, rows)):
                for i in range(max(first_i, 0), min(first_i + 2, columns)):
                    if (i - u) * out_u + (j - v) * out_v + (k - w) * out_w > 0.0:
                        found[vertex] = max(found[vertex], marks[i + columns * (j + rows * k)])


def marks_at_vertices(lattice: Lattice, marks: Bytes, mesh: Mesh, normals: FloatArray) -> Bytes:
    """For every vertex the mark of an empty lattice point beside it, on the side that ``normals`` (n x 3, any
    length) point to; 0 where none of the points round it is marked.

    ``mesh`` stands where the lattice was laid. A thin wall does not lend its other side's mark.
    """
    found = np.zeros(len(mesh.vertices), np.uint8)
    cosine, sine = _turn()
    _facing_marks(
        mesh.vertices, normals, marks, lattice.origin, lattice.step_mm, cosine, sine, *lattice.shape, found
    )
    return found
