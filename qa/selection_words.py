"""What a page is narrowed to, in words, and what there is to choose from."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from production.choices import NOT_RECORDED, NOT_RECORDED_LABEL, AnswerStatus
from qa.choices import STEP_AXIS, EvidenceUnit
from qa.queries.selection import FACTORS, PIECE_FACTORS, Selection, factors_of
from qa.queries.trend_names import Names

_STATUSES = {**dict(AnswerStatus.choices), NOT_RECORDED: NOT_RECORDED_LABEL}
_WORDS = FACTORS | PIECE_FACTORS
Option = tuple[str, str]


@dataclass(frozen=True)
class Narrowing:
    """The filter of a page: ``chosen`` options, and groups of those that may be added."""

    chosen: list[Option]
    groups: list[tuple[str, list[Option]]]


def selection_words(selection: Selection, names: Names) -> str:
    """Every condition in words; empty for everything."""
    return " and ".join(_condition_words(one.factor, one.levels, names) for one in selection.conditions)


def narrowing(
    texts: Iterable[str], offered: Mapping[str, Iterable[str]], unit: EvidenceUnit, names: Names
) -> Narrowing:
    """The filter with ``texts`` chosen, whatever they are, and the ``offered`` levels by factor."""
    given = list(dict.fromkeys(text for text in texts if text))
    groups = [
        (words.capitalize(), _options(factor, offered[factor], given))
        for factor, words in factors_of(unit).items()
        if offered.get(factor)
    ]
    steps = sorted(factor for factor in offered if factor.startswith(STEP_AXIS))
    answers = [
        (value, _told(value, names)) for one in steps for value, _ in _options(one, offered[one], given)
    ]
    groups.append(("Step", answers))
    return Narrowing([(text, _told(text, names)) for text in given], [group for group in groups if group[1]])


def _options(factor: str, levels: Iterable[str], given: list[str]) -> list[Option]:
    found = [(f"{factor}|{level}", level) for level in sorted(set(levels))]
    return [option for option in found if option[0] not in given]


def _told(text: str, names: Names) -> str:
    factor, _, level = text.partition("|")
    return _condition_words(factor, (level,), names) if level else text


def _condition_words(factor: str, levels: tuple[str, ...], names: Names) -> str:
    if factor.startswith(STEP_AXIS):
        code = factor.removeprefix(STEP_AXIS)
        statuses = [str(_STATUSES.get(level, level)).lower() for level in levels]
        return f"“{names.items.get(code, code)}”: {' or '.join(statuses)}"
    return f"{_WORDS.get(factor, factor)} {' or '.join(levels)}"


def narrowing_of(form: Any, offered: Mapping[str, Iterable[str]], names: Names) -> Narrowing:
    """The filter of a form that has ``of`` and ``unit``, right or wrong."""
    unit = form.data["unit"]
    known = EvidenceUnit(unit) if unit in EvidenceUnit.values else EvidenceUnit.PART
    return narrowing(form.data["of"], offered, known, names)
