"""Group *surface*: is the mesh one sound skin, and what in it stops a print."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from qa.geometry.borders import Borders, find_borders
from qa.geometry.crossings import Crossings, find_crossings
from qa.geometry.kernels import compiled
from qa.geometry.limits import LimitSet
from qa.geometry.merge import distinct_rows
from qa.geometry.mesh import FloatArray, IndexArray
from qa.geometry.subject import CheckRequest, Subject, open_bodies
from qa.geometry.verdicts import Check, Verdict

# Twice the area over the longest side squared: a triangle this flat is a line within rounding.
_FLAT = 1e-10


@dataclass(frozen=True, eq=False)
class SurfaceFigures:
    """Counts over the whole mesh; ``None`` where the mesh does not allow one.

    ``degenerate_faces`` name a vertex twice or are flat as a line; ``duplicate_faces`` repeat an earlier
    face's three vertices; ``outer_bodies`` lie in no other; ``inverted_bodies`` are closed with the
    wrong sign of volume for their depth (a cavity inside a solid must be turned inward);
    ``inside_out_surface`` says that an open surface faces inward once its edge is closed by a fan.
    """

    triangles: int
    bodies: int
    outer_bodies: int
    open_bodies: int
    watertight: bool
    open_edges: int
    nonmanifold_edges: int
    mixed_winding_edges: int
    inverted_bodies: int | None
    inside_out_surface: bool
    degenerate_faces: int
    duplicate_faces: int
    crossings: Crossings | None
    borders: Borders
    scan: bool

    @property
    def stops_print(self) -> list[str]:
        """Names of what makes inside and outside undefined, so that no slicer can be sure."""
        found = []
        if self.open_edges:
            found.append("open_edges")
        if self.mixed_winding_edges:
            found.append("mixed_winding_edges")
        if self.inverted_bodies or self.inside_out_surface:
            found.append("inverted_bodies")
        return found


def compute(
    subject: Subject, limits: LimitSet, progress: Callable[[float], None] | None = None
) -> SurfaceFigures:
    """Count what is wrong with the surface."""
    del limits
    topology = subject.topology
    # A patient scan is never sliced, so crossings in it stop nothing and are not looked for.
    wanted = not subject.coarse and subject.request.role != "patient-scan"
    extent = float(np.ptp(subject.mesh.vertices, axis=0).max())
    near_mm = max(1e-8 * extent, 2.0 * subject.read.resolution_mm)
    crossings = find_crossings(subject.mesh, topology, near_mm=near_mm) if wanted else None
    if progress:
        progress(0.8)
    opened = open_bodies(topology)
    closed = np.ones(topology.bodies, dtype=np.bool_)
    closed[opened] = False
    expected = np.where(subject.nesting.depth % 2 == 0, 1.0, -1.0)
    thick = np.abs(subject.volumes) > 1e-7 * subject.areas**1.5
    inverted = closed & thick & (np.sign(subject.volumes) != expected)
    return SurfaceFigures(
        triangles=len(subject.mesh.faces),
        bodies=topology.bodies,
        outer_bodies=int((subject.nesting.depth == 0).sum()),
        open_bodies=len(opened),
        watertight=topology.watertight,
        open_edges=topology.open_edges,
        nonmanifold_edges=topology.nonmanifold_edges,
        mixed_winding_edges=topology.mixed_edges,
        inverted_bodies=int(inverted.sum()) if subject.nesting.known else None,
        inside_out_surface=_faces_inward(subject),
        degenerate_faces=int(_count_flat(subject.mesh.vertices, subject.mesh.faces, subject.vectors, _FLAT)),
        duplicate_faces=_duplicates(subject),
        crossings=crossings,
        borders=find_borders(subject.mesh, topology),
        scan=subject.request.role == "patient-scan",
    )


@compiled()
def _count_flat(vertices: FloatArray, faces: IndexArray, vectors: FloatArray, flat: float) -> int:
    count = 0
    for face in range(len(faces)):
        longest = 0.0
        square = 0.0
        for corner in range(3):
            a, b = faces[face, corner], faces[face, (corner + 1) % 3]
            side = 0.0
            for axis in range(3):
                side += (vertices[b, axis] - vertices[a, axis]) ** 2
            longest = max(longest, side)
            square += vectors[face, corner] ** 2
        count += 2.0 * np.sqrt(square) <= flat * longest
    return count


def _duplicates(subject: Subject) -> int:
    sound = subject.topology.body >= 0
    rows = np.sort(subject.mesh.faces[sound], axis=1)
    return len(rows) - distinct_rows(rows)


def _faces_inward(subject: Subject) -> bool:
    """Whether an open surface encloses a negative volume once its borders are closed by fans."""
    topology = subject.topology
    if topology.closed or topology.open_edges == 0 or topology.mixed_edges:
        return False
    loose = np.flatnonzero(topology.twin < 0)
    loose = loose[topology.body[loose // 3] >= 0]
    faces, vertices = subject.mesh.faces, subject.mesh.vertices
    start = vertices[faces[loose // 3, loose % 3]]
    middle = start.mean(axis=0)
    sound = topology.body >= 0
    corners = vertices[faces[sound]] - middle
    # Fans from the borders' common middle add nothing when that middle is the origin.
    volume = float(np.einsum("ij,ij->", corners[:, 0], np.cross(corners[:, 1], corners[:, 2]))) / 6.0
    return bool(volume < -1e-3 * float(subject.areas.sum()) ** 1.5)


def figures_json(figures: SurfaceFigures) -> dict[str, Any]:
    """The group's part of the JSON figures."""
    crossings = figures.crossings
    holes, widest, missing = _scan_holes(figures) if figures.scan else (None, None, None)
    return {
        "triangles": figures.triangles,
        "bodies": figures.bodies,
        "outer_bodies": figures.outer_bodies,
        "open_bodies": figures.open_bodies,
        "watertight": figures.watertight,
        "open_edges": figures.open_edges,
        "nonmanifold_edges": figures.nonmanifold_edges,
        "mixed_winding_edges": figures.mixed_winding_edges,
        "inverted_bodies": figures.inverted_bodies,
        "inside_out_surface": figures.inside_out_surface,
        "degenerate_faces": figures.degenerate_faces,
        "duplicate_faces": figures.duplicate_faces,
        "self_intersections": crossings.pairs if crossings else None,
        "self_intersections_between_bodies": crossings.between_bodies if crossings else None,
        "self_intersections_complete": crossings.complete if crossings else None,
        "borders": figures.borders.count,
        "widest_border_mm": float(figures.borders.widths_mm.max()) if figures.borders.count else 0.0,
        "scan_holes": holes,
        "scan_hole_max_mm": widest,
        "scan_missing_cm2": missing,
        "scan_edge_mm": _edge_mm(figures) if figures.scan else None,
        "stops_print": figures.stops_print,
    }


