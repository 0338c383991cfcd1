"""The factors of a history: which columns may be causes, of what kind, and which levels compare.

Only what came before the outcome is a factor: never a deviation, a defect, or a step where something
was found. Groups: *equipment* (printer, tank, bath, lamp, machine and their ages), *material*,
*practice* (who, and what was done).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    import pandas as pd

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

EQUIPMENT, MATERIAL, PRACTICE = "equipment", "material", "practice"
GROUPS = (EQUIPMENT, MATERIAL, PRACTICE)
# In causal order: material and equipment, then who, then what was done and the ages.
COLUMNS: dict[str, str] = {
    "printer": EQUIPMENT,
    "process": EQUIPMENT,
    "tank": EQUIPMENT,
    "forming_machine": EQUIPMENT,
    "material": MATERIAL,
    "lot": MATERIAL,
    "colour": MATERIAL,
    "translucency": MATERIAL,
    "sheet": MATERIAL,
    "sheet_lot": MATERIAL,
    "operator": PRACTICE,
    "profile": PRACTICE,
    "layer_um": PRACTICE,
    "orientation": PRACTICE,
    "supports": PRACTICE,
    "hollow": PRACTICE,
    "resin_temp_c": PRACTICE,
    "model_age_days": PRACTICE,
    "formings": PRACTICE,
    "days_since_filter": EQUIPMENT,
    "builds_since_filter": EQUIPMENT,
    "layers_since_filter": EQUIPMENT,
    "ml_since_filter": EQUIPMENT,
    "bath_parts": EQUIPMENT,
    "lamp_hours": EQUIPMENT,
}
# Older is worse by what wear means, so the direction is not looked for in the data.
AGES = frozenset(
    (
        "days_since_filter", "builds_since_filter", "layers_since_filter", "ml_since_filter", "bath_parts",
        "lamp_hours", "model_age_days", "formings",
    )
)  # fmt: skip
NUMERIC = AGES | {"layer_um", "resin_temp_c"}
STEP = "step:"
FEWEST_PARTS = 10
FEWEST_BUILDS = 3
MOST_LEVELS = 30
FEW_VALUES = 5  # a numeric column with no more values than this is compared level by level
MISSING, RARE = -1, -2


@dataclass(frozen=True, slots=True)
class Factor:
    """One factor over n parts.

    Categorical: ``codes`` (n) index ``levels``; -1 not recorded, -2 a level too rare to compare.
    Numeric: ``values`` (n), not-a-number where not recorded, with ``low`` and ``high`` quartile.
    """

    name: str
    group: str
    levels: tuple[str, ...]
    codes: IntArray
    values: FloatArray
    low: float
    high: float

    @property
    def numeric(self) -> bool:
        return not self.levels

    @property
    def is_step(self) -> bool:
        return self.name.startswith(STEP)


@dataclass(frozen=True, slots=True)
class NotExamined:
    """A factor that could not be examined, and why in a sentence."""

    factor: str
    reason: str


def group_of(name: str) -> str:
    """The group of a factor: equipment, material or practice."""
    return PRACTICE if name.startswith(STEP) else COLUMNS[name]


def find_factors(frame: pd.DataFrame, build: IntArray) -> tuple[tuple[Factor, ...], tuple[NotExamined, ...]]:
    """The factors of ``frame`` that vary enough to be examined, in causal order, and those that do not.

    ``build``: the build code of each row.
    """
    names = [name for name in COLUMNS if name in frame.columns]
    names += sorted(str(name) for name in frame.columns if str(name).startswith(STEP))
    found: list[Factor] = []
    left: list[NotExamined] = []
    for name in names:
        made = _factor(name, frame[name], build)
        if isinstance(made, Factor):
            found.append(made)
        else:
            left.append(made)
    return tuple(found), tuple(left)


def _factor(name: str, column: Any, build: IntArray) -> Factor | NotExamined:
    import pandas as pd

    missing = column.isna().to_numpy(dtype=bool)
    if missing.all():
        return NotExamined(name, "never recorded")
    numeric = pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_bool_dtype(column)
    if not numeric or not (name in NUMERIC or name.startswith(STEP) or name == "orientation"):
        text = column.astype(object).where(~missing, None)
        if name.startswith(STEP) or name == "orientation":
            numbers = pd.to_numeric(text, errors="coerce")
            answers = text[~missing & numbers.isna().to_numpy()]
            if numbers.notna().any() and not answers.isin(["yes", "no"]).any() and answers.isin(["na"]).all():
                return _from_numbers(name, numbers.to_numpy(dtype=np.float64), build)
        return _categorical(name, text, missing, build)
    return _from_numbers(name, column.to_numpy(dtype=np.float64, na_value=np.nan), build)


def _from_numbers(name: str, values: FloatArray, build: IntArray) -> Factor | NotExamined:
    import pandas as pd

    values = np.where(np.isfinite(values), values, np.nan)
    known = values[np.isfinite(values)]
    if len(known) == 0:
        return NotExamined(name, "never recorded")
    distinct = np.unique(known)
    if len(distinct) <= FEW_VALUES and name not in AGES:
        text = pd.Series([None if np.isnan(value) else f"{value:g}" for value in values], dtype=object)
        return _categorical(name, text, np.isnan(values), build)
    low, high = (float(q) for q in np.quantile(known, [0.25, 0.75]))
    if low == high:
        low, high = float(distinct[0]), float(distinct[-1])
        if len(distinct) < 2 or min((known > low).sum(), (known < high).sum()) < FEWEST_PARTS:
            return NotExamined(name, f"the same for nearly every part ({np.median(known):g})")
    if len(known) < 2 * FEWEST_PARTS:
        return NotExamined(name, f"recorded for only {len(known)} parts")
    codes = np.where(np.isnan(values), MISSING, 0).astype(np.int64)
    return Factor(name, group_of(name), (), codes, values, low, high)


def _categorical(
    name: str, text: Any, missing: npt.NDArray[np.bool_], build: IntArray
) -> Factor | NotExamined:
    import pandas as pd

    raw, labels = pd.factorize(text.astype(object).where(~missing, None))
    counts = np.bincount(raw[raw >= 0], minlength=len(labels))
    if len(labels) < 2:
        return NotExamined(name, f"always '{labels[0]}'" if len(labels) else "never recorded")
    builds = np.array([len(np.unique(build[raw == level])) if count >= FEWEST_PARTS else 0
                       for level, count in enumerate(counts)])  # fmt: skip
    order = sorted(range(len(labels)), key=lambda level: (-counts[level], str(labels[level])))
    kept = [level for level in order if builds[level] >= min(FEWEST_BUILDS, len(np.unique(build)))][
        :MOST_LEVELS
    ]
    rest = int(counts.sum()) - max((int(counts[level]) for level in kept), default=0)
    if not kept or (len(kept) == 1 and rest < FEWEST_PARTS):
        return NotExamined(name, "too few parts at a second level to compare")
    table = np.full(len(labels) + 1, RARE)
    table[-1] = MISSING
    for code, level in enumerate(kept):
        table[level] = code
    levels = tuple(str(labels[level]) for level in kept)
    codes = table[raw].astype(np.int64)
    return Factor(name, group_of(name), levels, codes, np.full(len(codes), np.nan), np.nan, np.nan)
