"""Check a mesh before it is printed: every group's figures, every verdict, one answer.

A group is a module with ``compute(subject, limits, progress) -> frozen figures``,
``figures_json(figures) -> dict`` and ``judge(figures, request, limits) -> list[Check]``; adding one to
``GROUPS`` is all it takes. A module that can show its figures on the surface also offers
``maps(figures) -> tuple[SurfaceMap, ...]`` (``qa.geometry.maps``).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any, Protocol, cast

import numpy as np

from qa.geometry import contact, forming, inside, layers, size, supports, surface, walls
from qa.geometry.limits import LimitSet
from qa.geometry.maps import SurfaceMap
from qa.geometry.memory import give_back_large_arrays
from qa.geometry.mesh import FloatArray, IndexArray
from qa.geometry.reading import ReadMesh
from qa.geometry.subject import ROLES, CheckRequest, Role, Subject, make_subject
from qa.geometry.verdicts import Check, Verdict, jsonable, worst

__all__ = [
    "ENGINE",
    "GROUPS",
    "CheckRequest",
    "DesignCheck",
    "Group",
    "Profile",
    "Section",
    "check_design",
    "surface_maps",
]

ENGINE = "geometry 1.4"


class GroupModule(Protocol):
    """What a group's module offers."""

    def compute(
        self, subject: Subject, limits: LimitSet, progress: Callable[[float], None] | None = None
    ) -> Any: ...

    def figures_json(self, figures: Any) -> dict[str, Any]: ...

    def judge(self, figures: Any, request: CheckRequest, limits: LimitSet) -> list[Check]: ...


@dataclass(frozen=True)
class Group:
    """A group of figures: its module, the roles it is for and its rough share of the work."""

    name: str
    words: str
    module: GroupModule
    roles: tuple[Role, ...]
    weight: float


