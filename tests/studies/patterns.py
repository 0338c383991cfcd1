"""Judge the patterns of a deviation on prints of known distortion.

Each run distorts an arch by some of the patterns, adds noise, leaves the pose slightly off, lets the last
step of the registration settle it, and fits the patterns to the working surface as a comparison does. Noise
is 0.03 mm along the surface's normals, either independent from vertex to vertex or correlated over 2 mm (a
Gaussian random field from random waves).
"""

from __future__ import annotations

import statistics
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from scipy import stats
from scipy.spatial.transform import Rotation

from fixtures.meshes import ArchForm, distort, make_arch, pattern_frame
from fixtures.meshes.distortion import PatternFrame
from fixtures.meshes.faults import Bubble, MissingCusp
from qa.geometry.compare import CompareRequest
from qa.geometry.design import Design, prepare
from qa.geometry.deviation import measure
from qa.geometry.mesh import FloatArray, Mesh
from qa.geometry.pattern import NAMES, PatternFit, fit_patterns, reach_of
from qa.geometry.register import refine, whole_transform
from qa.geometry.sampling import face_normals_and_areas, sample_surface
from qa.geometry.tree import build, vertex_normals
from tests.qa.geometry import scenes

NOISE_MM, CORRELATED_OVER_MM = 0.03, 2.0
POSED_ON = 8_000
COVER, TELLS_MM, TELLS_SHARE, LARGEST_VIF = 0.93, 0.005, 0.05, 10.0
Noise = Literal["independent", "correlated"]
PLANTS: dict[str, dict[str, float]] = {
    "nothing": {},
    "scale -0.4 %": {"scale": -0.004},
    "height scale 0.6 %": {"height_scale": 0.006},
    "opening 0.3 mm": {"opening_mm": 0.3},
    "bow 0.2 mm": {"bow_mm": 0.2},
    "twist 0.2 mm": {"twist_mm": 0.2},
    "offset -0.05 mm": {"offset_mm": -0.05},
    "scale, opening and bow": {"scale": -0.004, "opening_mm": 0.3, "bow_mm": 0.2},
    "all": {
        "scale": -0.004, "height_scale": 0.003, "opening_mm": 0.3, "bow_mm": 0.2, "twist_mm": -0.2,
        "offset_mm": 0.03,
    },
}  # fmt: skip
FAULTS = ("none", "bubble", "missing cusp")
SCANS = ("full", "partial")
TOLD_AS = {
    "scale": ("scale", 100.0), "height_scale": ("height_scale", 100.0), "arch_opening": ("opening_mm", 1.0),
    "bow": ("bow_mm", 1.0), "twist": ("twist_mm", 1.0), "offset": ("offset_mm", 1.0),
}  # fmt: skip


@dataclass
class Score:
    """Counts for one pattern under one kind of noise and scan.

    ``told``: its size counts as known; ``open``: it can be told from the others, but its interval is too wide
    to call the size known; ``entangled``: it cannot be told from the others. Intervals are judged in the
    first two, sizes in the first.
    """

    told: int = 0
    open: int = 0
    entangled: int = 0
    covered: int = 0
    exact: int = 0
    absent: int = 0
    claimed: int = 0
    planted: int = 0
    found: int = 0
    widths_um: list[float] = field(default_factory=list)
    errors_um: list[float] = field(default_factory=list)

    @property
    def apart(self) -> int:
        """Fits in which the pattern can be told from the others."""
        return self.told + self.open


@dataclass
class Subject:
    """An arch as a design, the frame that its patterns are planted in, and its prints by local fault."""

    design: Design
    frame: PatternFrame
    prints: dict[str, Mesh]


def designs_of(count: int, triangles: int) -> list[Subject]:
    """Arches of a lab's usual shape, with a bubble and without a cusp."""
    made = []
    for seed in range(count):
        kind, first = ("lower", 36) if seed % 2 else ("upper", 16)
        form = ArchForm.invent(kind, 200 + seed)
        whole = make_arch(form, target_triangles=triangles)
        prints = {
            "none": whole,
            "bubble": make_arch(form, faults=(Bubble(first),), target_triangles=triangles),
            "missing cusp": make_arch(form, faults=(MissingCusp(first, "MB"),), target_triangles=triangles),
        }
        made.append(Subject(prepare(whole), pattern_frame(whole), prints))
    return made


def correlated_noise(points: FloatArray, random: np.random.Generator, waves: int = 400) -> FloatArray:
    """A Gaussian field of unit variance, correlated over ``CORRELATED_OVER_MM``, at points (n x 3).

    Random Fourier features (A. Rahimi and B. Recht, 2007): covariance exp(-r^2 / (2 L^2)).
    """
    ways = random.normal(0.0, 1.0 / CORRELATED_OVER_MM, (waves, 3))
    phase = random.uniform(0.0, 2 * np.pi, waves)
    return np.asarray(np.cos(points @ ways.T + phase).sum(axis=1) * np.sqrt(2.0 / waves))


def noisy(mesh: Mesh, noise: Noise, random: np.random.Generator) -> Mesh:
    """The mesh with noise along its vertex normals."""
    tree = build(mesh)
    normals = vertex_normals(tree, face_normals_and_areas(tree.mesh)[0])
    if noise == "independent":
        along = random.standard_normal(len(mesh.vertices))
    else:
        along = correlated_noise(mesh.vertices, random)
    return Mesh(mesh.vertices + NOISE_MM * along[:, None] * normals, mesh.faces)


