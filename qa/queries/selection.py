"""What the manager's pages are narrowed to: several things together, of the factors that the rows carry.

Different factors are *and*, several levels of one factor *or*. In an address each level is one
``of=factor|level``; the canonical text is what keys and stored answers go by.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from django.conf import settings
from django.db.models import QuerySet, TextField
from django.db.models.fields.json import KeyTextTransform
from django.db.models.functions import Cast

from labtrack.errors import Refused
from qa.choices import COLUMN_AXES, STEP_AXIS, EvidenceUnit
from qa.models import EvidenceTally, FormedPieceRow, PrintAttempt
from qa.queries.published import counts

# Columns of both tables, in the order in which they are offered.
FACTORS = {
    "printer": "printer",
    "process": "printing process",
    "grade": "grade of machine",
    "material": "material",
    "lot": "resin lot",
    "colour": "colour",
    "translucency": "translucency",
    "tank": "tank",
    "profile": "exposure profile",
    "operator": "operator",
    "appliance_kind": "kind of appliance",
    "clinic": "clinic",
}
PIECE_FACTORS = {"forming_machine": "forming machine", "sheet": "sheet", "sheet_lot": "sheet lot"}
STANDING_AXES = ("printer", "material", "tank")
MOST_LEVELS = 40
LONGEST = 250  # of one factor and level in an address
LIST = "Choose one of the list, or everything."
PARAMETER = "of"


@dataclass(frozen=True)
class Standing:
    """One level of one axis that the tally keeps: the charts of all, or of one printer, resin, tank or
    status of a step alone."""

    axis: str = "all"
    level: str = ""

    @property
    def is_all(self) -> bool:
        return self.axis == "all"

    @property
    def selection(self) -> Selection:
        """The same as a selection."""
        return EVERYTHING if self.is_all else Selection.of([(self.axis, self.level)])


ALL = Standing()


@dataclass(frozen=True)
class Condition:
    """One factor at any of its ``levels``."""

    factor: str
    levels: tuple[str, ...]


@dataclass(frozen=True)
class Selection:
    """Rows that meet every condition; build it with ``of``, so that the same things are equal."""

    conditions: tuple[Condition, ...] = ()

    @staticmethod
    def of(pairs: Iterable[tuple[str, str]]) -> Selection:
        """The selection of (factor, level) pairs in any order."""
        levels: dict[str, set[str]] = {}
        for factor, level in pairs:
            levels.setdefault(factor, set()).add(level)
        return Selection(tuple(Condition(name, tuple(sorted(levels[name]))) for name in sorted(levels)))

    @staticmethod
    def from_text(text: str) -> Selection:
        """The selection whose ``text`` this is."""
        stored: list[tuple[str, list[str]]] = json.loads(text) if text else []
        return Selection.of((factor, level) for factor, levels in stored for level in levels)

    @property
    def is_all(self) -> bool:
        return not self.conditions

    @property
    def text(self) -> str:
        """The canonical text; empty for everything."""
        if self.is_all:
            return ""
        return json.dumps([[one.factor, list(one.levels)] for one in self.conditions])

    @property
    def pairs(self) -> list[tuple[str, str]]:
        return [(one.factor, level) for one in self.conditions for level in one.levels]

    @property
    def values(self) -> list[str]:
        """What ``of`` is in an address, once for each level."""
        return [f"{factor}|{level}" for factor, level in self.pairs]

    @property
    def query(self) -> str:
        """For a link; empty for everything."""
        return urlencode([(PARAMETER, value) for value in self.values])

    @property
    def standing(self) -> Standing | None:
        """The one level of a standing axis that this is, if it is no more; ``ALL`` for everything."""
        if self.is_all:
            return ALL
        if len(self.pairs) > 1:
            return None
        ((axis, level),) = self.pairs
        return Standing(axis, level) if is_standing(axis) else None


EVERYTHING = Selection()


def is_standing(axis: str) -> bool:
    """Whether pages are narrowed by the axis from the tally, without a worker."""
    return axis in STANDING_AXES or axis.startswith(STEP_AXIS)


def factors_of(unit: EvidenceUnit) -> dict[str, str]:
    """Factors that rows of the unit may be chosen by, with their words; steps come on top of them."""
    factors = FACTORS | (PIECE_FACTORS if unit == EvidenceUnit.PIECE else {})
    return {name: words for name, words in factors.items() if name != "operator" or settings.COMPARE_PEOPLE}


def model_of(unit: EvidenceUnit) -> type[PrintAttempt] | type[FormedPieceRow]:
    return PrintAttempt if unit == EvidenceUnit.PART else FormedPieceRow


def chosen(rows: QuerySet[Any], selection: Selection) -> QuerySet[Any]:
    """Those of the rows of either table that meet every condition."""
    for place, one in enumerate(selection.conditions):
        if one.factor.startswith(STEP_AXIS):
            status = Cast(KeyTextTransform(one.factor.removeprefix(STEP_AXIS), "steps"), TextField())
            rows = rows.alias(**{f"answer_{place}": status})
            rows = rows.filter(**{f"answer_{place}__in": one.levels})
        else:
            rows = rows.filter(**{f"{one.factor}__in": one.levels})
    return rows


def parse_selection(
    texts: Sequence[str], unit: EvidenceUnit, *, known: Mapping[str, Sequence[str]] | None = None
) -> Selection:
    """The selection of an address: ``factor|level`` each; empty texts are left out.

    ``known``: levels that need not be looked for. Raises ``Refused`` with a sentence for a factor that
    rows are not chosen by and for a level that no row has.
    """
    given = [text for text in texts if text]
    if len(given) > MOST_LEVELS:
        raise Refused("too-many-levels", f"At most {MOST_LEVELS} things are chosen together.", field="of")
    selection = Selection.of(_pair(text, unit) for text in given)
    for factor, level in selection.pairs:
        if level not in (known or {}).get(factor, ()) and not _is_recorded(unit, factor, level):
            raise Refused("unknown-level", f"{_none_has(unit, factor, level)} {LIST}", field="of")
    return selection


def _pair(text: str, unit: EvidenceUnit) -> tuple[str, str]:
    factor, _, level = text.partition("|")
    offered = factors_of(unit)
    is_step = factor.startswith(STEP_AXIS) and factor != STEP_AXIS
    if len(text) > LONGEST or "\0" in text or not level or not (factor in offered or is_step):
        raise Refused("unknown-factor", f"{_why_not(factor, offered)} {LIST}", field="of")
    return factor, level


def _why_not(factor: str, offered: Mapping[str, str]) -> str:
    if factor in PIECE_FACTORS and factor not in offered:
        return f"A {PIECE_FACTORS[factor]} is recorded of pieces, not of printed parts."
    if factor == "operator" and factor not in offered:
        return "People are not compared in this lab, so nothing is narrowed to one person."
    return f"Records are chosen by {', '.join(offered.values())} and answers of steps, one level each."


def _none_has(unit: EvidenceUnit, factor: str, level: str) -> str:
    thing = "part" if unit == EvidenceUnit.PART else "piece"
    if factor.startswith(STEP_AXIS):
        return f"No {thing} in the records has the answer “{level}” to “{factor.removeprefix(STEP_AXIS)}”."
    return f"No {thing} in the records has {factors_of(unit)[factor]} “{level}”."


def _is_recorded(unit: EvidenceUnit, factor: str, level: str) -> bool:
    """Whether any row has it, from the tally where it keeps the factor."""
    if factor in COLUMN_AXES or factor.startswith(STEP_AXIS):
        cells = EvidenceTally.objects.filter(counts(), unit=unit, axis=factor, level=level, parts__gt=0)
        if cells.exists():
            return True
    rows = model_of(unit).objects.filter(counts())
    return chosen(rows, Selection.of([(factor, level)])).exists()
