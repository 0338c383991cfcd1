"""Group *inside*: cavities, how they drain, what stays in them, and suction pockets against the film.

Empty space is laid out on a lattice (``lattice``): paths over it never leak through a wall, however thin, and
volumes are measured to the surface along z. Its step is in the figures; passages narrower than about twice
the step can be missed on the lattice: such a cavity has an opening and no width.

*Cavity*: connected empty space that the inner skin (``inner_skin``) surrounds on at least three of six sides,
on the part's side of every mouth; and every sealed void, whose volume is exact.

*Drain*: the widest way from a cavity's roomiest place to the outside, as the diameter of the largest ball
that gets out; the place that holds it up is settled against the exact surface. Chambers that hang on a
narrower passage count with theirs.

*Trapped*: what stays in the cavities when liquid runs down as far as it can. In a bottom-up vat down points
away from the platform, else toward it; in the build pose the platform is a wall. Off the platform each cavity
is turned by itself: openings down, and the 26 directions to the faces, edges and corners of a cube; the best
of them is leant further while that helps. One pose each: what several turns in a row
would free is not sought.

*Suction pocket*: in a bottom-up vat the film closes the level being cured. Empty space on its platform side
that has no way out there is a pocket, whether a cavity, a bowl that opens away from the platform, or what a
closed ring on the platform surrounds; those of less than the limits' area or depth are left out. A cavity
that is sealed in the end was a pocket while it was built.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from qa.geometry import inside_kernels as kernels
from qa.geometry.filling_kernels import fill_up
from qa.geometry.inner_skin import INNER, SEALED
from qa.geometry.lattice import Lattice, choose_step, make_lattice, marks_at_vertices
from qa.geometry.limits import LimitSet
from qa.geometry.maps import SurfaceMap, vertex_vectors
from qa.geometry.mesh import FloatArray
from qa.geometry.passages import drain_widths
from qa.geometry.subject import CheckRequest, Subject
from qa.geometry.threads import side_by_side
from qa.geometry.turning import best_turn
from qa.geometry.verdicts import Check
from qa.geometry.voids import Voids, find_voids, heights
from qa.geometry.walls import refusal

FINE_STEP_MM = 0.3
_LEAST_POINTS, _MOST_POINTS, _POINTS_PER_FACE = 2_500_000, 8_000_000, 12
# How far outside its openings the way out of a cavity is followed.
_SHELL_MM = 4.0
_SLACK_MM = 0.02
_MOST_POCKETS = 50


@dataclass(frozen=True, eq=False)
class Pocket:
    """Room that is shut in between part and film from ``from_mm`` to ``to_mm`` over the platform.

    ``volume_mm3`` is what it holds, ``area_mm2`` its largest level, ``place`` where it begins in the file's
    frame.
    """

    volume_mm3: float
    from_mm: float
    to_mm: float
    area_mm2: float
    place: FloatArray


@dataclass(frozen=True, eq=False)
class InsideFigures:
    """Volumes in mm3, lengths in mm; ``None`` where the mesh does not allow a figure.

    ``drains_mm`` and ``openings`` have, for each open cavity, its drain and how many openings it has; a drain
    is ``None`` when it is too narrow to be measured, under ``drain_narrower_mm``.
    ``drain_turn`` is the direction, in the file's frame, that points down when the part is turned so that
    least stays in its largest open cavity. ``pockets`` are the suction pockets, largest first.
    ``drain_vertex_mm`` and ``suction_vertex_mm`` (n float32) have, at each vertex that lines a cavity or
    a pocket, its drain (0 when sealed) and the height it seals at; not-a-number elsewhere.
    """

    cavities: int | None
    sealed: int | None
    openings: tuple[int, ...]
    cavity_mm3: float | None
    sealed_mm3: float | None
    drains_mm: tuple[float | None, ...]
    trapped_mm3: float | None
    trapped_turned_mm3: float | None
    drain_turn: FloatArray | None
    pockets: tuple[Pocket, ...]
    solid_mm3: float | None
    resin_solid_ml: float | None
    step_mm: float | None
    vat: str
    drain_limit_mm: float
    drain_vertex_mm: NDArray[np.float32]
    suction_vertex_mm: NDArray[np.float32]
    refused: str | None

    @property
    def drain_min_mm(self) -> float | None:
        """The narrowest drain of all open cavities; ``None`` also when one is too narrow to be measured."""
        known = [width for width in self.drains_mm if width is not None]
        return min(known, default=None) if len(known) == len(self.drains_mm) else None

    @property
    def drain_narrower_mm(self) -> float | None:
        """What a drain is narrower than that is too narrow to be measured."""
        return 2.0 * self.step_mm if None in self.drains_mm and self.step_mm else None

    @property
    def suction_mm3(self) -> float | None:
        """What all suction pockets hold."""
        return None if self.refused else sum(pocket.volume_mm3 for pocket in self.pockets)

    @property
    def suction_from_mm(self) -> float | None:
        """The least height at which a pocket seals."""
        return min((pocket.from_mm for pocket in self.pockets), default=None)

    @property
    def suction_area_mm2(self) -> float | None:
        """The largest area of a pocket."""
        return max((pocket.area_mm2 for pocket in self.pockets), default=None)


def compute(
    subject: Subject, limits: LimitSet, progress: Callable[[float], None] | None = None
) -> InsideFigures:
    """Look for cavities, drains, trapped liquid and suction pockets."""
    drain_limit = limits.value("drain_min")
    none = np.full(len(subject.mesh.vertices), np.nan, np.float32)
    why = refusal(subject)
    if why:
        return _refused(why, subject.request.vat, drain_limit, none)
    skin = subject.inner_skin
    sealed_bodies = np.unique(subject.topology.body[skin.label == SEALED])
    sealed_mm3 = float(np.abs(subject.volumes[sealed_bodies]).sum())
    hollow = bool((skin.label == INNER).any())
    lattice = _fine_lattice(subject) if hollow else subject.lattice
    if progress:
        progress(0.3)
    subject.forget_tree()
    amount = heights(lattice)
    voids = find_voids(lattice, amount, subject) if hollow else None
    found = voids.count if voids else 0
    kept, suction = 0.0, none
    pockets: tuple[Pocket, ...] = ()

    def keep() -> None:
        nonlocal kept
        kept = _kept_in_pose(voids, subject.request) if voids and found else 0.0

    def shut_in() -> None:
        nonlocal pockets, suction
        pockets, suction = _suction(lattice, amount, subject, limits, none)

    side_by_side([keep, shut_in])
    if progress:
        progress(0.6)
    trapped = turned = sealed_mm3
    turn: FloatArray | None = None
    drains: tuple[float | None, ...] = ()
    openings: tuple[int, ...] = ()
    if voids and found:
        least, turn = best_turn(voids, subject, kept)
        trapped, turned = sealed_mm3 + kept, sealed_mm3 + least
        drains, openings = drain_widths(lattice, voids.number, found, _SHELL_MM, subject)
        subject.forget_tree()
    open_mm3 = voids.volume_mm3 if voids else 0.0
    material = subject.union[0] or 0.0
    solid = material + sealed_mm3 + open_mm3
    return InsideFigures(
        cavities=found + len(sealed_bodies),
        sealed=len(sealed_bodies),
        openings=openings,
        cavity_mm3=sealed_mm3 + open_mm3,
        sealed_mm3=sealed_mm3,
        drains_mm=drains,
        trapped_mm3=trapped,
        trapped_turned_mm3=turned,
        drain_turn=turn if trapped - sealed_mm3 > 0.0 else None,
        pockets=pockets,
        solid_mm3=solid,
        resin_solid_ml=solid / 1000.0 * subject.request.consumption_factor,
        step_mm=lattice.step_mm,
        vat=subject.request.vat,
        drain_limit_mm=drain_limit,
        drain_vertex_mm=_drain_at_vertices(subject, voids, drains, none),
        suction_vertex_mm=suction,
        refused=None,
    )


def _refused(why: str, vat: str, drain_limit_mm: float, none: NDArray[np.float32]) -> InsideFigures:
    return InsideFigures(
        cavities=None, sealed=None, openings=(), cavity_mm3=None, sealed_mm3=None, drains_mm=(),
        trapped_mm3=None, trapped_turned_mm3=None, drain_turn=None, pockets=(), solid_mm3=None,
        resin_solid_ml=None, step_mm=None, vat=vat, drain_limit_mm=drain_limit_mm, drain_vertex_mm=none,
        suction_vertex_mm=none, refused=why,
    )  # fmt: skip


def _fine_lattice(subject: Subject) -> Lattice:
    most = int(np.clip(_POINTS_PER_FACE * len(subject.mesh.faces), _LEAST_POINTS, _MOST_POINTS))
    step = choose_step(subject.mesh.vertices, FINE_STEP_MM, most)
    return make_lattice(subject.mesh, subject.topology.body, step)


def _fill(
    lattice: Lattice, amount: NDArray[np.uint16], counted: NDArray[np.uint8], *, upward: bool,
    least_area: float = np.inf, least_depth: float = 0.0,
) -> tuple[float, FloatArray]:  # fmt: skip
    """Volume held (mm3), and the rooms of at least that area and depth (``kernels.fill_up``)."""
    lines = lattice.lines[2]
    rooms = np.zeros((_MOST_POCKETS, 6))
    held, count = fill_up(
        lattice.flags, amount, counted, lines.starts, lines.at, lattice.origin[2], lattice.step_mm,
        *lattice.shape, int(upward), least_area, least_depth, rooms,
    )  # fmt: skip
    return float(held), rooms[: int(count)]


def _kept_in_pose(voids: Voids, request: CheckRequest) -> float:
    """What stays in the cavities in the build pose, the platform being a wall (mm3)."""
    return _fill(voids.lattice, voids.amount, voids.number, upward=request.vat != "bottom-up")[0]


def _suction(
    lattice: Lattice,
    amount: NDArray[np.uint16],
    subject: Subject,
    limits: LimitSet,
    none: NDArray[np.float32],
) -> tuple[tuple[Pocket, ...], NDArray[np.float32]]:
    """Suction pockets, largest first, and the height they seal at for the vertices that line them."""
    if subject.request.vat != "bottom-up":
        return (), none
    _, rooms = _fill(
        lattice, amount, np.ones_like(lattice.flags), upward=True,
        least_area=100.0 * limits.value("suction_area_min"), least_depth=limits.value("suction_depth_min"),
    )  # fmt: skip
    if not len(rooms):
        return (), none
    rooms = rooms[np.argsort(-rooms[:, 0], kind="stable")]
    _, rows, columns = lattice.shape
    marks = np.zeros_like(lattice.flags)
    # Points under the platform are no way out.
    first = int(np.floor(-lattice.origin[2] / lattice.step_mm)) + 1
    pockets = []
    for number, (volume, begin, area, end, seed, layer) in enumerate(rooms, 1):
        kernels.mark_room(lattice.flags, marks, int(seed), number, rows * columns, columns, first, int(layer))
        place = subject.in_file(lattice.places(np.array([int(seed)], np.int32)))[0]
        pockets.append(Pocket(float(volume), float(begin), float(end), float(area), place))
    begins = np.append(np.nan, rooms[:, 1]).astype(np.float32)
    return tuple(pockets), begins[_at_vertices(lattice, marks, subject)]


def _at_vertices(lattice: Lattice, marks: NDArray[np.uint8], subject: Subject) -> NDArray[np.uint8]:
    """Marks of lattice points at the vertices that face them."""
    normals = vertex_vectors(subject.mesh.faces, subject.vectors, len(subject.mesh.vertices))
    return marks_at_vertices(lattice, marks, subject.mesh, normals)


def _drain_at_vertices(
    subject: Subject, voids: Voids | None, drains: tuple[float | None, ...], none: NDArray[np.float32]
) -> NDArray[np.float32]:
    """The drain of the cavity that each vertex lines; 0 where it is sealed or too narrow to be measured."""
    found = none.copy()
    if voids and drains:
        widths = np.array([np.nan, *(width or 0.0 for width in drains)], np.float32)
        found = widths[_at_vertices(voids.lattice, voids.number, subject)]
    found[subject.mesh.faces[subject.inner_skin.label == SEALED]] = 0.0
    return found


def _ml(volume_mm3: float | None) -> float | None:
    return None if volume_mm3 is None else volume_mm3 / 1000.0


def figures_json(figures: InsideFigures) -> dict[str, Any]:
    """The group's part of the JSON figures."""
    area = figures.suction_area_mm2
    return {
        "vat": figures.vat,
        "cavities": figures.cavities,
        "sealed_cavities": figures.sealed,
        "cavity_openings": None if figures.refused else sum(figures.openings),
        "openings_of_each": list(figures.openings),
        "cavity_ml": _ml(figures.cavity_mm3),
        "sealed_ml": _ml(figures.sealed_mm3),
        "drain_min_mm": figures.drain_min_mm,
        "drain_narrower_than_mm": figures.drain_narrower_mm,
        "drains_mm": list(figures.drains_mm),
        "trapped_ml": _ml(figures.trapped_mm3),
        "trapped_after_turning_ml": _ml(figures.trapped_turned_mm3),
        "drain_axis": figures.drain_turn,
        "suction_pocket_ml": _ml(figures.suction_mm3),
        "suction_from_mm": figures.suction_from_mm,
        "suction_area_cm2": None if area is None else area / 100.0,
        "suction_pockets": None if figures.refused else len(figures.pockets),
        "solid_volume_ml": _ml(figures.solid_mm3),
        "resin_if_solid_ml": figures.resin_solid_ml,
        "inside_step_mm": figures.step_mm,
    }


