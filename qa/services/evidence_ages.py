"""Ages as they were when the work began, for many builds and runs at once, as evidence rows keep them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from production.models import Build, Material, TreatmentRun
from production.queries.ages import TankAge, TankRecord, bath_age, lamp_age, tank_age, tank_records

# Up to here a few small queries per build cost less than the whole past of its tank.
FEW_BUILDS = 3


@dataclass(frozen=True)
class BuildAges:
    """What was in the printer when a build started, and for how long. Ages are None without a tank, or
    where no filling or filtering was recorded before."""

    is_vat: bool
    material: Material | None
    lot: str
    days_since_filter: float | None = None
    builds_since_filter: int | None = None
    layers_since_filter: int | None = None
    ml_since_filter: float | None = None


def build_ages(builds: Iterable[Build]) -> dict[int, BuildAges]:
    """Ages of each build by its id."""
    all_builds = list(builds)
    with_tank = [build for build in all_builds if build.tank_id is not None]
    records: dict[int, TankRecord] = {}
    if len(with_tank) > FEW_BUILDS:
        records = tank_records(sorted({build.tank_id for build in with_tank if build.tank_id is not None}))
    return {build.pk: _ages(build, records) for build in all_builds}


def _ages(build: Build, records: dict[int, TankRecord]) -> BuildAges:
    if build.tank_id is None:
        lot = build.filament_lot
        return BuildAges(is_vat=False, material=lot.material if lot else None, lot=lot.number if lot else "")
    started = build.started_at or build.occurred_at
    record = records.get(build.tank_id)
    return _of_tank(record.age_at(started) if record else tank_age(build.tank_id, started))


def _of_tank(age: TankAge) -> BuildAges:
    # The resin topped up last decides: it is what the newest layers are made of.
    last = age.contents[-1] if age.contents else None
    use = age.since_filter
    known = use.since is not None
    return BuildAges(
        is_vat=True,
        material=last.material if last else None,
        lot="+".join(lot.number for lot in age.contents)[:60],
        days_since_filter=round(use.days, 4) if use.days is not None else None,
        builds_since_filter=use.builds if known else None,
        layers_since_filter=use.layers if known else None,
        ml_since_filter=use.ml if known else None,
    )


def bath_parts_at(runs: Iterable[TreatmentRun]) -> dict[int, int]:
    """Parts washed in the bath since it was filled, before each run."""
    found: dict[int, int] = {}
    for run in runs:
        if run.equipment_id is None:
            continue
        age = bath_age(run.equipment_id, run.started_at)
        if age.since is not None:
            found[run.pk] = age.parts
    return found


def lamp_hours_at(runs: Iterable[TreatmentRun]) -> dict[int, float]:
    """Hours of the lamp at the start of each run."""
    return {
        run.pk: lamp_age(run.equipment_id, run.started_at).hours
        for run in runs
        if run.equipment_id is not None
    }
