"""Group *layers*: area of every layer, its steps, what starts in mid-air, and shallow overhang."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from qa.geometry.kernels import compiled
from qa.geometry.layer_maps import layer_maps, overhang_values, share_above, start_values
from qa.geometry.limits import LimitSet
from qa.geometry.maps import SurfaceMap, ValueArray
from qa.geometry.mesh import FloatArray, IndexArray
from qa.geometry.mid_air import profile_layers
from qa.geometry.slicing import count_segments, list_faces, vertex_levels
from qa.geometry.subject import CheckRequest, Subject, bodies_may_overlap
from qa.geometry.topology import Topology
from qa.geometry.verdicts import Check

MAX_LAYERS = 40_000
MAX_SEGMENTS = 400_000_000
_CHUNK_SEGMENTS = 1_500_000
OVERLAP_LINE_MM = 0.1
_MOST_STARTS = 20_000
_THREADS = 2


@dataclass(frozen=True, eq=False)
class LayerProfile:
    """What slicing gives, layer by layer (layer k cut at (k + 0.5) x layer).

    ``areas_mm2`` is not-a-number where a layer's outline is open. ``starts`` (n x 4): layer, x, y, area
    in mm2 in the build pose. ``complete`` is false when more starts were found than are kept.
    """

    layer_mm: float
    areas_mm2: FloatArray
    open_chains: IndexArray
    loops: IndexArray
    starts: FloatArray
    starts_found: int

    @property
    def layers(self) -> int:
        return len(self.areas_mm2)

    @property
    def heights_mm(self) -> FloatArray:
        """Height of each layer's plane over the platform."""
        return np.asarray((np.arange(self.layers) + 0.5) * self.layer_mm, dtype=np.float64)


@dataclass(frozen=True, eq=False)
class LayerFigures:
    """Figures of the group; ``None`` where the mesh does not allow one and ``refused`` says why.

    ``shallow_deg`` and ``near_start_mm`` are per vertex, for the surface maps.
    """

    layers: int
    profile: LayerProfile | None
    mid_air: FloatArray
    max_layer_area_cm2: float | None
    max_layer_height_mm: float | None
    largest_step_cm2: float | None
    largest_step_mm: float | None
    mid_air_starts: int | None
    overhang_cm2: float
    overhang_angle_deg: float
    peel_index: float | None
    refused: str | None
    shallow_deg: ValueArray | None = None
    near_start_mm: ValueArray | None = None


def layer_count(height_mm: float, layer_mm: float) -> int:
    """Layers a part needs; a rest below a millionth of a layer is rounding, not a layer."""
    return max(1, int(np.ceil(height_mm / layer_mm - 1e-6)))


def profile_mesh(
    vertices: FloatArray,
    faces: IndexArray,
    topology: Topology,
    layer_mm: float,
    progress: Callable[[float], None] | None = None,
    *,
    overlaps: bool = False,
) -> LayerProfile | None:
    """Slice a mesh that stands on z = 0; ``None`` when it would take unreasonably many segments.

    With ``overlaps``, material where bodies overlap counts once, sampled along lines 0.1 mm apart; without
    it areas are the loops' own, exact wherever bodies do not overlap.
    """
    layers = layer_count(float(vertices[:, 2].max()), layer_mm)
    if layers > MAX_LAYERS:
        return None
    levels = vertex_levels(vertices, layer_mm, layers)
    counts = count_segments(faces, topology.body, levels, layers)
    if int(counts.sum()) > MAX_SEGMENTS:
        return None
    areas, chains = np.zeros(layers), np.zeros(layers, np.int32)
    loops = np.zeros(layers, np.int32)
    pieces = _pieces(counts[:layers])

    def work(piece: tuple[int, int]) -> tuple[FloatArray, int]:
        first, last = max(piece[0] - 1, 0), piece[1]
        starts, entries = list_faces(faces, topology.body, levels, counts, first, last)
        found = np.zeros((_MOST_STARTS, 4))
        place_of = np.zeros(len(faces), np.int32)
        count = profile_layers(
            vertices, faces, topology.twin, levels, starts, entries, first, layer_mm,
            OVERLAP_LINE_MM if overlaps else 0.0, place_of,
            areas, chains, loops, found,
        )  # fmt: skip
        return found[: min(int(count), _MOST_STARTS)].copy(), int(count)

    results: list[tuple[FloatArray, int]] = []
    with ThreadPoolExecutor(_THREADS) as pool:
        for done, result in enumerate(pool.map(work, pieces)):
            results.append(result)
            if progress:
                progress((done + 1) / len(pieces))
    areas[chains > 0] = np.nan
    starts = np.vstack([rows for rows, _ in results])
    return LayerProfile(layer_mm, areas, chains, loops, starts, sum(count for _, count in results))