def judge(figures: InsideFigures, request: CheckRequest, limits: LimitSet) -> list[Check]:
    """The group's rows."""
    if figures.refused:
        return _cannot_tell(figures.refused, request, limits)
    if request.vat == "none":
        sentence = "It is printed without a vat, so no resin can stay inside and nothing can seal."
        return [Check("sealed_cavities", "pass", figures.sealed, "count", limits["sealed_max"], sentence)]
    rows = [_judge_sealed(figures, limits), _judge_trapped(figures, limits)]
    if figures.drains_mm:
        rows.insert(1, _judge_drain(figures, limits))
    if request.vat == "bottom-up":
        rows.append(_judge_suction(figures, limits))
    return rows


def _cannot_tell(why: str, request: CheckRequest, limits: LimitSet) -> list[Check]:
    sentence = f"What is inside cannot be told: {why}. Mend it first."
    rows = [
        Check("sealed_cavities", "unknown", None, "count", limits["sealed_max"], sentence),
        Check("trapped", "unknown", None, "ml", limits["trapped_max"], sentence),
    ]
    if request.vat == "bottom-up":
        rows.append(Check("suction", "unknown", None, "ml", limits["suction_max"], sentence))
    return rows


def _judge_sealed(figures: InsideFigures, limits: LimitSet) -> Check:
    limit, count = limits["sealed_max"], figures.sealed or 0
    if count <= limit.value:
        return Check("sealed_cavities", "pass", count, "count", limit, "No cavity is sealed.")
    what = "1 cavity is" if count == 1 else f"{count:,} cavities are"
    sentence = (
        f"{what} sealed and will hold {_ml(figures.sealed_mm3) or 0.0:.2f} ml of uncured resin, which can "
        "leak or burst under the heat and pressure of forming. Give each two drains, or fill it."
    )
    return Check("sealed_cavities", "fail", count, "count", limit, sentence)


