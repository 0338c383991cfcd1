"""Group *walls*: solid or hollow, and how thick the wall between the outer and the inner skin is.

A wall lies between the two skins (``inner_skin``); the thin crest of a solid tooth has outer skin on both
sides and is none. At every place of either skin, evenly sampled, two figures are taken:

*by ray*: the way straight in to the other skin, along the face's normal. Exact on shells and plates, too
large where the skins are not parallel.

*by sphere*: the diameter of the largest sphere that touches the place and lies between the skins. Contacts
closer than 100 degrees to the place, seen from the sphere's centre, do not count: on a faceted surface the
neighbouring facets would shrink every sphere to nothing. That is to say, the least |d|^2 / (d . m) over
points of the other skin at d from the place, within 40 degrees of the inward normal m, where the skin
faces away within 80 degrees. It never exceeds the ray.

The figures judged are the sphere's: the least over both skins, percentiles and area over the inner skin.
The last stretch before an edge where the skins meet (a rim, a drain) is left out, as wide as the wall by ray
is thick there and at least a millimetre: an edge is no wall. Where in a bore the inner skin ends is a matter
of the triangles there; beyond that stretch a sphere that touches the bore's side, wherever that counts as
inner, is wider than the wall is thick, so it never is the thinnest.
Inscribed spheres follow J. Ma, S. W. Bae and S. Choi, "3D medial axis point approximation using nearest
neighbors and the normal field", The Visual Computer 28 (2012); the angle is this project's own.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import scipy
from numpy.typing import NDArray

from qa.geometry import wall_kernels as kernels
from qa.geometry.inner_skin import OUTER, free_samples
from qa.geometry.lattice import surface_points
from qa.geometry.limits import LimitSet
from qa.geometry.maps import SurfaceMap
from qa.geometry.mesh import FloatArray, IndexArray
from qa.geometry.sampling import Samples
from qa.geometry.subject import CheckRequest, Subject
from qa.geometry.threads import in_shares
from qa.geometry.tree import TriangleTree, closest, first_hit, near_order
from qa.geometry.verdicts import Check

CONTACT_DEG = 100.0
THICKEST_MM = 15.0
RIM_MM, EDGE_MOST_MM = 1.0, 5.0
_AWAY_COS = float(np.cos(np.radians(80.0)))
_LEAST_MM = 1e-7
_MOST_SAMPLES = 120_000
# The thinnest place is looked for round so many samples, so far apart, at these distances in turn.
_SPOTS, _SPOTS_APART_MM, _CLOSER_MM = 24, 1.0, (0.12, 0.03)
_NEGLIGIBLE_CM2 = 0.02
# A wall drawn at the limit comes out this much thinner on faceted surfaces.
_SLACK_MM = 0.005


@dataclass(frozen=True, eq=False)
class Thickness:
    """Wall at n places in mm, by ray and by sphere; infinite where there is no wall."""

    ray_mm: FloatArray
    sphere_mm: FloatArray


@dataclass(frozen=True)
class WallNumbers:
    """Least, percentiles and area under the limit, by one of the two ways; ``None`` without walls."""

    least_mm: float | None
    p01_mm: float | None
    p05_mm: float | None
    below_cm2: float | None
    far_below_cm2: float | None = None


@dataclass(frozen=True, eq=False)
class WallFigures:
    """Walls of a part. ``vertex_mm`` (n float32) has the wall by sphere at each vertex of either skin,
    not-a-number where there is none. ``place`` is that of the thinnest wall in the file's frame."""

    hollow: bool | None
    sphere: WallNumbers
    ray: WallNumbers
    place: FloatArray | None
    spacing_mm: float | None
    limit_mm: float
    vertex_mm: NDArray[np.float32]
    refused: str | None


def ray_walls(
    tree: TriangleTree, points: FloatArray, normals: FloatArray, faces: IndexArray
) -> tuple[FloatArray, IndexArray]:
    """Way straight in from places (n x 3) of ``faces`` with unit ``normals``: distances in mm, faces met."""
    return first_hit(tree, points, -normals, _LEAST_MM, ignore_face=faces)


