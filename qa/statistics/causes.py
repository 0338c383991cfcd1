"""What costs us good parts: each factor's share of the loss, adjusted, with what cannot be told apart.

For every factor one contrast is judged: a level against its reference (a step's ``no`` against its
``yes``, otherwise the level with the largest excess against the others), or a numeric factor's upper
quartile against its lower one. Its effect is adjusted for the other factors that themselves go with
loss, found by forward selection; a factor never adjusts for what it travels with.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import scipy
from scipy import special

from qa.statistics.factors import AGES, MISSING, Factor, NotExamined
from qa.statistics.logit import LOGIT, LogitFit, fit_logit
from qa.statistics.proportions import newcombe
from qa.statistics.results import (
    Interval,
    Method,
    StatisticsError,
    Verdict,
    more_words,
    of_words,
)

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

STANDARDISED = Method(
    "Standardised loss: parts lost as they were, less parts lost with the factor at its reference",
    LOGIT.source + "; standardisation: Greenland and Drescher 1993, Biometrics 49:865-872",
)
FALSE_DISCOVERY = Method("False-discovery control", "Benjamini and Hochberg 1995, JRSS B 57:289-300")

FOCAL_PRIOR_SD = 2.5  # on the log-odds of the contrast
NUISANCE_PRIOR_SD = 1.5
ENTER_P = 0.03  # a factor adjusts the others once it goes with loss at this p
MOST_ADJUSTERS = 6
INSEPARABLE = 0.6  # correlation of two contrasts from which they are one alias group
PIECE_OF_IT = 0.7  # the same for a factor and one nested in it, as a printer and its tanks
SAME_CLOCK = 0.4  # the same for ages that filtering sets back together
FEWEST_LOST = 5  # fewer lost (or good) parts than this support no claim
WORTH_FINDING = 1.0  # parts per 100: the saving that "parts needed" is reckoned for where less is seen
POWER_QUANTILE = 0.8416  # 80 % power
LARGEST_COEFFICIENT = 6.0  # log-odds: four hundred times the odds, beyond any cause of loss
MOST_PUT_FORWARD = 3


@dataclass(frozen=True, slots=True)
class Contrast:
    """A factor's judged comparison: ``column`` (n) is 0 at the reference and 1 at the level."""

    factor: Factor
    level: str
    reference: str
    column: FloatArray
    unrecorded: FloatArray
    tries: int


@dataclass(frozen=True, slots=True)
class Cause:
    """One factor's row. ``saved_per_100``: parts per 100 saved were it at its reference."""

    factor: str
    group: str
    level: str
    reference: str
    n: int
    n_level: int
    saved_per_100: float
    interval: Interval
    p: float
    money_per_month: float | None
    money_interval: Interval | None
    verdict: Verdict
    inseparable_from: tuple[str, ...]
    adjusted_for: tuple[str, ...]
    parts_needed: int | None
    sentence: str
    method: Method = STANDARDISED


@dataclass(frozen=True, slots=True)
class Causes:
    """All factors examined, costliest first, and those that could not be."""

    causes: tuple[Cause, ...]
    not_examined: tuple[NotExamined, ...]
    n: int
    lost: int
    builds: int
    sentence: str

    @property
    def put_forward(self) -> tuple[Cause, ...]:
        """At most three shown causes to act on, one of each alias group."""
        return self.forward_without(frozenset())

    def forward_without(self, explained: frozenset[str]) -> tuple[Cause, ...]:
        """The same, leaving out the factors that another finding ``explained``."""
        chosen: list[Cause] = []
        for cause in self.causes:
            met = any(cause.factor in other.inseparable_from for other in chosen)
            if cause.verdict is Verdict.SHOWN and not met and cause.factor not in explained:
                chosen.append(cause)
        return tuple(chosen[:MOST_PUT_FORWARD])


@dataclass(frozen=True, slots=True)
class Estimate:
    """Parts per 100 saved with the ends of its interval, the contrast's p, and its adjusters.

    ``noise``: the coefficient's error over the coefficient worth finding, the one seen or the one that
    saves 1 per 100 where less is seen; None where no coefficient saves as much. ``degrees`` of freedom.
    """

    saved: float
    low: float
    high: float
    p: float
    noise: float | None
    degrees: float
    adjusted_for: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Loss:
    """What the analysis runs on: ``lost`` (n, 0 or 1) and ``build`` (n, codes from 0 without gaps)."""

    lost: FloatArray
    build: IntArray

    @property
    def n(self) -> int:
        return len(self.lost)

    @property
    def total(self) -> int:
        return int(self.lost.sum())

    @property
    def can_claim(self) -> bool:
        return min(self.total, self.n - self.total) >= FEWEST_LOST and int(self.build.max()) >= 4


