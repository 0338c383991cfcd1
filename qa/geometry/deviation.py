"""Signed distance from a registered scan to the design's outer skin, and area-weighted figures of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qa.geometry import deviation_kernels as kernels
from qa.geometry.cell_kernels import covered_share
from qa.geometry.design import Design
from qa.geometry.mesh import FloatArray, IndexArray
from qa.geometry.sampling import Samples
from qa.geometry.threads import in_shares
from qa.geometry.tree import Signed, signed

Bools = NDArray[np.bool_]


# A sample this many times nearer to the inner skin than to the outer one lies on the inner one.
SURELY_INSIDE = 0.2


@dataclass(frozen=True)
class DeviationSettings:
    """Which scan points speak of the print (mm): what stands off the design by more than these is not it.

    ``excess_mm`` on the working surface, ``base_excess_mm`` on and beside the base, where stubs and the
    table meet the model: there normals must agree by ``beside_agree`` too, since a table ends at the model's
    walls and is no bump of them; ``missing_mm`` for surface inside the design.
    """

    excess_mm: float = 2.0
    base_excess_mm: float = 0.5
    missing_mm: float = 4.0
    beside_base_mm: float = 0.4
    beside_agree: float = 0.5
    least_agree: float = 0.0
    coverage_cell_mm: float = 1.0


@dataclass(frozen=True)
class LeftOut:
    """Shares of the scan's area that were not measured, by reason."""

    border: float
    inner: float
    far: float
    beside_base: float
    facing_away: float


@dataclass(frozen=True, eq=False)
class Deviation:
    """Deviation of n scan samples, in the design's frame.

    ``points`` and unit scan ``normals`` n x 3, ``place`` the nearest point of the design, ``signed_mm``
    (positive = material in excess), ``weights`` mm2, ``face`` into the design's outer skin, ``is_base``,
    ``used`` (measured), ``counts`` (used, or off this design but not table, stub or base: what identity
    is judged on), ``agree`` cosine between scan and design normals, ``coverage`` share of the working
    surface that the scan covers.
    """

    points: FloatArray
    normals: FloatArray
    place: FloatArray
    signed_mm: FloatArray
    weights: FloatArray
    face: IndexArray
    is_base: Bools
    used: Bools
    counts: Bools
    agree: FloatArray
    left_out: LeftOut
    coverage: float

    @property
    def working(self) -> Bools:
        """Used samples on the working surface."""
        return self.used & ~self.is_base

    def share_within(self, limit_mm: float) -> float:
        """Share of the working area that counts within ``limit_mm`` with agreeing normals.

        The base is left out: the pose rests on the working surface, and a base stands off by whatever the
        print's height is off.
        """
        asked = self.counts & ~self.is_base
        whole = self.weights[asked].sum()
        if whole <= 0:
            return 0.0
        close = asked & (np.abs(self.signed_mm) <= limit_mm) & (self.agree > 0.5)
        return float(self.weights[close].sum() / whole)


@dataclass(frozen=True)
class Figures:
    """Area-weighted figures of signed deviations, mm; ``n`` samples; NaN where there are none."""

    n: int
    mean_mm: float
    sd_mm: float
    rms_mm: float
    median_mm: float
    p02_5_mm: float
    p97_5_mm: float
    p95_abs_mm: float
    within_tolerance: float


def measure(
    design: Design, scan: Samples, transform: FloatArray, settings: DeviationSettings | None = None
) -> Deviation:
    """Measure a scan (area samples) brought onto the design by ``transform`` (4 x 4)."""
    settings = settings or DeviationSettings()
    points = scan.points @ transform[:3, :3].T + transform[:3, 3]
    normals = scan.normals @ transform[:3, :3].T
    found = signed(design.target.tree, points, ordered=scan.ordered)
    is_base, agree, why = _seen(design, normals, found, settings)
    inner = _on_inner_skin(design, points, normals, found.distance, agree)
    if inner.any():
        why[inner] |= kernels.INNER
    used, counts = np.zeros(len(points), dtype=np.bool_), np.zeros(len(points), dtype=np.bool_)
    shares = kernels.settle(why, found.distance, scan.weights, settings.missing_mm, used, counts)
    return Deviation(
        points,
        normals,
        found.point,
        found.distance,
        scan.weights,
        found.face,
        is_base,
        used,
        counts,
        agree,
        LeftOut(*shares),
        _coverage(design, found.point[used & ~is_base], settings),
    )


def _seen(
    design: Design, normals: FloatArray, found: Signed, settings: DeviationSettings
) -> tuple[Bools, FloatArray, NDArray[np.uint8]]:
    """Of each sample whether it lies on the base, how far its normal agrees, and why it is left out."""
    count = len(normals)
    is_base, agree = np.zeros(count, dtype=np.bool_), np.zeros(count)
    why = np.zeros(count, dtype=np.uint8)
    point = design.base.point if design.base is not None else np.zeros(3)
    up = design.base.up if design.base is not None else np.zeros(3)
    in_shares(
        lambda start, end: kernels.look(
            normals, found.normal, found.point, found.distance, found.border, found.face, design.is_base,
            point, up, settings.beside_base_mm, settings.base_excess_mm, settings.beside_agree,
            settings.excess_mm, settings.missing_mm, settings.least_agree, is_base, agree, why, start, end,
        ),
        count,
        smallest=8_192,
    )  # fmt: skip
    return is_base, agree, why


def _on_inner_skin(
    design: Design, points: FloatArray, normals: FloatArray, outer_mm: FloatArray, agree: FloatArray
) -> Bools:
    """Samples of the print's inside: nearer to the design's inner skin than to the outer one."""
    mask = np.zeros(len(points), dtype=np.bool_)
    if design.inner is None:
        return mask
    asked = np.flatnonzero((outer_mm < -0.1) | (agree < 0.5))
    inside = signed(design.inner, points[asked])
    looks = np.einsum("ij,ij->i", normals[asked], inside.normal) > 0.0
    # In a corner of the cavity a small shift turns the nearest normal; there nearness alone tells.
    near = np.abs(inside.distance) < np.where(looks, 1.0, SURELY_INSIDE) * np.abs(outer_mm[asked])
    mask[asked] = near
    return mask


def _coverage(design: Design, places: FloatArray, settings: DeviationSettings) -> float:
    """Share of the working surface's area in cells that hold a measured place."""
    samples = design.target.samples
    working = ~design.is_base[samples.face]
    if len(places) == 0 or not working.any():
        return 0.0
    return float(
        covered_share(samples.points[working], samples.weights[working], places, settings.coverage_cell_mm)
    )


def figures(values: FloatArray, weights: FloatArray, tolerance_mm: float) -> Figures:
    """Area-weighted figures of signed deviations (n, mm) with weights (n, mm2)."""
    order = np.argsort(values)
    return figures_in_order(values[order], weights[order], tolerance_mm)


def figures_in_order(values: FloatArray, weights: FloatArray, tolerance_mm: float) -> Figures:
    """``figures`` of deviations that are in ascending order."""
    count = len(values)
    if count == 0 or weights.sum() <= 0:
        return Figures(0, *([float("nan")] * 8))
    return Figures(count, *kernels.sorted_figures(values, weights, tolerance_mm))


def weighted_quantiles(
    values: FloatArray, weights: FloatArray, shares: tuple[float, ...]
) -> tuple[float, ...]:
    """Quantiles of weighted values: linear between the middles of the weights' steps."""
    order = np.argsort(values, kind="stable")
    ascending, step = values[order], weights[order]
    whole = float(step.sum())
    return tuple(kernels.sorted_quantile(ascending, step, whole, share) for share in shares)
