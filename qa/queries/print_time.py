"""How long builds took, by printer and exposure profile, and how long one like a mesh would take."""

from __future__ import annotations

import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from django.db.models import Prefetch

from production.choices import BuildState
from production.models import Build, Part, Printer
from qa.choices import CheckState
from qa.models import MeshCheck
from qa.statistics.print_time import (
    LEAST_BUILDS,
    BuildTime,
    PrintTimeModel,
    TimeEstimate,
    fit_print_time,
    predict_print_time,
)

# Older builds than these say little of a machine that was serviced since.
MOST_BUILDS = 1_000


@dataclass(frozen=True, order=True)
class Setting:
    """A printer with one exposure profile and layer."""

    printer_id: int
    printer: str
    profile: str
    layer_um: int


@dataclass(frozen=True)
class BuildHistory:
    """What one setting's finished builds say. ``left_out`` had no layers noted, or parts without figures."""

    setting: Setting
    builds: tuple[BuildTime, ...]
    left_out: int
    usual_parts: int
    model: PrintTimeModel | None

    @property
    def more_needed(self) -> int:
        """Finished builds that are still missing before a time can be told."""
        return max(0, LEAST_BUILDS - len(self.builds))

    def estimate(self, *, layers: float, volume_ml: float) -> TimeEstimate:
        """A build of ``layers`` layers that cures ``volume_ml`` in all."""
        exposed = exposed_cm2(volume_ml, self.setting.layer_um)
        if self.model is None:
            n = len(self.builds)
            seen = "1 finished build" if n == 1 else f"{n} finished builds"
            why = f"Cannot tell yet: {seen} of {LEAST_BUILDS} needed, {self.more_needed} more."
            return TimeEstimate(None, None, n, self.more_needed, why)
        return predict_print_time(self.model, layers=layers, exposed_cm2=exposed)


def exposed_cm2(volume_ml: float, layer_um: float) -> float:
    """The sum of all layers' areas of a volume: volume over layer (1 ml is 1 cm3)."""
    return volume_ml / (layer_um / 10_000.0)


def build_histories(printer_id: int | None = None) -> list[BuildHistory]:
    """Every setting that finished a build, in a few queries."""
    builds = _finished(printer_id)
    volumes = part_volumes(part for build in builds for part in build.parts.all())
    gathered: dict[Setting, list[tuple[Build, BuildTime | None]]] = {}
    for build in builds:
        setting = Setting(
            build.printer_id, str(build.printer.equipment.name), build.profile_name, build.layer_um
        )
        gathered.setdefault(setting, []).append((build, _build_time(build, volumes)))
    return [_history(setting, rows) for setting, rows in sorted(gathered.items())]


def _finished(printer_id: int | None) -> list[Build]:
    builds = Build.objects.filter(
        state=BuildState.FINISHED, started_at__isnull=False, printer__equipment__retired_at__isnull=True
    )
    if printer_id is not None:
        builds = builds.filter(printer_id=printer_id)
    parts = Prefetch("parts", queryset=Part.objects.select_related("preparation"))
    return list(
        builds.select_related("printer__equipment")
        .prefetch_related(parts)
        .order_by("-started_at", "-pk")[:MOST_BUILDS]
    )


def part_volumes(parts: Iterable[Part]) -> dict[int, float]:
    """Volume in ml by mesh, of the files that parts were printed from; meshes without one are left out."""
    return volumes_of({_printed_from(part) for part in parts})


def _printed_from(part: Part) -> int:
    return part.preparation.prepared_id or part.preparation.design_id


def volumes_of(mesh_ids: Iterable[int]) -> dict[int, float]:
    """The volume that is cured, overlaps once, by the latest finished check of each mesh."""
    rows = (
        MeshCheck.objects.filter(mesh_id__in=set(mesh_ids), state=CheckState.DONE)
        .order_by("pk")
        .values_list("mesh_id", "figures__union_volume_ml", "figures__volume_ml")
    )
    found: dict[int, float] = {}
    for mesh_id, union, volume in rows:
        told = union if union is not None else volume
        if told is not None and float(told) > 0:
            found[mesh_id] = float(told)
    return found