def measure(
    tree: TriangleTree,
    face_normals: FloatArray,
    points: FloatArray,
    faces: IndexArray,
    *,
    side: NDArray[np.int8] | None = None,
    contact_deg: float = CONTACT_DEG,
    thickest_mm: float = THICKEST_MM,
) -> Thickness:
    """Walls at places (n x 3) that lie on ``faces`` (n), by ray and by sphere.

    ``face_normals`` (m x 3) are unit normals. ``side`` (m) names the skin of each face: a wall then ends on
    the other skin (1 - side), and faces of any further side end none. Without it a wall may end anywhere.
    """
    points = np.ascontiguousarray(points)
    inward = np.ascontiguousarray(-face_normals[faces])
    reach, met = ray_walls(tree, points, face_normals[faces], faces)
    away = np.zeros(len(points), dtype=np.bool_)
    hit = met >= 0
    away[hit] = np.sum(face_normals[met[hit]] * inward[hit], axis=1) > 0
    if side is None:
        sides, wanted = np.zeros(len(face_normals), np.int8), np.full(len(points), -1, np.int8)
    else:
        sides = side
        wanted = (1 - side[faces]).astype(np.int8)
        away &= hit & (side[met] == wanted)
    ray = np.where(away, reach, np.inf)
    bound = np.minimum(reach, thickest_mm)
    diameter = bound.copy()
    order = near_order(points)
    cosine = float(np.sin(np.radians(0.5 * contact_deg)))
    in_shares(
        lambda start, end: kernels.inscribed(
            tree.corners, tree.face_of, tree.boxes, tree.leaf_start, tree.thin, tree.levels, face_normals,
            points, inward, faces, sides, wanted, cosine, _AWAY_COS, _LEAST_MM, order, diameter, start, end,
        ),
        len(points),
    )  # fmt: skip
    sphere = np.where((diameter < bound) | (ray <= bound), diameter, np.inf)
    return Thickness(ray, sphere)


def compute(
    subject: Subject, limits: LimitSet, progress: Callable[[float], None] | None = None
) -> WallFigures:
    """Tell solid from hollow and measure the walls of what is hollow."""
    limit = limits.value("wall_min")
    why = refusal(subject)
    if why:
        return _nothing(limit, subject, why)
    skin = subject.inner_skin
    if not skin.hollow:
        return _nothing(limit, subject, None)
    if progress:
        progress(0.3)
    side, rim = _sides(subject)
    samples = _places(subject, rim)
    lengths = np.linalg.norm(subject.vectors, axis=1)
    normals = subject.vectors / np.where(lengths > 0, lengths, 1.0)[:, None]
    found = measure(subject.tree, normals, samples.points, samples.face, side=side)
    kept = rim.far(samples.points, found.ray_mm)
    samples, found = samples.pick(kept), Thickness(found.ray_mm[kept], found.sphere_mm[kept])
    least, thinnest = _thinnest(subject, normals, side, samples, found.sphere_mm, rim)
    del normals, lengths
    inner = side[samples.face] == 1
    fail = limits.value("wall_fail")
    sphere = _numbers(found.sphere_mm, samples.weights, inner, limit, fail)
    place = None
    if thinnest is not None:
        sphere = replace(sphere, least_mm=least)
        place = subject.in_file(thinnest[None])[0]
    return WallFigures(
        hollow=True,
        sphere=sphere,
        ray=_numbers(found.ray_mm, samples.weights, inner, limit, fail),
        place=place,
        spacing_mm=samples.spacing_mm,
        limit_mm=limit,
        vertex_mm=_at_vertices(subject, samples.face, found.sphere_mm, side),
        refused=None,
    )


def refusal(subject: Subject) -> str | None:
    """Why inside and outside cannot be told apart, or ``None``; shared with group *inside*."""
    if subject.coarse:
        return "coordinates are stored too far apart"
    if not subject.topology.closed:
        return "the surface is open"
    if not subject.nesting.known:
        return "bodies overlap so much that which lies in which cannot be told"
    thick = np.abs(subject.volumes) > 1e-7 * subject.areas**1.5
    expected = np.where(subject.nesting.depth % 2 == 0, 1.0, -1.0)
    if not thick.any():
        return "it encloses no volume"
    if (thick & (np.sign(subject.volumes) != expected)).any():
        return "a body faces the wrong way"
    return None


def _nothing(limit: float, subject: Subject, why: str | None) -> WallFigures:
    """Figures of a solid part, or of one that cannot be told for a reason."""
    none = WallNumbers(None, None, None, None)
    values = np.full(len(subject.mesh.vertices), np.nan, np.float32)
    return WallFigures(None if why else False, none, none, None, None, limit, values, why)


@dataclass(frozen=True, eq=False)
class _Rim:
    """Edges along which the skins meet, as points to ask for, if there are any."""

    points: scipy.spatial.cKDTree | None

    def far(self, places: FloatArray, ray_mm: FloatArray) -> NDArray[np.bool_]:
        """Which places (n x 3) are as far from the edges as the wall by ray is thick there."""
        if self.points is None:
            return np.ones(len(places), dtype=np.bool_)
        reach, _ = self.points.query(places, distance_upper_bound=EDGE_MOST_MM, workers=2)
        return np.asarray(reach >= np.clip(ray_mm, RIM_MM, EDGE_MOST_MM))


