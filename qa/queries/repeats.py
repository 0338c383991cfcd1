"""Trueness and precision of prints, by printer, material and place on the platform (ISO 5725)."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime

from django.db.models import Count, QuerySet

from production.models import Part
from qa.choices import CheckState
from qa.geometry.repeats import Repeats, repeats
from qa.models import CaliperValue, PrintAttempt, PrintComparison
from qa.queries.tally import Range

BIAS = "bias"
AXES = {
    "printer": "Printer",
    "material": "Material",
    "place": "Place on the platform",
    "printer-material": "Printer and material",
    "all": "Printer, material and place",
}
_ROWS = ("front", "middle", "back")
_COLUMNS = ("left", "centre", "right")


@dataclass(frozen=True)
class Figure:
    """One figure of one print. ``source`` is ``scan`` or ``caliper``."""

    part: Part
    value_mm: float
    source: str
    day: date


@dataclass(frozen=True)
class RepeatsAsked:
    """``figure`` is ``bias`` (mean deviation of the working surface) or the name of a distance."""

    figure: str
    axis: str
    days: Range


@dataclass(frozen=True)
class RepeatsFound:
    """``levels`` names the level of each part by id, for the records behind a group."""

    asked: RepeatsAsked
    figures: list[Figure]
    repeats: Repeats
    levels: dict[int, str]


def distance_names(days: Range) -> list[str]:
    """Names of distances that were measured on any print of the range, by scan or by caliper."""
    names = set(_calipers(days).values_list("name", flat=True).distinct())
    for row in _scans(days).exclude(landmarks=None).values_list("landmarks__content", flat=True).distinct():
        names.update(one["name"] for one in row["distances"])
    return sorted(names)


def usual_figure(days: Range) -> str:
    """The figure that most prints of the range were measured for."""
    counted = _calipers(days).values_list("name").annotate(prints=Count("measurement__part", distinct=True))
    name, prints = max(counted, key=lambda one: one[1], default=("", 0))
    scans = _scans(days).values("part").distinct().count()
    return str(name) if prints > scans else BIAS


def read_repeats(asked: RepeatsAsked) -> RepeatsFound:
    """One figure per print (the latest), grouped by what was asked for."""
    figures = _figures(asked)
    levels = _levels([one.part for one in figures], asked.axis)
    groups: Mapping[str, list[float]] = defaultdict(list)
    for one in figures:
        groups[levels[one.part.pk]].append(one.value_mm)
    ordered = {name: groups[name] for name in sorted(groups)}
    return RepeatsFound(asked, figures, repeats(ordered), levels)


def _scans(days: Range) -> QuerySet[PrintComparison]:
    return PrintComparison.objects.filter(
        state=CheckState.DONE,
        counts=True,
        occurred_at__date__range=(days.start, days.end),
    )


def _calipers(days: Range) -> QuerySet[CaliperValue]:
    return CaliperValue.objects.filter(measurement__occurred_at__date__range=(days.start, days.end))


def _figures(asked: RepeatsAsked) -> list[Figure]:
    """The latest figure of each part; a scan and a caliper of one part count once."""
    latest: dict[int, tuple[datetime, Figure]] = {}
    for at, figure in [*_scanned(asked), *_by_hand(asked)]:
        earlier = latest.get(figure.part.pk)
        if earlier is None or at > earlier[0]:
            latest[figure.part.pk] = (at, figure)
    return sorted((one for _, one in latest.values()), key=lambda one: (one.day, one.part.number))


def _scanned(asked: RepeatsAsked) -> Iterator[tuple[datetime, Figure]]:
    rows = _scans(asked.days).select_related("part").order_by("occurred_at", "pk")
    if asked.figure == BIAS:
        for row in rows:
            if row.mean_mm is not None:
                yield row.occurred_at, Figure(row.part, row.mean_mm, "scan", row.occurred_at.date())
        return
    for row in rows.exclude(landmarks=None).defer(None).defer("histogram"):
        for one in row.result.get("distances", []):
            if one["name"] == asked.figure and one["error_mm"] is not None:
                yield row.occurred_at, Figure(row.part, one["error_mm"], "scan", row.occurred_at.date())


def _by_hand(asked: RepeatsAsked) -> Iterator[tuple[datetime, Figure]]:
    if asked.figure == BIAS:
        return
    rows = _calipers(asked.days).filter(name=asked.figure).select_related("measurement__part")
    for row in rows.order_by("measurement__occurred_at", "pk"):
        at = row.measurement.occurred_at
        yield at, Figure(row.measurement.part, row.error_mm, "caliper", at.date())


def _levels(parts: list[Part], axis: str) -> dict[int, str]:
    rows = PrintAttempt.objects.filter(part__in=parts).select_related("part__build__printer")
    levels = {}
    for row in rows:
        facts = {
            "printer": row.printer or "not recorded",
            "material": row.material or "not recorded",
            "place": _place(row),
        }
        wanted = {"printer-material": ("printer", "material"), "all": ("printer", "material", "place")}
        names = wanted.get(axis, (axis,))
        levels[row.part_id or 0] = " · ".join(facts[name] for name in names)
    return {part.pk: levels.get(part.pk, "not recorded") for part in parts}


def _place(row: PrintAttempt) -> str:
    """Third of the platform, seen from the front; places are counted from its centre."""
    if row.platform_x_mm is None or row.platform_y_mm is None or row.part is None:
        return "place not recorded"
    printer = row.part.build.printer
    column = _third(row.platform_x_mm / float(printer.platform_x_mm))
    line = _third(row.platform_y_mm / float(printer.platform_y_mm))
    return f"{_ROWS[line]} {_COLUMNS[column]}"


def _third(share: float) -> int:
    """0, 1 or 2 for a place from -1/2 to 1/2 of a side."""
    return 0 if share < -1 / 6 else (1 if share <= 1 / 6 else 2)
