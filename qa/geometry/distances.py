"""Distances between landmarks marked on a design, measured on the design and on a registered scan.

The nearest point of the scan to a landmark would miss any shift along the surface (a shrunken arch keeps
its cusp tips under the same heights). So the design's patch round each landmark is fitted to the scan by a
small rigid fit of its own, and the landmark goes along. Where the patch is too even to hold the fit (a flat
or round place), the landmark's distances are unknown.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass

import numpy as np

from qa.geometry import register_kernels as kernels
from qa.geometry.decision import Verdict, decide
from qa.geometry.design import Design
from qa.geometry.errors import GeometryError
from qa.geometry.mesh import FloatArray
from qa.geometry.sampling import Samples
from qa.geometry.tree import closest


@dataclass(frozen=True)
class Landmark:
    """A named place on a design, mm in the design's frame."""

    name: str
    at_mm: tuple[float, float, float]


@dataclass(frozen=True)
class Span:
    """A named distance along landmarks in order; two for a straight distance, more for an arch length."""

    name: str
    along: tuple[str, ...]


@dataclass(frozen=True)
class LandmarkSheet:
    """Landmarks and the distances asked for."""

    landmarks: tuple[Landmark, ...]
    spans: tuple[Span, ...]


@dataclass(frozen=True)
class Distance:
    """One distance: on the design, on the scan, the difference (scan less design), all mm (NaN where the
    scan does not tell), and its verdict."""

    name: str
    design_mm: float
    scan_mm: float
    error_mm: float
    verdict: Verdict
    sentence: str


@dataclass(frozen=True)
class DistanceSettings:
    """Tolerances (mm) of carrying landmarks over.

    A landmark is dropped when its own standard error would exceed ``largest_error_mm``, reckoned from what
    the patch's fit leaves over, never less than ``least_noise_mm``, and ``independent`` places in a patch
    (neighbouring deviations are correlated over some 1 to 2 mm).
    """

    patch_mm: float = 3.5
    off_design_mm: float = 1.5
    rounds: int = 30
    fewest_points: int = 60
    largest_error_mm: float = 0.05
    least_noise_mm: float = 0.005
    independent: int = 30
    largest_shift_mm: float = 2.0
    largest_rms_mm: float = 0.25


def read_sheet(text: str) -> LandmarkSheet:
    """Read landmarks (``name,x_mm,y_mm,z_mm``) and, below their own header, distances (``distance,from,to``).

    Several rows of one distance are added up, which makes an arch length of its steps. Raises
    ``GeometryError`` ``landmarks`` naming the line that is wrong.
    """
    landmarks: dict[str, Landmark] = {}
    steps: dict[str, list[tuple[str, str]]] = {}
    listing = ""
    for line, row in enumerate(csv.reader(io.StringIO(text.lstrip("\ufeff"))), start=1):
        cells = [cell.strip() for cell in row]
        if not any(cells):
            continue
        head = [cell.lower() for cell in cells]
        if head[:4] == ["name", "x_mm", "y_mm", "z_mm"]:
            listing = "landmarks"
        elif head[:3] == ["distance", "from", "to"]:
            listing = "distances"
        elif listing == "landmarks":
            mark = _landmark(cells, line)
            if mark.name in landmarks:
                raise _wrong(line, f"the landmark '{mark.name}' is given twice")
            landmarks[mark.name] = mark
        elif listing == "distances":
            _add_step(cells, line, landmarks, steps)
        else:
            raise _wrong(line, "the first line must be the header name,x_mm,y_mm,z_mm")
    spans = [Span(name, _chain(name, pairs)) for name, pairs in steps.items()]
    return LandmarkSheet(tuple(landmarks.values()), tuple(spans))


def _wrong(line: int, what: str) -> GeometryError:
    return GeometryError("landmarks", f"The landmark list is wrong in line {line}: {what}.")


def _landmark(cells: list[str], line: int) -> Landmark:
    try:
        x, y, z = (float(cell) for cell in cells[1:4])
    except ValueError:
        raise _wrong(line, "a landmark needs a name and three numbers in mm") from None
    if not cells[0] or not np.isfinite([x, y, z]).all():
        raise _wrong(line, "a landmark needs a name and three numbers in mm")
    return Landmark(cells[0], (x, y, z))


def _add_step(
    cells: list[str], line: int, landmarks: dict[str, Landmark], steps: dict[str, list[tuple[str, str]]]
) -> None:
    if len(cells) < 3 or not all(cells[:3]):
        raise _wrong(line, "a distance needs its name and two landmarks")
    for end in cells[1:3]:
        if end not in landmarks:
            raise _wrong(line, f"there is no landmark '{end}'")
    steps.setdefault(cells[0], []).append((cells[1], cells[2]))


