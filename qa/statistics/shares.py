"""Practice, equipment or material? The explained loss shared among the three, with its doubt.

The explained loss of a set of factors is what they take from the residual variation of a weighted
linear model of the loss; each group's share is its Shapley value, the mean of what it adds over every
order in which the groups may enter. Builds are resampled for the interval.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from qa.statistics.causes import Contrast, Loss
from qa.statistics.factors import GROUPS
from qa.statistics.results import Interval, Method, Verdict

FloatArray = npt.NDArray[np.float64]

SHAPLEY = Method(
    "Shapley shares of the explained loss, builds resampled",
    "Shapley 1953; Lindeman, Merenda and Gold 1980; Groemping 2007, Am Stat 61:139-147",
)
CHUNK = 4096


@dataclass(frozen=True, slots=True)
class Share:
    """One group's share of the explained loss, 0 to 1."""

    group: str
    share: float | None
    interval: Interval


@dataclass(frozen=True, slots=True)
class Split:
    """The three shares; ``leading`` is the group shown to hold the largest, if any is."""

    shares: tuple[Share, ...]
    leading: str | None
    verdict: Verdict
    n: int
    sentence: str
    method: Method = SHAPLEY


def split_loss(
    loss: Loss,
    contrasts: list[Contrast],
    *,
    claim: bool,
    spans_groups: bool = False,
    resamples: int = 200,
    seed: int = 1,
    level: float = 0.95,
) -> Split:
    """Share the loss explained by ``contrasts`` among equipment, material and practice.

    ``contrasts``: one of each alias group. ``claim``: whether any cause is shown, without which
    there is nothing to share. ``spans_groups``: a shown cause cannot be told apart from one of another
    group, so that no group can be said to lead.
    """
    empty = Interval(None, None, level, SHAPLEY.name)
    if not contrasts or not claim or not 0 < loss.total < loss.n:
        none = tuple(Share(group, None, empty) for group in GROUPS)
        sentence = "No cause is shown, so there is no explained loss to share."
        return Split(none, None, Verdict.UNKNOWN, loss.n, sentence)
    gram = _by_build(loss, contrasts)
    groups = np.array([GROUPS.index(contrast.factor.group) for contrast in contrasts])
    noise = _noise(loss)
    seen = _shapley(gram.sum(axis=0)[None], groups, noise)[0]
    rng = np.random.default_rng(seed)
    draws = rng.multinomial(len(gram), np.full(len(gram), 1 / len(gram)), size=resamples).astype(np.float64)
    flat = gram.reshape(len(gram), -1)
    # A resample carries the data's own noise and its drawing's: both come off.
    drawn = _shapley((draws @ flat).reshape(resamples, *gram.shape[1:]), groups, 2 * noise)
    tail = (1 - level) / 2
    ends = np.quantile(drawn, [tail, 1 - tail], axis=0)
    shares = tuple(
        Share(
            group,
            float(seen[i]),
            Interval(float(min(ends[0, i], seen[i])), float(max(ends[1, i], seen[i])), level, SHAPLEY.name),
        )
        for i, group in enumerate(GROUPS)
    )
    top = int(np.argmax(seen))
    leads = float((np.argmax(drawn, axis=1) == top).mean()) >= level
    leading = GROUPS[top] if leads and not spans_groups else None
    verdict = Verdict.SHOWN if leading else Verdict.UNKNOWN
    words = ", ".join(f"{share.group} {100 * (share.share or 0):.0f} %" for share in shares)
    why = "causes of different groups go together" if spans_groups else "the shares' intervals overlap"
    tail_words = f"{leading} holds the largest share" if leading else f"cannot tell which leads: {why}"
    return Split(shares, leading, verdict, loss.n, f"Of the explained loss: {words}; {tail_words}.")


def _by_build(loss: Loss, contrasts: list[Contrast]) -> FloatArray:
    """Cross products of (1, contrasts, lost) summed within builds: shape (builds, p + 2, p + 2)."""
    rate = loss.total / loss.n
    scale = 1 / math.sqrt(rate * (1 - rate))
    columns = [np.ones(loss.n), *(contrast.column for contrast in contrasts), loss.lost]
    z = np.stack(columns, axis=1)
    z[:, -1] = (z[:, -1] - rate) * scale
    count, p = int(loss.build.max()) + 1, z.shape[1]
    gram = np.zeros((count, p, p))
    for i in range(p):
        for j in range(i, p):
            gram[:, i, j] = gram[:, j, i] = np.bincount(loss.build, z[:, i] * z[:, j], count)
    return gram


def _noise(loss: Loss) -> float:
    """What one column of no effect explains on average: the design effect of builds."""
    count = np.bincount(loss.build)
    rate = loss.total / loss.n
    total = np.bincount(loss.build, loss.lost - rate)
    return max(1.0, float(np.square(total).sum()) / (rate * (1 - rate) * float(count.sum())))


def _shapley(gram: FloatArray, groups: npt.NDArray[np.int64], noise: float) -> FloatArray:
    """Shares (draws, groups) from cross products (draws, p + 2, p + 2)."""
    present = [g for g in range(len(GROUPS)) if (groups == g).any()]
    value: dict[frozenset[int], FloatArray] = {frozenset(): np.zeros(len(gram))}
    for size in range(1, len(present) + 1):
        for chosen in itertools.combinations(present, size):
            columns = np.flatnonzero(np.isin(groups, chosen)) + 1
            value[frozenset(chosen)] = _explained(gram, columns, noise)
    result = np.zeros((len(gram), len(GROUPS)))
    orders = list(itertools.permutations(present))
    for order in orders:
        before: frozenset[int] = frozenset()
        for group in order:
            after = before | {group}
            result[:, group] += (value[after] - value[before]) / len(orders)
            before = after
    result = np.maximum(result, 0.0)
    total = result.sum(axis=1, keepdims=True)
    return np.where(total > 0, result / np.where(total > 0, total, 1.0), 1 / len(GROUPS))


def _explained(gram: FloatArray, columns: npt.NDArray[np.int64], noise: float) -> FloatArray:
    """Variation explained by ``columns`` beyond the mean, less what as many empty columns would."""
    n, last = gram[:, 0, 0], gram.shape[1] - 1
    mean = gram[:, 0, :] / n[:, None]
    centred = gram - n[:, None, None] * mean[:, :, None] * mean[:, None, :]
    inner = centred[:, columns[:, None], columns[None, :]]
    outer = centred[:, columns, last]
    size = np.maximum(np.trace(inner, axis1=1, axis2=2), 1e-9) / len(columns)
    ridge = 1e-6 * size[:, None, None] * np.eye(len(columns))
    fitted = np.linalg.solve(inner + ridge, outer[:, :, None])[:, :, 0]
    explained: FloatArray = np.maximum(0.0, (fitted * outer).sum(axis=1) - noise * len(columns))
    return explained
