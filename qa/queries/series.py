"""A whole aligner series at once: one arch of one order line, stage by stage."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.db.models import Prefetch

from cases.choices import Arch, MeshRole
from cases.models import Appliance, Case, MeshUse, OrderLine
from cases.queries import case_for, live_appliances
from labtrack.accounts.actor import Actor
from labtrack.errors import NotFound
from qa.check_figures import unit_words
from qa.choices import CheckState, Verdict
from qa.models import MeshCheck
from qa.queries.check_keys import current_checks
from qa.statistics.series import LEAST_STAGES, SeriesTrend, series_trend

# A check is worth a page of its series from here on.
LEAST_SERIES = 2
_GRAVE = {Verdict.FAIL: 0, Verdict.UNKNOWN: 1, Verdict.REVIEW: 2, Verdict.PASS: 3}


@dataclass(frozen=True)
class Watched:
    """A figure that is followed over the stages. ``floor`` is the smallest difference worth a word."""

    name: str
    title: str
    unit: str
    floor: float
    digits: int


WATCHED = (
    Watched("union_volume_ml", "Volume", "ml", 0.05, 2),
    Watched("height_mm", "Height", "mm", 0.05, 2),
    Watched("wall_min_mm", "Thinnest wall", "mm", 0.05, 2),
    Watched("undercut_cm2", "Undercut", "cm2", 0.05, 2),
)


@dataclass(frozen=True)
class Stage:
    """One stage: the file that will be printed (the prepared one when there is one) and its check."""

    appliance: Appliance
    mesh: MeshUse | None
    check: MeshCheck | None
    current: bool

    @property
    def number(self) -> int:
        """Its stage."""
        return self.appliance.stage

    @property
    def done(self) -> bool:
        """Whether it has figures."""
        return self.check is not None and self.check.state == CheckState.DONE

    @property
    def waiting(self) -> bool:
        """Whether a worker is still to come."""
        return self.check is not None and self.check.state == CheckState.WAITING


@dataclass(frozen=True)
class Series:
    """All stages in order, and each watched figure's trend."""

    case: Case
    line: OrderLine
    arch: str
    stages: tuple[Stage, ...]
    trends: dict[str, SeriesTrend]

    @property
    def waiting(self) -> int:
        """Stages whose check is not over."""
        return sum(stage.waiting for stage in self.stages)

    @property
    def checked(self) -> int:
        """Stages with figures."""
        return sum(stage.done for stage in self.stages)

    @property
    def without_file(self) -> int:
        """Stages that nothing was attached for."""
        return sum(stage.mesh is None for stage in self.stages)

    @property
    def progress(self) -> float:
        """How far the checks are, 0 to 1; the one under way counts by its own progress."""
        asked = [stage.check for stage in self.stages if stage.check is not None]
        if not asked:
            return 1.0
        return sum(_share(check) for check in asked) / len(asked)

    @property
    def more_needed(self) -> int:
        """Checked stages that are missing before any can stand out."""
        return max(0, LEAST_STAGES - self.checked)

    def reasons(self, index: int) -> list[str]:
        """In words, the figures by which a stage stands out of its series."""
        told = []
        for watched in WATCHED:
            point = self.trends[watched.name].points[index]
            if not point.stands_out or point.value is None or point.expected is None:
                continue
            more = "above" if point.value > point.expected else "below"
            off = abs(point.value - point.expected)
            unit, title = unit_words(watched.unit), watched.title.lower()
            told.append(f"{title} {off:.{watched.digits}f} {unit} {more} its trend (z {point.z:+.1f})")
        return told

    def worst_first(self) -> list[int]:
        """Indexes of the stages: those that stand out, then by verdict, then those without figures."""
        return sorted(range(len(self.stages)), key=self._weight)

    def _weight(self, index: int) -> tuple[int, float, int, int]:
        stage = self.stages[index]
        scores = [abs(trend.points[index].z or 0.0) for trend in self.trends.values()]
        out = any(trend.points[index].stands_out for trend in self.trends.values())
        verdict = 4 if not stage.done or stage.check is None else _GRAVE[Verdict(stage.check.verdict)]
        refused = stage.check is not None and stage.check.state == CheckState.REFUSED
        return (0 if out else 1, -max(scores) if out else 0.0, -1 if refused else verdict, stage.number)