_PRINTED: tuple[Role, ...] = ("design", "prepared")
GROUPS: tuple[Group, ...] = (
    Group("surface", "surface", cast(GroupModule, surface), ROLES, 4.0),
    Group("size", "size", cast(GroupModule, size), ROLES, 1.0),
    Group("contact", "base contact", cast(GroupModule, contact), _PRINTED, 2.0),
    Group("walls", "walls", cast(GroupModule, walls), _PRINTED, 2.0),
    Group("inside", "inside", cast(GroupModule, inside), _PRINTED, 3.0),
    Group("layers", "layers", cast(GroupModule, layers), _PRINTED, 4.0),
    Group("forming", "forming", cast(GroupModule, forming), _PRINTED, 2.0),
)
# Always in the answer, null where the role, or the mesh, does not allow them.
PROMISED = (
    "self_intersections", "degenerate_faces", "overhang_cm2", "largest_step_cm2", "mid_air_starts",
    "undercut_cm2", "undercut_max_mm", "forming_axis", "areal_draw_ratio", "mean_sheet_left_mm", "height_mm",
    "stand_rotation", "supports_needed", "hollow", "wall_min_mm", "wall_p01_mm", "wall_p05_mm",
    "wall_below_limit_cm2", "cavities", "sealed_cavities", "drain_min_mm", "trapped_ml",
    "trapped_after_turning_ml", "suction_pocket_ml", "suction_from_mm", "solid_volume_ml",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Profile:
    """The part layer by layer, for a chart: ``None`` areas are open outlines.

    ``mid_air`` rows are x, y, z in the file's frame (mm) and area (mm2); ``mid_air_heights_mm`` their
    heights over the platform, ``suction_heights_mm`` where suction pockets seal.
    ``open_chains`` counts loose ends per layer.
    """

    layer_mm: float
    heights_mm: FloatArray
    areas_mm2: FloatArray
    open_chains: IndexArray
    mid_air: FloatArray
    mid_air_heights_mm: FloatArray
    suction_heights_mm: FloatArray

    def as_json(self) -> dict[str, Any]:
        """A JSON-ready form; areas that are not defined become null."""
        return {
            "layer_mm": self.layer_mm,
            "heights_mm": jsonable(np.round(self.heights_mm, 6)),
            "areas_mm2": jsonable(self.areas_mm2),
            "open_chains": jsonable(self.open_chains),
            "mid_air": jsonable(self.mid_air),
            "mid_air_heights_mm": jsonable(self.mid_air_heights_mm),
            "suction_heights_mm": jsonable(self.suction_heights_mm),
        }


@dataclass(frozen=True)
class Section:
    """What belongs together: the names of figures and of checks that one group found, and its verdict."""

    name: str
    words: str
    verdict: Verdict
    figures: tuple[str, ...]
    checks: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """A JSON-ready form."""
        return {
            "name": self.name,
            "words": self.words,
            "verdict": self.verdict,
            "figures": list(self.figures),
            "checks": list(self.checks),
        }


class _Sections:
    """Gathers figures and rows, and remembers which group they are of."""

    def __init__(self) -> None:
        self.figures: dict[str, Any] = {}
        self.checks: list[Check] = []
        self.made: list[Section] = []

    def add(self, name: str, words: str, figures: Mapping[str, Any], checks: list[Check]) -> None:
        """Add one group's; a figure that a later group gives again is the later one's."""
        self.figures |= figures
        self.made = [
            replace(section, figures=tuple(own for own in section.figures if own not in figures))
            for section in self.made
        ]
        self.checks += checks
        verdict = worst(check.verdict for check in checks)
        self.made.append(Section(name, words, verdict, tuple(figures), tuple(row.name for row in checks)))


@dataclass(frozen=True, eq=False)
class DesignCheck:
    """The answer: one verdict, the figures, the rows behind it, both by group in ``sections``, and the
    layer profile if there is one.

    ``groups`` holds each group's own figures by name, for callers that want more than JSON.
    """

    verdict: Verdict
    engine: str
    role: str
    figures: Mapping[str, Any]
    checks: tuple[Check, ...]
    sections: tuple[Section, ...]
    profile: Profile | None
    groups: Mapping[str, Any]

    def as_json(self) -> dict[str, Any]:
        """What ``check_design --json`` prints; no number in it is infinite or not a number."""
        return {
            "verdict": self.verdict,
            "engine": self.engine,
            "figures": dict(self.figures),
            "checks": [check.as_json() for check in self.checks],
            "sections": [section.as_json() for section in self.sections],
        }


def check_design(
    read: ReadMesh,
    request: CheckRequest,
    limits: LimitSet,
    progress: Callable[[float, str], None] | None = None,
) -> DesignCheck:
    """Run every group that the role asks for.

    ``progress`` is called with a share from 0 to 1 and the words for what is being looked at. Never
    raises over what the mesh is like: a figure the mesh does not allow is ``None`` with verdict
    ``unknown`` and the reason.
    """
    give_back_large_arrays()
    groups = [group for group in GROUPS if request.role in group.roles]
    if not request.formed:
        groups = [group for group in groups if group.name != "forming"]
    total = sum(group.weight for group in groups) + 1.0
    _report(progress, 0.0, "edges and bodies")
    subject = make_subject(read, request)
    done = 1.0
    found: dict[str, Any] = {}
    sections = _Sections()
    about = {"format": read.format, "role": request.role, "layer_mm": request.layer_mm} | _resolution(read)
    sections.add("reading", "file", about, _resolution_rows(read))
    for group in groups:
        _report(progress, done / total, group.words)
        inner = _inner(progress, done, group, total)
        found[group.name] = group.module.compute(subject, limits, inner)
        figures = group.module.figures_json(found[group.name])
        sections.add(group.name, group.words, figures, group.module.judge(found[group.name], request, limits))
        done += group.weight
    if "contact" in found and "layers" in found:
        props = supports.find_supports(
            subject, found["contact"], found["layers"], found.get("forming"), limits
        )
        row = supports.judge_supports(props, found["contact"], limits)
        sections.add("supports", "supports", supports.figures_json(props), [row])
    _report(progress, 1.0, "done")
    return DesignCheck(
        verdict=worst(check.verdict for check in sections.checks),
        engine=ENGINE,
        role=request.role,
        figures=MappingProxyType(jsonable(dict.fromkeys(PROMISED) | sections.figures)),
        checks=tuple(sections.checks),
        sections=tuple(sections.made),
        profile=_profile(found.get("layers"), found.get("inside")),
        groups=MappingProxyType(found),
    )


def surface_maps(result: DesignCheck) -> tuple[SurfaceMap, ...]:
    """The maps of every group that offers some, in the order of the groups; all show at least one value."""
    made: list[SurfaceMap] = []
    for group in GROUPS:
        offered = getattr(group.module, "maps", None)
        if offered is not None and group.name in result.groups:
            made += [one for one in offered(result.groups[group.name]) if one.shown]
    return tuple(made)


def _report(progress: Callable[[float, str], None] | None, share: float, words: str) -> None:
    if progress:
        progress(share, words)


def _inner(
    progress: Callable[[float, str], None] | None, done: float, group: Group, total: float
) -> Callable[[float], None] | None:
    """A group's own progress, as a share of the whole."""
    if progress is None:
        return None
    return lambda share: progress((done + share * group.weight) / total, group.words)


def _resolution(read: ReadMesh) -> dict[str, Any]:
    return {"resolution_mm": read.resolution_mm, "coarse": read.coarse}


def _resolution_rows(read: ReadMesh) -> list[Check]:
    if not read.coarse:
        return []
    return [
        Check(
            "resolution", "unknown", read.resolution_mm, "mm", None,
            f"At this distance from the origin the file stores coordinates {read.resolution_mm:.2g} mm "
            "apart, so fine figures cannot be told. Move the model to the origin and export it again.",
        )
    ]  # fmt: skip


def _profile(figures: layers.LayerFigures | None, within: inside.InsideFigures | None) -> Profile | None:
    if figures is None or figures.profile is None:
        return None
    raw = figures.profile
    return Profile(
        layer_mm=raw.layer_mm,
        heights_mm=raw.heights_mm,
        areas_mm2=raw.areas_mm2,
        open_chains=raw.open_chains,
        mid_air=figures.mid_air,
        mid_air_heights_mm=(raw.starts[: len(figures.mid_air), 0] + 0.5) * raw.layer_mm,
        suction_heights_mm=np.sort([pocket.from_mm for pocket in within.pockets] if within else []),
    )
