"""Judge registration and identity on scans of known pose.

Every scan is compared as a user's scan is (``compare_print``, sampled more sparsely). *Right*: the pose is
undone to 0.05 degrees and 0.01 mm at the middle of the arch. *Accepted*: registered, and identity ``this``.
The noise (0.02 mm along vertex normals) is in every condition but ``full``.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from scipy import stats

from fixtures.meshes import ArchForm, distort, make_arch
from qa.geometry.compare import CompareRequest, compare_print, prepared
from qa.geometry.design import Design
from qa.geometry.mesh import Mesh
from qa.geometry.sampling import sample_surface
from qa.geometry.tree import closest
from tests.qa.geometry import scenes

NOISE_MM = 0.02
RIGHT_DEG, RIGHT_MM = 0.05, 0.01
BASIN_DEG = 5.0
# Planted frames are rarely where the residual is least; a rounding is no larger residual.
NO_LARGER = 1.0 + 1e-9
REQUEST = CompareRequest(spacing_mm=0.4)
PLANTED: tuple[dict[str, float], ...] = (
    {"opening_mm": 0.5},
    {"bow_mm": 0.5},
    {"twist_mm": 0.5},
    {"scale": -0.01},
    {"opening_mm": 0.3, "bow_mm": -0.3, "scale": -0.004},
)


@dataclass
class Tally:
    """Counts over the scans of one condition; ``least_right`` is the share of right and accepted ones
    asked for, None where none may be accepted."""

    name: str
    least_right: float | None
    scans: int = 0
    right: int = 0
    accepted_right: int = 0
    accepted_wrong: int = 0
    worst_deg: float = 0.0
    worst_mm: float = 0.0
    seconds: float = 0.0

    def miss(self) -> str | None:
        """The bar this condition leaves, in words."""
        if self.accepted_wrong:
            return f"{self.name}: {self.accepted_wrong} of {self.scans} accepted and wrong"
        if self.least_right is not None and self.accepted_right < self.least_right * self.scans:
            return f"{self.name}: accepted and right {self.accepted_right} of {self.scans}"
        return None

    def line(self) -> str:
        """One row of the table."""
        worst = f"{self.worst_deg:.4f} | {self.worst_mm:.4f}" if self.right else "- | -"
        return (
            f"| {self.name} | {self.scans} | {self.right} | {self.accepted_right} | {self.accepted_wrong} "
            f"| {worst} | {self.seconds / max(self.scans, 1):.1f} |"
        )


HEAD = (
    "| scan | scans | pose right | accepted and right | accepted and wrong | largest angle, degrees, of "
    "right ones | largest shift, mm | s each |\n|---|---:|---:|---:|---:|---:|---:|---:|"
)


def upper_bound(wrong: int, of: int) -> float:
    """One-sided 95 % upper bound of a share (Clopper and Pearson 1934)."""
    return float(stats.beta.ppf(0.95, wrong + 1, of - wrong)) if wrong < of else 1.0


def noisy(mesh: Mesh, random: np.random.Generator) -> Mesh:
    """The mesh with a scan's noise."""
    return distort(mesh, noise_mm=NOISE_MM, seed=int(random.integers(1 << 30)))


Maker = Callable[[Mesh, np.random.Generator], Mesh]
CONDITIONS: dict[str, tuple[float, Maker]] = {
    "full": (0.99, lambda mesh, random: mesh),
    "noise": (0.99, noisy),
    "upper surface": (0.99, lambda mesh, random: scenes.upper_surface(noisy(mesh, random))),
    "crop to 60 %": (0.95, lambda mesh, random: scenes.crop(noisy(mesh, random), 0.6, random)),
    "upper surface on a table": (
        0.95,
        lambda mesh, random: scenes.joined(scenes.upper_surface(noisy(mesh, random)), scenes.table()),
    ),
    "with stubs": (0.95, lambda mesh, random: scenes.joined(noisy(mesh, random), scenes.stubs(mesh))),
}


def arches(count: int, triangles: int) -> list[Mesh]:
    """Asymmetric arches, uppers and lowers in turn."""
    return [
        make_arch(ArchForm.invent("lower" if seed % 2 else "upper", 100 + seed), target_triangles=triangles)
        for seed in range(count)
    ]