def _judge_drain(figures: InsideFigures, limits: LimitSet) -> Check:
    limit, width = limits["drain_min"], figures.drain_min_mm
    if width is None:
        sentence = (
            f"A cavity's way out is narrower than {figures.drain_narrower_mm or 0.0:.1f} mm, too narrow to "
            f"be measured or to drain. Widen it to {limit.value:g} mm, or to what the resin's instructions "
            "for use ask."
        )
        return Check("drain", "review", None, "mm", limit, sentence)
    if width >= limit.value - _SLACK_MM:
        good = f"Every cavity drains through {width:.1f} mm or more."
        return Check("drain", "pass", width, "mm", limit, good)
    sentence = (
        f"A cavity drains through only {width:.2f} mm. Widen its drain to {limit.value:g} mm, or to what the "
        "resin's instructions for use ask."
    )
    return Check("drain", "review", width, "mm", limit, sentence)


def _judge_trapped(figures: InsideFigures, limits: LimitSet) -> Check:
    limit, fail = limits["trapped_max"], limits["trapped_fail"]
    trapped, turned = _ml(figures.trapped_mm3) or 0.0, _ml(figures.trapped_turned_mm3) or 0.0
    if turned > limit.value:
        sentence = (
            f"{turned:.2f} ml of resin stay inside however it is held. Add a drain where it gathers, "
            "at the end of the cavity that points down."
        )
        if turned > fail.value:
            return Check("trapped", "fail", turned, "ml", fail, sentence)
        return Check("trapped", "review", turned, "ml", limit, sentence)
    if trapped <= limit.value:
        return Check("trapped", "pass", trapped, "ml", limit, "No resin stays inside it.")
    sentence = (
        f"{trapped:.2f} ml of resin stay inside as it is printed, and run out when its opening is turned "
        "down. Let it drip before washing."
    )
    return Check("trapped", "pass", turned, "ml", limit, sentence)


