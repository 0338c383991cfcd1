"""How long a build will take, learned from the lab's own builds.

``minutes = a + b x layers + c x exposed area``, by ordinary least squares, one model for each printer and
exposure profile; the answer carries a prediction interval for one new build. Draper and Smith, *Applied
Regression Analysis*, 3rd edition (1998), chapters 1.4 and 5: y0 +- t(df) s sqrt(1 + x0' (X'X)^-1 x0).
The exposed area of a build is the sum of its layers' areas, which is its volume over its layer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from qa.statistics.results import Interval, Method, StatisticsError, check_level

FloatArray: TypeAlias = NDArray[np.float64]

METHOD = Method(
    "least squares on layers and exposed area, prediction interval for one new build",
    "Draper and Smith, Applied Regression Analysis, 3rd edition, 1998",
)
TERMS = ("start", "layers", "exposed_cm2")
# Five degrees of freedom beyond the three terms: with fewer the interval says nothing.
LEAST_BUILDS = 8
# A build may lie this share of the seen range beyond it and still be estimated.
BEYOND_SHARE = 0.10
# Two columns that say the same cannot be told apart; the area goes first.
_MOST_CORRELATED = 0.999


@dataclass(frozen=True, slots=True)
class BuildTime:
    """One finished build: ``exposed_cm2`` is the sum over its layers of the area cured."""

    layers: float
    exposed_cm2: float
    minutes: float


@dataclass(frozen=True, slots=True)
class PrintTimeModel:
    """A fitted model. ``terms`` names the columns that were kept, ``coefficients`` go with them;
    ``inverse`` is (X'X)^-1 of the scaled columns (divided by ``scales``), ``sd_minutes`` the residual
    standard deviation on ``df`` degrees of freedom."""

    n: int
    terms: tuple[str, ...]
    coefficients: tuple[float, ...]
    scales: tuple[float, ...]
    inverse: FloatArray
    sd_minutes: float
    df: int
    layers_range: tuple[float, float]
    exposed_range: tuple[float, float]
    method: Method = METHOD

    def coefficient(self, term: str) -> float | None:
        """Minutes per unit of one term; ``None`` where it could not be told apart."""
        return dict(zip(self.terms, self.coefficients, strict=True)).get(term)


@dataclass(frozen=True, slots=True)
class TimeEstimate:
    """``minutes`` with its interval; both ``None`` where the builds cannot tell, and ``why`` says so."""

    minutes: float | None
    interval: Interval | None
    n: int
    more_needed: int
    why: str
    method: Method = METHOD


def fit_print_time(builds: Sequence[BuildTime]) -> PrintTimeModel | None:
    """Fit one printer and profile; ``None`` below ``LEAST_BUILDS`` builds.

    A column that does not vary, or the area where it goes along with the layers, is left out. Raises
    ``build_time`` for a build without a positive time or with figures that are not finite.
    """
    for build in builds:
        if not (all(map(math.isfinite, (build.layers, build.exposed_cm2))) and 0 < build.minutes < math.inf):
            raise StatisticsError("build_time", "A build needs layers, an area and a time above zero.")
    if len(builds) < LEAST_BUILDS:
        return None
    columns = {
        "start": np.ones(len(builds)),
        "layers": np.array([build.layers for build in builds], dtype=np.float64),
        "exposed_cm2": np.array([build.exposed_cm2 for build in builds], dtype=np.float64),
    }
    kept = _telling(columns)
    scales = [float(np.abs(columns[name]).max()) or 1.0 for name in kept]
    design = np.column_stack([columns[name] / scale for name, scale in zip(kept, scales, strict=True)])
    minutes = np.array([build.minutes for build in builds], dtype=np.float64)
    inverse: FloatArray = np.linalg.inv(design.T @ design).astype(np.float64)
    solution, *_ = np.linalg.lstsq(design, minutes, rcond=None)
    df = len(builds) - len(kept)
    rest = minutes - design @ solution
    return PrintTimeModel(
        n=len(builds),
        terms=tuple(kept),
        coefficients=tuple(float(one / scale) for one, scale in zip(solution, scales, strict=True)),
        scales=tuple(scales),
        inverse=inverse,
        sd_minutes=float(np.sqrt(rest @ rest / df)),
        df=df,
        layers_range=_range(columns["layers"]),
        exposed_range=_range(columns["exposed_cm2"]),
    )


def _range(values: FloatArray) -> tuple[float, float]:
    return float(values.min()), float(values.max())


def _telling(columns: dict[str, FloatArray]) -> list[str]:
    kept = ["start"]
    for name in ("layers", "exposed_cm2"):
        if np.ptp(columns[name]) > 1e-9 * max(1.0, float(np.abs(columns[name]).max())):
            kept.append(name)
    if len(kept) == len(TERMS):
        together = abs(float(np.corrcoef(columns["layers"], columns["exposed_cm2"])[0, 1]))
        if together > _MOST_CORRELATED:
            kept.remove("exposed_cm2")
    return kept


def estimate_print_time(
    builds: Sequence[BuildTime], *, layers: float, exposed_cm2: float, level: float = 0.95
) -> TimeEstimate:
    """How long one new build will take, or why the lab's builds cannot tell yet.

    Raises :class:`StatisticsError`: what :func:`fit_print_time` raises.
    """
    model = fit_print_time(builds)
    if model is None:
        return _too_few(len(builds))
    return predict_print_time(model, layers=layers, exposed_cm2=exposed_cm2, level=level)


def _too_few(n: int) -> TimeEstimate:
    more = LEAST_BUILDS - n
    seen = "no finished build" if n == 0 else "1 finished build" if n == 1 else f"{n} finished builds"
    return TimeEstimate(
        None, None, n, more, f"Cannot tell yet: {seen} of {LEAST_BUILDS} needed, {more} more."
    )


def predict_print_time(
    model: PrintTimeModel | None, *, layers: float, exposed_cm2: float, level: float = 0.95
) -> TimeEstimate:
    """Predict from a fitted model; outside what its builds cover there is no figure.

    Raises :class:`StatisticsError`: ``level`` for a confidence outside 0.5 to 1.
    """
    check_level(level)
    if model is None:
        return _too_few(0)
    for value, (low, high), words in (
        (layers, model.layers_range, ("lower", "taller")),
        (exposed_cm2, model.exposed_range, ("smaller in exposed area", "larger in exposed area")),
    ):
        room = BEYOND_SHARE * max(high - low, 0.05 * high)
        if not low - room <= value <= high + room:
            which = words[0] if value < low else words[1]
            why = f"Cannot tell: {which} than any of the {model.n} builds it could be learned from."
            return TimeEstimate(None, None, model.n, 0, why)
    values = {"start": 1.0, "layers": float(layers), "exposed_cm2": float(exposed_cm2)}
    row = np.array([values[term] for term in model.terms])
    minutes = float(row @ np.array(model.coefficients))
    scaled = row / np.array(model.scales)
    spread = model.sd_minutes * math.sqrt(1.0 + float(scaled @ model.inverse @ scaled))
    half = float(stdtrit(model.df, 0.5 + level / 2)) * spread
    interval = Interval(max(0.0, minutes - half), minutes + half, level, METHOD.name)
    return TimeEstimate(minutes, interval, model.n, 0, f"From {model.n} builds of this printer and profile.")
