"""Trends of a selection: the counts that a worker made of its rows, as the view charts are built from."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date
from typing import Any

from qa.choices import EvidenceUnit, Measure
from qa.queries.chart_events import events_in
from qa.queries.inspections import inspected_steps
from qa.queries.range import Range
from qa.queries.selection import Selection
from qa.queries.tally import Spread, Tally, TallyView, immature_of, weeks_of

# The order in which counts are kept: how many, and how many of them each measure counts.
MEASURES = tuple(Measure)


@dataclass(frozen=True)
class TrendsAsked:
    """What trends are narrowed to, over which days, and compared with which."""

    unit: EvidenceUnit
    days: Range
    than: Range
    selection: Selection

    @property
    def parameters(self) -> dict[str, str]:
        """As a job carries it."""
        return {
            "unit": self.unit.value,
            "start": self.days.start.isoformat(),
            "end": self.days.end.isoformat(),
            "than_start": self.than.start.isoformat(),
            "than_end": self.than.end.isoformat(),
            "selection": self.selection.text,
        }

    @staticmethod
    def of(parameters: dict[str, str]) -> TrendsAsked:
        """What ``parameters`` tell."""
        day = {name: date.fromisoformat(parameters[name]) for name in _DAYS}
        return TrendsAsked(
            EvidenceUnit(parameters["unit"]),
            Range(day["start"], day["end"]),
            Range(day["than_start"], day["than_end"]),
            Selection.from_text(parameters["selection"]),
        )


_DAYS = ("start", "end", "than_start", "than_end")


def narrowed_view(asked: TrendsAsked, measure: Measure, counts: dict[str, Any]) -> TallyView:
    """The view of what a worker counted; no baseline, since a frozen one is of everything."""
    bad = 1 + MEASURES.index(measure)
    levels: dict[str, dict[str, Tally]] = defaultdict(dict)
    for axis, level, *sums in counts["levels"]:
        levels[axis][level] = Tally(sums[0], sums[bad])
    by_day = tuple((date.fromisoformat(day), Tally(sums[0], sums[bad])) for day, *sums in counts["days"])
    return TallyView(
        unit=asked.unit,
        measure=measure,
        range=asked.days,
        levels=dict(levels),
        weeks=weeks_of(by_day),
        spread=Spread(*counts["spread"][measure.value]),
        immature=immature_of(asked.unit, asked.days, asked.selection),
        than=asked.than,
        earlier=Tally(counts["earlier"][0], counts["earlier"][bad]),
        events=events_in(asked.days),
        days=by_day,
        selection=asked.selection,
        looked_at=inspected_steps(),
    )