def _judge_suction(figures: InsideFigures, limits: LimitSet) -> Check:
    limit, volume = limits["suction_max"], _ml(figures.suction_mm3) or 0.0
    if volume <= limit.value:
        return Check("suction", "pass", volume, "ml", limit, "Nothing seals against the film.")
    area, count = (figures.suction_area_mm2 or 0.0) / 100.0, len(figures.pockets)
    where = f"over {area:.1f} cm²" if count == 1 else f"in {count} pockets of up to {area:.1f} cm²"
    sentence = (
        f"From {figures.suction_from_mm or 0.0:.2f} mm up, {volume:.2f} ml are shut in between part and film "
        f"{where}, which pulls on both at every layer. Vent it near the platform, raise it on supports, or "
        "turn it."
    )
    return Check("suction", "review", volume, "ml", limit, sentence)


def maps(figures: InsideFigures) -> tuple[SurfaceMap, ...]:
    """What lines a cavity, by the width of its way out; what lines a suction pocket, by where it seals."""
    made = []
    if np.isfinite(figures.drain_vertex_mm).any():
        made.append(
            SurfaceMap(
                name="cavity",
                title="Cavities",
                unit="mm",
                values=figures.drain_vertex_mm,
                low=0.0,
                high=2.0 * figures.drain_limit_mm,
                note="Narrowest width on the way out of the cavity; 0 where sealed or too narrow to measure.",
                limit=figures.drain_limit_mm,
                worse="low",
            )
        )
    if np.isfinite(figures.suction_vertex_mm).any():
        highest = max(pocket.to_mm for pocket in figures.pockets)
        made.append(
            SurfaceMap(
                name="suction",
                title="Suction pockets",
                unit="mm",
                values=figures.suction_vertex_mm,
                low=0.0,
                high=highest,
                note="Height over the platform at which the room seals against the film.",
                worse="none",
                places=np.array([np.append(pocket.place, pocket.from_mm) for pocket in figures.pockets]),
            )
        )
    return tuple(made)
