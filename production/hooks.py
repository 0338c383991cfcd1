"""What upper apps may set off from the shop's records, show on its pages, and add to its trace.

Every hook fires inside the transaction of the change, after the rows are written. Handlers that keep
a copy of what they see use ``labtrack.usecase.before_commit`` so that ten changes cost one copy.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Generic, TypeVar

from labtrack.hooks import Hook, Panels
from production.models import Build, EquipmentEvent, Part, Piece, Preparation, TreatmentRun

Thing = TypeVar("Thing")

# A part's own record: made, outcome, a treatment, an answer about it. Its pieces may show it too.
part_changed: Hook[Part] = Hook("part changed")
# A piece's own record: made, outcome, a step, an answer, delivery, the clinic's fit answer.
piece_changed: Hook[Piece] = Hook("piece changed")
# A build was planned, started, ended, or answered about: it concerns every part in it. A build that is
# entered late also changes the ages of later builds in its tank.
build_changed: Hook[Build] = Hook("build changed")
# An event of a tank: it changes the ages of every build in that tank since the event's ``occurred_at``.
tank_changed: Hook[EquipmentEvent] = Hook("tank changed")
# An event of anything else, such as a bath filled or a lamp changed.
equipment_changed: Hook[EquipmentEvent] = Hook("equipment changed")
# A run of several parts through a step, after the parts' own hooks. One that is entered late changes the
# ages of the bath or lamp for later runs.
treatment_recorded: Hook[TreatmentRun] = Hook("treatment recorded")
preparation_made: Hook[Preparation] = Hook("preparation made")
# The pieces of one parcel are about to leave. Handlers raise ``Refused`` for a piece that may not.
leaving: Hook[list[Piece]] = Hook("pieces leaving")

# Panels take the page's Part, Piece or Build; those of the lab page and of the bench take None.
part_panels = Panels("part")
piece_panels = Panels("piece")
build_panels = Panels("build")
lab_panels = Panels("lab")
bench_panels = Panels("bench")


@dataclass(frozen=True)
class TraceEvent:
    """One line of a trace. ``direction`` is "upstream" (what went into the thing asked about),
    "downstream" (what came of it) or "own" (its own record)."""

    occurred_at: datetime
    what: str
    thing: str
    url: str
    direction: str
    detail: str = ""
    by: str = ""
    group: str = ""


class TraceSources(Generic[Thing]):
    """Callables of upper apps that add lines about given things, for example their inspections.

    A source takes the things and the direction to write on its lines.
    """

    def __init__(self, name: str) -> None:
        self.name = name
        self._sources: list[Callable[[Sequence[Thing], str], Iterable[TraceEvent]]] = []

    def add(self, source: Callable[[Sequence[Thing], str], Iterable[TraceEvent]]) -> None:
        """Add once, however often an app's ``ready`` runs."""
        if source not in self._sources:
            self._sources.append(source)

    def events(self, things: Sequence[Thing], direction: str) -> Iterator[TraceEvent]:
        if not things:
            return
        for source in self._sources:
            yield from source(things, direction)


part_trace_sources: TraceSources[Part] = TraceSources("part trace")
piece_trace_sources: TraceSources[Piece] = TraceSources("piece trace")
