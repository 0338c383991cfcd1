"""Judge the comparison on scanned jaws (``../shared/data``, see its notes): from random poses.

Every arch is held against another triangulation of itself (pose to 0.01 mm and 0.01 degrees of the best
found), against another surface of the same arch in a shared frame, and against the other jaw.
"""

from __future__ import annotations

from dataclasses import dataclass

import fast_simplification
import numpy as np

from qa.geometry.compare import CompareRequest, compare_print, prepared
from qa.geometry.design import Design
from qa.geometry.mesh import Mesh
from qa.geometry.sampling import sample_surface
from qa.geometry.tree import closest
from tests.qa.geometry import scenes

SAME_DEG, SAME_MM, BASIN_DEG = 0.01, 0.01, 5.0
REQUEST = CompareRequest(spacing_mm=0.4)


@dataclass
class Told:
    """One pair of surfaces: what was asked of every scan, how many met it, how many were accepted.

    ``accepting``: None where acceptance is not asked about.
    """

    name: str
    asked: str
    scans: int = 0
    met: int = 0
    accepted: int = 0
    accepting: bool | None = False

    def miss(self) -> str | None:
        """The bar this pair leaves, in words."""
        if self.met < self.scans:
            return f"{self.name}: {self.asked} in {self.met} of {self.scans}"
        if self.accepting is False and self.accepted:
            return f"{self.name}: accepted in {self.accepted} of {self.scans}"
        if self.accepting and self.accepted < self.scans:
            return f"{self.name}: accepted in only {self.accepted} of {self.scans}"
        return None


def other_triangulation(mesh: Mesh) -> Mesh:
    """The same surface with 40 % of the triangles."""
    vertices, faces = fast_simplification.simplify(
        mesh.vertices.astype(np.float32), mesh.faces, target_reduction=0.6
    )
    return Mesh(np.ascontiguousarray(vertices, dtype=np.float64), np.ascontiguousarray(faces, dtype=np.int32))


def _mean_square(design: Design, scan: Mesh, transform: np.ndarray) -> float:
    samples = sample_surface(scan, 0.5)
    distance = closest(design.target.tree, samples.points @ transform[:3, :3].T + transform[:3, 3]).distance
    return float(np.average(distance**2, weights=samples.weights))


def against_itself(name: str, poses: int, seed: int) -> Told:
    """Another triangulation from random poses: all as good as the best."""
    mesh = scenes.real(name)
    design, scan = prepared(mesh, REQUEST), other_triangulation(mesh)
    told = Told(
        f"{name}, triangulated anew", "pose within 0.01 degrees and 0.01 mm of the best", accepting=True
    )
    random = np.random.default_rng([seed, 1])
    found = []
    for _ in range(poses):
        pose = scenes.random_pose(random)
        answer = compare_print(design, scenes.moved(scan, pose), REQUEST)
        found.append(answer.transform @ pose)
        told.accepted += answer.accepted
    best = min(found, key=lambda one: _mean_square(design, scan, one))
    for one in found:
        angle, shift = scenes.off_pose(one, np.linalg.inv(best), mesh)
        told.scans += 1
        told.met += angle < SAME_DEG and shift < SAME_MM
    return told


def against_another_surface(poses: int, seed: int) -> Told:
    """The other surface of the upper arch: same basin, residual no larger than in the shared frame."""
    design, scan = prepared(scenes.real("arch_upper.obj"), REQUEST), scenes.real("arch_upper_other.obj")
    told = Told(
        "arch_upper_other.obj on arch_upper.obj", "within 5 degrees, residual no larger than shared frame's"
    )
    shared = _mean_square(design, scan, np.eye(4))
    random = np.random.default_rng([seed, 2])
    for _ in range(poses):
        pose = scenes.random_pose(random)
        answer = compare_print(design, scenes.moved(scan, pose), REQUEST)
        left = answer.transform @ pose
        angle, _ = scenes.off_pose(answer.transform, pose, design.mesh)
        told.scans += 1
        told.accepted += answer.accepted
        told.met += angle < BASIN_DEG and _mean_square(design, scan, left) <= shared
    return told


def against_the_other_jaw(design_name: str, scan_name: str, poses: int, seed: int) -> Told:
    """Another jaw: not this design."""
    design, scan = prepared(scenes.real(design_name), REQUEST), scenes.real(scan_name)
    told = Told(f"{scan_name} on {design_name}", "identity is `other`")
    random = np.random.default_rng([seed, 3])
    for _ in range(poses):
        answer = compare_print(design, scenes.moved(scan, scenes.random_pose(random)), REQUEST)
        told.scans += 1
        told.accepted += answer.accepted
        told.met += answer.identity.verdict == "other"
    return told


def run(*, poses: int, seed: int) -> list[Told]:
    """Every pair there is."""
    told = [against_itself(name, poses, seed) for name in ("arch_upper.obj", "arch_lower.obj")]
    told.append(against_another_surface(poses, seed))
    for design, scan in (("arch_upper.obj", "arch_lower.obj"), ("arch_lower.obj", "arch_upper.obj")):
        told.append(against_the_other_jaw(design, scan, poses, seed))
    return told


def table(told: list[Told]) -> str:
    """One row per pair."""
    lines = ["| scan on design | scans | asked | met | accepted |", "|---|---:|---|---:|---:|"]
    lines += [f"| {one.name} | {one.scans} | {one.asked} | {one.met} | {one.accepted} |" for one in told]
    return "\n".join(lines)