def _sides(subject: Subject) -> tuple[NDArray[np.int8], _Rim]:
    """Skin per face (0 outer, 1 inner, 2 buried in another body), and the edges where the skins meet."""
    label = subject.inner_skin.label
    side = np.where(label == OUTER, 0, 1).astype(np.int8)
    _, face, buried = surface_points(subject.lattice)
    if buried.any():
        free = np.bincount(face[~buried], minlength=len(side))
        side[(np.bincount(face[buried], minlength=len(side)) > 0) & (free == 0)] = 2
    rim = _rim_points(subject, side)
    return side, _Rim(scipy.spatial.cKDTree(rim) if len(rim) else None)


def _places(subject: Subject, rim: _Rim) -> Samples:
    """The places to measure: evenly over both skins, but for flat rims and what is at an edge."""
    samples = free_samples(subject.lattice, subject.vectors, surface_points(subject.lattice))
    if len(samples) > _MOST_SAMPLES:
        samples = samples.thin_out(_MOST_SAMPLES)
    for mouth in subject.inner_skin.mouths:
        samples = samples.pick(~mouth.rim(samples))
    return samples.pick(rim.far(samples.points, np.zeros(len(samples))))


def _thinnest(
    subject: Subject,
    normals: FloatArray,
    side: NDArray[np.int8],
    samples: Samples,
    wall: FloatArray,
    rim: _Rim,
) -> tuple[float, FloatArray | None]:
    """The least wall by sphere (mm) and its place: round the thinnest samples, places are taken closer."""
    spots = _spots(samples.points, wall)
    if not len(spots):
        return np.inf, None
    best, at, face = wall[spots], samples.points[spots], samples.face[spots]
    for step in _CLOSER_MM:
        around = np.stack(np.meshgrid(*2 * (step * np.arange(-4, 5),)), axis=-1).reshape(-1, 2)
        across = np.cross(normals[face], np.eye(3)[np.abs(normals[face]).argmin(axis=1)])
        across /= np.linalg.norm(across, axis=1, keepdims=True)
        along = np.cross(normals[face], across)
        tried = at[:, None] + around[:, :1] * across[:, None] + around[:, 1:] * along[:, None]
        near = closest(subject.tree, tried.reshape(-1, 3))
        found = measure(subject.tree, normals, near.point, near.face, side=side)
        flat = Samples(near.point, normals[near.face], np.ones(len(near.face)), near.face, step)
        good = rim.far(near.point, found.ray_mm) & (side[near.face] == np.repeat(side[face], len(around)))
        for mouth in subject.inner_skin.mouths:
            good &= ~mouth.rim(flat)
        thin = np.where(good, found.sphere_mm, np.inf).reshape(len(spots), -1)
        rows, chosen = np.arange(len(spots)), thin.argmin(axis=1)
        better = thin[rows, chosen] < best
        best = np.where(better, thin[rows, chosen], best)
        at = np.where(better[:, None], near.point.reshape(len(spots), -1, 3)[rows, chosen], at)
        face = np.where(better, near.face.reshape(len(spots), -1)[rows, chosen], face)
    return float(best.min()), at[best.argmin()]


def _spots(points: FloatArray, wall: FloatArray) -> NDArray[np.intp]:
    """The thinnest samples, each at least ``_SPOTS_APART_MM`` from a thinner one."""
    order = np.argsort(wall, kind="stable")
    order = order[np.isfinite(wall[order])]
    chosen: list[int] = []
    while len(order) and len(chosen) < _SPOTS:
        chosen.append(int(order[0]))
        order = order[np.linalg.norm(points[order] - points[order[0]], axis=1) > _SPOTS_APART_MM]
    return np.array(chosen, dtype=np.intp)