def _chain(name: str, pairs: list[tuple[str, str]]) -> tuple[str, ...]:
    chain = list(pairs[0])
    for start, end in pairs[1:]:
        if start != chain[-1]:
            raise GeometryError(
                "landmarks", f"The steps of the distance '{name}' do not follow each other at '{start}'."
            )
        chain.append(end)
    return tuple(chain)


def carry_over(
    design: Design, scan_in_design: Samples, landmarks: tuple[Landmark, ...],
    settings: DistanceSettings | None = None,
) -> tuple[FloatArray, FloatArray]:  # fmt: skip
    """Places of the landmarks on the design's surface and on the scan, both k x 3 in the design's frame.

    A landmark is first put on the design's nearest place. NaN rows on the scan where it does not tell.
    Raises ``GeometryError`` ``landmarks`` for one too far off the design.
    """
    settings = settings or DistanceSettings()
    asked = np.array([mark.at_mm for mark in landmarks], dtype=np.float64).reshape(-1, 3)
    near = closest(design.target.tree, asked)
    for mark, off in zip(landmarks, near.distance, strict=True):
        if off > settings.off_design_mm:
            raise GeometryError(
                "landmarks",
                f"The landmark '{mark.name}' lies {off:.1f} mm off the design; mark it again on this design.",
            )
    on_scan = np.array([_carried(design, scan_in_design, place, settings) for place in near.point])
    return near.point, on_scan.reshape(-1, 3)


def _carried(design: Design, scan: Samples, place: FloatArray, settings: DistanceSettings) -> FloatArray:
    """Move the scan's patch round a landmark onto the design; the landmark moves the other way."""
    tree = design.target.tree
    nothing = np.full(3, np.nan)
    patch = scan.pick(np.linalg.norm(scan.points - place, axis=1) < settings.patch_mm)
    if len(patch) < settings.fewest_points:
        return nothing
    pose = np.eye(4)[:3]
    count = len(patch)
    moved, away = np.zeros((count, 3)), np.zeros((count, 3))
    distance, agree = np.zeros(count), np.zeros(count)
    guess = np.full(count, -1, dtype=np.int64)
    matrix = np.eye(6)
    for _ in range(settings.rounds):
        kernels.place(
            tree.corners, tree.face_of, tree.boxes, tree.fences, tree.leaf_start, tree.thin, tree.levels,
            tree.reach_mm, design.target.face_normals, patch.points, patch.normals, pose, guess, 1.0, moved,
            away, distance, agree, 0, count,
        )  # fmt: skip
        cut = max(4.685 * 1.4826 * float(np.median(distance)), 0.02)
        weight = kernels.tukey(distance, agree, cut, 0.5, patch.weights)
        if weight.sum() <= 0.3 * patch.weights.sum():
            return nothing
        matrix, right = kernels.normal_equations(moved, away, distance, weight, place, 0.0)
        step = kernels.solve_six(matrix, right, 1e-4)
        kernels.turn(pose, place, step)
        if np.abs(step).max() < 1e-7:
            break
    # Turns are compared with shifts at the patch's own size.
    size = np.array([settings.patch_mm / 2] * 3 + [1.0] * 3)
    scaled = matrix / np.outer(size, size) / max(weight.sum(), 1e-12)
    # How freely the landmark itself may slide: a tip is held in place though it may spin about its axis.
    slides = np.linalg.eigvalsh(np.linalg.inv(scaled + 1e-6 * np.eye(6))[3:, 3:])[-1]
    rms = float(np.sqrt(np.average(distance**2, weights=np.maximum(weight, 1e-12))))
    rotation, shift = pose[:, :3], pose[:, 3]
    answer = rotation.T @ (place - shift)
    error = max(rms, settings.least_noise_mm) * float(np.sqrt(slides / settings.independent))
    if error > settings.largest_error_mm or rms > settings.largest_rms_mm:
        return nothing
    return answer if np.linalg.norm(answer - place) < settings.largest_shift_mm else nothing


def measure_distances(
    design: Design, scan_in_design: Samples, sheet: LandmarkSheet, *, tolerance_mm: float,
    uncertainty_mm: float, settings: DistanceSettings | None = None,
) -> tuple[Distance, ...]:  # fmt: skip
    """Measure every span of the sheet on the design and on the scan, judged with the guard band."""
    if not sheet.spans:
        return ()
    on_design, on_scan = carry_over(design, scan_in_design, sheet.landmarks, settings)
    number = {mark.name: k for k, mark in enumerate(sheet.landmarks)}
    found = []
    for span in sheet.spans:
        rows = [number[name] for name in span.along]
        planned, measured = length_along(on_design[rows]), length_along(on_scan[rows])
        error = measured - planned
        decision = decide(f"The error of {span.name}", error, tolerance_mm, uncertainty_mm)
        found.append(Distance(span.name, planned, measured, error, decision.verdict, decision.sentence))
    return tuple(found)


def length_along(places: FloatArray) -> float:
    """Length of the line through places (k x 3) in order, mm."""
    return float(np.linalg.norm(np.diff(places, axis=0), axis=1).sum())
