"""Where on the platform: losses that come back at one spot, or losses scattered over it.

A damaged film or a dark patch of the screen loses parts at one place, build after build; flakes in the
resin lose them anywhere. Each printer's platform is scanned with a window, and what is found is judged
by drawing, within each build, which of its parts were lost: the number a build lost stays, so a bad
build makes no spot.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from qa.statistics.results import Method, StatisticsError, Verdict

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

SCAN = Method(
    "Spatial scan of each platform, Monte Carlo within builds",
    "Kulldorff 1997, Comm Stat Theory Meth 26:1481-1496; Besag and Newell 1991",
)
CELLS_ACROSS = 12
FEWEST_AT_SPOT = 3
MOST_SPOTS = 10
FEWEST_LOST = 5
FEW_LOST = 50  # of one build: up to this many are drawn one after the other, in all builds at once


@dataclass(frozen=True, slots=True)
class Spot:
    """A window centred at ``x_mm``, ``y_mm`` with more lost than expected; ``p`` pays for the scan."""

    printer: str
    x_mm: float
    y_mm: float
    lost: int
    expected: float
    n: int
    p: float


@dataclass(frozen=True, slots=True)
class Platform:
    """``pattern``: spots, scatter, or unknown. ``p`` is that of the strongest spot anywhere."""

    spots: tuple[Spot, ...]
    pattern: str
    p: float
    n: int
    lost: int
    window_mm: float
    verdict: Verdict
    sentence: str
    method: Method = SCAN


def lost_by_place(
    printer: npt.ArrayLike,
    x_mm: npt.ArrayLike,
    y_mm: npt.ArrayLike,
    lost: npt.ArrayLike,
    build: npt.ArrayLike,
    *,
    draws: int = 199,
    seed: int = 1,
    alpha: float = 0.05,
    window_mm: float | None = None,
) -> Platform:
    """Scan every printer's platform for places that lose parts again and again.

    All arrays have one value a part; places in millimetres, not-a-number where not recorded. Builds
    that lost none or all of their parts say nothing about place and are left out of the drawing.

    Raises :class:`StatisticsError`: ``lengths`` where the columns differ in number.
    """
    names = np.asarray(printer).astype(str)
    x, y = np.asarray(x_mm, dtype=np.float64), np.asarray(y_mm, dtype=np.float64)
    bad = np.asarray(lost, dtype=bool)
    labels = np.asarray(build).astype(str)
    if not (names.shape == x.shape == y.shape == bad.shape == labels.shape):
        raise StatisticsError("lengths", "Each part needs one printer, one place, one outcome and one build.")
    keep = np.isfinite(x) & np.isfinite(y)
    names, x, y, bad, labels = names[keep], x[keep], y[keep], bad[keep], labels[keep]
    if len(x) == 0:
        return _nothing(0, 0, 0.0, "No part has its place on the platform recorded.")
    window = window_mm or 2 * max(float(np.ptp(x)), float(np.ptp(y)), 1.0) / CELLS_ACROSS
    order = np.argsort(labels, kind="stable")
    names, x, y, bad = names[order], x[order], y[order], bad[order]
    codes = np.unique(labels[order], return_inverse=True)[1]
    size, hit = np.bincount(codes), np.bincount(codes, weights=bad).astype(np.int64)
    use = ((hit > 0) & (hit < size))[codes]
    total = int(bad.sum())
    if hit[(hit > 0) & (hit < size)].sum() < FEWEST_LOST:
        return _nothing(len(x), total, window, _no_pattern(total))
    scan = _Scan(names[use], x[use], y[use], window)
    share = (hit / size)[codes][use]
    expected = scan.windows(share)
    observed = scan.windows(bad[use].astype(np.float64))
    strength = _strength(observed, expected)
    best = _draw(scan, codes[use], size, hit, expected, draws, seed)
    p_of = (1 + (best[None, :] >= strength[:, None] - 1e-12).sum(axis=1)) / (draws + 1)
    spots = _apart(scan, observed, expected, strength, p_of, alpha)
    p = float(p_of.min())
    if spots:
        where = "; ".join(_words(spot) for spot in spots[:3])
        return Platform(
            spots, "spots", p, len(x), total, window, Verdict.SHOWN, f"Losses come back at {where}."
        )
    sentence = "No place loses more than chance within builds gives: scatter, as far as can be told."
    return Platform((), "unknown", p, len(x), total, window, Verdict.UNKNOWN, sentence)


class _Scan:
    """Overlapping square windows of two by two cells on every printer's platform."""

    def __init__(self, names: npt.NDArray[np.str_], x: FloatArray, y: FloatArray, window: float) -> None:
        self.printers, printer = np.unique(names, return_inverse=True)
        half = window / 2
        self.window, self.half = window, half
        self.x0, self.y0 = float(x.min()), float(y.min())
        column = np.floor((x - self.x0) / half).astype(np.int64)
        row = np.floor((y - self.y0) / half).astype(np.int64)
        self.shape = (len(self.printers), int(row.max()) + 2, int(column.max()) + 2)
        self.cell = (printer * self.shape[1] + row) * self.shape[2] + column
        self.x, self.y, self.printer = x, y, printer

    def windows(self, weight: FloatArray) -> FloatArray:
        """Sum of ``weight`` in every window, flattened."""
        return self.around(np.bincount(self.cell, weight, int(np.prod(self.shape))).astype(np.float64))

    def around(self, cells: FloatArray) -> FloatArray:
        grid = cells.reshape(self.shape)
        wide = grid.copy()
        wide[:, :, 1:] += grid[:, :, :-1]
        tall = wide.copy()
        tall[:, 1:, :] += wide[:, :-1, :]
        return tall.ravel()


