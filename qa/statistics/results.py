"""The words and small records that every figure of the evidence engine is made of.

A figure without its count, its interval and its method is not a figure here: :class:`Interval` and
:class:`Method` travel with every estimate, and :class:`Verdict` has a word for "the data cannot tell".
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

HOPELESS = 10_000  # no lab waits for so many more


class StatisticsError(Exception):
    """A refusal with a stable code for programs and a sentence for a person."""

    def __init__(self, code: str, sentence: str) -> None:
        super().__init__(sentence)
        self.code = code
        self.sentence = sentence


class Verdict(StrEnum):
    """What the data allow us to say. ``UNKNOWN`` is shown as "cannot tell yet"."""

    SHOWN = "shown"
    UNKNOWN = "unknown"
    EQUIVALENT = "equivalent"
    NOT_WORSE = "not worse"
    DIFFERENT = "different"
    WORSE = "worse"
    WORKED = "worked"
    DID_NOT = "did not"
    CAPABLE = "capable"
    NOT_CAPABLE = "not capable"
    GOOD = "good"
    CONDITIONAL = "conditional"
    POOR = "poor"


@dataclass(frozen=True, slots=True)
class Method:
    """How a figure was made: the method's name and where it is published."""

    name: str
    source: str


@dataclass(frozen=True, slots=True)
class Interval:
    """``low`` to ``high`` at confidence ``level``; an end is ``None`` where the data set no bound."""

    low: float | None
    high: float | None
    level: float
    method: str

    def __post_init__(self) -> None:
        for end in (self.low, self.high):
            if end is not None and not math.isfinite(end):
                raise StatisticsError("interval_not_finite", "An interval must have finite ends or none.")

    def contains(self, value: float) -> bool:
        """Whether ``value`` lies inside; an open end bounds nothing."""
        return (self.low is None or self.low <= value) and (self.high is None or value <= self.high)

    def scaled(self, factor: float) -> Interval:
        """The interval of ``factor`` (>= 0) times the figure."""
        low = None if self.low is None else self.low * factor
        high = None if self.high is None else self.high * factor
        return Interval(low, high, self.level, self.method)

    def as_json(self, digits: int = 4) -> list[float | None]:
        """``[low, high]`` rounded, for the evidence report."""
        return [rounded(self.low, digits), rounded(self.high, digits)]


def rounded(value: float | None, digits: int = 4) -> float | None:
    """``value`` rounded for a report; ``None`` stays, and what is not finite becomes ``None``."""
    if value is None or not math.isfinite(value):
        return None
    result = round(float(value), digits)
    return result + 0.0  # turns -0.0 into 0.0


def finite_or_none(value: float) -> float | None:
    """``value`` as a plain float, or ``None`` where it is not finite."""
    return float(value) if math.isfinite(value) else None


def count_words(n: float, things: str) -> str:
    """``n`` with what is counted, which is given in the plural: "1 part", "12 parts"."""
    return f"{n:.12g} {things.removesuffix('s') if n == 1 else things}"


def of_words(count: float, n: float, things: str) -> str:
    """Some of all: "1 of 1 part", "3 of 12 parts"."""
    return f"{count:.12g} of {count_words(n, things)}"


def more_words(needed: int, things: str) -> str:
    """How many more of ``things`` it takes, as precisely as such a forecast is: two figures, rounded up.

    Beyond ``HOPELESS`` the number itself says nothing any more.
    """
    if needed > HOPELESS:
        return f"more than {HOPELESS:,} more {things}"
    step = 10 ** max(0, len(str(max(1, needed))) - 2)
    return f"about {-(-needed // step) * step:,} more {things}"


def check_level(level: float) -> None:
    """Raise unless ``level`` is a confidence strictly between a half and one."""
    if not 0.5 < level < 1.0:
        raise StatisticsError("level", "A confidence level lies between 0.5 and 1, such as 0.95.")