def judge(figures: SurfaceFigures, request: CheckRequest, limits: LimitSet) -> list[Check]:
    """The group's rows."""
    rows = []
    if request.role == "patient-scan":
        rows += _judge_scan(figures, limits)
    else:
        rows += [_judge_closed(figures), _judge_bodies(figures, request)]
    rows += [
        _judge_winding(figures),
        _judge_inverted(figures, request),
        _judge_branching(figures),
        _judge_faces(figures),
    ]
    if request.role != "patient-scan":
        rows.append(_judge_crossings(figures, limits))
    return rows


def _count_row(name: str, count: int, verdict: Verdict, bad: str, good: str) -> Check:
    return Check(name, verdict if count else "pass", count, "count", None, bad if count else good)


def _many(count: int, one: str, more: str) -> str:
    return f"1 {one}" if count == 1 else f"{count:,} {more}"


def _judge_closed(figures: SurfaceFigures) -> Check:
    holes = figures.borders.count
    return _count_row(
        "open_edges", figures.open_edges, "fail",
        f"The surface is open: {_many(figures.open_edges, 'edge', 'edges')} along "
        f"{_many(holes, 'hole or border', 'holes or borders')}. Close it before printing.",
        "The surface is closed.",
    )  # fmt: skip


def _judge_bodies(figures: SurfaceFigures, request: CheckRequest) -> Check:
    outer, inner = figures.outer_bodies, figures.bodies - figures.outer_bodies
    inside = f", {_many(inner, 'shell lies', 'shells lie')} inside" if inner else ""
    if outer <= 1 or request.role == "prepared":
        what = "The part is one body" if outer <= 1 else f"The plate holds {outer:,} bodies"
        return Check("bodies", "pass", figures.bodies, "count", None, f"{what}{inside}.")
    return Check(
        "bodies", "review", figures.bodies, "count", None,
        f"The mesh holds {outer:,} separate bodies{inside}. Unite them if they are one part; "
        "as a plate of parts, check each by itself.",
    )  # fmt: skip


def _judge_winding(figures: SurfaceFigures) -> Check:
    return _count_row(
        "winding", figures.mixed_winding_edges, "fail",
        f"Triangles on either side of {_many(figures.mixed_winding_edges, 'edge', 'edges')} face opposite "
        "ways, so inside and outside are confused. Recompute the normals.",
        "Neighbouring triangles face the same way.",
    )  # fmt: skip


def _judge_inverted(figures: SurfaceFigures, request: CheckRequest) -> Check:
    if figures.inside_out_surface and request.role == "patient-scan":
        return Check(
            "inside_out", "review", 1, "count", None,
            "The surface faces inward: it is inside out, or the scan of an impression. Flip its normals, or "
            "say that it is an impression.",
        )  # fmt: skip
    if figures.inside_out_surface:
        return Check(
            "inside_out", "fail", 1, "count", None,
            "The open surface faces inward: it is inside out. Flip its normals.",
        )  # fmt: skip
    if figures.inverted_bodies is None:
        return Check(
            "inside_out", "unknown", None, "count", None,
            "So many bodies overlap that which lies in which cannot be told. Unite them first.",
        )  # fmt: skip
    return _count_row(
        "inside_out", figures.inverted_bodies, "fail",
        f"{_many(figures.inverted_bodies, 'body is', 'bodies are')} turned the wrong way: inside out, or a "
        "shell inside another that should be a cavity, or should be united with it. Flip or unite.",
        "No body is inside out.",
    )  # fmt: skip


