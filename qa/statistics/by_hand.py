"""A suspected cause as a manager can recompute it by hand: two rates, their difference, and by stratum.

Nothing is adjusted here. What the adjusted figure of :mod:`qa.statistics.causes` makes of the same parts
can be held against it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from qa.statistics.causes import Contrast, Loss, sides_of
from qa.statistics.proportions import (
    Difference,
    EffectiveSize,
    Proportion,
    Stratified,
    effective_sizes,
    fisher_mid_p,
    mantel_haenszel,
    newcombe,
    wilson,
)
from qa.statistics.results import Method

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

MID_P = Method(
    "Fisher's mid-p", "Lancaster 1961, JASA 56:223-234; Hwang and Yang 2001, Statistica Sinica 11:807-826"
)
DISAGREE_P = 0.05


@dataclass(frozen=True, slots=True)
class Strata:
    """What parts are compared within: the ``factor``'s name, ``names`` of its levels, and ``codes`` (n)
    into them, -1 where not recorded."""

    factor: str
    names: tuple[str, ...]
    codes: IntArray


@dataclass(frozen=True, slots=True)
class Stratum:
    """Parts of one stratum that has both: lost and n at the level and at the reference."""

    name: str
    lost_level: int
    n_level: int
    lost_reference: int
    n_reference: int


@dataclass(frozen=True, slots=True)
class Within:
    """The comparison within strata. ``telling`` have parts on both sides; ``silent`` counts those with
    parts on one side alone, ``unplaced`` the parts of no recorded stratum. ``pooled`` is ``None`` where
    no stratum tells."""

    factor: str
    telling: tuple[Stratum, ...]
    silent: int
    unplaced: int
    pooled: Stratified | None

    @property
    def disagree(self) -> bool:
        """Whether the strata's odds ratios differ by more than chance makes them."""
        p = None if self.pooled is None else self.pooled.tarone_p
        return p is not None and p < DISAGREE_P


@dataclass(frozen=True, slots=True)
class ByHand:
    """A factor's two sides as they are, with their difference and the same within strata.

    ``left_out``: parts on neither side, of which ``unrecorded`` have nothing recorded. ``design_effect``
    is of the difference: what parts that share builds take from it, which the mid-p does not know of.
    """

    factor: str
    level: Proportion
    reference: Proportion
    left_out: int
    unrecorded: int
    difference: Difference
    mid_p: float
    design_effect: float
    within: Within | None


def by_hand(contrast: Contrast, loss: Loss, strata: Strata | None, *, level: float = 0.95) -> ByHand | None:
    """The plain comparison of one contrast; ``None`` where a side has no parts.

    ``strata``: what to compare within; ``None`` where that is not recorded.

    Raises :class:`StatisticsError`: ``level`` for a confidence outside 0.5 to 1.
    """
    at, rest = sides_of(contrast)
    n_at, n_rest = int(at.sum()), int(rest.sum())
    if not n_at or not n_rest:
        return None
    sizes = _sizes(loss, at, rest)
    lost_at, lost_rest = (int(loss.lost[side].sum()) for side in (at, rest))
    shares = [
        wilson(lost, n, level=level, n_effective=size.n_effective)
        for lost, n, size in zip((lost_at, lost_rest), (n_at, n_rest), sizes, strict=True)
    ]
    effect = _design_effect(*sizes)
    return ByHand(
        factor=contrast.factor.name,
        level=shares[0],
        reference=shares[1],
        left_out=loss.n - n_at - n_rest,
        unrecorded=int((contrast.unrecorded[~at & ~rest] > 0).sum()),
        difference=newcombe(
            lost_at, n_at, lost_rest, n_rest, level=level,
            n_effective_a=sizes[0].n_effective, n_effective_b=sizes[1].n_effective,
        ),
        mid_p=fisher_mid_p([[lost_at, n_at - lost_at], [lost_rest, n_rest - lost_rest]]),
        design_effect=effect,
        within=None if strata is None else _within(loss, at, rest, strata, effect, level),
    )  # fmt: skip


def _sizes(loss: Loss, at: BoolArray, rest: BoolArray) -> tuple[EffectiveSize, EffectiveSize]:
    """Effective n of both sides; a build with parts on both counts on each."""
    builds = int(loss.build.max()) + 1
    lost, n = (
        np.concatenate([np.bincount(loss.build[side], weight[side], builds) for side in (at, rest)])
        for weight in (loss.lost, np.ones(loss.n))
    )
    return effective_sizes(lost, n, np.repeat((0, 1), builds))


def _design_effect(at: EffectiveSize, rest: EffectiveSize) -> float:
    """By what factor sharing builds widens the difference's variance where both rates are alike."""
    return (1 / at.n_effective + 1 / rest.n_effective) / (1 / at.n + 1 / rest.n)


def _within(
    loss: Loss, at: BoolArray, rest: BoolArray, strata: Strata, design_effect: float, level: float
) -> Within:
    counts = {}
    for name, side in (("level", at), ("reference", rest)):
        placed = side & (strata.codes >= 0)
        codes = strata.codes[placed]
        counts[name] = (
            np.bincount(codes, loss.lost[placed], len(strata.names)).astype(np.int64),
            np.bincount(codes, minlength=len(strata.names)),
        )
    (lost_at, n_at), (lost_rest, n_rest) = counts["level"], counts["reference"]
    both = np.flatnonzero((n_at > 0) & (n_rest > 0))
    telling = tuple(
        Stratum(strata.names[i], int(lost_at[i]), int(n_at[i]), int(lost_rest[i]), int(n_rest[i]))
        for i in both
    )
    tables = [
        [[s.lost_level, s.n_level - s.lost_level], [s.lost_reference, s.n_reference - s.lost_reference]]
        for s in telling
    ]
    return Within(
        factor=strata.factor,
        telling=telling,
        silent=int(((n_at > 0) ^ (n_rest > 0)).sum()),
        unplaced=int(((at | rest) & (strata.codes < 0)).sum()),
        pooled=mantel_haenszel(tables, level=level, design_effect=design_effect) if tables else None,
    )
