"""Ages as they were when a build began, for many builds at once, as evidence rows keep them."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from labtrack.statements import Statement
from production.queries.ages import TankAge, TankRecord, tank_age, tank_records
from qa.models import PrintAttempt
from qa.services.evidence_reads import PartRecord

# Up to here a few small queries per build cost less than the whole past of its tank.
FEW_BUILDS = 3


@dataclass(frozen=True)
class BuildAges:
    """What was in the printer when a build started, and for how long. Ages are None without a tank, or
    where no filling or filtering was recorded before."""

    material: str = ""
    lot: str = ""
    colour: str = ""
    translucency: str = ""
    days_since_filter: float | None = None
    builds_since_filter: int | None = None
    layers_since_filter: int | None = None
    ml_since_filter: float | None = None


_STORED = Statement(
    lambda ids: (
        PrintAttempt.objects.filter(part_id__in=ids)
        .order_by()
        .values_list("part_id", *BuildAges.__dataclass_fields__)
    )
)


def build_ages(parts: Sequence[PartRecord], aged: Collection[int]) -> dict[int, BuildAges]:
    """Ages of each part's build, by the build's id.

    Ages change only where the past of a tank does. So parts that have a row and are not among ``aged`` say
    what their build's ages are; the rest are derived from the records.
    """
    build_of = {part.pk: part.build_id for part in parts}
    stale = {build_of[pk] for pk in aged if pk in build_of}
    known = {
        build_of[pk]: BuildAges(*values)
        for pk, *values in _STORED.rows(build_of)
        if build_of[pk] not in stale
    }
    missing = {part.build_id: part for part in parts if part.build_id not in known}
    return known | _derived(list(missing.values()))


def _derived(parts: Sequence[PartRecord]) -> dict[int, BuildAges]:
    with_tank = [part.tank_id for part in parts if part.tank_id is not None]
    records: dict[int, TankRecord] = {}
    if len(with_tank) > FEW_BUILDS:
        records = tank_records(sorted(set(with_tank)))
    return {part.build_id: _ages(part, records) for part in parts}


def _ages(part: PartRecord, records: dict[int, TankRecord]) -> BuildAges:
    if part.tank_id is None:
        return BuildAges(
            part.filament or "",
            part.filament_lot or "",
            part.filament_colour or "",
            part.filament_translucency or "",
        )
    record = records.get(part.tank_id)
    return _of_tank(record.age_at(part.started_at) if record else tank_age(part.tank_id, part.started_at))


def _of_tank(age: TankAge) -> BuildAges:
    # The resin topped up last decides: it is what the newest layers are made of.
    last = age.contents[-1].material if age.contents else None
    use = age.since_filter
    known = use.since is not None
    return BuildAges(
        material=last.name if last else "",
        lot="+".join(lot.number for lot in age.contents)[:60],
        colour=last.colour if last else "",
        translucency=last.translucency if last else "",
        days_since_filter=round(use.days, 4) if use.days is not None else None,
        builds_since_filter=use.builds if known else None,
        layers_since_filter=use.layers if known else None,
        ml_since_filter=use.ml if known else None,
    )
