"""Shape of the deviation: scale, height scale, arch opening, bow, twist and offset, fitted together.

The signed deviation over the working surface is modelled as d = n . u(x) + c + noise, with six rigid columns
always in the fit (registration has already absorbed the rigid part of every pattern) and robust weights. The
design is warped by the fit, measured again and refitted until nothing moves, since one linear pass leaves a
false height scale. Intervals come from a jackknife over surface patches and from the residuals' own
correlation (``pattern_errors``), because neighbouring deviations go together; variance inflation after
D. Marquardt (Technometrics 12, 1970): above the limit, 10, a pattern cannot be told from the others on this
surface.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student

from qa.geometry.design import Design, Frame
from qa.geometry.identity import patch_numbers
from qa.geometry.mesh import FloatArray, IndexArray, Mesh
from qa.geometry.pattern_errors import ErrorSettings, standard_errors, tukey_weight
from qa.geometry.tree import TriangleTree, signed, with_moved_vertices
from qa.geometry.tree_kernels import all_vertex_normals

PatternVerdict = Literal["present", "absent", "unknown"]

NAMES = ("scale", "height_scale", "arch_opening", "bow", "twist", "offset")
PER_UNIT = {"scale": 100.0, "height_scale": 100.0}  # shown in percent, the others in mm
OFFSET = NAMES.index("offset")


@dataclass(frozen=True)
class PatternSettings:
    """Tolerances of the fit (mm unless named). ``method_mm`` is what the method itself may be off by at
    the ends of the arch; it widens every interval. ``patches_mm``: the first size that gives
    ``enough_patches`` is left out patch by patch; the smallest must give ``fewest_patches``."""

    points: int = 20_000
    patches_mm: tuple[float, ...] = (10.0, 7.0, 5.0)
    rounds: int = 10
    settled_mm: float = 1e-4
    largest_vif: float = 10.0
    level: float = 0.95
    method_mm: float = 0.002
    least_present_mm: float = 0.005
    reach_mm: float = 4.0
    fewest_points: int = 300
    fewest_patches: int = 20
    enough_patches: int = 40
    errors: ErrorSettings = field(default_factory=ErrorSettings)
    seed: int = 0


@dataclass(frozen=True)
class Pattern:
    """One pattern. ``size`` in ``unit`` (``%`` or ``mm``), ``ci95`` its interval, ``share`` the explained
    variance lost when it is left out, ``vif`` its variance inflation, ``verdict`` and a ``hint`` at what
    it often means."""

    name: str
    size: float
    unit: str
    ci95: tuple[float, float]
    share: float
    vif: float
    verdict: PatternVerdict
    hint: str


@dataclass(frozen=True, eq=False)
class PatternFit:
    """The patterns, the tree of the design's outer skin warped by them, what is left (``noise_mm``, robust
    SD) and the number of points and patches they rest on."""

    patterns: tuple[Pattern, ...]
    tree: TriangleTree
    noise_mm: float
    n: int
    patches: int


def columns(frame: Frame, points: FloatArray, normals: FloatArray) -> FloatArray:
    """What one unit of each column moves the surface by along its normals at design points (both n x 3):
    n x 12, three turns, three shifts, then the patterns in the order of ``NAMES``.

    Turns are per radian about the frame's origin, scale and height scale per unit strain, the others per mm.
    """
    off = points - frame.origin
    x, y, z = (off @ frame.axes.T).T
    across, along, up = (normals @ frame.axes.T).T
    eta = (y - frame.back_mm) / frame.depth_mm
    side = x / frame.half_width_mm
    rows = np.ones((len(points), 12))
    rows[:, 0:3] = np.cross(off, normals)
    rows[:, 3:6] = normals
    rows[:, 6] = x * across + y * along + z * up
    rows[:, 7] = z * up
    rows[:, 8] = side * (1.0 - eta) * across
    rows[:, 9] = (2.0 * eta - 1.0) ** 2 * up
    rows[:, 10] = side * (2.0 * eta - 1.0) * up
    return rows


def moves(frame: Frame, points: FloatArray, normals: FloatArray, total: FloatArray) -> FloatArray:
    """Where the columns, ``total`` (12) of each, move design points (n x 3) with normals, n x 3 mm."""
    x, y, z = frame.local(points).T
    eta = (y - frame.back_mm) / frame.depth_mm
    side = x / frame.half_width_mm
    scale, height, opening, bow, twist, offset = total[6:]
    a, b, c = frame.axes @ total[:3]
    shift = frame.axes @ total[3:6]
    local = np.zeros((3, len(points)))
    local[0] = b * z - c * y + shift[0] + scale * x + opening * side * (1.0 - eta)
    local[1] = c * x - a * z + shift[1] + scale * y
    local[2] = a * y - b * x + shift[2] + (scale + height) * z
    local[2] += bow * (2.0 * eta - 1.0) ** 2 + twist * side * (2.0 * eta - 1.0)
    return np.asarray(local.T @ frame.axes + offset * normals)


def reach_of(frame: Frame) -> FloatArray:
    """Displacement in mm at the far ends that one unit of each pattern makes (6)."""
    return np.array([frame.half_width_mm, frame.half_height_mm, 1.0, 1.0, 1.0, 1.0])


def mm_per_unit(frame: Frame) -> dict[str, float]:
    """What one unit of each pattern, as it is told, moves the far ends by, in mm."""
    return {
        name: float(reach) / PER_UNIT.get(name, 1.0)
        for name, reach in zip(NAMES, reach_of(frame), strict=True)
    }


def fit_patterns(
    design: Design,
    points: FloatArray,
    weights: FloatArray,
    *,
    settings: PatternSettings | None = None,
) -> PatternFit | None:
    """Fit the patterns to scan points (n x 3, design frame, working surface only) with area weights (n).

    Returns None with too few points to say anything.
    """
    settings = settings or PatternSettings()
    if len(points) < settings.fewest_points:
        return None
    model = _Model(design)
    total = np.zeros(12)
    reach = np.concatenate([np.full(3, design.frame.half_width_mm), np.ones(3), reach_of(design.frame)])
    rows, residual, robust = model.measured(points, weights, total, settings)
    for _ in range(settings.rounds):
        if rows.shape[0] < settings.fewest_points:
            return None
        step, robust = robust_solve(rows, residual, robust)
        total += step
        rows, residual, robust = model.measured(points, weights, total, settings)
        if np.abs(step * reach).max() < settings.settled_mm:
            break
    kept = model.last_points
    patch = _patches(kept, settings)
    if patch.max() + 1 < settings.fewest_patches:
        return None
    step, robust_weights = robust_solve(rows, residual, robust)
    left = residual - rows @ step
    deviation = standard_errors(rows, left, robust, kept, patch, settings.errors)
    vif = variance_inflation(rows, robust_weights)
    share = shares_lost(rows, rows @ total + left, robust_weights)
    scale = 1.4826 * float(np.median(np.abs(left)))
    patterns = _told(
        design.frame, total[6:], deviation[6:], vif[6:], share[6:], int(patch.max()) + 1, settings
    )
    return PatternFit(patterns, model.last_tree, scale, len(kept), int(patch.max()) + 1)


def _patches(points: FloatArray, settings: PatternSettings) -> NDArray[np.int64]:
    for size_mm in settings.patches_mm:
        patch = patch_numbers(points, size_mm)
        if patch.max() + 1 >= settings.enough_patches:
            break
    return patch


class _Model:
    """The design's outer skin, ready to be warped."""

    def __init__(self, design: Design) -> None:
        self._design = design
        outer = design.outer
        tree = design.target.tree
        self._normals: FloatArray = all_vertex_normals(
            outer.vertices, outer.faces, tree.around_start, tree.around
        )
        self.last_points = np.zeros((0, 3))
        self.last_tree = tree

    def warped(self, total: FloatArray) -> TriangleTree:
        """The tree of the outer skin moved by ``total`` (12) of each column."""
        tree = self._design.target.tree
        if not total.any():
            return tree
        vertices = self._design.outer.vertices
        return with_moved_vertices(tree, vertices + moves(self._design.frame, vertices, self._normals, total))

    def measured(
        self, points: FloatArray, weights: FloatArray, total: FloatArray, settings: PatternSettings
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Rows (m x 12), deviations (m) and area weights (m) against the design warped by ``total``."""
        tree = self.warped(total)
        self.last_tree = tree
        found = signed(tree, points)
        good = ~found.border & (np.abs(found.distance) < settings.reach_mm)
        good &= ~self._design.is_base[found.face]
        off = points[good] - found.point[good]
        size = np.abs(found.distance[good])
        # The gradient of the distance is exact at edges and corners too; on the surface itself it is the
        # pseudonormal.
        normal = np.where(
            (size > 1e-6)[:, None],
            off / np.maximum(size, 1e-12)[:, None] * np.sign(found.distance[good])[:, None],
            found.normal[good],
        )
        origin = _back_on_design(self._design.outer, tree, found.face[good], found.point[good])
        self.last_points = points[good]
        return columns(self._design.frame, origin, normal), found.distance[good], weights[good]


def _back_on_design(design: Mesh, tree: TriangleTree, face: IndexArray, place: FloatArray) -> FloatArray:
    """Design places that were warped to ``place`` on ``face``: same weights of the same corners."""
    warped = tree.mesh.vertices[tree.mesh.faces[face]]
    a, u, v = warped[:, 0], warped[:, 1] - warped[:, 0], warped[:, 2] - warped[:, 0]
    p = place - a
    uu, uv, vv = (np.einsum("ij,ij->i", *pair) for pair in ((u, u), (u, v), (v, v)))
    up, vp = np.einsum("ij,ij->i", u, p), np.einsum("ij,ij->i", v, p)
    bottom = uu * vv - uv * uv
    safe = np.where(bottom > 1e-18, bottom, 1.0)
    one = np.clip(np.where(bottom > 1e-18, (vv * up - uv * vp) / safe, 0.0), 0.0, 1.0)
    two = np.clip(np.where(bottom > 1e-18, (uu * vp - uv * up) / safe, 0.0), 0.0, 1.0)
    corners = design.vertices[design.faces[face]]
    return np.asarray(
        corners[:, 0]
        + one[:, None] * (corners[:, 1] - corners[:, 0])
        + two[:, None] * (corners[:, 2] - corners[:, 0])
    )


def robust_solve(rows: FloatArray, values: FloatArray, weights: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Tukey-weighted least squares (m x k rows, m values, m area weights): solution and final weights."""
    tukey = np.ones(len(values))
    step = np.zeros(rows.shape[1])
    for _ in range(8):
        use = weights * tukey
        new = _solve(rows, values, use)
        tukey = tukey_weight(values - rows @ new)
        if np.abs(new - step).max() < 1e-9:
            step = new
            break
        step = new
    return step, weights * tukey


def _solve(rows: FloatArray, values: FloatArray, weights: FloatArray) -> FloatArray:
    matrix = (rows * weights[:, None]).T @ rows
    size = np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    scaled = matrix / np.outer(size, size)
    right = (rows * weights[:, None]).T @ values / size
    return np.asarray(np.linalg.lstsq(scaled, right, rcond=1e-12)[0] / size)


def variance_inflation(rows: FloatArray, weights: FloatArray) -> FloatArray:
    """Variance inflation of each column; the last, constant column is judged uncentred."""
    share = weights / weights.sum()
    centred = rows - share @ rows
    centred[:, -1] = rows[:, -1]
    spread = share @ centred**2
    matrix = (rows * share[:, None]).T @ rows
    size = np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    inverse = np.linalg.pinv(matrix / np.outer(size, size), rcond=1e-13, hermitian=True) / np.outer(
        size, size
    )
    return np.asarray(np.maximum(spread * np.diag(inverse), 1.0))


def shares_lost(rows: FloatArray, values: FloatArray, weights: FloatArray) -> FloatArray:
    """Share of the variance left by the rigid columns that is lost when each column is left out."""

    count = rows.shape[1]
    both = np.column_stack([rows, values])
    products = (both * weights[:, None]).T @ both
    size = np.sqrt(np.maximum(np.diag(products)[:count], 1e-300))
    matrix, right = products[:count, :count] / np.outer(size, size), products[:count, count] / size

    def left(kept: list[int]) -> float:
        answer = np.linalg.lstsq(matrix[np.ix_(kept, kept)], right[kept], rcond=1e-12)[0]
        return float(products[count, count] - right[kept] @ answer)

    everything, rigid = left(list(range(count))), left(list(range(6)))
    if rigid <= weights.sum() * 1e-10:
        return np.zeros(count)
    lost = [left([c for c in range(count) if c != k]) - everything for k in range(count)]
    return np.clip(np.array(lost) / rigid, 0.0, 1.0)


def _told(
    frame: Frame, sizes: FloatArray, deviation: FloatArray, vif: FloatArray, share: FloatArray,
    patches: int, settings: PatternSettings,
) -> tuple[Pattern, ...]:  # fmt: skip
    reach = reach_of(frame)
    quantile = float(student.ppf(0.5 + settings.level / 2.0, max(patches - 12, 1)))
    told = []
    for k, name in enumerate(NAMES):
        per = PER_UNIT.get(name, 1.0)
        half = float(np.hypot(quantile * deviation[k], settings.method_mm / reach[k]))
        low, high = sizes[k] - half, sizes[k] + half
        verdict: PatternVerdict = "absent"
        if not np.isfinite(vif[k]) or vif[k] > settings.largest_vif:
            verdict = "unknown"
        elif (low > 0 or high < 0) and abs(sizes[k]) * reach[k] >= settings.least_present_mm:
            verdict = "present"
        told.append(
            Pattern(
                name,
                float(sizes[k] * per),
                "%" if name in PER_UNIT else "mm",
                (float(low * per), float(high * per)),
                float(share[k]),
                float(vif[k]),
                verdict,
                hint_for(name, verdict, float(sizes[k])),
            )
        )
    return tuple(told)


_HINTS = {
    ("scale", -1): "Often shrinkage that the scale compensation does not cover, or long storage.",
    ("scale", 1): "Often too much scale compensation.",
    ("height_scale", -1): "Often first layers pressed too hard, or a vertical axis out of calibration.",
    ("height_scale", 1): "Often first layers too thick, or a vertical axis out of calibration.",
    (
        "arch_opening",
        -1,
    ): "Often free arms pulled together by shrinkage; a cross-arch bar or plate holds them.",
    (
        "arch_opening",
        1,
    ): "Often arms spread on removal or while curing; a cross-arch bar or plate holds them.",
    ("bow", -1): "Often lifted at the middle by peel or warped in curing.",
    ("bow", 1): "Often ends lifted from the platform or warped in curing.",
    ("twist", -1): "Often uneven support, uneven curing or forced removal.",
    ("twist", 1): "Often uneven support, uneven curing or forced removal.",
    ("offset", -1): "Often too little exposure, or washing too long.",
    ("offset", 1): "Often too much exposure, resin left by the wash, or powder or spray used for scanning.",
}


def hint_for(name: str, verdict: PatternVerdict, size: float) -> str:
    """What a pattern often means: a hint from common practice, never a finding."""
    if verdict == "unknown":
        return (
            "Cannot be told from the other patterns on the surface that was scanned; scan more of the model."
        )
    if verdict == "absent":
        return ""
    return f"Hint: {_HINTS[(name, 1 if size > 0 else -1)]}"