def _count(tally: Tally, design: Design, scan: Mesh, pose: np.ndarray, *, may_be_accepted: bool) -> None:
    start = time.perf_counter()
    found = compare_print(design, scan, REQUEST)
    tally.seconds += time.perf_counter() - start
    tally.scans += 1
    angle, shift = scenes.off_pose(found.transform, pose, design.mesh)
    right = may_be_accepted and angle < RIGHT_DEG and shift < RIGHT_MM
    tally.right += right
    if right:
        tally.worst_deg, tally.worst_mm = max(tally.worst_deg, angle), max(tally.worst_mm, shift)
    tally.accepted_right += found.accepted and right
    tally.accepted_wrong += found.accepted and not right


def of_this_design(designs: list[Design], poses: int, seed: int, name: str) -> Tally:
    """Scans of the very design, in one condition, from random poses."""
    least, make = CONDITIONS[name]
    tally = Tally(name, least)
    for number, design in enumerate(designs):
        random = np.random.default_rng([seed, number, *name.encode()])
        for _ in range(poses):
            pose = scenes.random_pose(random)
            scan = scenes.moved(make(design.mesh, random), pose)
            _count(tally, design, scan, pose, may_be_accepted=True)
    return tally


def of_something_else(designs: list[Design], poses: int, seed: int, name: str) -> Tally:
    """Mirrored scans, and scans of the next arch: none may be accepted."""
    tally = Tally(name, None)
    for number, design in enumerate(designs):
        random = np.random.default_rng([seed, number, *name.encode()])
        other = designs[(number + 2) % len(designs)].mesh
        for _ in range(poses):
            subject = scenes.mirrored(design.mesh) if name == "mirrored" else other
            pose = scenes.random_pose(random)
            _count(tally, design, scenes.moved(noisy(subject, random), pose), pose, may_be_accepted=False)
    return tally


@dataclass
class Basins:
    """Scans of deformed prints: in the planted frame's basin, and with no larger residual."""

    name: str
    scans: int = 0
    same_basin: int = 0
    no_larger: int = 0

    def miss(self) -> str | None:
        """The bar this leaves, in words."""
        if min(self.same_basin, self.no_larger) < self.scans:
            return f"{self.name}: basin {self.same_basin}, residual {self.no_larger} of {self.scans}"
        return None


def of_deformed_prints(designs: list[Design], poses: int, seed: int) -> Basins:
    """Up to 0.5 mm planted: the pose stays in the basin, its residual is no larger than the planted one's."""
    told = Basins("planted deviation up to 0.5 mm")
    for number, design in enumerate(designs):
        random = np.random.default_rng([seed, number, 5])
        for turn in range(poses):
            bent = distort(design.mesh, **PLANTED[turn % len(PLANTED)])
            pose = scenes.random_pose(random)
            found = compare_print(design, scenes.moved(bent, pose), REQUEST)
            left = found.transform @ pose
            angle, _ = scenes.off_pose(found.transform, pose, design.mesh)
            told.scans += 1
            told.same_basin += angle < BASIN_DEG
            here, planted = _squares(design, bent, left), _squares(design, bent, np.eye(4))
            told.no_larger += here <= planted * NO_LARGER
    return told


def _squares(design: Design, scan: Mesh, transform: np.ndarray) -> float:
    samples = sample_surface(scan, 0.5)
    distance = closest(design.target.tree, samples.points @ transform[:3, :3].T + transform[:3, 3]).distance
    return float(np.average(distance**2, weights=samples.weights))


def run(*, arches_count: int, poses: int, seed: int, triangles: int) -> Iterator[Tally | Basins]:
    """All conditions, one after the other."""
    designs = [prepared(mesh, REQUEST) for mesh in arches(arches_count, triangles)]
    for name in CONDITIONS:
        yield of_this_design(designs, poses, seed, name)
    for name in ("mirrored", "another arch"):
        yield of_something_else(designs, max(poses // 3, 1), seed, name)
    yield of_deformed_prints(designs, poses, seed)