def _pieces(counts: NDArray[np.int64]) -> list[tuple[int, int]]:
    """Split the layers into runs of similar work, at least two, none much above the chunk size."""
    total = np.cumsum(counts)
    pieces = max(_THREADS, int(np.ceil(total[-1] / _CHUNK_SEGMENTS)))
    marks = np.searchsorted(total, total[-1] * np.arange(1, pieces) / pieces)
    edges = np.unique(np.concatenate([[0], marks, [len(counts)]]))
    return [(int(a), int(b)) for a, b in pairwise(edges)]


def overhang_area(subject: Subject, angle_deg: float) -> float:
    """Area in mm2 of surfaces facing down, closer to level than the angle and off the platform.

    Off it is what lies more than a layer above; of a face that crosses that height, the part above counts.
    """
    area = _shallow_area(
        subject.mesh.vertices,
        subject.mesh.faces,
        subject.vectors,
        float(np.cos(np.deg2rad(angle_deg))),
        subject.request.layer_mm,
    )
    return float(area)


@compiled()
def _shallow_area(
    vertices: FloatArray, faces: IndexArray, vectors: FloatArray, cosine: float, floor: float
) -> float:
    total = 0.0
    for face in range(len(faces)):
        x, y, z = vectors[face, 0], vectors[face, 1], vectors[face, 2]
        length = np.sqrt(x * x + y * y + z * z)
        if -z <= cosine * length:
            continue
        a, b, c = vertices[faces[face, 0], 2], vertices[faces[face, 1], 2], vertices[faces[face, 2], 2]
        total += length * share_above(a, b, c, floor)
    return total


def compute(
    subject: Subject, limits: LimitSet, progress: Callable[[float], None] | None = None
) -> LayerFigures:
    """Slice the part and find its figures."""
    figures = _computed(subject, limits, progress)
    starts = None
    if figures.profile is not None and figures.mid_air_starts:
        starts = start_values(subject, _places(figures.profile))
    return replace(figures, shallow_deg=overhang_values(subject), near_start_mm=starts)


def _computed(subject: Subject, limits: LimitSet, progress: Callable[[float], None] | None) -> LayerFigures:
    angle = limits.value("overhang_angle")
    layer_mm = subject.request.layer_mm
    layers = layer_count(subject.height_mm, layer_mm)
    overhang = overhang_area(subject, angle) / 100.0
    if subject.coarse:
        return _refused(layers, overhang, angle, _COARSE)
    overlaps = bool((subject.volumes < 0).any()) or bodies_may_overlap(subject)
    profile = profile_mesh(
        subject.mesh.vertices, subject.mesh.faces, subject.topology, layer_mm, progress, overlaps=overlaps
    )
    if profile is None:
        why = f"the part would take {layers:,} layers, or too many outlines, to be cut; is its unit right?"
        return _refused(layers, overhang, angle, why)
    if (profile.open_chains > 0).any():
        cut = int((profile.open_chains > 0).sum())
        why = f"the outline is open in {cut:,} of {layers:,} layers, so inside and outside are not defined"
        return _refused(layers, overhang, angle, why, profile)
    return _figures(subject, profile, overhang, angle)


_COARSE = "coordinates are stored too far apart to tell one layer from the next"


def _refused(
    layers: int, overhang: float, angle: float, why: str, profile: LayerProfile | None = None
) -> LayerFigures:
    return LayerFigures(
        layers=layers,
        profile=profile,
        mid_air=np.zeros((0, 4)),
        max_layer_area_cm2=None,
        max_layer_height_mm=None,
        largest_step_cm2=None,
        largest_step_mm=None,
        mid_air_starts=None,
        overhang_cm2=overhang,
        overhang_angle_deg=angle,
        peel_index=None,
        refused=why,
    )


def _figures(subject: Subject, profile: LayerProfile, overhang: float, angle: float) -> LayerFigures:
    areas = profile.areas_mm2
    largest = int(np.argmax(areas))
    steps = np.diff(areas)
    step = int(np.argmax(steps)) if len(steps) else 0
    mid_air = np.hstack([subject.in_file(_places(profile)), profile.starts[:, 3:]])
    return LayerFigures(
        layers=profile.layers,
        profile=profile,
        mid_air=mid_air,
        max_layer_area_cm2=float(areas[largest]) / 100.0,
        max_layer_height_mm=float(profile.heights_mm[largest]),
        largest_step_cm2=max(0.0, float(steps[step]) / 100.0) if len(steps) else 0.0,
        largest_step_mm=float(profile.heights_mm[step + 1]) if len(steps) else None,
        mid_air_starts=profile.starts_found,
        overhang_cm2=overhang,
        overhang_angle_deg=angle,
        peel_index=float(np.mean((np.abs(areas) / 100.0) ** 1.5)),
        refused=None,
    )