def fit_of(design: Design, scan: Mesh, random: np.random.Generator) -> PatternFit | None:
    """The patterns of a scan whose pose is nearly right, as a comparison fits them."""
    near = np.eye(4)
    near[:3, :3] = Rotation.from_rotvec(np.radians(random.normal(0, 0.1, 3))).as_matrix()
    near[:3, 3] = random.normal(0, 0.1, 3)
    samples = sample_surface(scan, CompareRequest().spacing_mm, ordered=True)
    pose = whole_transform(refine(design.target, samples.thin_out(POSED_ON, seed=1), near))
    deviation = measure(design, samples, pose)
    working = deviation.working
    return fit_patterns(
        design, replace(samples.pick(working), points=np.ascontiguousarray(deviation.points[working]))
    )


def score(scores: dict[str, Score], fit: PatternFit, planted: dict[str, float], reach: FloatArray) -> None:
    """Judge one fit against what was planted; lengths are at the far ends of the arch."""
    for one in fit.patterns:
        name, per = TOLD_AS[one.name]
        truth = planted.get(name, 0.0)
        ends_um = 1000.0 * reach[NAMES.index(one.name)] / per
        tally = scores[one.name]
        if one.vif > LARGEST_VIF:
            tally.entangled += 1
            continue
        error_um = abs(one.size - truth * per) * ends_um
        if one.verdict == "unknown":
            tally.open += 1
        else:
            tally.told += 1
            tally.errors_um.append(error_um)
            tally.exact += error_um <= max(1000 * TELLS_MM, TELLS_SHARE * abs(truth * per) * ends_um)
        tally.covered += one.ci95[0] <= truth * per <= one.ci95[1]
        tally.widths_um.append((one.ci95[1] - one.ci95[0]) * ends_um)
        if truth:
            tally.planted += 1
            tally.found += one.there
        else:
            tally.absent += 1
            tally.claimed += one.there


def partial(mesh: Mesh, random: np.random.Generator) -> Mesh:
    """A scan that lacks a third of the arch, on either side."""
    side = mesh.corners().mean(axis=1)[:, 0] * random.choice([-1.0, 1.0])
    return scenes.part(mesh, side < np.quantile(side, 0.67))


@dataclass
class Result:
    """Scores by noise and scan, then by pattern, and the bars missed."""

    runs: int
    scores: dict[tuple[str, str], dict[str, Score]]

    def misses(self) -> Iterator[str]:
        """The bars that are left, in words."""
        for (noise, scan), by_name in self.scores.items():
            for name, one in by_name.items():
                where = f"{name}, {noise} noise, {scan} scan"
                if one.covered < COVER * one.apart:
                    yield f"{where}: the interval covers in {one.covered} of {one.apart}"
                if one.exact < one.told:
                    yield f"{where}: told within 5 um or 5 % in {one.exact} of {one.told}"
                if one.claimed > stats.binom.ppf(0.99, one.absent, 0.05):
                    yield f"{where}: claimed in {one.claimed} of {one.absent} where it is absent"

    def table(self) -> str:
        """One row per noise, scan and pattern."""
        rows = [
            "| noise | scan | pattern | size told | size open | not told apart | interval covers "
            "| told within 5 um or 5 % | largest error told, um | median width of interval, um "
            "| claimed where absent | found where planted |",
            "|---|---|---|---:|---:|---:|---:|---:|---:|---:|---:|---:|",
        ]
        for (noise, scan), by_name in self.scores.items():
            for name in NAMES:
                one = by_name[name]
                share = f"{100 * one.covered / one.apart:.1f} %" if one.apart else "-"
                width = f"{statistics.median(one.widths_um):.1f}" if one.apart else "-"
                exact = f"{100 * one.exact / one.told:.1f} %" if one.told else "-"
                worst = f"{max(one.errors_um):.1f}" if one.told else "-"
                rows.append(
                    f"| {noise} | {scan} | {name} | {one.told} | {one.open} | {one.entangled} | {share} "
                    f"| {exact} | {worst} | {width} | {one.claimed} of {one.absent} "
                    f"| {one.found} of {one.planted} |"
                )
        return "\n".join(rows)


def run(*, runs: int, seed: int, arches: int = 3, triangles: int = 16_000, first: int = 0) -> Result:
    """``runs`` prints from number ``first`` on, so that a study may be made in parts; noise and scan take
    turns, what is planted and the local fault are drawn."""
    made = designs_of(arches, triangles)
    scores: dict[tuple[str, str], dict[str, Score]] = {
        (noise, scan): defaultdict(Score) for scan in SCANS for noise in ("independent", "correlated")
    }
    plants = list(PLANTS.values())
    for number in range(first, first + runs):
        random = np.random.default_rng([seed, number])
        one = made[number % arches]
        noise: Noise = "correlated" if number % 2 else "independent"
        scan = SCANS[number // 2 % 4 // 3]
        planted = plants[int(random.integers(len(plants)))]
        shape = one.prints[FAULTS[int(random.integers(len(FAULTS)))]]
        bent = noisy(distort(shape, **planted, frame=one.frame), noise, random)
        fit = fit_of(one.design, bent if scan == "full" else partial(bent, random), random)
        if fit is not None:
            score(scores[noise, scan], fit, planted, reach_of(one.design.frame))
    return Result(runs, scores)