def _strength(observed: FloatArray, expected: FloatArray) -> FloatArray:
    """Log-likelihood ratio of a window that loses more than expected; 0 elsewhere."""
    more = (observed > expected) & (observed >= FEWEST_AT_SPOT) & (expected > 1e-9)
    safe = np.where(more, expected, 1.0)
    seen = np.where(more, observed, 1.0)
    result: FloatArray = np.where(more, seen * np.log(seen / safe) - (seen - safe), 0.0)
    return result


def _draw(
    scan: _Scan, codes: IntArray, size: IntArray, hit: IntArray, expected: FloatArray, draws: int, seed: int
) -> FloatArray:
    """The strongest window of each drawing."""
    rng = np.random.default_rng(seed)
    used, start, length = np.unique(codes, return_index=True, return_counts=True)
    taken = hit[used]
    few, many = _FewLost(start, length, taken), _ManyLost(codes, hit)
    best = np.zeros(draws)
    cells = int(np.prod(scan.shape))
    for i in range(draws):
        parts = np.concatenate((few.drawn(rng), many.drawn(rng)))
        drawn = np.bincount(scan.cell[parts], minlength=cells).astype(np.float64)
        best[i] = _strength(scan.around(drawn), expected).max()
    return best


class _FewLost:
    """Draws the lost parts of builds that lost few: the first steps of a shuffle, in all builds at once.

    A shuffle of any order is as random as one of the first order, so the order is not laid back.
    """

    def __init__(self, start: IntArray, length: IntArray, taken: IntArray) -> None:
        at = np.flatnonzero(taken <= FEW_LOST)
        at = at[np.argsort(-taken[at], kind="stable")]
        self.start, self.length = start[at], length[at]
        # How many builds lose more than 0, 1, 2, ... parts: they stand first.
        self.builds = [int((taken[at] > step).sum()) for step in range(int(taken[at].max(initial=0)))]
        self.order = np.arange(int((start + length).max(initial=0)))

    def drawn(self, rng: np.random.Generator) -> IntArray:
        """The parts lost in one drawing."""
        chosen = [np.zeros(0, dtype=np.int64)]
        for step, builds in enumerate(self.builds):
            here = self.start[:builds] + step
            other = here + (rng.random(builds) * (self.length[:builds] - step)).astype(np.int64)
            picked = self.order[other]
            self.order[other] = self.order[here]
            self.order[here] = picked
            chosen.append(picked)
        return np.concatenate(chosen)


class _ManyLost:
    """Draws the lost parts of builds that lost many, by sorting their parts at random."""

    def __init__(self, codes: IntArray, hit: IntArray) -> None:
        self.parts = np.flatnonzero(hit[codes] > FEW_LOST)
        self.codes = codes[self.parts]
        used, start, length = np.unique(self.codes, return_index=True, return_counts=True)
        rank = np.arange(len(self.codes)) - np.repeat(start, length)
        self.taken = rank < np.repeat(hit[used], length)

    def drawn(self, rng: np.random.Generator) -> IntArray:
        """The parts lost in one drawing."""
        shuffled = np.lexsort((rng.random(len(self.codes)), self.codes))
        return self.parts[shuffled[self.taken]]


def _apart(
    scan: _Scan,
    observed: FloatArray,
    expected: FloatArray,
    strength: FloatArray,
    p_of: FloatArray,
    alpha: float,
) -> tuple[Spot, ...]:
    """The windows beyond chance, strongest first, none overlapping another."""
    counts = scan.windows(np.ones(len(scan.cell)))
    spots: list[Spot] = []
    for index in np.argsort(-strength, kind="stable"):
        if p_of[index] > alpha or strength[index] <= 0 or len(spots) == MOST_SPOTS:
            break
        printer, row, column = np.unravel_index(index, scan.shape)
        x = scan.x0 + float(column) * scan.half
        y = scan.y0 + float(row) * scan.half
        name = str(scan.printers[printer])
        met = any(s.printer == name and max(abs(s.x_mm - x), abs(s.y_mm - y)) < scan.window for s in spots)
        if not met:
            spots.append(
                Spot(
                    name,
                    x,
                    y,
                    int(observed[index]),
                    float(expected[index]),
                    int(counts[index]),
                    float(p_of[index]),
                )
            )
    return tuple(spots)


def _words(spot: Spot) -> str:
    place = f"{spot.printer} at {spot.x_mm:.0f}, {spot.y_mm:.0f} mm"
    return f"{place}: {spot.lost} lost, {spot.expected:.1f} expected"


def _no_pattern(lost: int) -> str:
    if lost < FEWEST_LOST:
        return f"{lost} lost parts with a place: too few to see a pattern."
    return f"{lost} lost parts with a place, nearly all in builds that were lost whole: no place stands out."


def _nothing(n: int, lost: int, window: float, sentence: str) -> Platform:
    return Platform((), "unknown", 1.0, n, lost, window, Verdict.UNKNOWN, sentence)