def _places(profile: LayerProfile) -> FloatArray:
    """Where something starts in mid-air, k x 3 in the build pose."""
    heights = (profile.starts[:, 0] + 0.5) * profile.layer_mm
    return np.column_stack([profile.starts[:, 1:3], heights])


def maps(figures: LayerFigures) -> tuple[SurfaceMap, ...]:
    """Where the surface faces down, and what starts in mid-air."""
    return layer_maps(figures.shallow_deg, figures.overhang_angle_deg, figures.near_start_mm, figures.mid_air)


def figures_json(figures: LayerFigures) -> dict[str, Any]:
    """The group's part of the JSON figures."""
    return {
        "layers": figures.layers,
        "max_layer_area_cm2": figures.max_layer_area_cm2,
        "max_layer_height_mm": figures.max_layer_height_mm,
        "largest_step_cm2": figures.largest_step_cm2,
        "largest_step_mm": figures.largest_step_mm,
        "mid_air_starts": figures.mid_air_starts,
        "overhang_cm2": figures.overhang_cm2,
        "overhang_angle_deg": figures.overhang_angle_deg,
        "peel_index": figures.peel_index,
    }


def judge(figures: LayerFigures, request: CheckRequest, limits: LimitSet) -> list[Check]:
    """The group's rows."""
    return [
        _judge_area(figures),
        _judge_starts(figures, request, limits),
        _judge_step(figures, limits),
        _judge_overhang(figures, limits),
    ]


def _judge_area(figures: LayerFigures) -> Check:
    if figures.max_layer_area_cm2 is None:
        return Check(
            "layer_area", "unknown", None, "cm2", None, f"Layer areas cannot be told: {figures.refused}."
        )
    return Check(
        "layer_area",
        "pass",
        figures.max_layer_area_cm2,
        "cm2",
        None,
        f"The largest of {figures.layers:,} layers has {figures.max_layer_area_cm2:.2f} cm² "
        f"at {figures.max_layer_height_mm:.2f} mm. Use it to compare placements.",
    )


def _judge_starts(figures: LayerFigures, request: CheckRequest, limits: LimitSet) -> Check:
    limit = limits["mid_air_max"]
    count = figures.mid_air_starts
    if count is None:
        return Check(
            "mid_air", "unknown", None, "count", limit,
            f"Whether anything starts in mid-air cannot be told: {figures.refused}. Close the surface first.",
        )  # fmt: skip
    if count <= limit.value:
        return Check("mid_air", "pass", count, "count", limit, "Every layer rests on the one below.")
    lowest = (
        float((figures.profile.starts[:, 0].min() + 0.5) * figures.profile.layer_mm)
        if figures.profile
        else 0.0
    )
    what = "1 place starts" if count == 1 else f"{count:,} places start"
    prepared = request.role == "prepared"
    advice = (
        "The supports miss it; add support there before printing."
        if prepared
        else "Support it, turn the part, or put it on its base before printing."
    )
    return Check(
        "mid_air", "fail" if prepared else "review", count, "count", limit,
        f"{what} in mid-air, the lowest {lowest:.2f} mm above the platform. {advice}",
    )  # fmt: skip


def _judge_step(figures: LayerFigures, limits: LimitSet) -> Check:
    limit = limits["layer_step_max"]
    step = figures.largest_step_cm2
    if step is None:
        return Check(
            "layer_step", "unknown", None, "cm2", limit, f"The step cannot be told: {figures.refused}."
        )
    if step <= limit.value:
        return Check("layer_step", "pass", step, "cm2", limit, "The area grows gently from layer to layer.")
    return Check(
        "layer_step", "review", step, "cm2", limit,
        f"The area jumps by {step:.2f} cm² at {figures.largest_step_mm:.2f} mm, which pulls hard on the part "
        "and can show as a line. Tilt the part or support the ledge.",
    )  # fmt: skip


def _judge_overhang(figures: LayerFigures, limits: LimitSet) -> Check:
    limit = limits["overhang_max"]
    area = figures.overhang_cm2
    angle = figures.overhang_angle_deg
    if area <= limit.value:
        sentence = f"{area:.2f} cm² face down within {angle:g}° of level, off the platform."
        return Check("overhang", "pass", area, "cm2", limit, sentence)
    return Check(
        "overhang", "review", area, "cm2", limit,
        f"{area:.2f} cm² face down within {angle:g}° of level without touching the platform; such surfaces "
        "sag or tear. Support them or turn the part.",
    )  # fmt: skip