def _share(check: MeshCheck) -> float:
    if check.state != CheckState.WAITING:
        return 1.0
    return check.job.progress if check.job else 0.0


def series_for(actor: Actor, number: int, line_id: int, arch: str) -> Series:
    """The series of a case that the actor may see. Raises ``NotFound`` for anything else."""
    case = case_for(actor, number)
    if arch not in Arch.values:
        raise NotFound("There is no such arch.")
    line = case.lines.filter(pk=line_id).first()
    appliances = [] if line is None else _first_copies(case, line, arch)
    if line is None or not appliances:
        raise NotFound("There is no such series.")
    return make_series(case, line, arch, appliances)


def _first_copies(case: Case, line: OrderLine, arch: str) -> list[Appliance]:
    """One appliance for each stage: copies are printed from the same file."""
    firsts: dict[int, Appliance] = {}
    for appliance in live_appliances(case).filter(line=line, arch=arch):
        firsts.setdefault(appliance.stage, appliance)
    return [firsts[stage] for stage in sorted(firsts)]


def make_series(case: Case, line: OrderLine, arch: str, appliances: Sequence[Appliance]) -> Series:
    """Gather files, checks and trends in a fixed number of queries however long the series is."""
    stages = _stages(appliances)
    numbers = [stage.number for stage in stages]
    trends = {
        watched.name: series_trend(
            numbers, [_value(stage, watched.name) for stage in stages], floor=watched.floor
        )
        for watched in WATCHED
    }
    return Series(case, line, arch, tuple(stages), trends)


def _stages(appliances: Sequence[Appliance]) -> list[Stage]:
    checks = MeshCheck.objects.select_related("job", "limits").order_by("-pk")
    meshes = (
        MeshUse.objects.in_use()
        .filter(
            appliance__in=[one.pk for one in appliances],
            role__in=(MeshRole.DESIGN, MeshRole.PREPARED),
        )
        .select_related("blob", "case", "appliance__line")
        .prefetch_related(Prefetch("checks", queryset=checks, to_attr="found"))
        .order_by("pk")
    )
    chosen: dict[int, MeshUse] = {}
    for mesh in meshes:
        before = chosen.get(mesh.appliance_id or 0)
        # The prepared file is what is printed; of two of a kind the later one counts.
        if before is None or mesh.role == MeshRole.PREPARED or before.role == mesh.role:
            chosen[mesh.appliance_id or 0] = mesh
    latest = {pk: _latest(mesh) for pk, mesh in chosen.items()}
    found = [check for check in latest.values() if check is not None]
    for pk, check in latest.items():
        if check is not None:
            check.mesh = chosen[pk]
    current = current_checks(found)
    return [
        Stage(
            appliance=one,
            mesh=chosen.get(one.pk),
            check=latest.get(one.pk),
            current=getattr(latest.get(one.pk), "pk", None) in current,
        )
        for one in appliances
    ]


def _latest(mesh: MeshUse) -> MeshCheck | None:
    found: list[MeshCheck] = mesh.found  # type: ignore[attr-defined]
    return found[0] if found else None


def _value(stage: Stage, name: str) -> float | None:
    if not stage.done or stage.check is None:
        return None
    value = stage.check.figures.get(name)
    return None if value is None or isinstance(value, bool) else float(value)


def series_of_case(case: Case) -> list[dict[str, Any]]:
    """Line, arch and number of stages of each series of a case that is worth a page."""
    counted: dict[tuple[int, str], set[int]] = {}
    lines: dict[int, OrderLine] = {}
    for appliance in live_appliances(case).filter(stage__gt=0):
        lines[appliance.line_id] = appliance.line
        counted.setdefault((appliance.line_id, appliance.arch), set()).add(appliance.stage)
    return [
        {"line": lines[line_id], "arch": arch, "stages": len(stages)}
        for (line_id, arch), stages in counted.items()
        if len(stages) >= LEAST_SERIES
    ]
