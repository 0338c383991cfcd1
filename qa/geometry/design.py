"""A design made ready for comparison once: outer skin, base, working surface, pattern frame."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from qa.geometry.errors import GeometryError
from qa.geometry.mesh import FloatArray, Mesh
from qa.geometry.plane_kernels import local_bounds
from qa.geometry.register import MOST_SAMPLES, SPACING_MM, Target
from qa.geometry.sampling import Samples, face_normals_and_areas, sample_surface
from qa.geometry.skin import BasePlane, SkinSettings, base_faces, find_base, outer_faces, part_of
from qa.geometry.threads import in_pairs
from qa.geometry.tree import TriangleTree, build, closest, vertex_normals

FEWEST_TRIANGLES = 4
SNAP_DEG = 2.5
_FARTHEST_MM, _PARTS, _STEPS = 4.0, 16, 3


@dataclass(frozen=True, eq=False)
class Frame:
    """Frame of the patterns. ``axes`` 3 x 3, rows x, y, z: z the forming axis toward the crowns, y the
    in-plane mirror axis toward the front, x = y cross z; ``origin`` the working surface's centroid (mm);
    ``half_width_mm`` H, ``half_height_mm`` the farthest z on either side, ``depth_mm`` D and ``back_mm`` the
    rearmost y."""

    origin: FloatArray
    axes: FloatArray
    half_width_mm: float
    half_height_mm: float
    depth_mm: float
    back_mm: float

    def local(self, points: FloatArray) -> FloatArray:
        """Coordinates of design points (n x 3) in this frame."""
        return (points - self.origin) @ self.axes.T


@dataclass(frozen=True, eq=False)
class Design:
    """A prepared design. ``outer`` is its outer skin (same vertices as ``mesh``), ``target`` that skin's
    tree, ``is_base`` a mask over the outer skin's faces, ``base`` the plane it stands on if it has one,
    ``inner`` the tree of the inner skin of a hollow design and ``inner_share`` its share of the area."""

    mesh: Mesh
    outer: Mesh
    target: Target
    is_base: NDArray[np.bool_]
    base: BasePlane | None
    inner: TriangleTree | None
    inner_share: float
    working_area_mm2: float

    @cached_property
    def frame(self) -> Frame:
        """The frame in which patterns are told: found at first use, which no registration asks for."""
        return pattern_frame(self.outer, self.target, self.is_base, self.base)

    @cached_property
    def vertex_normals(self) -> FloatArray:
        """Unit angle-weighted normal of every vertex of the outer skin, n x 3."""
        return vertex_normals(self.target.tree, self.target.face_normals)


def prepare(mesh: Mesh, settings: SkinSettings | None = None) -> Design:
    """Prepare a design. Raises ``GeometryError``: ``empty``, ``not_finite``, ``no_area``, ``inside_out``,
    ``too_few``."""
    settings = settings or SkinSettings()
    if len(mesh.faces) < FEWEST_TRIANGLES:
        raise GeometryError(
            "too_few", "The design has fewer than four triangles; there is no body to compare."
        )
    if not np.isfinite(mesh.vertices).all():
        raise GeometryError(
            "not_finite", "The design has a coordinate that is not a number; export it again."
        )
    known = normals, areas = face_normals_and_areas(mesh)
    tree, samples = in_pairs(
        lambda: build(mesh),
        lambda: sample_surface(mesh, SPACING_MM, most=MOST_SAMPLES, known=known, ordered=True),
    )
    base = find_base(samples, settings)
    outside = outer_faces(tree, samples, base, settings)
    outer = tree.mesh if outside.all() else part_of(tree.mesh, outside)[0]
    is_base = base_faces(outer, normals[outside], base, settings)
    if is_base.all():
        is_base = np.zeros_like(is_base)
    if not outside.all():
        samples = samples.pick(outside[samples.face])
        samples = replace(samples, face=(np.cumsum(outside) - 1).astype(np.int32)[samples.face])
    target = Target.of(outer, tree=tree if outside.all() else None, samples=samples, normals=normals[outside])
    return Design(
        mesh,
        outer,
        target,
        is_base,
        base,
        None if outside.all() else build(part_of(mesh, ~outside)[0]),
        float(areas[~outside].sum() / areas.sum()),
        float(areas[outside][~is_base].sum()),
    )


def pattern_frame(outer: Mesh, target: Target, is_base: NDArray[np.bool_], base: BasePlane | None) -> Frame:
    """The frame in which patterns are told (see ``Frame``)."""
    working = target.samples.pick(~is_base[target.samples.face])
    share = working.weights / working.weights.sum()
    origin = share @ working.points
    up = base.up if base is not None else _least_spread_axis(working, origin)
    front = _front(target, working, origin, up)
    axes = np.array([np.cross(front, up), front, up])
    low, high = np.full(3, np.inf), np.full(3, -np.inf)
    local_bounds(outer.vertices, outer.faces, is_base, origin, axes, low, high)
    return Frame(
        origin,
        axes,
        float(high[0] - low[0]) / 2.0,
        float(max(high[2], -low[2])),
        float(max(high[1] - low[1], 1e-9)),
        float(low[1]),
    )


def _least_spread_axis(working: Samples, origin: FloatArray) -> FloatArray:
    """Axis of least spread toward the crowns.

    An open surface looks toward its crowns on the whole; a closed one follows the build frame's +z.
    """
    centred = working.points - origin
    _, axes = np.linalg.eigh((centred * working.weights[:, None]).T @ centred)
    axis = axes[:, 0]
    looks = float(working.weights @ (working.normals @ axis) / working.weights.sum())
    sign = np.sign(looks) if abs(looks) > 0.1 else np.sign(axis[2])
    return np.asarray(axis * (sign or 1.0))


def _nearest_of(target: Target, copies: FloatArray) -> int:
    """Which of several copies of the same points (k x n x 3) lies nearest to the surface, on average, with
    no distance counted as more than ``_FARTHEST_MM``.

    A copy is given up once what a part of its points adds up to is more than the whole of the best.
    """
    total = np.zeros(len(copies))
    part = np.arange(copies.shape[1]) % _PARTS

    def add(chosen: NDArray[np.int64], points: NDArray[np.bool_]) -> None:
        places = copies[chosen][:, points].reshape(-1, 3)
        apart = closest(target.tree, places, largest_distance=_FARTHEST_MM).distance
        total[chosen] += np.minimum(apart, _FARTHEST_MM).reshape(len(chosen), -1).sum(axis=1)

    add(np.arange(len(copies)), part == 0)
    leader = int(np.argmin(total))
    add(np.array([leader]), part > 0)
    for number in range(1, _PARTS):
        others = np.flatnonzero(total < total[leader])
        if len(others):
            add(others, part == number)
    return int(np.argmin(total))


def _front(target: Target, working: Samples, origin: FloatArray, up: FloatArray) -> FloatArray:
    """Unit vector in the plane across ``up`` along the mirror axis, toward the closed end of the arch."""
    first = np.cross(up, [1.0, 0.0, 0.0] if abs(up[0]) < 0.8 else [0.0, 1.0, 0.0])
    first /= np.linalg.norm(first)
    second = np.cross(up, first)
    few = working.thin_out(400)

    def best_of(angles: FloatArray) -> float:
        across = np.cos(angles)[:, None] * first + np.sin(angles)[:, None] * second
        off = (few.points - origin) @ across.T
        # The mirror plane need not pass through the centroid: halfway between both sides is tried too.
        middle = 0.5 * (off.max(axis=0) + off.min(axis=0))
        mirrored = [
            few.points - 2.0 * (off[:, k] - shift)[:, None] * across[k]
            for k in range(len(angles))
            for shift in (0.0, middle[k])
        ]
        return float(angles[_nearest_of(target, np.array(mirrored)) // 2])

    def front_at(angle: float) -> FloatArray:
        return np.asarray(np.cross(up, np.cos(angle) * first + np.sin(angle) * second))

    def refined(angle: float, step_deg: float) -> float:
        return best_of(angle + np.radians(step_deg) * np.arange(-_STEPS, _STEPS + 1))

    # Arches are not symmetric, so their mirror axis is known to a degree or so; the file's own axis is
    # taken when it agrees that well.
    best = refined(best_of(np.radians(np.arange(0.0, 180.0, 6.0))), 2.0)
    front, last_deg = front_at(best), 0.5
    axis = _file_axis(front, up)
    if not _within(front, axis, SNAP_DEG - _STEPS * last_deg):
        front = front_at(refined(best, last_deg))
        axis = _file_axis(front, up)
    if _within(front, axis, SNAP_DEG):
        front = axis
    across = np.cross(front, up)
    local = few.points - origin
    # Crowns near the middle plane stand only at the closed end of the arch.
    near_middle = np.abs(local @ across) < 0.25 * np.abs(local @ across).max()
    crowns = near_middle & (local @ up > np.median(local[near_middle] @ up))
    toward = float(np.mean(local[crowns] @ front)) if crowns.any() else 1.0
    return np.asarray(front * (1.0 if toward >= 0 else -1.0))


def _file_axis(front: FloatArray, up: FloatArray) -> FloatArray:
    """The file's own axis nearest to ``front``, in the plane across ``up``."""
    axis = np.eye(3)[np.argmax(np.abs(front))]
    axis = axis - (axis @ up) * up
    return np.asarray(axis / np.linalg.norm(axis))


def _within(one: FloatArray, two: FloatArray, limit_deg: float) -> bool:
    """Whether two unit vectors, whichever way they point, lie within ``limit_deg`` of each other."""
    return bool(abs(one @ two) > np.cos(np.radians(limit_deg)))
