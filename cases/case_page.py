"""What the case page shows, gathered in a fixed number of queries however long a series is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from django.http import HttpRequest
from django.utils import timezone

from cases.choices import Arch, CaseState
from cases.hooks import ApplianceProgress, appliance_progress, case_panels, mesh_panels, mesh_prefetches
from cases.models import Appliance, Case, ClinicWait, MeshUse, OrderLine
from cases.queries import case_for, other_case_named, suggest_appliance, visible_cases, with_state
from labtrack.accounts.actor import Actor
from labtrack.hooks import ShownPanel


@dataclass(frozen=True)
class ShownAppliance:
    appliance: Appliance
    progress: ApplianceProgress | None
    is_live: bool


@dataclass(frozen=True)
class StageRow:
    """One stage of a line, with what is ordered of it for each arch."""

    stage: int
    upper: list[ShownAppliance] = field(default_factory=list)
    lower: list[ShownAppliance] = field(default_factory=list)


@dataclass(frozen=True)
class LineTable:
    line: OrderLine
    rows: list[StageRow]
    wanted: int
    delivered: int
    has_stages: bool


@dataclass(frozen=True)
class MeshRow:
    """One mesh; ``waiting`` when a panel says that something of it is still to come, ``other_case`` when
    its file name spells one."""

    mesh: MeshUse
    panels: list[ShownPanel]
    waiting: bool
    offer: Appliance | None
    other_case: str


@dataclass(frozen=True)
class Clock:
    """How long the lab has had the case, without the time it waited for the clinic."""

    running: timedelta
    paused: timedelta
    stands_still: bool


@dataclass(frozen=True)
class CasePage:
    case: Case
    state: CaseState
    lines: list[LineTable]
    waits: list[ClinicWait]
    open_wait: ClinicWait | None
    meshes: list[MeshRow]
    withdrawn: list[MeshUse]
    panels: list[ShownPanel]
    clock: Clock


def case_page(actor: Actor, number: int, request: HttpRequest) -> CasePage:
    """Everything of one case. Raises ``NotFound`` for a stranger's."""
    case = case_for(actor, number)
    stated = with_state(visible_cases(actor)).get(pk=case.pk)
    appliances = list(
        case.appliances.select_related("case", "line", "remake").order_by("line", "stage", "copy", "id")
    )
    waits = list(case.waits.select_related("asked_by", "answered_by"))
    return CasePage(
        case=case,
        state=CaseState(stated.state),
        lines=_line_tables(case, appliances),
        waits=waits,
        open_wait=next((wait for wait in waits if wait.until is None), None),
        meshes=mesh_rows(case, request, appliances),
        withdrawn=withdrawn_meshes(case),
        panels=case_panels.shown(case, request),
        clock=case_clock(case, waits, timezone.now()),
    )


def case_clock(case: Case, waits: Sequence[ClinicWait], now: datetime) -> Clock:
    """Time since the order, split into the lab's and the clinic's."""
    end = case.voided_at or now
    paused = sum(
        (
            max(min(wait.until or end, end) - max(wait.since, case.occurred_at), timedelta(0))
            for wait in waits
        ),
        timedelta(0),
    )
    return Clock(
        running=max(end - case.occurred_at - paused, timedelta(0)),
        paused=paused,
        stands_still=any(wait.until is None for wait in waits),
    )


def current_meshes(case: Case) -> list[MeshUse]:
    """The meshes in use, newest first, with what their panels read."""
    meshes = (
        case.meshes.in_use()
        .select_related("case", "blob", "uploaded_by", "appliance__case", "appliance__line")
        .prefetch_related(*dict.fromkeys(mesh_prefetches))
    )
    return list(meshes.order_by("-pk"))


def withdrawn_meshes(case: Case) -> list[MeshUse]:
    return list(case.meshes.filter(withdrawn_at__isnull=False).order_by("-withdrawn_at", "-pk"))


def mesh_rows(case: Case, request: HttpRequest, appliances: Sequence[Appliance]) -> list[MeshRow]:
    return [mesh_row(mesh, request, appliances) for mesh in current_meshes(case)]


def mesh_row(mesh: MeshUse, request: HttpRequest, appliances: Sequence[Appliance]) -> MeshRow:
    """One row. ``appliances`` are the case's, for an offer when the mesh belongs to none yet."""
    panels = mesh_panels.shown(mesh, request)
    offer = None
    if mesh.appliance_id is None:
        live = [appliance for appliance in appliances if is_live(appliance)]
        offer = suggest_appliance(mesh.original_name, live, case_number=mesh.case.number)
    return MeshRow(
        mesh=mesh,
        panels=panels,
        waiting=any(panel.context.get("waiting") for panel in panels),
        offer=offer,
        other_case=other_case_named(mesh.original_name, case_number=mesh.case.number),
    )


def is_live(appliance: Appliance) -> bool:
    """Whether it is still wanted: neither cancelled nor made again. Reads ``remake``."""
    return appliance.cancelled_at is None and getattr(appliance, "remake", None) is None


def _line_tables(case: Case, appliances: Sequence[Appliance]) -> list[LineTable]:
    progress = appliance_progress.of(appliances)
    tables = []
    for line in case.lines.all():
        rows: dict[int, StageRow] = {}
        own = [
            ShownAppliance(appliance, progress.get(appliance.pk), is_live(appliance))
            for appliance in appliances
            if appliance.line_id == line.pk
        ]
        for shown in own:
            row = rows.setdefault(shown.appliance.stage, StageRow(shown.appliance.stage))
            (row.upper if shown.appliance.arch == Arch.UPPER else row.lower).append(shown)
        tables.append(
            LineTable(
                line=line,
                rows=[rows[stage] for stage in sorted(rows)],
                wanted=sum(shown.is_live for shown in own),
                delivered=sum(
                    shown.is_live and shown.progress is not None and shown.progress.delivered for shown in own
                ),
                has_stages=any(rows),
            )
        )
    return tables
