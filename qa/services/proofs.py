"""The morning's check block of a printer, measured by caliper."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime

from django.utils import timezone

from cases.moments import settled_moment
from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.services.record import record_all_created, record_created
from labtrack.audit.services.submissions import Outcome, once
from labtrack.errors import Refused
from production.models import Equipment, Printer
from qa.choices import Side
from qa.models import MorningProof, ProofValue
from qa.services.judging import judged, length, terms_at, worst_of

LIMIT = "check_block_error_max"


@dataclass(frozen=True)
class SideLength:
    """One side of the block: what it should be and what it is, mm, as given."""

    side: str
    nominal_mm: object
    measured_mm: object


def prove_printer(
    *,
    actor: Actor,
    key: str,
    printer: Printer,
    sides: Sequence[SideLength],
    device: Equipment | None = None,
    occurred_at: datetime | None = None,
    note: str = "",
) -> Outcome[MorningProof]:
    """Record and judge one check block. A day may have several; the latest before a build covers it."""
    actor.require(Capability.SHOP_WRITE)
    at = settled_moment(occurred_at)
    if not sides:
        raise Refused("nothing-measured", "Enter at least one side of the block.", field="sides")
    if len({one.side for one in sides}) != len(sides) or any(one.side not in Side.values for one in sides):
        raise Refused("side-unknown", "A block has the sides x, y and z, each once.", field="sides")
    terms = terms_at(LIMIT, device, at)
    lengths = [
        (
            one.side,
            length(one.nominal_mm, f"Nominal {one.side}", field=f"nominal_{one.side}"),
            length(one.measured_mm, f"Measured {one.side}", field=f"measured_{one.side}"),
        )
        for one in sides
    ]
    found = {
        side: judged(f"side {side}", measured, float(nominal), terms) for side, nominal, measured in lengths
    }

    def make() -> MorningProof:
        proof = MorningProof.objects.create(
            printer=printer,
            device=device,
            **terms.columns(),
            day=timezone.localdate(at),
            verdict=worst_of(list(found.values())),
            note=note.strip()[:200],
            occurred_at=at,
            by=actor.user,
        )
        values = ProofValue.objects.bulk_create(
            ProofValue(
                proof=proof,
                side=side,
                nominal_mm=nominal,
                measured_mm=measured,
                **asdict(found[side]),
            )
            for side, nominal, measured in lengths
        )
        record_created(actor=actor, action="proof.measured", subject=proof)
        record_all_created(actor=actor, action="proof.value", subjects=values)
        return proof

    payload = {
        "printer": printer.pk,
        "device": device.code if device else None,
        "sides": [[side, str(nominal), str(measured)] for side, nominal, measured in lengths],
        "occurred_at": occurred_at,
    }
    return once(
        actor=actor, key=key, use_case="prove-printer", payload=payload, model=MorningProof, make=make
    )
