"""The part of a design that a scanner can see: its outer skin, its forming base, its working surface.

A hollow model has an inner skin a few millimetres under the outer one; it must never attract the scan.
A place is taken as outer when rays leave it to the open; rays through the plane of the forming base do
not count, or the inside of a shell that stands on its rim would pass for outside. Views through drain holes
show only a small part of the inner skin at a time, so single rays are not trusted: the share of rays that
escape decides, and small islands take the side of what surrounds them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from qa.geometry import plane_kernels as planes
from qa.geometry.errors import GeometryError
from qa.geometry.kernels import compiled
from qa.geometry.mesh import FloatArray, IndexArray, Mesh
from qa.geometry.sampling import FEWEST_SAMPLES, Samples, face_normals_and_areas
from qa.geometry.threads import in_shares
from qa.geometry.topology import face_areas
from qa.geometry.tree import TriangleTree, first_hit

Array = Any
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class SkinSettings:
    """Tolerances: lengths in mm, angles in degrees, shares of area. ``first_rays`` of each sample's ``rays``
    settle most; the others are sent where they could still change a face."""

    spacing_mm: float = 1.5
    rays: int = 16
    first_rays: int = 3
    least_escaping: float = 0.15
    inner_patch_share: float = 0.03
    base_within_mm: float = 0.3
    base_within_deg: float = 12.0
    base_least_share: float = 0.02
    base_skin_mm: float = 0.05
    inside_out_share: float = 0.9


@dataclass(frozen=True, eq=False)
class BasePlane:
    """The forming base: a point on it, the unit normal away from it (toward the crowns), its area."""

    point: FloatArray
    up: FloatArray
    area_mm2: float


def find_base(samples: Samples, settings: SkinSettings | None = None) -> BasePlane | None:
    """The flat face that the whole model stands on, or None when it has none.

    The largest plane touched by enough area facing outward, with everything else on its inner side.
    """
    settings = settings or SkinSettings()
    few = samples.thin_out(4_000)
    drawn = np.random.default_rng(0).choice(len(few), size=min(400, len(few)), replace=False)
    down, points = few.normals[drawn], few.points[drawn]
    least_agree, whole = float(np.cos(np.radians(settings.base_within_deg))), float(few.weights.sum())
    area = np.zeros(len(drawn))
    in_shares(
        lambda start, end: planes.area_stood_on(
            few.points, few.normals, few.weights, points, down, settings.base_within_mm, least_agree,
            0.002 * whole, area, start, end,
        ),
        len(drawn),
        smallest=32,
    )  # fmt: skip
    best = int(np.argmax(area))
    if area[best] < settings.base_least_share * whole:
        return None
    members = np.zeros(len(few), dtype=np.bool_)
    planes.on_plane(
        few.points, few.normals, points[best], down[best], settings.base_within_mm, least_agree, members, 0,
        len(few),
    )  # fmt: skip
    point = np.average(few.points[members], axis=0, weights=few.weights[members])
    _, _, axes = np.linalg.svd(few.points[members] - point, full_matrices=False)
    up = -axes[2] * np.sign(axes[2] @ down[best])
    return BasePlane(point, up, float(area[best]))


def outer_faces(
    tree: TriangleTree, samples: Samples, base: BasePlane | None, settings: SkinSettings | None = None
) -> Bools:
    """Mask of the faces on the outer skin (all of them for a solid model); ``samples`` of the whole mesh."""
    settings = settings or SkinSettings()
    mesh = tree.mesh
    wanted = 1.5 * float(samples.weights.sum()) / settings.spacing_mm**2
    samples = samples.thin_out(int(np.clip(wanted, FEWEST_SAMPLES, 40_000)))
    refuse_inside_out(tree, samples, settings)
    escaping = _escaping_share(tree, samples, base, settings)
    total = np.bincount(samples.face, weights=escaping, minlength=len(mesh.faces))
    count = np.bincount(samples.face, minlength=len(mesh.faces))
    hidden = np.full(len(mesh.faces), -1, dtype=np.int8)
    known = count > 0
    hidden[known] = total[known] / count[known] < settings.least_escaping
    share = samples.weights[escaping < settings.least_escaping].sum() / samples.weights.sum()
    if share == 0.0:
        return np.ones(len(mesh.faces), dtype=np.bool_)
    spread_labels(tree.mesh.faces, tree.around_start, tree.around, hidden)
    return ~settled(tree, hidden, settings)


def refuse_inside_out(tree: TriangleTree, samples: Samples, settings: SkinSettings) -> None:
    """Raise ``inside_out`` when nearly everything seen from outside shows its back."""
    middle = 0.5 * (samples.points.max(axis=0) + samples.points.min(axis=0))
    reach = float(np.linalg.norm(np.ptp(samples.points, axis=0)))
    few = samples.thin_out(1_000)
    views = spread_directions(50)
    eye = middle + reach * views[np.arange(len(few)) % 50]
    sight = few.points - eye
    _, face = first_hit(tree, eye, sight)
    seen = face >= 0
    normals, _ = face_normals_and_areas(Mesh(tree.mesh.vertices, tree.mesh.faces[face[seen]]))
    if seen.any() and np.mean(np.sum(normals * sight[seen], axis=1) > 0) > settings.inside_out_share:
        raise GeometryError(
            "inside_out",
            "The surface is turned inside out: its faces look inward. Turn the normals over in the program "
            "it comes from and upload it again.",
        )


def spread_directions(count: int) -> FloatArray:
    """Unit vectors spread evenly over the sphere (Fibonacci lattice), count x 3."""
    n = np.arange(count) + 0.5
    z = 1.0 - 2.0 * n / count
    angle = n * np.pi * (3.0 - np.sqrt(5.0))
    radius = np.sqrt(1.0 - z * z)
    return np.column_stack([radius * np.cos(angle), radius * np.sin(angle), z])


def _escaping_share(
    tree: TriangleTree, samples: Samples, base: BasePlane | None, settings: SkinSettings
) -> FloatArray:
    """Share of rays from each sample, over its half of the sphere, that leave the model; with a base, of
    those that do not go down through it.

    Where the first few rays that leave are enough to count a sample as outer, and all others of its face,
    the share is theirs alone: no face is judged otherwise by the rest.
    """
    up = base.up if base is not None else np.zeros(3)
    rays = np.zeros((len(samples), settings.rays, 3))
    directions = spread_directions(2 * settings.rays)
    in_shares(
        lambda start, end: planes.rays_out(samples.normals, directions, up, rays, start, end),
        len(samples),
        smallest=1_024,
    )
    counting: Bools = np.asarray(rays.any(axis=2))
    stands = np.zeros(len(samples), dtype=np.bool_)
    if base is not None:
        down = samples.normals @ base.up < -np.cos(np.radians(settings.base_within_deg))
        stands = down & (np.abs((samples.points - base.point) @ base.up) < settings.base_within_mm)
        counting[stands] = False
    each = (1.0 if base is None else 2.0) / settings.rays
    starts = samples.points + 1e-4 * samples.normals

    def leaving(chosen: Bools) -> FloatArray:
        of = np.nonzero(chosen)[0]
        distance, _ = first_hit(tree, starts[of], rays[chosen], 1e-4, ignore_face=samples.face[of])
        return np.asarray(np.bincount(of[np.isinf(distance)], minlength=len(samples)) * each)

    first = counting & (np.cumsum(counting, axis=1) <= settings.first_rays)
    free = leaving(first)
    open_faces = np.zeros(len(tree.mesh.faces), dtype=np.bool_)
    open_faces[samples.face[~stands & (free < settings.least_escaping)]] = True
    free += leaving(counting & ~first & open_faces[samples.face][:, None])
    return np.where(stands, 1.0, free)


@compiled()
def spread_labels(faces: Array, around_start: Array, around: Array, label: Array) -> None:
    """Give unlabelled faces (-1) the label of the nearest labelled one, counted in shared corners."""
    queue = np.zeros(faces.shape[0], dtype=np.int32)
    end = 0
    for f in range(faces.shape[0]):
        if label[f] >= 0:
            queue[end] = f
            end += 1
    at = 0
    while at < end:
        f = queue[at]
        at += 1
        for c in range(3):
            v = faces[f, c]
            for j in range(around_start[v], around_start[v + 1]):
                if label[around[j]] < 0:
                    label[around[j]] = label[f]
                    queue[end] = around[j]
                    end += 1
    for f in range(faces.shape[0]):
        if label[f] < 0:
            label[f] = 0


@compiled()
def patches(faces: Array, around_start: Array, around: Array, label: Array) -> tuple[Array, Array, int]:
    """Number the patches of equally labelled faces that share corners: numbers, whether each touches a
    face of another label, and how many there are."""
    number = np.full(faces.shape[0], -1, dtype=np.int32)
    touches = np.zeros(faces.shape[0], dtype=np.bool_)
    queue = np.zeros(faces.shape[0], dtype=np.int32)
    count = 0
    for seed in range(faces.shape[0]):
        if number[seed] >= 0:
            continue
        number[seed] = count
        queue[0], at, end = seed, 0, 1
        while at < end:
            f = queue[at]
            at += 1
            for c in range(3):
                v = faces[f, c]
                for j in range(around_start[v], around_start[v + 1]):
                    g = around[j]
                    if label[g] != label[f]:
                        touches[count] = True
                    elif number[g] < 0:
                        number[g] = count
                        queue[end] = g
                        end += 1
        count += 1
    return number, touches[:count], count


def settled(tree: TriangleTree, hidden: NDArray[np.int8], settings: SkinSettings) -> Bools:
    """Hidden faces without small islands: a patch is inner when it is large, or a body of its own."""
    areas = face_areas(tree.mesh.vertices, tree.mesh.faces)
    whole = areas.sum()
    for label in (1, 0):
        # First small hidden patches become visible, then small visible islands inside hidden ones hide.
        number, touches, count = patches(tree.mesh.faces, tree.around_start, tree.around, hidden)
        patch_area = np.bincount(number, weights=areas, minlength=count)
        small = (patch_area < settings.inner_patch_share * whole) & touches
        hidden = hidden ^ (small[number] & (hidden == label))
    return np.asarray(hidden == 1)


def base_faces(
    mesh: Mesh, normals: FloatArray, base: BasePlane | None, settings: SkinSettings | None = None
) -> Bools:
    """Mask of the faces (unit ``normals`` m x 3) that make up the forming base; the rest is the working
    surface."""
    settings = settings or SkinSettings()
    mask = np.zeros(len(mesh.faces), dtype=np.bool_)
    if base is None:
        return mask
    least_down = float(np.cos(np.radians(settings.base_within_deg)))
    in_shares(
        lambda start, end: planes.on_base(
            mesh.vertices, mesh.faces, normals, base.point, base.up, settings.base_skin_mm,
            settings.base_within_mm, least_down, mask, start, end,
        ),
        len(mask),
        smallest=8_192,
    )  # fmt: skip
    return mask


def part_of(mesh: Mesh, chosen: Bools) -> tuple[Mesh, IndexArray]:
    """The chosen faces as a mesh over the same vertices, and their numbers in the whole."""
    faces = np.flatnonzero(chosen).astype(np.int32)
    return Mesh(mesh.vertices, np.ascontiguousarray(mesh.faces[faces])), faces
