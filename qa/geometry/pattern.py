"""Shape of the deviation: scale, height scale, arch opening, bow, twist and offset, fitted together.

The signed deviation over the working surface is modelled as d = n . u(x) + c + noise, with six rigid columns
always in the fit (registration has already absorbed the rigid part of every pattern) and robust weights.
Scan points are put back by the fit, measured again and fitted again until nothing moves, since one linear
pass leaves a false height scale. Intervals come from a jackknife over surface patches and from the
residuals' own correlation (``pattern_errors``), because neighbouring deviations go together; variance
inflation after D. Marquardt (Technometrics 12, 1970): above the limit, 10, a pattern cannot be told from the
others on this surface.

A size counts as known when half its 99 % interval is at most 5 um where the pattern moves the part most, or
5 % of the size: a 95 % interval of just that width would be wrong about it once in a while. Otherwise the
pattern's verdict is ``unknown``, be it there or not; where its 95 % interval excludes zero all the same, it
keeps its hint.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from qa.geometry import pattern_kernels as kernels
from qa.geometry.design import Design, Frame
from qa.geometry.identity import patch_numbers
from qa.geometry.mesh import FloatArray, IndexArray
from qa.geometry.pattern_errors import NORMAL_SCALE, ErrorSettings, cut_of, median_size, standard_errors
from qa.geometry.sampling import Samples
from qa.geometry.threads import in_shares
from qa.geometry.tree import signed

PatternVerdict = Literal["present", "absent", "unknown"]

NAMES = ("scale", "height_scale", "arch_opening", "bow", "twist", "offset")
PER_UNIT = {"scale": 100.0, "height_scale": 100.0}  # shown in percent, the others in mm
LARGEST_VIF = 10.0
FIRST = kernels.COLUMNS - len(NAMES)  # column of the first pattern, after the rigid ones
_SOLVE_ROUNDS, _SOLVED_MM = 8, 1e-5
_BLOCK, _FEWEST_BLOCKS = 4_096, 4
_NO_VARIANCE_MM2, _ON_SURFACE_MM = 1e-10, 1e-6


@dataclass(frozen=True)
class PatternSettings:
    """Tolerances of the fit (mm unless named). ``method_mm`` is what the method itself may be off by at
    the ends of the arch; it widens every interval. ``patches_mm``: the first size that gives
    ``enough_patches`` is left out patch by patch; the smallest must give ``fewest_patches``. A size is known
    when half its interval of ``known_level`` is at most ``known_mm`` or ``known_share`` of it.
    ``first_points`` samples find the patterns, all of them, or every so many of more than ``most_points``,
    settle the sizes."""

    first_points: int = 6_000
    most_points: int = 400_000
    patches_mm: tuple[float, ...] = (10.0, 7.0, 5.0)
    rounds: int = 10
    settled_mm: float = 1e-4
    largest_vif: float = LARGEST_VIF
    level: float = 0.95
    method_mm: float = 0.002
    least_present_mm: float = 0.005
    known_level: float = 0.99
    known_mm: float = 0.005
    known_share: float = 0.05
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

    @property
    def there(self) -> bool:
        """Whether it is surely there, be its size known or not."""
        return is_there(self.verdict, self.ci95, self.vif)


def is_there(verdict: str, ci95: tuple[float, float], vif: float, largest_vif: float = LARGEST_VIF) -> bool:
    """Whether a pattern told so is surely there: its interval excludes zero, its size known or open."""
    apart = verdict == "unknown" and vif <= largest_vif
    return verdict == "present" or (apart and not ci95[0] <= 0.0 <= ci95[1])


@dataclass(frozen=True, eq=False)
class PatternFit:
    """The patterns, the deviation of every scan point that was given once they are taken off (``left_mm``;
    NaN where nothing can be said), their robust SD (``noise_mm``) and the number of points and patches they
    rest on."""

    patterns: tuple[Pattern, ...]
    left_mm: FloatArray
    noise_mm: float
    n: int
    patches: int


def columns(
    frame: Frame, places: FloatArray, normals: FloatArray, grown: FloatArray, chosen: NDArray[np.int64]
) -> FloatArray:
    """What one unit of each column moves the surface by along its normals at the m ``chosen`` of design
    places (both n x 3): m x 12, three turns, three shifts, then the patterns in the order of ``NAMES``.

    Turns are per radian about the frame's origin, scale and height scale per unit strain, the others per mm.
    ``grown`` (n) is the offset's: every vertex moves along its own normal, faces beside a crease by less.
    """
    rows = np.zeros((len(chosen), kernels.COLUMNS))
    in_shares(
        lambda start, end: kernels.fill_rows(
            places, normals, grown, chosen, frame.origin, frame.axes, frame.half_width_mm, frame.back_mm,
            frame.depth_mm, rows, start, end,
        ),
        len(chosen),
        smallest=8_192,
    )  # fmt: skip
    return rows


def put_back(frame: Frame, points: FloatArray, total: FloatArray) -> FloatArray:
    """Where scan points (n x 3) lay on the design before the columns, ``total`` (12) of each, moved them.

    The offset is left aside: it moves along normals, so it is taken off the distance.
    """
    if not total[:-1].any():
        return points
    placed = np.empty_like(points)
    in_shares(
        lambda start, end: kernels.put_back(
            points, frame.origin, frame.axes, frame.half_width_mm, frame.back_mm, frame.depth_mm, total,
            placed, start, end,
        ),
        len(points),
        smallest=8_192,
    )  # fmt: skip
    return placed


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
    design: Design, scan: Samples, *, settings: PatternSettings | None = None
) -> PatternFit | None:
    """Fit the patterns to scan samples (design frame, working surface only).

    A few samples find them round by round; all of them take the last step, which settles the sizes. Returns
    None with too few samples to say anything.
    """
    settings = settings or PatternSettings()
    if len(scan) < settings.fewest_points:
        return None
    few = scan.thin_out(settings.first_points, seed=settings.seed)
    total = _found_by_few(design, few, settings)
    if total is None:
        return None
    seen = _measured(design, scan, total)
    left = np.where(seen.border, np.nan, seen.left_mm)
    chosen = _chosen(design, seen, settings)
    points = scan.points[chosen]
    patch = _patches(points, settings) if len(points) >= settings.fewest_points else None
    if patch is None or patch.max() + 1 < settings.fewest_patches:
        return None
    rows, areas = _rows(design.frame, seen, chosen), scan.weights[chosen]
    solved = robust_solve(rows, seen.left_mm[chosen], areas, nearly=True)
    total += solved.step
    rest, weights = solved.left, solved.weights
    left[chosen] = rest
    deviation = standard_errors(rows, rest, areas, points, patch, settings.errors)
    products = _products(solved, total)
    patches = int(patch.max()) + 1
    patterns = _told(
        design.frame,
        total[FIRST:],
        deviation[FIRST:],
        variance_inflation(products[:-1, :-1], weights @ rows, weights.sum())[FIRST:],
        shares_lost(products)[FIRST:],
        patches,
        settings,
    )
    scale = NORMAL_SCALE * median_size(rest)
    return PatternFit(patterns, left, scale, len(chosen), patches)


def _found_by_few(design: Design, scan: Samples, settings: PatternSettings) -> FloatArray | None:
    """The amount of each column (12), from distances measured anew until nothing moves; None when it runs
    away, as it does on a scan that holds too little of the surface to tell columns apart."""
    frame = design.frame
    total = np.zeros(kernels.COLUMNS)
    reach = np.concatenate([np.full(3, frame.half_width_mm), np.ones(3), reach_of(frame)])
    for _ in range(settings.rounds):
        seen = _measured(design, scan, total)
        chosen = _chosen(design, seen, settings)
        if len(chosen) < settings.fewest_points:
            break
        rows, left = _rows(frame, seen, chosen), seen.left_mm[chosen]
        step = robust_solve(rows, left, scan.weights[chosen], nearly=bool(total.any())).step
        total += step
        # No print is off by more than its own half width.
        if not np.abs(total * reach).max() < frame.half_width_mm:
            return None
        if np.abs(step * reach).max() < settings.settled_mm:
            break
    return total


@dataclass(frozen=True, eq=False)
class _Seen:
    """What n scan points show once they are put back: ``left_mm`` the deviation without the columns found so
    far, ``place`` and ``normal`` (n x 3; the distance's gradient, which is exact at edges and corners too) of
    the design there, what an offset of 1 does along it (``grown``), ``face`` and ``border``."""

    left_mm: FloatArray
    place: FloatArray
    normal: FloatArray
    grown: FloatArray
    face: IndexArray
    border: NDArray[np.bool_]


def _measured(design: Design, scan: Samples, total: FloatArray) -> _Seen:
    """The scan's points against the design, put back by ``total`` (12) of each column."""
    placed = put_back(design.frame, scan.points, total)
    tree, around = design.target.tree, design.vertex_normals
    found = signed(tree, placed, ordered=scan.ordered)
    normal, grown, left = found.normal, np.zeros(len(placed)), np.zeros(len(placed))
    in_shares(
        lambda start, end: kernels.growth(
            tree.mesh.vertices, tree.mesh.faces, around, placed, found.point, found.distance, normal,
            found.face, float(total[-1]), _ON_SURFACE_MM, grown, left, start, end,
        ),
        len(placed),
        smallest=8_192,
    )  # fmt: skip
    return _Seen(left, found.point, normal, grown, found.face, found.border)


def _chosen(design: Design, seen: _Seen, settings: PatternSettings) -> NDArray[np.int64]:
    """Which points speak of the working surface."""
    good = ~seen.border & (np.abs(seen.left_mm) < settings.reach_mm)
    chosen = np.flatnonzero(good & ~design.is_base[seen.face])
    return chosen[:: max(1, -(-len(chosen) // settings.most_points))]


def _rows(frame: Frame, seen: _Seen, chosen: NDArray[np.int64]) -> FloatArray:
    return columns(frame, seen.place, seen.normal, seen.grown, chosen)


def _patches(points: FloatArray, settings: PatternSettings) -> NDArray[np.int64]:
    for size_mm in settings.patches_mm:
        patch = patch_numbers(points, size_mm)
        if patch.max() + 1 >= settings.enough_patches:
            break
    return patch


@dataclass(frozen=True, eq=False)
class Solved:
    """A robust fit of m values by k columns: the ``step`` of each, what is ``left`` of each value, its final
    ``weights``, and with those the products of the columns (k x k) and of columns and rest (k)."""

    step: FloatArray
    left: FloatArray
    weights: FloatArray
    products: FloatArray
    pulls: FloatArray


def robust_solve(rows: FloatArray, values: FloatArray, areas: FloatArray, *, nearly: bool = False) -> Solved:
    """Tukey-weighted least squares (m x k rows, m values, m area weights).

    ``nearly``: the values are what an earlier fit left, so that their own size gives the first weights;
    otherwise all count alike at first.
    """
    left, step = values.copy(), np.zeros(rows.shape[1])
    cut = cut_of(left) if nearly else np.inf
    for _ in range(_SOLVE_ROUNDS):
        matrix, pulls, _ = _weighed(rows, values, areas, left, cut)
        size = np.sqrt(np.maximum(np.diag(matrix), 1e-300))
        new = np.linalg.lstsq(matrix / np.outer(size, size), pulls / size, rcond=1e-12)[0] / size
        _take_off(rows, values, new, left)
        cut = cut_of(left)
        moved = np.abs(new - step) * size / np.sqrt(areas.sum())
        step = new
        if moved.max() < _SOLVED_MM:
            break
    matrix, pulls, weights = _weighed(rows, left, areas, left, cut)
    return Solved(step, left, weights, matrix, pulls)


def _weighed(
    rows: FloatArray, values: FloatArray, areas: FloatArray, left: FloatArray, cut: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Weighted products of the columns (k x k) and of columns and values (k), and the weights (m).

    Summed block by block in a fixed order: any number of cores gives the same bits.
    """
    count, wide = rows.shape
    blocks = -(-count // _BLOCK)
    weights, matrices, pulls = np.zeros(count), np.zeros((blocks, wide, wide)), np.zeros((blocks, wide))
    in_shares(
        lambda start, end: kernels.fit_step(
            rows, values, areas, cut, _BLOCK, left, weights, matrices, pulls, start, end
        ),
        blocks,
        smallest=_FEWEST_BLOCKS,
    )
    lower = matrices.sum(axis=0)
    return lower + np.tril(lower, -1).T, pulls.sum(axis=0), weights


def _take_off(rows: FloatArray, values: FloatArray, step: FloatArray, left: FloatArray) -> None:
    in_shares(
        lambda start, end: kernels.take_off(rows, values, step, left, start, end), len(rows), smallest=8_192
    )


def _products(solved: Solved, total: FloatArray) -> FloatArray:
    """Weighted products (k + 1 squared) of columns and the whole deviation, ``rows @ total + left``."""
    matrix, pulls = solved.products, solved.pulls
    both = matrix @ total
    whole = total @ both + 2.0 * total @ pulls + solved.weights @ solved.left**2
    side = (both + pulls)[:, None]
    return np.block([[matrix, side], [side.T, np.array([[whole]])]])


def variance_inflation(products: FloatArray, sums: FloatArray, whole: float) -> FloatArray:
    """Variance inflation of each column from their weighted products (k x k) and sums (k) and the weights'
    own sum; the last column is the offset, next to a constant, which is judged uncentred."""
    diagonal = np.diag(products)
    spread = diagonal - sums**2 / whole
    spread[-1] = diagonal[-1]
    size = np.sqrt(np.maximum(diagonal, 1e-300))
    inverse = np.linalg.pinv(products / np.outer(size, size), rcond=1e-13, hermitian=True)
    return np.asarray(np.maximum(spread * np.diag(inverse) / size**2, 1.0))


def shares_lost(products: FloatArray) -> FloatArray:
    """Share of the variance left by the rigid columns that is lost when each column is left out, from the
    products of the columns and, last, of the deviation."""
    count = len(products) - 1
    size = np.sqrt(np.maximum(np.diag(products)[:count], 1e-300))
    matrix = products[:count, :count] / np.outer(size, size)
    right, whole = products[:count, count] / size, float(products[count, count])

    def left(kept: list[int]) -> float:
        answer = np.linalg.lstsq(matrix[np.ix_(kept, kept)], right[kept], rcond=1e-12)[0]
        return whole - float(right[kept] @ answer)

    everything, rigid = left(list(range(count))), left(list(range(FIRST)))
    if rigid <= _NO_VARIANCE_MM2 * products[count - 1, count - 1]:
        return np.zeros(count)
    lost = [left([c for c in range(count) if c != k]) - everything for k in range(count)]
    return np.clip(np.array(lost) / rigid, 0.0, 1.0)


def _told(
    frame: Frame, sizes: FloatArray, deviation: FloatArray, vif: FloatArray, share: FloatArray,
    patches: int, settings: PatternSettings,
) -> tuple[Pattern, ...]:  # fmt: skip
    reach = reach_of(frame)
    quantile, sure = (
        float(stdtrit(max(patches - kernels.COLUMNS, 1), 0.5 + level / 2.0))
        for level in (settings.level, settings.known_level)
    )
    told = []
    for k, name in enumerate(NAMES):
        per = PER_UNIT.get(name, 1.0)
        method = settings.method_mm / reach[k]
        half = float(np.hypot(quantile * deviation[k], method))
        low, high = sizes[k] - half, sizes[k] + half
        apart = bool(np.isfinite(vif[k]) and vif[k] <= settings.largest_vif)
        there = bool(
            apart and (low > 0 or high < 0) and abs(sizes[k]) * reach[k] >= settings.least_present_mm
        )
        known = np.hypot(sure * deviation[k], method) <= max(
            settings.known_mm / reach[k], settings.known_share * abs(sizes[k])
        )
        verdict: PatternVerdict = "unknown"
        if apart and known:
            verdict = "present" if there else "absent"
        told.append(
            Pattern(
                name,
                float(sizes[k] * per),
                "%" if name in PER_UNIT else "mm",
                (float(low * per), float(high * per)),
                float(share[k]),
                float(vif[k]),
                verdict,
                _hint(name, verdict, float(sizes[k]), apart=apart, there=there),
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


def _hint(name: str, verdict: PatternVerdict, size: float, *, apart: bool, there: bool) -> str:
    """What a pattern often means: a hint from common practice, never a finding."""
    often = _HINTS[(name, 1 if size > 0 else -1)]
    if not apart:
        return (
            "Cannot be told from the other patterns on the surface that was scanned; scan more of the model."
        )
    if verdict == "present":
        return f"Hint: {often}"
    if there:
        return f"It is there, but how large is only told within the interval. Hint: {often}"
    if verdict == "unknown":
        return "The scan is too uneven or too small to tell so little: what is there lies in the interval."
    return ""
