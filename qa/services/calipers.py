"""Named distances of a part, measured by hand at the places marked on its design."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from datetime import datetime

from cases.moments import settled_moment
from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.services.record import record_all_created, record_created
from labtrack.audit.services.submissions import Outcome, once
from labtrack.errors import Refused
from production.models import Equipment, Part
from qa.models import CaliperMeasurement, CaliperValue
from qa.services.judging import judged, length, terms_at, worst_of
from qa.services.landmarks import sheet_in_force

LIMIT = "print_distance_error_max"


def measure_by_caliper(
    *,
    actor: Actor,
    key: str,
    part: Part,
    measured: Mapping[str, object],
    device: Equipment | None = None,
    occurred_at: datetime | None = None,
    note: str = "",
) -> Outcome[CaliperMeasurement]:
    """Record and judge lengths by their distances' names, in mm; names left out were not measured.

    Raises ``Refused`` when the part's design has no such distance, or none at all.
    """
    actor.require(Capability.INSPECT)
    at = settled_moment(occurred_at)
    sheet = sheet_in_force(part.preparation.design)
    planned = {one["name"]: one["design_mm"] for one in sheet.content["distances"]} if sheet else {}
    if sheet is None or not planned:
        raise Refused(
            "no-distances",
            f"No distance is named on the design of {part.mark}. Mark its landmarks and distances first.",
        )
    unknown = [name for name in measured if name not in planned]
    if unknown:
        raise Refused(
            "distance-unknown",
            f"The design has no distance “{unknown[0][:60]}”. It has: {', '.join(planned)}.",
            field="values",
        )
    lengths = {name: length(value, name, field="values") for name, value in measured.items()}
    if not lengths:
        raise Refused("nothing-measured", "Enter at least one length.", field="values")
    terms = terms_at(LIMIT, device, at)
    found = {name: judged(name, value, planned[name], terms) for name, value in lengths.items()}

    def make() -> CaliperMeasurement:
        row = CaliperMeasurement.objects.create(
            part=part,
            landmarks=sheet,
            device=device,
            **terms.columns(),
            verdict=worst_of(list(found.values())),
            note=note.strip()[:200],
            occurred_at=at,
            by=actor.user,
        )
        values = CaliperValue.objects.bulk_create(
            CaliperValue(
                measurement=row,
                name=name,
                design_mm=planned[name],
                measured_mm=value,
                **asdict(found[name]),
            )
            for name, value in lengths.items()
        )
        record_created(actor=actor, action="caliper.measured", subject=row)
        record_all_created(actor=actor, action="caliper.value", subjects=values)
        return row

    payload = {
        "part": part.number,
        "device": device.code if device else None,
        "values": {name: str(value) for name, value in lengths.items()},
        "occurred_at": occurred_at,
    }
    return once(
        actor=actor,
        key=key,
        use_case="measure-by-caliper",
        payload=payload,
        model=CaliperMeasurement,
        make=make,
    )
