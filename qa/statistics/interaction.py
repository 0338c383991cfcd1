"""Equipment x practice: does a machine do as well as another when the work instruction is followed?

Two contrasts are judged from the same cells: the difference between machines *when followed*, and the
*interaction*: how much more it costs on one machine than on the others not to follow.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from qa.statistics.proportions import effective_size, wilson
from qa.statistics.results import Interval, Method, StatisticsError, Verdict

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

CELLS = Method(
    "Rates by cell; contrasts linearised and summed by build",
    "Cells: Wilson 1927; contrasts: Rao and Scott 1992, Biometrics 48:577-585",
)
FEWEST_IN_CELL = 10
FEWEST_BUILDS = 3


@dataclass(frozen=True, slots=True)
class Cell:
    """Parts made on ``equipment`` with the instruction followed or not."""

    equipment: str
    followed: bool
    n: int
    lost: int
    builds: int
    rate: float | None
    interval: Interval


@dataclass(frozen=True, slots=True)
class Gap:
    """A contrast of cells in parts per 100; ``None`` where cells are too thin to judge it."""

    equipment: str | None
    difference_per_100: float | None
    interval: Interval
    p: float
    verdict: Verdict
    sentence: str


@dataclass(frozen=True, slots=True)
class EquipmentPractice:
    """The cells and both contrasts; ``practice`` names the steps that "followed" looks at."""

    practice: str
    cells: tuple[Cell, ...]
    interaction: Gap
    when_followed: Gap
    n: int
    unrecorded: int
    method: Method = CELLS


def equipment_by_practice(
    equipment: npt.ArrayLike,
    followed: npt.ArrayLike,
    lost: npt.ArrayLike,
    build: npt.ArrayLike,
    *,
    practice: str = "every step",
    level: float = 0.95,
    alpha: float = 0.05,
) -> EquipmentPractice:
    """Compare machines by whether the instruction was followed.

    ``equipment`` names (n, empty or ``None`` where not recorded), ``followed`` (n: 1 yes, 0 no,
    not-a-number where not recorded), ``lost`` booleans, ``build`` names. A contrast is shown where
    its p, paid for the choice among machines, is at most ``alpha``.

    Raises :class:`StatisticsError`: ``lengths`` where the columns differ in number.
    """
    names = np.array([str(name) if name else "" for name in np.asarray(equipment, dtype=object)])
    kept = np.asarray(followed, dtype=np.float64)
    bad = np.asarray(lost, dtype=np.float64)
    builds = np.asarray(build)
    if not (names.shape == kept.shape == bad.shape == builds.shape):
        raise StatisticsError(
            "lengths", "Each part needs one machine, one answer, one outcome and one build."
        )
    known = np.isfinite(kept) & (names != "")
    codes = (
        np.unique(builds.astype(str), return_inverse=True)[1] if len(builds) else np.zeros(0, dtype=np.int64)
    )
    names, yes, bad, codes = names[known], kept[known] > 0.5, bad[known], codes[known]
    machines = sorted(np.unique(names).tolist())
    intraclass = _intraclass(bad, codes)
    cells = tuple(
        _cell(machine, state, bad, codes, (names == machine) & (yes == state), intraclass, level)
        for machine in machines
        for state in (True, False)
    )
    rows = _Rows(names, yes, bad, codes, level, alpha)
    return EquipmentPractice(
        practice, cells, _worst(rows, machines, interaction=True), _worst(rows, machines, interaction=False),
        int(known.sum()), int((~known).sum()),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Rows:
    machine: npt.NDArray[np.str_]
    followed: BoolArray
    lost: FloatArray
    build: npt.NDArray[np.int64]
    level: float
    alpha: float


def _intraclass(bad: FloatArray, codes: npt.NDArray[np.int64]) -> float:
    if len(bad) == 0:
        return 0.0
    dense = np.unique(codes, return_inverse=True)[1]
    return effective_size(np.bincount(dense, weights=bad), np.bincount(dense)).intraclass


def _cell(
    machine: str,
    followed: bool,  # noqa: FBT001  # a coordinate of the table, not a switch
    bad: FloatArray,
    codes: npt.NDArray[np.int64],
    at: BoolArray,
    intraclass: float,
    level: float,
) -> Cell:
    sizes = np.unique(codes[at], return_counts=True)[1].astype(np.float64)
    n = float(sizes.sum())
    effective = n / (1 + (float(np.square(sizes).sum()) / n - 1) * intraclass) if n else 0.0
    share = wilson(float(bad[at].sum()), n, level=level, n_effective=effective)
    return Cell(machine, followed, int(n), int(bad[at].sum()), len(sizes), share.rate, share.interval)


def _worst(rows: _Rows, machines: list[str], *, interaction: bool) -> Gap:
    """The contrast of the machine with the strongest one against the others."""
    found: list[tuple[float, str, float, float, float]] = []
    for machine in machines if len(machines) > 2 else machines[:2]:
        here = rows.machine == machine
        if interaction:
            terms = [(here & ~rows.followed, 1), (here & rows.followed, -1)]
            terms += [(~here & ~rows.followed, -1), (~here & rows.followed, 1)]
        else:
            terms = [(here & rows.followed, 1), (~here & rows.followed, -1)]
        if all(_thick(rows, at) for at, _ in terms):
            difference, error, degrees = _contrast(rows, terms)
            found.append((difference / error, machine, difference, error, degrees))
    what = "interaction" if interaction else "difference when followed"
    nothing = Interval(None, None, rows.level, CELLS.name)
    if not found:
        need = f"each cell needs {FEWEST_IN_CELL} parts from {FEWEST_BUILDS} builds"
        return Gap(None, None, nothing, 1.0, Verdict.UNKNOWN, f"Cannot tell the {what}: {need}.")
    score, machine, difference, error, degrees = max(found)
    # Choosing the worst of k machines uses up k one-sided tests.
    tries = max(2, len(found))
    p = min(1.0, tries * float(special.stdtr(degrees, -score)))
    quantile = float(special.stdtrit(degrees, 1 - (1 - rows.level) / tries))
    low, high = 100 * (difference - quantile * error), 100 * (difference + quantile * error)
    shown = p <= rows.alpha and low > 0 and min(rows.lost.sum(), len(rows.lost) - rows.lost.sum()) >= 5
    figures = f"{100 * difference:.1f} parts per 100 ({low:.1f} to {high:.1f})"
    if interaction:
        words = f"not following costs {figures} more on {machine} than on the others"
    else:
        words = f"{machine} loses {figures} more than the others when the instruction is followed"
    sentence = f"{words[0].upper()}{words[1:]}." if shown else f"Cannot tell yet whether {words}."
    interval = Interval(low, high, rows.level, CELLS.name)
    verdict = Verdict.SHOWN if shown else Verdict.UNKNOWN
    return Gap(machine, 100 * difference, interval, p, verdict, sentence)


def _thick(rows: _Rows, at: BoolArray) -> bool:
    return int(at.sum()) >= FEWEST_IN_CELL and len(np.unique(rows.build[at])) >= FEWEST_BUILDS


def _contrast(rows: _Rows, terms: list[tuple[BoolArray, int]]) -> tuple[float, float, float]:
    """Signed sum of cell rates, its standard error over builds, and the degrees of freedom."""
    count = int(rows.build.max()) + 1
    moved, total, plain = np.zeros(count), 0.0, 0.0
    smallest = math.inf
    for at, sign in terms:
        n = float(at.sum())
        rate = float(rows.lost[at].sum()) / n
        total += sign * rate
        moved += sign * np.bincount(rows.build[at], rows.lost[at] - rate, count) / n
        soft = (float(rows.lost[at].sum()) + 1) / (n + 2)  # never zero, so an empty cell is not certain
        plain += soft * (1 - soft) / n
        smallest = min(smallest, len(np.unique(rows.build[at])))
    involved = int((np.abs(moved) > 0).sum())
    grow = smallest / max(smallest - 1.0, 1.0)
    variance = max(float(np.square(moved).sum()) * grow**2, plain)
    return total, math.sqrt(variance), max(1.0, min(2.0 * smallest, float(involved)) - 1.0)
