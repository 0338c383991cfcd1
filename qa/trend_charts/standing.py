"""What the charts over time may be narrowed to: levels that the tally keeps, each with its own counts."""

from __future__ import annotations

from typing import Any

from production.choices import NOT_RECORDED, NOT_RECORDED_LABEL, AnswerStatus
from qa.choices import STEP_AXIS
from qa.queries.tally import STANDING_AXES, Standing, TallyView
from qa.queries.trend_names import Names

EVERYTHING = ("", "Everything")
_APART = "The daily counts keep one thing at a time, not two together; Causes judges them together."
_SIDE_BY_SIDE = "It compares all of them, so it is of everything."
# Charts that one printer, material, tank or answer alone does not narrow, and why.
NOT_OF_ONE = {
    "tank-days": ("When does a tank go bad, by days?", _APART),
    "tank-builds": ("When does a tank go bad, by builds?", _APART),
    "steps": ("Which steps matter?", _APART),
    "printers": ("Do the printers differ?", _SIDE_BY_SIDE),
    "resins": ("Do the resins differ?", _SIDE_BY_SIDE),
    "origins": ("What goes wrong, and where does it come from?", _APART),
}
_HEADS = {"printer": "Printer", "material": "Material", "tank": "Tank"}
_STATUSES = {**dict(AnswerStatus.choices), NOT_RECORDED: NOT_RECORDED_LABEL}


def standing_choices(view: TallyView, names: Names) -> list[Any]:
    """Printers, materials, tanks and answers of steps within the range, and what is chosen."""
    choices: list[Any] = [EVERYTHING]
    for axis in STANDING_AXES:
        levels = sorted(set(view.axis(axis)) | ({view.only.level} if view.only.axis == axis else set()))
        if levels:
            choices.append((_HEADS[axis], [(f"{axis}|{level}", level) for level in levels]))
    steps = sorted(axis for axis in view.levels if axis.startswith(STEP_AXIS))
    answers = [(f"{axis}|{level}", standing_words(Standing(axis, level), names)) for axis in steps
               for level in sorted(view.axis(axis))]  # fmt: skip
    if answers:
        choices.append(("Step", answers))
    return choices


def standing_words(only: Standing, names: Names) -> str:
    """The chosen level in words; empty for everything."""
    if only.axis.startswith(STEP_AXIS):
        code = only.axis.removeprefix(STEP_AXIS)
        status = str(_STATUSES.get(only.level, only.level)).lower()
        return f"“{names.items.get(code, code)}”: {status}"
    return only.level
