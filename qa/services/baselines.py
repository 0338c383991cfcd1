"""Freezing the baseline of a chart, and letting it go."""

from __future__ import annotations

from datetime import date

from django.utils import timezone

from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.services.record import record_created, save_recorded
from labtrack.audit.services.submissions import Outcome, once
from labtrack.errors import NotFound, Refused
from labtrack.usecase import use_case
from qa.choices import EvidenceUnit, Measure
from qa.models import FrozenBaseline
from qa.queries.tally import Range, read_weeks

FEWEST_WEEKS = 4


def freeze_baseline(
    *, actor: Actor, key: str, unit: str, measure: str, start: date, end: date, note: str
) -> Outcome[FrozenBaseline]:
    """Hold the chart against these days from now on; the one in force before is let go."""
    actor.require(Capability.IMPROVE)
    if not note.strip():
        raise Refused("note-missing", "Say why these days are the ones to compare with.", field="note")
    if end < start:
        raise Refused("range", "The range ends before it starts.", field="end")
    weeks = read_weeks(unit=EvidenceUnit(unit), measure=Measure(measure), days=Range(start, end))
    if len(weeks) < FEWEST_WEEKS:
        raise Refused(
            "baseline-short",
            f"A baseline needs {FEWEST_WEEKS} weeks with settled outcomes; these days have {len(weeks)}.",
            field="start",
        )

    def make() -> FrozenBaseline:
        for old in FrozenBaseline.objects.filter(unit=unit, measure=measure, ended_at__isnull=True):
            _end(actor, old)
        baseline = FrozenBaseline.objects.create(
            unit=unit, measure=measure, start=start, end=end, note=note.strip()[:200], frozen_by=actor.user
        )
        record_created(actor=actor, action="baseline.freeze", subject=baseline)
        return baseline

    return once(
        actor=actor,
        key=key,
        use_case="freeze-baseline",
        payload=[unit, measure, start, end, note],
        model=FrozenBaseline,
        make=make,
    )


def end_baseline(*, actor: Actor, baseline_id: int) -> FrozenBaseline:
    """Let a baseline go; its chart is held against its own weeks again."""
    actor.require(Capability.IMPROVE)
    with use_case():
        baseline = FrozenBaseline.objects.select_for_update().filter(pk=baseline_id).first()
        if baseline is None:
            raise NotFound("There is no such baseline.")
        if baseline.ended_at is None:
            _end(actor, baseline)
        return baseline


def _end(actor: Actor, baseline: FrozenBaseline) -> None:
    save_recorded(
        actor=actor,
        action="baseline.end",
        subject=baseline,
        changes={"ended_at": timezone.now(), "ended_by": actor.user},
    )
