"""Simulated labs whose truth is known: builds of ten parts, factors as a history file holds them.

The chance of loss is set on the probability scale and builds differ by a normal effect on the log-odds
that gives the intraclass correlation asked for. A lab keeps, for the planted factor, each part's chance
of loss as it was and as it would have been at the factor's reference, so that an estimate is judged
against this lab's own truth.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import optimize, special

FloatArray = npt.NDArray[np.float64]

PARTS_PER_BUILD = 10
BASE = 0.07
INTRACLASS = 0.05
PREVALENCE = 0.30
WORTH = 5.0
STEPS = ("wash", "dry", "flush", "cure", "stir", "inspect_tank")
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(40)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()


@dataclass(frozen=True)
class Lab:
    """A history and its truth: ``saved`` maps a planted factor to the parts per 100 it truly cost."""

    frame: pd.DataFrame
    saved: dict[str, float]


@dataclass(frozen=True)
class Setting:
    """What is planted: ``plant`` gives each part's added chance of loss from the factors."""

    name: str
    factor: str | None
    parts: int
    kind: str = "level"
    tied_to: str | None = None
    worth: float = WORTH


def _build_sd() -> float:
    """Spread of builds on the log-odds that gives the intraclass correlation at the base rate."""

    def gap(sd: float) -> float:
        shift = _shifts(np.array([BASE]), sd)[0]
        chance = special.expit(shift + sd * _NODES)
        variance = float(_WEIGHTS @ np.square(chance)) - BASE**2
        return variance / (BASE * (1 - BASE)) - INTRACLASS

    return float(optimize.brentq(gap, 0.05, 3.0))


def _shifts(chance: FloatArray, sd: float) -> FloatArray:
    """Log-odds at which builds with spread ``sd`` lose ``chance`` on average."""
    grid = np.linspace(-9.0, 6.0, 600)
    mean = special.expit(grid[:, None] + sd * _NODES) @ _WEIGHTS
    return np.interp(chance, mean, grid)


BUILD_SD = _build_sd()


def simulate(setting: Setting, seed: int) -> Lab:
    """One lab of ``setting``; the same seed gives the same lab."""
    rng = np.random.default_rng(seed)
    builds = setting.parts // PARTS_PER_BUILD
    frame = _factors(rng, builds)
    if setting.tied_to is not None and setting.factor is not None:
        _tie(rng, frame, setting)
    added, reference = _planted(setting, frame)
    effect = np.repeat(rng.standard_normal(builds), PARTS_PER_BUILD) * BUILD_SD
    as_was = special.expit(_shifts(BASE + added, BUILD_SD) + effect)
    as_would = special.expit(_shifts(BASE + reference, BUILD_SD) + effect)
    frame["lost"] = rng.random(len(frame)) < as_was
    frame["outcome"] = np.where(frame["lost"], "scrapped", "good")
    frame["mature"] = True
    saved = 100.0 * float((as_was - as_would).mean())
    truth = {} if setting.factor is None else {setting.factor: saved}
    return Lab(frame, truth)


def _planted(setting: Setting, frame: pd.DataFrame) -> tuple[FloatArray, FloatArray]:
    """Each part's added chance of loss, as it was and with the factor at its reference."""
    n = len(frame)
    if setting.factor is None:
        return np.zeros(n), np.zeros(n)
    if setting.kind in ("age", "age from new"):
        age = frame[setting.factor].to_numpy(dtype=np.float64)
        young = float(np.quantile(age, 0.25))
        # Worth what it says against the reference, or, harder to find, against a tank just filtered.
        slope = setting.worth / 100 / (age.mean() - (young if setting.kind == "age" else 0.0))
        return slope * age, np.full(n, slope * young)
    at = frame[setting.factor].to_numpy() == LEVELS[setting.factor]
    if setting.kind == "one printer":
        at = at & (frame["printer"].to_numpy() == "P1")
    return at * setting.worth / 100 / PREVALENCE, np.zeros(n)


LEVELS = {
    "step:wash": "no",
    "printer": "P2",
    "operator": "B",
    "colour": "clear",
    "material": "R2",
    "supports": "no",
}


def _pick(
    rng: np.random.Generator, names: tuple[str, ...], shares: tuple[float, ...]
) -> Callable[[int], npt.NDArray[np.object_]]:
    return lambda n: rng.choice(np.array(names, dtype=object), n, p=shares)