def contrast_of(factor: Factor, loss: Loss) -> Contrast:
    """The comparison judged for ``factor``."""
    unrecorded = (factor.codes == MISSING).astype(np.float64)
    if factor.numeric:
        return _numeric_contrast(factor, loss, unrecorded)
    sizes = np.array([(factor.codes == code).sum() for code in range(len(factor.levels))], dtype=np.float64)
    if factor.is_step and {"yes", "no"} <= set(factor.levels):
        level = factor.levels.index("no")
        reference = factor.levels.index("yes")
        column = (factor.codes == level).astype(np.float64)
        other = ~np.isin(factor.codes, (level, reference))
        return Contrast(factor, "no", "yes", column, other.astype(np.float64), 2)
    lost = np.array([loss.lost[factor.codes == code].sum() for code in range(len(factor.levels))])
    rate = loss.total / max(loss.n, 1)
    n = float(loss.n - unrecorded.sum())
    spread = np.sqrt(np.maximum(sizes * (1 - sizes / n) * max(rate * (1 - rate), 1e-9), 1e-9))
    score = (lost - sizes * rate) / spread
    score = np.where(sizes >= n, -np.inf, score)
    level = int(np.argmax(score))
    others = [name for code, name in enumerate(factor.levels) if code != level]
    rest = n - sizes.sum()
    reference_name = others[0] if len(others) == 1 and rest == 0 else "the others"
    column = (factor.codes == level).astype(np.float64)
    tries = len(factor.levels) + (1 if rest > 0 else 0)
    return Contrast(factor, factor.levels[level], reference_name, column, unrecorded, max(2, tries))


def sides_of(contrast: Contrast) -> tuple[BoolArray, BoolArray]:
    """Which parts (n) are at the contrast's level and which at its reference.

    Of a numeric factor: those at its quartile or beyond it; what lies between belongs to neither.
    """
    factor = contrast.factor
    if not factor.numeric:
        level = contrast.column == 1
        return level, ~level & (contrast.unrecorded == 0)
    upper, lower = factor.values >= factor.high, factor.values <= factor.low
    return (upper, lower) if contrast.level == f"{factor.high:g}" else (lower, upper)


def _numeric_contrast(factor: Factor, loss: Loss, unrecorded: FloatArray) -> Contrast:
    column = (factor.values - factor.low) / (factor.high - factor.low)
    known = np.isfinite(column)
    low, high = f"{factor.low:g}", f"{factor.high:g}"
    if factor.name not in AGES:
        centred = column[known] - column[known].mean()
        if float(centred @ loss.lost[known]) < 0:
            column, low, high = 1 - column, high, low
    middle = float(np.mean(column[known]))
    return Contrast(factor, high, low, np.where(known, column, middle), unrecorded, 2)


def alias_groups(contrasts: list[Contrast], nested: list[frozenset[int]]) -> list[frozenset[int]]:
    """For each contrast, the indices of the contrasts it cannot be told apart from (itself included);
    ``nested``: of those nested in it.

    Two factors are inseparable where a judged column of one goes with any level of the other at a
    correlation of 0.6 or more. A tank goes with its printer by being a piece of it: a factor and one
    nested in it are inseparable at 0.7. Two ages since filtering, which restart together, are at 0.4.
    Groups are closed over chains.
    """
    columns, owner, judged = [], [], []
    for index, contrast in enumerate(contrasts):
        columns.append(contrast.column)
        owner.append(index)
        judged.append(True)
        factor = contrast.factor
        if len(factor.levels) > 2:
            for code, level in enumerate(factor.levels):
                if level != contrast.level:
                    columns.append((factor.codes == code).astype(np.float64))
                    owner.append(index)
                    judged.append(False)
    if not columns:
        return []
    correlation = _correlation(np.stack(columns))
    owners, is_judged = np.array(owner), np.array(judged)
    limit = _inseparable_at(contrasts, nested)[np.ix_(owners, owners)]
    close = (np.abs(correlation) >= limit) & (is_judged[:, None] | is_judged[None, :])
    group = list(range(len(contrasts)))
    for i, j in zip(*np.nonzero(close), strict=True):
        a, b = group[owners[i]], group[owners[j]]
        if a != b:
            group = [a if g == b else g for g in group]
    return [frozenset(j for j, g in enumerate(group) if g == group[i]) for i in range(len(contrasts))]


