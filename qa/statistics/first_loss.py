"""How many builds a tank lasts until its first contaminated part: spells between two filterings.

A spell is what one tank printed from one filtering to the next. It ends with the first build that lost
a part to contamination, or is censored by the filtering or by the end of the record. A spell whose first
builds are not in the record enters at the age at which recording began.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from qa.statistics.results import StatisticsError
from qa.statistics.survival import SurvivalCurve, survival_curve

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Spells:
    """``entry`` and ``duration`` in builds since filtering, and whether the spell ended in a loss."""

    entry: FloatArray
    duration: FloatArray
    event: npt.NDArray[np.bool_]


def tank_spells(
    tank: npt.ArrayLike,
    build: npt.ArrayLike,
    moment: npt.ArrayLike,
    age: npt.ArrayLike,
    lost: npt.ArrayLike,
) -> Spells:
    """Spells of builds of one tank, in order of ``moment``, while ``age`` (builds since filtering) grows.

    All arrays have one value a part: names of tank and build (empty where not known), a sortable moment,
    the age as the number of builds before this one (not-a-number where not recorded), and whether the part
    was lost to contamination. A build of age a lasts from a to a + 1.

    Raises :class:`StatisticsError`: ``lengths`` where the columns differ in number.
    """
    names, builds = np.asarray(tank).astype(str), np.asarray(build).astype(str)
    when, old = np.asarray(moment), np.asarray(age, dtype=np.float64)
    bad = np.asarray(lost, dtype=bool)
    if not (names.shape == builds.shape == when.shape == old.shape == bad.shape):
        raise StatisticsError("lengths", "Each part needs its tank, build, moment, age and outcome.")
    use = np.isfinite(old) & (names != "") & (old >= 0)
    names, builds, when, old, bad = names[use], builds[use], when[use], old[use], bad[use]
    if len(names) == 0:
        none = np.zeros(0)
        return Spells(none, none, none.astype(bool))
    code = np.unique(np.char.add(np.char.add(names, "\0"), builds), return_inverse=True)[1]
    first = np.unique(code, return_index=True)[1]
    any_bad = np.bincount(code, bad) > 0
    order = np.lexsort((old[first], when[first], names[first]))
    names, old, bad = names[first][order], np.floor(old[first][order]), any_bad[order]
    starts = np.concatenate(([True], (names[1:] != names[:-1]) | (old[1:] <= old[:-1])))
    begin = np.flatnonzero(starts)
    last = np.concatenate((begin[1:], [len(old)])) - 1
    at = np.where(bad, np.arange(len(old)), len(old))
    hit = np.minimum.reduceat(at, begin)
    event = hit < len(old)
    end = np.where(event, np.minimum(hit, len(old) - 1), last)
    return Spells(old[begin], old[end] + 1.0, event)


def builds_to_first_loss(spells: Spells) -> SurvivalCurve:
    """Kaplan-Meier curve over the spells; raises where there is none, or an age at which none was seen."""
    if len(spells.duration) == 0:
        raise StatisticsError("no_spells", "No build has its tank and its builds since filtering recorded.")
    return survival_curve(spells.duration, spells.event, entry=spells.entry, unit="builds")
