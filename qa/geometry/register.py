"""Bring a scan onto a design from any pose.

Starts: the 24 axis-aligned rotations between the principal frames of both surfaces (four flips alone miss
cropped scans), both without their largest planes (a table outweighs the part, and a base is there in one
scan and hidden in the next). Each start is settled by a
short trimmed fit on a few hundred area-sampled points against the exact surface; the best different poses
go on to more points and a Tukey-weighted fit (J. W. Tukey's biweight, c = 4.685 times the scale). When no
pose fits well, two wider grids of starts are tried: turned in steps about the axis of least spread, which a
crop leaves alone, at several places along the target; then all orientations. The fit minimises distances
to the surface itself, not to its vertices.

A rigid fit absorbs the rigid part of any real deviation; a pose is therefore not evidence of where on the
platform the part stood.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import permutations, product

import numpy as np
from numpy.typing import NDArray

from qa.geometry import plane_kernels as planes
from qa.geometry import register_kernels as kernels
from qa.geometry.mesh import FloatArray, Mesh
from qa.geometry.sampling import Samples, face_normals_and_areas, sample_surface
from qa.geometry.threads import in_shares
from qa.geometry.tree import TriangleTree, build

TUKEY = 4.685
# Of a target: dense enough for its frame, its spread and what a scan covers of it.
SPACING_MM, MOST_SAMPLES = 0.5, 300_000
NORMAL_SCALE = 1.4826
# How roughly poses may be measured at first (factors on squared distances): the common case must be quick,
# the wider search must not miss.
QUICK_SLACK, WIDE_SLACK = 2.0, 1.1


@dataclass(frozen=True)
class RegisterSettings:
    """Tolerances of the registration; lengths in mm, angles in degrees.

    ``wider_grids``: how many of the two wider grids of starts may be tried when nothing fits.
    """

    start_points: int = 300
    middle_points: int = 1_000
    fine_points: int = 20_000
    start_rounds: int = 12
    second_rounds: int = 12
    third_rounds: int = 20
    fine_rounds: int = 20
    clip_mm: float = 1.0
    same_turn_deg: float = 10.0
    same_shift_mm: float = 3.0
    least_margin: float = 1.15
    fits_within_mm: float = 0.5
    fits_share: float = 0.6
    least_cut_mm: float = 0.02
    largest_cut_mm: float = 3.0
    widest_share: float = 0.35
    plane_share: float = 0.12
    planes: int = 3
    wider_grids: int = 2
    settled_mm: float = 1e-5
    settled_share: float = 2e-4
    arm_mm: float = 30.0
    seed: int = 0


@dataclass(frozen=True, eq=False)
class Target:
    """A surface that scans are brought onto: its tree, unit face normals (m x 3) and samples."""

    tree: TriangleTree
    face_normals: FloatArray
    samples: Samples

    @classmethod
    def of(
        cls,
        mesh: Mesh,
        *,
        spacing_mm: float = SPACING_MM,
        tree: TriangleTree | None = None,
        samples: Samples | None = None,
        normals: FloatArray | None = None,
    ) -> Target:
        """Prepare a mesh once for any number of scans; a ``tree``, ``samples`` and face ``normals`` made
        before are reused."""
        if normals is None:
            normals, _ = face_normals_and_areas(mesh)
        if samples is None:
            samples = sample_surface(mesh, spacing_mm, most=MOST_SAMPLES)
        return cls(tree or build(mesh), normals, samples)


@dataclass(frozen=True, eq=False)
class Registration:
    """The pose found. ``transform`` 4 x 4, scan to design.

    ``margin`` how many times worse the best clearly different pose fits the points that lie on the
    design; ``rival`` that pose; ``registered`` whether the margin is enough to speak of a pose at all;
    ``overlap`` share of the scan's area within ``clip_mm`` with agreeing normals; ``inlier_rms_mm`` over
    those; ``widened`` whether the wider grid of starts was needed.
    """

    transform: FloatArray
    registered: bool
    margin: float
    rival: FloatArray
    overlap: float
    inlier_rms_mm: float
    widened: bool


def register(target: Target, scan: Samples, settings: RegisterSettings | None = None) -> Registration:
    """Find the pose of a scan (area samples with outward normals) on a target, from any start."""
    settings = settings or RegisterSettings()
    centre = np.average(scan.points, axis=0, weights=scan.weights)
    scan = replace(scan, points=scan.points - centre)
    area = float(target.samples.weights.sum())
    subject = without_planes(scan.thin_out(60_000, seed=settings.seed), 0.25 * area, settings)
    few = subject.thin_out(settings.start_points, seed=settings.seed)
    some = subject.thin_out(settings.middle_points, seed=settings.seed + 1)
    many = subject.thin_out(settings.fine_points, seed=settings.seed + 2)
    everything = scan.thin_out(settings.fine_points, seed=settings.seed + 3)
    poses, costs = _best_of(target, few, some, _starts(target, subject, settings), settings, QUICK_SLACK)
    widened = False
    grids = ((_turned_starts, settings.fits_share), (_wide_starts, settings.widest_share))
    for more_starts, enough in grids[: settings.wider_grids]:
        if _share_close(target, some, poses[0], settings) >= enough:
            break
        widened = True
        starts = _screened(target, few, more_starts(target, subject, settings), settings)
        more, more_costs = _best_of(target, few, some, starts, settings, WIDE_SLACK)
        poses, costs = _distinct(np.concatenate([poses, more]), np.concatenate([costs, more_costs]), settings)
    pose = refine(
        target, subject.thin_out(settings.fine_points // 5, seed=settings.seed + 4), poses[0], settings
    )
    pose = refine(target, many, pose, settings)
    found = _judge(target, everything, some, pose, poses[1:], settings, widened=widened)
    back = np.eye(4)
    back[:3, 3] = -centre
    return replace(found, transform=found.transform @ back, rival=found.rival @ back)


def refine(
    target: Target, scan: Samples, pose: FloatArray, settings: RegisterSettings | None = None
) -> FloatArray:
    """Tukey-weighted fit of a pose (3 x 4 or 4 x 4) that is already in the right basin; returns 3 x 4."""
    settings = settings or RegisterSettings()
    pose = np.array(pose[:3], dtype=np.float64)
    guess = np.full(len(scan), -1, dtype=np.int64)
    for _ in range(settings.fine_rounds):
        moved, away, distance, agree = _placed(target, scan, pose, guess)
        cut = _cut(distance[agree > 0.5] if np.any(agree > 0.5) else distance, settings)
        weight = kernels.tukey(distance, agree, cut, 0.5, scan.weights)
        middle = moved.mean(axis=0)
        matrix, right = kernels.normal_equations(moved, away, distance, weight, middle, 0.0)
        step = kernels.solve_six(matrix, right, 1e-12)
        kernels.turn(pose, middle, step)
        # Settled to a small share of what is left over: a poor fit needs no nanometres.
        settled = max(settings.settled_mm, settings.settled_share * float(np.median(distance)))
        if max(np.linalg.norm(step[:3]) * settings.arm_mm, np.linalg.norm(step[3:])) < settled:
            break
    return pose


def whole_transform(pose: FloatArray) -> FloatArray:
    """A 3 x 4 pose as a 4 x 4 matrix."""
    return np.vstack([pose[:3], [0.0, 0.0, 0.0, 1.0]])


def angle_between_deg(one: FloatArray, two: FloatArray) -> float:
    """Angle of the rotation that takes one pose's orientation into another's, in degrees."""
    between = one[:3, :3].T @ two[:3, :3]
    skew = np.array(
        [between[2, 1] - between[1, 2], between[0, 2] - between[2, 0], between[1, 0] - between[0, 1]]
    )
    return float(np.degrees(np.arctan2(np.linalg.norm(skew) / 2, (np.trace(between) - 1) / 2)))


def largest_plane(
    samples: Samples, *, seed: int = 0, within_mm: float = 0.15
) -> tuple[NDArray[np.bool_], float]:
    """Mask of the samples on the plane that holds the most area, and its share of all area.

    Planes are proposed by single samples with their normals; only a plane whose own samples face the same
    way counts, which a curved surface does not offer.
    """
    few = samples.thin_out(2_000, seed=seed)
    drawn = np.random.default_rng(seed).choice(len(few), size=min(200, len(few)), replace=False)
    normals, points = few.normals[drawn], few.points[drawn]
    area = np.zeros(len(drawn))
    in_shares(
        lambda start, end: planes.area_on(
            few.points, few.normals, few.weights, points, normals, within_mm, 0.97, area, start, end
        ),
        len(drawn),
        smallest=32,
    )
    best = int(np.argmax(area))
    normal, point = normals[best], points[best]
    members = few.points[_on_plane(few, point, normal, within_mm)]
    if len(members) >= 3:
        point = members.mean(axis=0)
        _, _, axes = np.linalg.svd(members - point, full_matrices=False)
        normal = axes[2] * np.sign(axes[2] @ normal or 1.0)
    mask = _on_plane(samples, point, normal, within_mm)
    return mask, float(samples.weights[mask].sum() / samples.weights.sum())


def _on_plane(samples: Samples, point: FloatArray, normal: FloatArray, within_mm: float) -> NDArray[np.bool_]:
    mask = np.zeros(len(samples), dtype=np.bool_)
    in_shares(
        lambda start, end: planes.on_plane(
            samples.points, samples.normals, point, normal, within_mm, 0.97, mask, start, end
        ),
        len(samples),
        smallest=8_192,
    )
    return mask


def _cut(distance: FloatArray, settings: RegisterSettings) -> float:
    """Tukey's cut from the median distance.

    Four times the usual scale: a smooth deviation must not let the fit cling to the one side of the arch
    that happens to agree, so real deviations keep nearly full weight and only strangers lose it.
    """
    scale = NORMAL_SCALE * float(np.median(distance))
    return float(np.clip(2.0 * TUKEY * scale, settings.least_cut_mm, settings.largest_cut_mm))


def _placed(
    target: Target, scan: Samples, pose: FloatArray, guess: NDArray[np.int64]
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    count = len(scan)
    moved, away = np.zeros((count, 3)), np.zeros((count, 3))
    distance, agree = np.zeros(count), np.zeros(count)
    tree, fences = target.tree, target.tree.fences
    in_shares(
        lambda start, end: kernels.place(
            tree.corners, tree.face_of, tree.boxes, fences, tree.leaf_start, tree.thin, tree.levels,
            tree.reach_mm, target.face_normals, scan.points, scan.normals, pose, guess, 1.0, moved, away,
            distance, agree, start, end,
        ),
        count,
    )  # fmt: skip
    return moved, away, distance, agree


def _settle(
    target: Target, scan: Samples, poses: FloatArray, *, rounds: int, keep: float, cuts: tuple[float, float],
    sideways: float, clip: float, slack: float = 1.0,
) -> tuple[FloatArray, FloatArray]:  # fmt: skip
    poses = np.ascontiguousarray(poses)
    cost = np.zeros(len(poses))
    tree, fences = target.tree, target.tree.fences
    in_shares(
        lambda start, end: kernels.settle(
            tree.corners, tree.face_of, tree.boxes, fences, tree.leaf_start, tree.thin, tree.levels,
            tree.reach_mm, target.face_normals, scan.points, scan.normals, scan.weights, poses, cost, rounds,
            keep, cuts[0], cuts[1], sideways, clip, slack, start, end,
        ),
        len(poses),
        smallest=1,
    )  # fmt: skip
    return poses, cost


def _best_of(
    target: Target, few: Samples, some: Samples, starts: FloatArray, settings: RegisterSettings, slack: float
) -> tuple[FloatArray, FloatArray]:
    """Settle all starts, keep the 10 best different ones, then 4, then fit those on more points."""
    size = float(np.linalg.norm(np.ptp(target.samples.points, axis=0)))
    poses, cost = _settle(
        target, few, starts, rounds=settings.start_rounds, keep=0.7, cuts=(0.5, size), sideways=0.1,
        clip=4.0, slack=slack,
    )  # fmt: skip
    poses, cost = _distinct(poses, cost, settings)
    poses, cost = _settle(
        target, few, poses[:10], rounds=settings.second_rounds, keep=0.6, cuts=(0.3, 6.0), sideways=0.02,
        clip=2.0, slack=min(slack, 1.3),
    )  # fmt: skip
    poses, cost = _distinct(poses, cost, settings)
    poses, cost = _settle(
        target, some, poses[:4], rounds=settings.third_rounds, keep=0.5, cuts=(0.1, settings.largest_cut_mm),
        sideways=0.0, clip=settings.clip_mm,
    )  # fmt: skip
    return _distinct(poses, cost, settings)


def _distinct(
    poses: FloatArray, cost: FloatArray, settings: RegisterSettings
) -> tuple[FloatArray, FloatArray]:
    """Poses from best to worst without those that repeat a better one."""
    kept: list[int] = []
    for i in np.argsort(cost, kind="stable"):
        if not any(_same(poses[i], poses[k], settings) for k in kept):
            kept.append(int(i))
    return poses[kept], cost[kept]


def _same(one: FloatArray, two: FloatArray, settings: RegisterSettings) -> bool:
    # Scans are centred before the search, so the last column says where the scan's middle goes.
    shift = float(np.linalg.norm(one[:, 3] - two[:, 3]))
    return shift < settings.same_shift_mm and angle_between_deg(one, two) < settings.same_turn_deg


def _frame(samples: Samples) -> tuple[FloatArray, FloatArray]:
    """Centroid and right-handed principal axes (columns) of area samples."""
    share = samples.weights / samples.weights.sum()
    middle = share @ samples.points
    centred = samples.points - middle
    _, axes = np.linalg.eigh((centred * share[:, None]).T @ centred)
    axes = axes[:, ::-1].copy()
    if np.linalg.det(axes) < 0:
        axes[:, 2] *= -1
    return middle, axes


def without_planes(samples: Samples, least_area: float, settings: RegisterSettings) -> Samples:
    """Samples without their largest planes, as long as at least ``least_area`` (mm2) is left."""
    for _ in range(settings.planes):
        mask, share = largest_plane(samples, seed=settings.seed)
        rest = samples.pick(~mask)
        if share < settings.plane_share or len(rest) < 100 or rest.weights.sum() < least_area:
            break
        samples = rest
    return samples


def _target_frame(target: Target, settings: RegisterSettings) -> tuple[FloatArray, FloatArray]:
    few = target.samples.thin_out(5_000, seed=settings.seed)
    return _frame(without_planes(few, 0.25 * float(few.weights.sum()), settings))


def axis_rotations() -> FloatArray:
    """The 24 rotations that take coordinate axes to coordinate axes, 24 x 3 x 3."""
    found = []
    for order in permutations(range(3)):
        for signs in product((1.0, -1.0), repeat=3):
            matrix = np.zeros((3, 3))
            matrix[range(3), order] = signs
            if np.linalg.det(matrix) > 0:
                found.append(matrix)
    return np.array(found)


def _starts(target: Target, scan: Samples, settings: RegisterSettings) -> FloatArray:
    middle, axes = _target_frame(target, settings)
    scan_middle, scan_axes = _frame(scan)
    starts = []
    for turn in axis_rotations():
        rotation = axes @ turn @ scan_axes.T
        starts.append(np.column_stack([rotation, middle - rotation @ scan_middle]))
    return np.array(starts)


def _turned_starts(target: Target, scan: Samples, settings: RegisterSettings) -> FloatArray:
    """Both flips and twelve turns about the axis of least spread, at several places of the target."""
    scan_middle, scan_axes = _frame(scan)
    _, axes = _target_frame(target, settings)
    starts = []
    for flip in (1.0, -1.0):
        for angle in np.radians(np.arange(0.0, 360.0, 30.0)):
            c, s = np.cos(angle), np.sin(angle)
            turn = np.array([[c, -s * flip, 0.0], [s, c * flip, 0.0], [0.0, 0.0, flip]])
            rotation = axes @ turn @ scan_axes.T
            for place in _places(target, scan, settings):
                starts.append(np.column_stack([rotation, place - rotation @ scan_middle]))
    return np.array(starts)


def _wide_starts(target: Target, scan: Samples, settings: RegisterSettings) -> FloatArray:
    """Rotations spread evenly over all orientations, each at several places of the target."""
    scan_middle, scan_axes = _frame(scan)
    starts = []
    for rotation in spread_rotations(120):
        turned = rotation @ scan_axes.T
        for place in _places(target, scan, settings):
            starts.append(np.column_stack([turned, place - turned @ scan_middle]))
    return np.array(starts)


def _places(target: Target, scan: Samples, settings: RegisterSettings) -> list[FloatArray]:
    """Where the middle of a partial scan may lie: the target's middle and middles of far-apart parts."""
    few = target.samples.thin_out(400, seed=settings.seed)
    size = float(np.linalg.norm(np.ptp(scan.points, axis=0)))
    reach = 0.4 * min(size, float(np.linalg.norm(np.ptp(few.points, axis=0))))
    places = [few.points.mean(axis=0)]
    corners: list[FloatArray] = []
    while len(places) < 5:
        gap = np.min([np.linalg.norm(few.points - c, axis=1) for c in corners or places], axis=0)
        far = few.points[np.argmax(gap)]
        corners.append(far)
        places.append(few.points[np.linalg.norm(few.points - far, axis=1) < reach].mean(axis=0))
    return places