def _judge_branching(figures: SurfaceFigures) -> Check:
    return _count_row(
        "nonmanifold_edges", figures.nonmanifold_edges, "review",
        f"More than two triangles meet at {_many(figures.nonmanifold_edges, 'edge', 'edges')}. Most prints "
        "survive that; repair the mesh to be sure.",
        "No edge has more than two triangles.",
    )  # fmt: skip


def _judge_faces(figures: SurfaceFigures) -> Check:
    count = figures.degenerate_faces + figures.duplicate_faces
    verdict: Verdict = "review" if figures.duplicate_faces else "pass"
    return _count_row(
        "useless_triangles", count, verdict,
        f"{_many(figures.degenerate_faces, 'triangle has', 'triangles have')} no area and "
        f"{_many(figures.duplicate_faces, 'repeats', 'repeat')} another. They stop no print by themselves; "
        "a repair removes them.",
        "No triangle is without area or repeated.",
    )  # fmt: skip


def _judge_crossings(figures: SurfaceFigures, limits: LimitSet) -> Check:
    limit = limits["crossings_max"]
    crossings = figures.crossings
    if crossings is None:
        return Check(
            "self_intersections", "unknown", None, "count", limit,
            "Whether surfaces cut through each other cannot be told: coordinates are stored too coarsely.",
        )  # fmt: skip
    if crossings.pairs <= limit.value:
        if not crossings.complete:
            return Check(
                "self_intersections", "unknown", None, "count", limit,
                "The search for surfaces that cut through each other was stopped: too many lie on top of "
                "one another. Repair the mesh.",
            )  # fmt: skip
        return Check(
            "self_intersections", "pass", crossings.pairs, "count", limit,
            "No surface cuts through another.",
        )  # fmt: skip
    least = "" if crossings.complete else "At least "
    where = "all between bodies" if crossings.between_bodies == crossings.pairs else (
        f"{crossings.between_bodies:,} of them between bodies"
    )  # fmt: skip
    return Check(
        "self_intersections", "review", crossings.pairs, "count", limit,
        f"{least}{_many(crossings.pairs, 'pair', 'pairs')} of triangles cut through each other, {where}. "
        "Slicing may leave voids there: unite the bodies.",
    )  # fmt: skip


def _scan_holes(figures: SurfaceFigures) -> tuple[int, float, float]:
    """Holes of a scan, its pieces' edges aside: how many, the widest (mm) and the area missing (cm2)."""
    inner = ~figures.borders.outer
    widest = float(figures.borders.widths_mm[inner].max(initial=0.0))
    return int(inner.sum()), widest, float(figures.borders.missing_mm2[inner].sum()) / 100.0


def _edge_mm(figures: SurfaceFigures) -> float:
    return float(figures.borders.lengths_mm[figures.borders.outer].sum())


def _judge_scan(figures: SurfaceFigures, limits: LimitSet) -> list[Check]:
    """A patient scan is open by nature: each piece's longest border is its edge, the others are holes."""
    limit, most = limits["scan_hole_max"], limits["scan_missing_max"]
    holes, widest, missing = _scan_holes(figures)
    verdict: Verdict = "review" if widest > limit.value else "pass"
    advice = "Scan that place again if it is needed." if verdict == "review" else "They can be closed."
    rows = [
        Check(
            "scan_holes", verdict, widest, "mm", limit,
            f"{_many(holes, 'hole', 'holes')} beside the scan's edge, the widest {widest:.1f} mm. {advice}"
            if holes
            else "No holes beside the scan's own edge.",
        ),
        Check(
            "scan_missing", "review" if missing > most.value else "pass", missing, "cm2", most,
            f"About {missing:.2f} cm² are missing in the scan's holes."
            + (" Scan those places again if they are needed." if missing > most.value else ""),
        ),
    ]  # fmt: skip
    pieces = figures.bodies
    rows.append(
        Check(
            "scan_pieces",
            "pass" if pieces <= 1 else "review",
            pieces,
            "count",
            None,
            "The scan is one piece."
            if pieces <= 1
            else f"The scan is in {pieces:,} pieces. Remove what does not belong to it, or scan again.",
        )
    )
    edge = _edge_mm(figures)
    rows.append(
        Check(
            "scan_edge",
            "pass",
            edge,
            "mm",
            None,
            f"The scan's edge runs over {edge:.0f} mm." if edge else "The scan is closed; it has no edge.",
        )
    )
    return rows
