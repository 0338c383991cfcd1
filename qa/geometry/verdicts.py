"""Verdicts and the rows that carry them."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal

from qa.geometry.limits import Limit

Verdict = Literal["pass", "review", "fail", "unknown"]
_RANK: dict[Verdict, int] = {"pass": 0, "review": 1, "unknown": 2, "fail": 3}


@dataclass(frozen=True)
class Check:
    """One judged figure: its value and unit, the limit it was held against, and what to do."""

    name: str
    verdict: Verdict
    value: float | None
    unit: str
    limit: Limit | None
    sentence: str

    def as_json(self) -> dict[str, Any]:
        """A JSON-ready row; numbers that are not finite become null."""
        return {
            "name": self.name,
            "verdict": self.verdict,
            "value": jsonable(self.value),
            "unit": self.unit,
            "limit": self.limit.as_json() if self.limit else None,
            "sentence": self.sentence,
        }


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """The one that decides: fail before unknown before review before pass."""
    return max(verdicts, key=lambda verdict: _RANK[verdict], default="pass")


def jsonable(value: Any) -> Any:
    """``value`` in plain JSON types: arrays become lists, numbers that are not finite null."""
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, dict):
        return {str(key): jsonable(each) for key, each in value.items()}
    if hasattr(value, "tolist"):
        return jsonable(value.tolist())
    if isinstance(value, list | tuple):
        return [jsonable(each) for each in value]
    if isinstance(value, int):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    raise TypeError(f"{type(value).__name__} has no place in figures")
