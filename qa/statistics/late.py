"""Where do flaws slip through? Step of origin by step found, and the share found late.

A flaw is *found late* at an inspection point when it was there to be seen and was found only
afterwards.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from qa.statistics.proportions import WILSON, Proportion, effective_size, wilson
from qa.statistics.results import Method, Verdict, of_words

LATE = Method("Share of flaws that passed an inspection point", WILSON.source)
STEPS = (
    "storage",
    "material",
    "equipment",
    "order",
    "design",
    "prepare",
    "print",
    "drip",
    "wash",
    "dry",
    "remove supports",
    "cure",
    "inspect",
    "form",
    "trim",
    "finish",
    "disinfect",
    "pack",
    "deliver",
    "fit",
)
INSPECTION_POINTS = ("print", "inspect", "form", "trim", "finish")
NO_INSPECTION = ("deliver", "fit")  # what is found there is found by the clinic


@dataclass(frozen=True, slots=True)
class Flaw:
    """One flaw of one part: where it began and where it was found."""

    origin: str
    found: str
    build: str
    colour: str | None = None
    translucency: str | None = None


@dataclass(frozen=True, slots=True)
class LateShare:
    """Flaws late among those that could have been found: at a ``point``, or of a ``colour``."""

    name: str
    share: Proportion
    cost: float | None


@dataclass(frozen=True, slots=True)
class FoundLate:
    """Counts of flaws by (origin, found), and shares found late."""

    table: tuple[tuple[str, str, int], ...]
    by_point: tuple[LateShare, ...]
    by_colour: tuple[LateShare, ...]
    by_translucency: tuple[LateShare, ...]
    n: int
    left_out: int
    verdict: Verdict
    sentence: str
    method: Method = LATE


def inspection_points(looked_at: Iterable[str], found_at: Iterable[str]) -> tuple[str, ...]:
    """Steps, in working order, at which somebody looks: inspections are recorded there (``looked_at``), or
    a flaw was found there by the lab itself."""
    looks = {*looked_at, *found_at}
    return tuple(step for step in STEPS if step in looks and step not in NO_INSPECTION)


def passed_inspection(origin: str, found: str, points: Sequence[str]) -> bool:
    """Whether a flaw from step ``origin`` was there to be seen at one of ``points`` and was found only after.

    False where either step is not among ``STEPS``, or it was found before it began.
    """
    if origin not in STEPS or found not in STEPS:
        return False
    begun, seen = STEPS.index(origin), STEPS.index(found)
    return any(begun <= STEPS.index(point) < seen for point in points)


def found_late(
    flaws: Sequence[Flaw],
    *,
    steps: Sequence[str] = STEPS,
    points: Sequence[str] = INSPECTION_POINTS,
    cost_of_step: dict[str, float] | None = None,
    level: float = 0.95,
) -> FoundLate:
    """Shares found late per inspection point, per colour and per translucency.

    ``steps`` in working order; ``points`` are those of them where somebody looks. ``cost_of_step``:
    what a part has cost by that step beyond the step before; a late flaw costs the steps between the
    first point that could have found it and the one that did. Flaws with a step outside ``steps``, or
    found before they began, are left out and counted.

    Raises :class:`StatisticsError`: ``level`` for a confidence outside 0.5 to 1.
    """
    place = {step: index for index, step in enumerate(steps)}
    looks = sorted(place[point] for point in points if point in place)
    usable = [
        f for f in flaws if f.origin in place and f.found in place and place[f.origin] <= place[f.found]
    ]
    table: dict[tuple[str, str], int] = {}
    for flaw in usable:
        table[flaw.origin, flaw.found] = table.get((flaw.origin, flaw.found), 0) + 1
    cells = sorted(table.items(), key=lambda item: (place[item[0][0]], place[item[0][1]]))
    by_point = []
    for look in looks:
        exposed = [f for f in usable if place[f.origin] <= look <= place[f.found]]
        if exposed:
            passed = [place[f.found] > look for f in exposed]
            by_point.append(_share(steps[look], exposed, passed, place, looks, cost_of_step, level))
    late = {id(f): _first_look(f, place, looks) < place[f.found] for f in usable}
    colours = _by(usable, late, [f.colour for f in usable], place, looks, cost_of_step, level)
    clear = _by(usable, late, [f.translucency for f in usable], place, looks, cost_of_step, level)
    count = sum(late.values())
    verdict = Verdict.SHOWN if count else Verdict.UNKNOWN
    sentence = f"Found late: {of_words(count, len(usable), 'flaws')}."
    sentence = sentence if usable else "No flaw has both its steps recorded."
    return FoundLate(
        tuple((origin, found, n) for (origin, found), n in cells),
        tuple(by_point),
        colours,
        clear,
        len(usable),
        len(flaws) - len(usable),
        verdict,
        sentence,
    )


def _first_look(flaw: Flaw, place: dict[str, int], looks: list[int]) -> int:
    """The first inspection point at or after the flaw's origin; where it was found if there is none."""
    return next((look for look in looks if look >= place[flaw.origin]), place[flaw.found])


def _by(
    flaws: list[Flaw],
    late: dict[int, bool],
    names: list[str | None],
    place: dict[str, int],
    looks: list[int],
    costs: dict[str, float] | None,
    level: float,
) -> tuple[LateShare, ...]:
    result = []
    for name in sorted({name for name in names if name}):
        chosen = [flaw for flaw, its in zip(flaws, names, strict=True) if its == name]
        result.append(_share(name, chosen, [late[id(f)] for f in chosen], place, looks, costs, level))
    return tuple(sorted(result, key=lambda row: -(row.share.interval.low or 0.0)))


def _share(
    name: str,
    flaws: list[Flaw],
    late: list[bool],
    place: dict[str, int],
    looks: list[int],
    costs: dict[str, float] | None,
    level: float,
) -> LateShare:
    codes = np.unique([flaw.build for flaw in flaws], return_inverse=True)[1]
    size = effective_size(np.bincount(codes, weights=np.array(late, dtype=float)), np.bincount(codes))
    # A build with one flaw each gives no pairs to judge by; then each flaw counts.
    effective = size.n_effective if size.clusters > 1 else float(len(flaws))
    share = wilson(float(sum(late)), float(len(flaws)), level=level, n_effective=effective)
    cost = None
    if costs is not None:
        cost = sum(_extra(f, place, looks, costs) for f, is_late in zip(flaws, late, strict=True) if is_late)
    return LateShare(name, share, cost)


def _extra(flaw: Flaw, place: dict[str, int], looks: list[int], costs: dict[str, float]) -> float:
    first, found = _first_look(flaw, place, looks), place[flaw.found]
    return sum(cost for step, cost in costs.items() if step in place and first < place[step] <= found)