def build_volume(parts: Sequence[Part], volumes: dict[int, float]) -> float | None:
    """Volume of a whole build in ml; None where a part's file has no figure."""
    own = [volumes.get(_printed_from(part)) for part in parts]
    known = [volume for volume in own if volume is not None]
    return sum(known) if known and len(known) == len(own) else None


def _build_time(build: Build, volumes: dict[int, float]) -> BuildTime | None:
    volume = build_volume(list(build.parts.all()), volumes)
    if volume is None or not build.layers or build.started_at is None or build.finished_at is None:
        return None
    minutes = (build.finished_at - build.started_at).total_seconds() / 60.0
    if minutes <= 0:
        return None
    return BuildTime(float(build.layers), exposed_cm2(volume, build.layer_um), minutes)


def _history(setting: Setting, rows: list[tuple[Build, BuildTime | None]]) -> BuildHistory:
    times = tuple(time for _, time in rows if time is not None)
    parts = [len(build.parts.all()) for build, _ in rows]
    return BuildHistory(
        setting=setting,
        builds=times,
        left_out=len(rows) - len(times),
        usual_parts=max(1, round(statistics.median(parts))),
        model=fit_print_time(times),
    )


@dataclass(frozen=True)
class MeshTime:
    """The time of one build of ``parts`` parts like the mesh, at one setting."""

    history: BuildHistory
    parts: int
    layers: int
    estimate: TimeEstimate


def mesh_times(figures: dict[str, Any], *, parts: int | None = None) -> list[MeshTime]:
    """At every setting that the lab uses. ``parts`` left out means the setting's usual number.

    Empty for a mesh without volume or height.
    """
    size = figures.get("size_mm")
    volume = figures.get("union_volume_ml") or figures.get("volume_ml")
    if not size or not volume or volume <= 0:
        return []
    in_service = set(Printer.objects.filter(equipment__retired_at__isnull=True).values_list("pk", flat=True))
    made = []
    for history in build_histories():
        if history.setting.printer_id not in in_service:
            continue
        number = parts or history.usual_parts
        layers = max(1, round(size[2] * 1000.0 / history.setting.layer_um))
        estimate = history.estimate(layers=layers, volume_ml=volume * number)
        made.append(MeshTime(history, number, layers, estimate))
    return made


def build_estimate(build: Build) -> tuple[TimeEstimate, int] | None:
    """The time of a planned or running build with the layers it will have; None where it cannot be asked,
    since a part's file has no figures yet."""
    parts = list(build.parts.select_related("preparation"))
    meshes = {_printed_from(part) for part in parts}
    volume = build_volume(parts, volumes_of(meshes))
    if volume is None:
        return None
    tallest = max(_heights_of(meshes), default=0.0)
    if tallest <= 0:
        return None
    layers = max(1, round(tallest * 1000.0 / build.layer_um))
    for history in build_histories(build.printer_id):
        if (history.setting.profile, history.setting.layer_um) == (build.profile_name, build.layer_um):
            return history.estimate(layers=layers, volume_ml=volume), layers
    none = BuildHistory(Setting(build.printer_id, "", build.profile_name, build.layer_um), (), 0, 1, None)
    return none.estimate(layers=layers, volume_ml=volume), layers


def _heights_of(mesh_ids: Iterable[int]) -> list[float]:
    rows = MeshCheck.objects.filter(mesh_id__in=set(mesh_ids), state=CheckState.DONE).values_list(
        "figures__size_mm", flat=True
    )
    return [float(size[2]) for size in rows if size]


def words_of(minutes: float) -> str:
    """Minutes as a person says them: ``2 h 05 min``."""
    whole = round(minutes)
    return f"{whole} min" if whole < 60 else f"{whole // 60} h {whole % 60:02d} min"