def _factors(rng: np.random.Generator, builds: int) -> pd.DataFrame:
    day = np.sort(rng.uniform(0, 240, builds))
    printer = _pick(rng, ("P1", "P2", "P3"), (0.45, PREVALENCE, 0.25))(builds)
    columns: dict[str, object] = {
        "build": np.array([f"B{i:05d}" for i in range(builds)], dtype=object),
        "printed_at": pd.Timestamp("2025-01-06") + pd.to_timedelta(np.floor(day * 24), unit="h"),
        "printer": printer,
        "tank": np.array([f"{p}-T{1 + int(rng.random() < 0.5)}" for p in printer], dtype=object),
        "operator": _pick(rng, ("A", "B", "C"), (0.4, PREVALENCE, 0.3))(builds),
        "material": _pick(rng, ("R1", "R2"), (1 - PREVALENCE, PREVALENCE))(builds),
        "colour": _pick(rng, ("grey", "clear", "sand"), (0.5, PREVALENCE, 0.2))(builds),
        "layer_um": rng.choice([50.0, 100.0], builds),
        "resin_temp_c": np.round(rng.normal(24, 2, builds), 1),
        "lamp_hours": np.round((day * 3.1) % 400, 1),
        "bath_parts": np.floor(rng.uniform(0, 120, builds)),
    }
    frame = pd.DataFrame(columns)
    frame["lot"] = [f"{m}-{int(d // 60)}" for m, d in zip(frame["material"], day, strict=True)]
    tank = frame["tank"].to_numpy(dtype=object)
    frame["days_since_filter"], frame["builds_since_filter"] = _tank_ages(rng, tank, day)
    for step in STEPS:
        share = PREVALENCE if step == "wash" else float(rng.uniform(0.05, 0.3))
        answer = _pick(rng, ("no", "yes"), (share, 1 - share))(builds)
        answer[rng.random(builds) < 0.03] = None if step != "wash" else "yes"
        frame[f"step:{step}"] = answer
    frame = frame.loc[np.repeat(np.arange(builds), PARTS_PER_BUILD)].reset_index(drop=True)
    n = len(frame)
    frame["part"] = [f"{i:06d}" for i in range(n)]
    frame["supports"] = _pick(rng, ("yes", "no"), (1 - PREVALENCE, PREVALENCE))(n)
    frame["orientation"] = _pick(rng, ("flat", "tilted", "upright"), (0.6, 0.3, 0.1))(n)
    place = np.tile(np.arange(PARTS_PER_BUILD), builds)
    frame["platform_x_mm"] = 20.0 + 40.0 * (place % 5) + rng.normal(0, 3, n)
    frame["platform_y_mm"] = 25.0 + 50.0 * (place // 5) + rng.normal(0, 3, n)
    return frame


def _tank_ages(
    rng: np.random.Generator, tank: npt.NDArray[np.object_], day: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Days and builds since filtering; each tank is filtered at irregular intervals of 5 to 25 days."""
    days, since = np.zeros(len(day)), np.zeros(len(day))
    for name in np.unique(tank.astype(str)):
        last, wait, count = 0.0, float(rng.uniform(5, 25)), 0
        for i in np.flatnonzero(tank == name):
            while day[i] - last > wait:
                last, wait, count = last + wait, float(rng.uniform(5, 25)), 0
            days[i], since[i] = round(day[i] - last, 1), count
            count += 1
    return days, since


def _tie(rng: np.random.Generator, frame: pd.DataFrame, setting: Setting) -> None:
    """Make ``tied_to`` agree with the planted level in 95 of 100 builds."""
    assert setting.factor is not None and setting.tied_to is not None
    level, tied = LEVELS[setting.factor], LEVELS[setting.tied_to]
    values = frame[setting.tied_to].to_numpy(dtype=object, copy=True)
    others = [value for value in pd.unique(values) if value != tied]
    by_build = frame.groupby("build", sort=False).indices
    for rows in by_build.values():
        at = frame[setting.factor].iloc[rows[0]] == level
        if rng.random() >= 0.95:
            at = not at
        values[rows] = tied if at else others[int(rng.integers(len(others)))]
    frame[setting.tied_to] = values