def _rim_points(subject: Subject, side: NDArray[np.int8]) -> FloatArray:
    """Points along the edges where outer and inner skin meet, n x 3."""
    faces, twin = subject.mesh.faces, subject.topology.twin
    half = np.flatnonzero(side[np.arange(len(twin)) // 3] == 1)
    half = half[(twin[half] >= 0) & (side[twin[half] // 3] == 0)]
    start = subject.mesh.vertices[faces[half // 3, half % 3]]
    along = subject.mesh.vertices[faces[half // 3, (half + 1) % 3]] - start
    count = np.ceil(np.linalg.norm(along, axis=1) / (0.3 * RIM_MM)).astype(np.int64) + 1
    edge = np.repeat(np.arange(len(half)), count)
    step = np.arange(len(edge)) - np.repeat(np.cumsum(count) - count, count)
    points: FloatArray = start[edge] + (step / count[edge])[:, None] * along[edge]
    return points


def _numbers(
    wall: FloatArray, weights: FloatArray, inner: NDArray[np.bool_], limit: float, fail: float
) -> WallNumbers:
    """Figures of a wall at samples: the least over both skins, the rest over the inner one."""
    if not np.isfinite(wall).any():
        return WallNumbers(None, None, None, None)
    lining = inner & np.isfinite(wall)
    least = float(wall.min())
    if not lining.any():
        return WallNumbers(least, None, None, None)
    order = np.argsort(wall[lining])
    values, area = wall[lining][order], weights[lining][order]
    summed = (np.cumsum(area) - 0.5 * area) / area.sum()
    return WallNumbers(
        least_mm=least,
        p01_mm=float(np.interp(0.01, summed, values)),
        p05_mm=float(np.interp(0.05, summed, values)),
        below_cm2=float(area[values < limit - _SLACK_MM].sum()) / 100.0,
        far_below_cm2=float(area[values < fail - _SLACK_MM].sum()) / 100.0,
    )


def _at_vertices(
    subject: Subject, face: IndexArray, wall: FloatArray, side: NDArray[np.int8]
) -> NDArray[np.float32]:
    """The least wall of the faces round each vertex; faces that hold no sample take the nearest one's."""
    faces = subject.mesh.faces
    value = np.full(len(faces), -1.0)
    least = np.full(len(faces), np.inf)
    np.minimum.at(least, face, wall)
    sampled = np.bincount(face, minlength=len(faces)) > 0
    value[sampled] = least[sampled]
    tree = subject.tree
    kernels.spread_values(faces, tree.around_start, tree.around, value, side)
    value[value < 0.0] = np.inf
    found = np.full(len(subject.mesh.vertices), np.inf)
    for corner in range(3):
        np.minimum.at(found, faces[:, corner], value)
    found[np.isinf(found)] = np.nan
    return found.astype(np.float32)


def figures_json(figures: WallFigures) -> dict[str, Any]:
    """The group's part of the JSON figures."""
    return {
        "hollow": figures.hollow,
        "wall_min_mm": figures.sphere.least_mm,
        "wall_p01_mm": figures.sphere.p01_mm,
        "wall_p05_mm": figures.sphere.p05_mm,
        "wall_below_limit_cm2": figures.sphere.below_cm2,
        "wall_min_place": figures.place,
        "wall_ray_min_mm": figures.ray.least_mm,
        "wall_ray_p01_mm": figures.ray.p01_mm,
        "wall_ray_p05_mm": figures.ray.p05_mm,
        "wall_ray_below_limit_cm2": figures.ray.below_cm2,
        "wall_spacing_mm": figures.spacing_mm,
    }


def judge(figures: WallFigures, request: CheckRequest, limits: LimitSet) -> list[Check]:
    """The group's row."""
    del request
    limit, fail = limits["wall_min"], limits["wall_fail"]
    if figures.hollow is None:
        why = f"Walls cannot be told: {figures.refused}. Mend it first."
        return [Check("wall", "unknown", None, "mm", limit, why)]
    least, below, far_below = figures.sphere.least_mm, figures.sphere.below_cm2, figures.sphere.far_below_cm2
    if not figures.hollow or least is None or below is None or far_below is None:
        what = "It is hollow, but no wall lies between its skins" if figures.hollow else "It is solid"
        return [Check("wall", "pass", None, "mm", limit, f"{what}, so no wall can be too thin.")]
    if far_below > _NEGLIGIBLE_CM2:
        sentence = (
            f"The wall is as thin as {least:.2f} mm; {far_below:.2f} cm² are under {fail.value:g} mm, "
            "which breaks in printing, cleaning or forming. Thicken it there, or print the model solid."
        )
        return [Check("wall", "fail", least, "mm", fail, sentence)]
    if below > limits.value("wall_area_max"):
        sentence = (
            f"The wall is {least:.2f} mm at its thinnest, and {below:.2f} cm² are under {limit.value:g} mm. "
            "Thicken it there if the model is to be formed."
        )
        return [Check("wall", "review", least, "mm", limit, sentence)]
    return [Check("wall", "pass", least, "mm", limit, f"It is hollow; its wall is {least:.2f} mm or more.")]


def maps(figures: WallFigures) -> tuple[SurfaceMap, ...]:
    """The wall at every vertex of either skin."""
    if not np.isfinite(figures.vertex_mm).any():
        return ()
    places = np.zeros((0, 4))
    if figures.place is not None and figures.sphere.least_mm is not None:
        places = np.append(figures.place, figures.sphere.least_mm)[None]
    return (
        SurfaceMap(
            name="wall",
            title="Wall",
            unit="mm",
            values=figures.vertex_mm,
            low=0.0,
            high=2.0 * figures.limit_mm,
            note="Largest sphere between outer and inner skin; blank where no inner skin lies behind.",
            limit=figures.limit_mm,
            worse="low",
            places=places,
        ),
    )
