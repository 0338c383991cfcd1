"""Teeth by their FDI numbers (ISO 3950), their names, and the numbers of the clinic's own notation."""

from __future__ import annotations

from dataclasses import dataclass

from cases.choices import Arch, ToothNotation

_NAMES = (
    "central incisor",
    "lateral incisor",
    "canine",
    "first premolar",
    "second premolar",
    "first molar",
    "second molar",
    "third molar",
)
_DECIDUOUS_NAMES = ("central incisor", "lateral incisor", "canine", "first molar", "second molar")
_QUADRANTS = {1: "upper right", 2: "upper left", 3: "lower left", 4: "lower right"}
_PALMER_SIDES = {1: "UR", 2: "UL", 3: "LL", 4: "LR"}
_DECIDUOUS_LETTERS = "ABCDE"


@dataclass(frozen=True)
class Tooth:
    """``fdi`` with its name; ``own`` is the same tooth in the clinic's notation, empty for FDI."""

    fdi: int
    name: str
    own: str

    @property
    def label(self) -> str:
        """For a sentence: 16 (upper right first molar), with the clinic's own number where it differs."""
        own = f", {self.own} to the clinic" if self.own else ""
        return f"{self.fdi} ({self.name}{own})"


def is_fdi(number: int) -> bool:
    """Whether ``number`` names a tooth of the permanent or the deciduous dentition."""
    quadrant, place = divmod(number, 10)
    return (1 <= quadrant <= 4 and 1 <= place <= 8) or (5 <= quadrant <= 8 and 1 <= place <= 5)


def tooth(number: int, notation: str = ToothNotation.FDI) -> Tooth:
    """The tooth of an FDI number; ValueError when there is none."""
    if not is_fdi(number):
        raise ValueError(f"{number} is no tooth after ISO 3950")
    quadrant, place = divmod(number, 10)
    if quadrant > 4:
        name = f"{_QUADRANTS[quadrant - 4]} deciduous {_DECIDUOUS_NAMES[place - 1]}"
    else:
        name = f"{_QUADRANTS[quadrant]} {_NAMES[place - 1]}"
    return Tooth(number, name, _own_number(quadrant, place, notation))


def _own_number(quadrant: int, place: int, notation: str) -> str:
    if notation == ToothNotation.UNIVERSAL:
        return _universal(quadrant, place)
    if notation == ToothNotation.PALMER:
        if quadrant > 4:
            return f"{_PALMER_SIDES[quadrant - 4]}{_DECIDUOUS_LETTERS[place - 1]}"
        return f"{_PALMER_SIDES[quadrant]}{place}"
    return ""


def _universal(quadrant: int, place: int) -> str:
    """Counted from the upper right third molar round to the lower right one; A to T for deciduous teeth."""
    if quadrant > 4:
        order = {5: 5 - place, 6: 4 + place, 7: 15 - place, 8: 14 + place}[quadrant]
        return "ABCDEFGHIJKLMNOPQRST"[order]
    return str({1: 9 - place, 2: 8 + place, 3: 25 - place, 4: 24 + place}[quadrant])


def chart_rows(notation: str = ToothNotation.FDI, arch: str = "") -> list[list[Tooth]]:
    """The teeth of each arch as they are seen from the front, the patient's right on the left."""
    rows = []
    if arch in ("", Arch.UPPER):
        rows.append([*range(18, 10, -1), *range(21, 29)])
    if arch in ("", Arch.LOWER):
        rows.append([*range(48, 40, -1), *range(31, 39)])
    return [[tooth(number, notation) for number in row] for row in rows]
