"""Which faces line a void inside a part: a sealed one, one with holes, or one open onto a flat rim.

A face is *inner* when rays that leave it rarely reach the open. Rays that leave through a mouth do not
count: a *mouth* is the space that a flat rim, such as the one an open-bottomed model stands on, encloses.
Only closed rims with a roof over them make mouths, so the room between the two arms of an arch, a hole
through a plate, the underside of a ledge or a slot is no void, and a solid part has no inner face at all.
Small islands take the side of what surrounds them, as in ``skin``; bodies turned inward inside another
are inner as they are.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import scipy
from numpy.typing import NDArray

from qa.geometry.lattice import Crossings, Lattice, count_blocked, into_lattice, surface_points
from qa.geometry.mesh import FloatArray, IndexArray
from qa.geometry.sampling import Samples
from qa.geometry.skin import SkinSettings, settled, spread_directions, spread_labels
from qa.geometry.tree import TriangleTree, first_hit

OUTER, INNER, SEALED = 0, 1, 2

_VIEWS = 5_000
_RAYS = 16
_PLANES = 12
_TRIED = 300
_WITHIN_MM = 0.3
_WITHIN_COS = float(np.cos(np.radians(12.0)))
# A rim holds at least this share of the surface, and at most this share lies beyond it (supports).
_RIM_SHARE, _BEYOND_SHARE = 0.004, 0.08
_MOUTH_MM2 = 20.0
_LOOKS, _ROOF_SHARE = 300, 0.75
_HIDDEN_MM3 = 40.0
_SETTINGS = SkinSettings(inner_patch_share=0.008)


@dataclass(frozen=True, eq=False)
class Mouth:
    """What a flat rim encloses: a plane (point, unit normal out of the part) and a map of it.

    ``inside`` marks cells of ``cell_mm`` along the axes ``across`` (2 x 3) from ``corner``.
    """

    point: FloatArray
    out: FloatArray
    across: FloatArray
    corner: FloatArray
    cell_mm: float
    inside: NDArray[np.bool_]

    def rim(self, samples: Samples) -> NDArray[np.bool_]:
        """Which samples lie on the flat faces of its plane."""
        return _on_plane(samples, self.point, self.out)

    def holds(self, points: FloatArray) -> NDArray[np.bool_]:
        """Whether points (n x 3) of the plane lie in the mouth."""
        cells = np.floor(((points - self.point) @ self.across.T - self.corner) / self.cell_mm)
        good = np.all((cells >= 0) & (cells < self.inside.shape), axis=1)
        found = np.zeros(len(points), dtype=np.bool_)
        at = cells[good].astype(np.int64)
        found[good] = self.inside[at[:, 0], at[:, 1]]
        return found


@dataclass(frozen=True, eq=False)
class InnerSkin:
    """Per face (m uint8) ``OUTER``, ``INNER`` or ``SEALED`` (a void's own body), and the mouths found."""

    label: NDArray[np.uint8]
    mouths: tuple[Mouth, ...]

    @property
    def hollow(self) -> bool:
        """Whether there is any void."""
        return bool((self.label != OUTER).any())


def find_inner_skin(
    lattice: Lattice,
    body: IndexArray,
    vectors: FloatArray,
    sealed: NDArray[np.bool_],
    tree: Callable[[], TriangleTree],
) -> InnerSkin:
    """Label the faces of a closed mesh that stands on z = 0.

    ``vectors`` (m x 3) are area vectors; ``sealed`` (per body) marks voids that are bodies of their own;
    ``tree`` is only built where something may be inner.
    """
    label = np.where(sealed[body] & (body >= 0), SEALED, OUTER).astype(np.uint8)
    samples = free_samples(lattice, vectors, surface_points(lattice))
    if len(samples) == 0:
        return InnerSkin(label, ())
    mouths = tuple(roofed for mouth in find_mouths(samples) if (roofed := _roofed(mouth, tree())) is not None)
    if not mouths and _hidden_volume(lattice, label) < _HIDDEN_MM3:
        return InnerSkin(label, ())
    few = samples.thin_out(_VIEWS)
    share = _escaping_share(tree(), few, mouths)
    faces = len(vectors)
    count = np.bincount(few.face, minlength=faces)
    total = np.bincount(few.face, weights=share, minlength=faces)
    hidden = np.full(faces, -1, np.int8)
    known = count > 0
    hidden[known] = total[known] / count[known] < _SETTINGS.least_escaping
    if (hidden == 1).any():
        mesh = tree().mesh
        spread_labels(mesh.faces, tree().around_start, tree().around, hidden)
        label[settled(tree(), hidden, _SETTINGS) & (label == OUTER)] = INNER
    return InnerSkin(label, mouths)


def free_samples(lattice: Lattice, vectors: FloatArray, crossings: Crossings) -> Samples:
    """The lattice's crossings (``surface_points``) as samples of the surface that is not buried in another
    body; ``vectors`` (m x 3) are area vectors."""
    points, face, buried = crossings
    lengths = np.linalg.norm(vectors[face], axis=1)
    sound = (lengths > 0) & ~buried
    points, face = points[sound], face[sound]
    normals = vectors[face] / lengths[sound, None]
    weights = lattice.step_mm**2 / np.abs(into_lattice(normals)).sum(axis=1)
    return Samples(points, normals, weights, face, lattice.step_mm)


def _hidden_volume(lattice: Lattice, label: NDArray[np.uint8]) -> float:
    """Volume (mm3) of empty points that meet the surface of open bodies on all six sides."""
    sealed, other = count_blocked(lattice, (label == SEALED).astype(np.uint8))
    empty = (lattice.flags & 1) == 0
    return float(np.count_nonzero(empty & (sealed == 0) & (other == 6))) * lattice.step_mm**3


def find_mouths(samples: Samples) -> tuple[Mouth, ...]:
    """Flat rims that enclose something, among planes that the part lies on one side of."""
    found: list[Mouth] = []
    for point, out in _planes(samples):
        mouth = _mouth(samples, point, out)
        if mouth is not None:
            found.append(mouth)
    return tuple(found)


def _planes(samples: Samples) -> list[tuple[FloatArray, FloatArray]]:
    """Flat faces at the part's outside, largest first: a point and the unit normal out of the part."""
    few = samples.thin_out(3_000)
    step = max(1, len(few) // _TRIED)
    out, points = few.normals[::step], few.points[::step]
    height = few.points @ out.T - np.sum(points * out, axis=1)
    whole = few.weights.sum()
    beyond = few.weights @ (height > _WITHIN_MM) / whole
    on = (np.abs(height) < _WITHIN_MM) & (few.normals @ out.T > _WITHIN_COS)
    area = np.where(beyond < _BEYOND_SHARE, few.weights @ on, 0.0) / whole
    chosen: list[tuple[FloatArray, FloatArray]] = []
    taken = np.zeros(len(few), dtype=np.bool_)
    for best in np.argsort(-area, kind="stable"):
        if area[best] < _RIM_SHARE or len(chosen) == _PLANES:
            break
        members = on[:, best]
        if taken[members].mean() > 0.5:
            continue
        taken |= members
        normal = few.weights[members] @ few.normals[members]
        chosen.append(
            (
                np.average(few.points[members], axis=0, weights=few.weights[members]),
                normal / np.linalg.norm(normal),
            )
        )
    return chosen


def _mouth(samples: Samples, point: FloatArray, out: FloatArray) -> Mouth | None:
    """What the flat faces on a plane enclose, or ``None``."""
    on = _on_plane(samples, point, out)
    across = np.linalg.svd(out[None])[2][1:]
    flat = (samples.points[on] - point) @ across.T
    if len(flat) < 20:
        return None
    cell = samples.spacing_mm
    corner = flat.min(axis=0) - 4 * cell
    cells = np.floor((flat - corner) / cell).astype(np.int64)
    rim = np.zeros(cells.max(axis=0) + 5, dtype=np.bool_)
    rim[cells[:, 0], cells[:, 1]] = True
    rim = scipy.ndimage.binary_closing(rim, np.ones((3, 3)), iterations=2)
    inside = scipy.ndimage.binary_fill_holes(rim) & ~rim
    pieces, count = scipy.ndimage.label(inside)
    sizes = np.bincount(pieces.reshape(-1), minlength=count + 1) * cell * cell
    sizes[0] = 0.0
    inside = (sizes >= _MOUTH_MM2)[pieces]
    return Mouth(point, out, across, corner, cell, inside) if inside.any() else None


def _roofed(mouth: Mouth, tree: TriangleTree) -> Mouth | None:
    """The mouth without the openings that one can look straight through, or ``None``."""
    pieces, count = scipy.ndimage.label(mouth.inside)
    kept = np.zeros_like(mouth.inside)
    for piece in range(1, count + 1):
        cells = np.argwhere(pieces == piece)
        cells = cells[:: max(1, len(cells) // _LOOKS)]
        places = mouth.point + (mouth.corner + (cells + 0.5) * mouth.cell_mm) @ mouth.across
        start = places + _WITHIN_MM * mouth.out
        distance, _ = first_hit(tree, start, np.broadcast_to(-mouth.out, start.shape))
        if np.isfinite(distance).mean() >= _ROOF_SHARE:
            kept |= pieces == piece
    if not kept.any():
        return None
    # Rays that graze the rim itself leave through the mouth as well.
    return replace(mouth, inside=scipy.ndimage.binary_dilation(kept, np.ones((3, 3)), iterations=2))


def _escaping_share(tree: TriangleTree, samples: Samples, mouths: tuple[Mouth, ...]) -> FloatArray:
    """Share of rays from each sample, over its half of the sphere, that get out; not by a mouth."""
    directions = spread_directions(2 * _RAYS)
    along = samples.normals @ directions.T
    chosen = np.argsort(-np.abs(along), axis=1)[:, :_RAYS]
    signs = np.where(np.take_along_axis(along, chosen, axis=1) < 0, -1.0, 1.0)
    rays = (directions[chosen] * signs[:, :, None]).reshape(-1, 3)
    start = np.repeat(samples.points + 1e-4 * samples.normals, _RAYS, axis=0)
    distance, _ = first_hit(tree, start, rays, 1e-4, ignore_face=np.repeat(samples.face, _RAYS))
    free = np.isinf(distance)
    counted = np.ones(len(rays), dtype=np.bool_)
    for mouth in mouths:
        at = np.flatnonzero(free)
        speed = rays[at] @ mouth.out
        depth = (mouth.point - start[at]) @ mouth.out
        leaving = (speed > 1e-9) & (depth > -_WITHIN_MM)
        at, reach = at[leaving], np.maximum(depth[leaving], 0.0) / speed[leaving]
        counted[at[mouth.holds(start[at] + reach[:, None] * rays[at])]] = False
    number = counted.reshape(-1, _RAYS).sum(axis=1)
    share: FloatArray = (free & counted).reshape(-1, _RAYS).sum(axis=1) / np.maximum(number, 1)
    for mouth in mouths:
        share[mouth.rim(samples)] = 1.0
    return share


def _on_plane(samples: Samples, point: FloatArray, out: FloatArray) -> NDArray[np.bool_]:
    near = np.abs((samples.points - point) @ out) < _WITHIN_MM
    return np.asarray(near & (samples.normals @ out > _WITHIN_COS))