def _inseparable_at(contrasts: list[Contrast], nested: list[frozenset[int]]) -> FloatArray:
    """For each two contrasts, the correlation from which they are inseparable."""
    count = len(contrasts)
    limit = np.full((count, count), INSEPARABLE)
    for outer, inner in enumerate(nested):
        limit[outer, list(inner)] = limit[list(inner), outer] = PIECE_OF_IT
    clock = np.array([contrast.factor.name.endswith("_since_filter") for contrast in contrasts])
    limit[np.ix_(clock, clock)] = SAME_CLOCK
    return limit


def nested_in(contrasts: list[Contrast]) -> list[frozenset[int]]:
    """For each contrast, the indices of the factors nested in its factor, as tanks in a printer.

    A factor does not adjust for what is nested in it: the part's levels are a piece of the whole's.
    """
    result = []
    for outer in contrasts:
        inner = (
            j for j, c in enumerate(contrasts)
            if len(c.factor.levels) > len(outer.factor.levels) >= 2 and _nested(c.factor, outer.factor)
        )  # fmt: skip
        result.append(frozenset(inner))
    return result


def _nested(inner: Factor, outer: Factor) -> bool:
    known = (inner.codes >= 0) & (outer.codes >= 0)
    pairs = np.unique(inner.codes[known] * len(outer.levels) + outer.codes[known])
    return len(pairs) > 0 and len(np.unique(pairs // len(outer.levels))) == len(pairs)


def _correlation(rows: FloatArray) -> FloatArray:
    """Correlations of ``rows``, which are centred in place; 0 with a row that does not vary."""
    rows -= rows.mean(axis=1, keepdims=True)
    products = rows @ rows.T
    length = np.sqrt(np.diag(products))
    length = np.where(length > 1e-12, length, np.inf)
    result: FloatArray = products / np.outer(length, length)
    return result


@dataclass(frozen=True, slots=True)
class Examined:
    """Every factor's contrast and estimate before anything is claimed; ``groups`` are alias groups."""

    loss: Loss
    contrasts: tuple[Contrast, ...]
    groups: tuple[frozenset[int], ...]
    estimates: tuple[Estimate, ...]
    level: float

    def p_of(self, name: str) -> float:
        """The p of a factor by name; 1 where it was not examined or does not cost parts."""
        pairs = zip(self.contrasts, self.estimates, strict=True)
        return next((e.p for c, e in pairs if c.factor.name == name and e.saved > 0), 1.0)


def examine(loss: Loss, factors: tuple[Factor, ...], *, level: float = 0.95) -> Examined:
    """Estimate what each of ``factors`` costs, adjusted for the others that go with loss.

    Raises :class:`StatisticsError`: ``lengths`` or ``counts`` where the columns do not fit; ``collinear``
    or ``no_convergence`` where the model has no solution.
    """
    contrasts = [contrast_of(factor, loss) for factor in factors] if loss.n else []
    nested = nested_in(contrasts)
    groups = alias_groups(contrasts, nested)
    apart = [group | inner for group, inner in zip(groups, nested, strict=True)]
    estimates = _estimate_all(loss, contrasts, groups, apart, level)
    return Examined(loss, tuple(contrasts), tuple(groups), tuple(estimates), level)


def judge_causes(
    examined: Examined,
    *,
    not_examined: tuple[NotExamined, ...] = (),
    months: float | None = None,
    cost_per_lost_part: float | None = None,
    discovery_rate: float = 0.05,
) -> Causes:
    """Rank what was examined by what it costs, and say what is shown.

    ``months`` the parts span and ``cost_per_lost_part`` turn parts into money.
    """
    loss, estimates, groups = examined.loss, examined.estimates, examined.groups
    if loss.n == 0:
        return Causes((), not_examined, 0, 0, 0, "No parts yet.")
    discovered = false_discovery([e.p for e in estimates], discovery_rate)
    money = None
    if cost_per_lost_part is not None and months is not None and months > 0:
        money = loss.n / months * cost_per_lost_part / 100
    rows = []
    for i, (contrast, estimate) in enumerate(zip(examined.contrasts, estimates, strict=True)):
        claim = loss.can_claim and any(discovered[j] and estimates[j].low > 0 for j in groups[i])
        names = tuple(sorted(examined.contrasts[j].factor.name for j in groups[i] if j != i))
        needed = None if claim else _parts_needed(loss, contrast, estimate, discovery_rate / len(estimates))
        rows.append(_cause(loss, contrast, estimate, names, money, examined.level, needed, claim=claim))
    rows.sort(key=_order)
    return Causes(
        tuple(rows), not_examined, loss.n, loss.total, int(loss.build.max()) + 1, _overall(loss, rows)
    )


def find_causes(
    loss: Loss,
    factors: tuple[Factor, ...],
    *,
    not_examined: tuple[NotExamined, ...] = (),
    months: float | None = None,
    cost_per_lost_part: float | None = None,
    discovery_rate: float = 0.05,
) -> Causes:
    """Examine and judge in one go.

    Raises :class:`StatisticsError`: what :func:`examine` raises.
    """
    return judge_causes(
        examine(loss, factors),
        not_examined=not_examined,
        months=months,
        cost_per_lost_part=cost_per_lost_part,
        discovery_rate=discovery_rate,
    )


def _order(cause: Cause) -> tuple[float, float, str]:
    """Costliest first: by the lower limit in money, or by parts where no costs are known."""
    money = cause.money_interval.low if cause.money_interval is not None else None
    return (-(money if money is not None else cause.interval.low or 0.0), -cause.saved_per_100, cause.factor)


def _estimate_all(
    loss: Loss,
    contrasts: list[Contrast],
    groups: list[frozenset[int]],
    apart: list[frozenset[int]],
    level: float,
) -> list[Estimate]:
    """Every contrast adjusted for those that go with loss themselves, found one after the other.

    ``apart``: the indices each contrast must not be adjusted for.
    """
    if not contrasts:
        return []
    if not 0 < loss.total < loss.n:
        return [_alike(loss, contrast, level) for contrast in contrasts]
    entered: list[int] = []
    builds = int(loss.build.max()) + 1
    most = min(MOST_ADJUSTERS, loss.total // 8, builds // 8)
    estimates = [_estimate(loss, contrasts, i, entered, apart, level) for i in range(len(contrasts))]
    while len(entered) < most:
        taken = {j for i in entered for j in groups[i]}
        open_ = [i for i in range(len(contrasts)) if i not in taken and estimates[i].p < ENTER_P]
        if not open_:
            break
        entered.append(min(open_, key=lambda i: (estimates[i].p, i)))
        estimates = [_estimate(loss, contrasts, i, entered, apart, level) for i in range(len(contrasts))]
    return estimates


def _alike(loss: Loss, contrast: Contrast, level: float) -> Estimate:
    """Where all came out alike: no difference, with the interval of two rates of which no more is known."""
    recorded = contrast.unrecorded == 0
    at = max(1, int((recorded & (contrast.column >= 0.5)).sum()))
    rest = max(1, int((recorded & (contrast.column < 0.5)).sum()))
    rate = loss.total / loss.n
    found = newcombe(rate * at, at, rate * rest, rest, level=level).interval.scaled(100 * at / loss.n)
    return Estimate(0.0, found.low or 0.0, found.high or 0.0, 1.0, None, 1.0, ())


def _estimate(
    loss: Loss,
    contrasts: list[Contrast],
    index: int,
    entered: list[int],
    apart: list[frozenset[int]],
    level: float,
) -> Estimate:
    contrast = contrasts[index]
    others = [j for j in entered if j not in apart[index]]
    columns = [np.ones(loss.n), contrast.column]
    scales = [np.inf, FOCAL_PRIOR_SD]
    extra = [contrast.unrecorded]
    for j in others:
        columns.append(contrasts[j].column)
        scales.append(FOCAL_PRIOR_SD)
        extra.append(contrasts[j].unrecorded)
    for column in extra:
        if column.any() and not any(np.array_equal(column, seen) for seen in columns):
            columns.append(column)
            scales.append(NUISANCE_PRIOR_SD)
    x = np.stack(columns, axis=1)
    start = np.zeros(x.shape[1])
    start[0] = special.logit(loss.total / loss.n)
    fit = fit_logit(x, loss.lost, loss.build, prior_sd=np.array(scales), start=start)
    names = tuple(contrasts[j].factor.name for j in others)
    return _standardised(x, fit, contrast, loss, names, level)


def _standardised(
    x: FloatArray, fit: LogitFit, contrast: Contrast, loss: Loss, names: tuple[str, ...], level: float
) -> Estimate:
    """Parts per 100 saved with the contrast's column at 0, and its interval.

    The interval's ends are the saving where the contrast's coefficient, and the others with it, lies
    at the ends of its own interval, so that it stays within what is possible and leaves 0 out just
    where the contrast's p does.
    """
    # Parts at the reference, or with nothing recorded, are as they would be.
    at = x[(contrast.unrecorded == 0) & (contrast.column != 0)]
    column = at[:, 1].copy()
    at[:, 1] = 0.0
    n, rest = len(x), at @ fit.beta

    def saved(beta: FloatArray) -> float:
        return _saved(at @ beta, column, float(beta[1]), n)

    def saved_at(coefficient: float) -> float:
        return _saved(rest, column, coefficient, n)

    error = math.sqrt(fit.cov[1, 1])
    degrees = max(1.0, float(fit.clusters[1]) - 1.0)
    statistic = fit.beta[1] / error
    # The level was chosen as the worst of several: the interval and p pay for the choice.
    quantile = float(special.stdtrit(degrees, 1 - (1 - level) / contrast.tries))
    direction = fit.cov[:, 1] / error
    ends = sorted((saved(fit.beta - quantile * direction), saved(fit.beta + quantile * direction)))
    estimate = saved(fit.beta)
    p = min(1.0, contrast.tries * float(special.stdtr(degrees, -abs(statistic))))
    target = float(fit.beta[1]) if estimate >= WORTH_FINDING else _coefficient(saved_at, WORTH_FINDING)
    return Estimate(
        estimate,
        min(ends[0], estimate),
        max(ends[1], estimate),
        p,
        None if target is None else error / target,
        degrees,
        names,
    )


def _saved(reference: FloatArray, column: FloatArray, coefficient: float, n: int) -> float:
    """Parts per 100 of ``n`` saved at the log-odds ``reference`` instead of with the contrast added."""
    more = special.expit(reference + coefficient * column) - special.expit(reference)
    return 100.0 * float(more.sum()) / n


def _coefficient(saved_at: Callable[[float], float], saving: float) -> float | None:
    """The coefficient at which the contrast saves ``saving``; None where its level is too rare for that."""
    if saved_at(LARGEST_COEFFICIENT) <= saving:
        return None
    return float(scipy.optimize.brentq(lambda at: saved_at(at) - saving, 0.0, LARGEST_COEFFICIENT, xtol=1e-3))


def false_discovery(p_values: list[float], rate: float) -> list[bool]:
    """Which p-values are discoveries at false-discovery ``rate`` (step-up)."""
    if not p_values:
        return []
    p = np.asarray(p_values)
    order = np.argsort(p)
    passed = np.flatnonzero(p[order] <= rate * np.arange(1, len(p) + 1) / len(p))
    limit = p[order][passed[-1]] if len(passed) else -1.0
    return [bool(value <= limit) for value in p]


def _cause(
    loss: Loss,
    contrast: Contrast,
    estimate: Estimate,
    inseparable: tuple[str, ...],
    money: float | None,
    level: float,
    needed: int | None,
    *,
    claim: bool,
) -> Cause:
    factor = contrast.factor
    n_level = int(sides_of(contrast)[0].sum())
    interval = Interval(estimate.low, estimate.high, level, LOGIT.name)
    verdict = Verdict.SHOWN if claim else Verdict.UNKNOWN
    cause = Cause(
        factor=factor.name,
        group=factor.group,
        level=contrast.level,
        reference=contrast.reference,
        n=loss.n,
        n_level=n_level,
        saved_per_100=estimate.saved,
        interval=interval,
        p=estimate.p,
        money_per_month=None if money is None else money * estimate.saved,
        money_interval=None if money is None else interval.scaled(money),
        verdict=verdict,
        inseparable_from=inseparable,
        adjusted_for=estimate.adjusted_for,
        parts_needed=needed,
        sentence="",
    )
    return replace(cause, sentence=_sentence(cause))


def _parts_needed(loss: Loss, contrast: Contrast, estimate: Estimate, alpha: float) -> int | None:
    """How many more parts would show a saving of what is seen, or of 1 per 100 where less is seen.

    With 80 % power, ``alpha`` being what one factor of the family may err: the error shrinks with the
    root of the parts. None where nothing points at the factor, which more parts need not change, or where
    its level is too rare to cost 1 part of 100.
    """
    if estimate.noise is None or not suspected(estimate.saved, estimate.high):
        return None
    needed = loss.n * (_times_the_parts(estimate.noise, estimate.degrees, alpha / contrast.tries) - 1)
    if not loss.can_claim:
        # Whatever is seen, fewer lost or good parts than this support no claim.
        needed = max(needed, loss.n * (FEWEST_LOST / min(loss.total, loss.n - loss.total) - 1))
    return max(1, math.ceil(needed))


def _times_the_parts(noise: float, degrees: float, alpha: float) -> float:
    """How many times the parts would do: with them come builds, and so degrees of freedom."""

    def wanted(times: float) -> float:
        grown = max(degrees, (degrees + 1) * times - 1)
        return ((float(special.stdtrit(grown, 1 - alpha)) + POWER_QUANTILE) * noise) ** 2

    # Between what would do with builds without end and what with those of today, where more want less.
    low, high = wanted(1e9), wanted(1.0)
    for _ in range(60):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if wanted(middle) > middle else (low, middle)
    return high


def suspected(saved: float, high: float | None) -> bool:
    """Whether a factor may cost parts: it does as seen, or its interval leaves room for 1 per 100."""
    return saved > 0 or high is None or high >= WORTH_FINDING


def _sentence(cause: Cause) -> str:
    low, high = cause.interval.low, cause.interval.high
    name = cause.factor.removeprefix("step:")
    what = f"{name} '{cause.level}' against '{cause.reference}'"
    figures = f"{cause.saved_per_100:.1f} parts per 100 ({low:.1f} to {high:.1f})"
    figures += f", {of_words(cause.n_level, cause.n, 'parts')}"
    if cause.verdict is Verdict.SHOWN:
        tied = (
            f"; cannot be told apart from {', '.join(cause.inseparable_from)}"
            if cause.inseparable_from
            else ""
        )
        return f"{what} goes with the loss of {figures}{tied}."
    if not suspected(cause.saved_per_100, high):
        return f"Nothing suggests that {what} costs parts: {figures}."
    more = f"; {more_words(cause.parts_needed, 'parts')} would tell" if cause.parts_needed else ""
    return f"Cannot tell yet whether {what} costs parts: {figures}{more}."


def _overall(loss: Loss, rows: list[Cause]) -> str:
    if loss.total == 0:
        return f"{_all_parts(loss.n)} good: nothing is lost, so nothing costs parts."
    if loss.total == loss.n:
        return f"{_all_parts(loss.n)} lost: there are no good parts to compare with."
    some = f"{of_words(loss.total, loss.n, 'parts')} lost"
    if not loss.can_claim:
        return f"{some}: too few to tell causes apart."
    count = sum(row.verdict is Verdict.SHOWN for row in rows)
    if count == 0:
        return f"{some}; no cause can be told yet."
    go = "goes" if count == 1 else "go"
    return f"{some}; {of_words(count, len(rows), 'factors')} {go} with loss."


def _all_parts(n: int) -> str:
    return "The only part is" if n == 1 else f"All {n} parts are"


def loss_of(lost: npt.ArrayLike, build: npt.ArrayLike) -> Loss:
    """A :class:`Loss` from booleans and build names; raises where their lengths differ."""
    bad = np.asarray(lost, dtype=np.float64)
    labels = np.asarray(build)
    if bad.shape != labels.shape or bad.ndim != 1:
        raise StatisticsError("lengths", "Each part needs one outcome and one build.")
    codes = np.unique(labels.astype(str), return_inverse=True)[1] if len(labels) else labels
    return Loss(bad, codes.astype(np.int64))