def _screened(target: Target, few: Samples, starts: FloatArray, settings: RegisterSettings) -> FloatArray:
    """The most promising starts after a few rounds on half of the points."""
    size = float(np.linalg.norm(np.ptp(target.samples.points, axis=0)))
    poses, cost = _settle(
        target, few.thin_out(len(few) // 2, seed=settings.seed), starts, rounds=5, keep=0.7,
        cuts=(0.5, size), sideways=0.1, clip=4.0, slack=WIDE_SLACK,
    )  # fmt: skip
    return _distinct(poses, cost, settings)[0][:40]


def spread_rotations(count: int) -> FloatArray:
    """``count`` rotations spread evenly (super-Fibonacci spirals, M. Alexa, CVPR 2022), count x 3 x 3."""
    n = np.arange(count) + 0.5
    root, psi = np.sqrt(2.0), 1.533751168755204288118041
    radius, other = np.sqrt(n / count), np.sqrt(1 - n / count)
    alpha, beta = 2 * np.pi * n / root, 2 * np.pi * n / psi
    x, y, z, w = radius * np.sin(alpha), radius * np.cos(alpha), other * np.sin(beta), other * np.cos(beta)
    rows = [
        [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
        [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
        [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
    ]
    return np.array(rows).transpose(2, 0, 1)


def _share_close(target: Target, scan: Samples, pose: FloatArray, settings: RegisterSettings) -> float:
    _, _, distance, agree = _placed(target, scan, pose, np.full(len(scan), -1, dtype=np.int64))
    close = (distance < settings.fits_within_mm) & (agree > 0.5)
    return float(scan.weights[close].sum() / scan.weights.sum())


def _judge(
    target: Target, many: Samples, some: Samples, pose: FloatArray, others: FloatArray,
    settings: RegisterSettings, *, widened: bool,
) -> Registration:  # fmt: skip
    _, _, distance, agree = _placed(target, many, pose, np.full(len(many), -1, dtype=np.int64))
    close = (distance < settings.clip_mm) & (agree > 0.5)
    whole = many.weights.sum()
    overlap = float(many.weights[close].sum() / whole)
    inlier = (
        float(np.sqrt(np.average(distance[close] ** 2, weights=many.weights[close])))
        if close.any()
        else np.nan
    )
    # Only what lies on the design in the best pose is asked about the others: a table fits nowhere and
    # would make every pose look alike.
    _, _, here, here_agree = _placed(target, some, pose, np.full(len(some), -1, dtype=np.int64))
    asked = (here < 2.0 * settings.clip_mm) & (here_agree > 0.0)
    best = np.inf
    rival = pose
    subject = some.pick(asked)
    own = np.nan
    if asked.sum() >= 30:
        own = _cost(target, subject, pose, settings)
        for other in others:
            if _same(other, pose, settings):
                continue
            cost = _cost(target, subject, other, settings)
            if cost < best:
                best, rival = cost, other
    margin = float(best / max(own, 1e-3)) if np.isfinite(best) and np.isfinite(own) else 1.0
    registered = bool(margin >= settings.least_margin and asked.sum() >= 30)
    return Registration(
        whole_transform(pose), registered, margin, whole_transform(rival), overlap, inlier, widened
    )


def _cost(target: Target, scan: Samples, pose: FloatArray, settings: RegisterSettings) -> float:
    _, _, distance, agree = _placed(target, scan, pose, np.full(len(scan), -1, dtype=np.int64))
    return float(kernels.clipped_mean(distance, agree, scan.weights, settings.clip_mm))
