"""Everything the evidence pages show, computed once from one data frame, as plain numbers and words."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from qa.choices import EvidenceUnit
from qa.models import Action, CostVersion
from qa.queries.costs import engine_costs
from qa.statistics.by_hand import ByHand, Within
from qa.statistics.cost import cost_per_good_part, how_many_to_print
from qa.statistics.costs import Costs
from qa.statistics.effect import Effect, judge_action
from qa.statistics.evidence import DAYS_PER_MONTH, EvidenceReport, contaminated_losses, evidence, part_cost
from qa.statistics.first_loss import builds_to_first_loss, tank_spells
from qa.statistics.late import STEPS, Flaw, LateShare, found_late, inspection_points
from qa.statistics.proportions import Proportion, effective_size
from qa.statistics.results import Interval, StatisticsError, rounded
from qa.statistics.tanks import AGES as TANK_AGES
from qa.statistics.tanks import Hazard, Tanks, span_words

Report = Callable[[float, str], None]
CURVE_POINTS = 40
GOOD_WANTED = (1, 2, 5, 10, 20, 28, 50)
GRID = 12  # cells across a platform
MOST_PRINTERS = 12
DAY_S = 86_400


@dataclass(frozen=True)
class Asked:
    """What is asked of which data."""

    unit: EvidenceUnit
    since: date | None
    costs: CostVersion | None
    actions: tuple[Action, ...] = ()
    looked_at: tuple[str, ...] = ()  # steps at which inspections are recorded


def content(
    frame: pd.DataFrame, asked: Asked, contamination: Callable[[str], bool], report: Report
) -> dict[str, Any]:
    """The report in its fixed form as ``report``, and what the pages add to it."""
    costs = engine_costs(asked.costs)
    report(0.0, "judging causes, tanks and places")
    found = evidence(
        frame, unit=asked.unit.value, since=asked.since, costs=costs, contamination=contamination
    )
    report(0.8, "judging what is found late, costs and actions")
    rows = _mature(frame)
    return {
        "report": found.as_json(),
        "sentence": _in_words(found.causes.sentence, asked.unit),
        "builds": found.causes.builds,
        "first_day": _day(rows, "min"),
        "last_day": _day(rows, "max"),
        "months": _months(rows),
        "currency": asked.costs.currency if asked.costs else None,
        "cost_per_lost_part": rounded(found.cost_per_lost_part, 2),
        "causes": _causes(found),
        "interaction": _interaction(found),
        "split": found.split.sentence,
        "tanks": _tanks(found, rows, asked.unit) | {"first": _first_loss(rows, contamination)},
        "platform": _platform(found, rows),
        "late": _late(rows, asked),
        "cost": _cost(rows, costs, asked.costs),
        "actions": {str(action.pk): _effect(rows, action) for action in asked.actions},
    }


def _in_words(sentence: str, unit: EvidenceUnit) -> str:
    """A sentence of the engine, which counts parts, where pieces were counted."""
    return sentence if unit == EvidenceUnit.PART else re.sub(r"\bpart(s?)\b", r"piece\1", sentence)


def _mature(frame: pd.DataFrame) -> pd.DataFrame:
    rows = frame[frame["mature"].astype(bool)].reset_index(drop=True)
    own = np.array([f"\0row {i}" for i in range(len(rows))], dtype=object)
    build = rows["build"].to_numpy(dtype=object) if "build" in rows.columns else own
    return rows.assign(build=np.where(pd.isna(build), own, build))


def _day(rows: pd.DataFrame, which: str) -> str | None:
    return getattr(rows["printed_at"], which)().date().isoformat() if len(rows) else None


def _months(rows: pd.DataFrame) -> float | None:
    if not len(rows):
        return None
    days = float((rows["printed_at"].max() - rows["printed_at"].min()).total_seconds()) / DAY_S
    return max(1.0, days / DAYS_PER_MONTH)


def _causes(found: EvidenceReport) -> list[dict[str, Any]]:
    plainly = {one.factor: _by_hand(one) for one in found.plainly}
    return [
        {
            "factor": cause.factor,
            "n": cause.n,
            "adjusted_for": list(cause.adjusted_for),
            "p": rounded(cause.p, 5),
            "by_hand": plainly.get(cause.factor),
        }
        for cause in found.causes.causes
    ]


def _by_hand(one: ByHand) -> dict[str, Any]:
    return {
        "level": _side(one.level),
        "reference": _side(one.reference),
        "left_out": one.left_out,
        "unrecorded": one.unrecorded,
        "per_100": rounded(100 * one.difference.difference, 3),
        "ci95": one.difference.interval.scaled(100).as_json(3),
        "mid_p": rounded(one.mid_p, 6),
        "design_effect": rounded(one.design_effect, 3),
        "within": None if one.within is None else _within(one.within),
    }


def _side(share: Proportion) -> dict[str, Any]:
    return _share(share) | {"counts_for": rounded(share.n_effective, 1)}


def _within(within: Within) -> dict[str, Any]:
    """The common difference and odds; nothing where no stratum tells, or none of them lost some parts
    and not all."""
    found = within.pooled
    told = found is not None and found.risk_difference_interval.low is not None
    difference = found.risk_difference if found is not None and told else None
    return {
        "factor": within.factor,
        "strata": [
            [s.name, s.lost_level, s.n_level, s.lost_reference, s.n_reference] for s in within.telling
        ],
        "silent": within.silent,
        "unplaced": within.unplaced,
        "per_100": None if difference is None else rounded(100 * difference, 3),
        "ci95": None if found is None or not told else found.risk_difference_interval.scaled(100).as_json(3),
        "odds": None if found is None else rounded(found.odds_ratio, 3),
        "odds_ci95": None if found is None else found.odds_ratio_interval.as_json(3),
        "homogeneity_p": None if found is None else rounded(found.tarone_p, 5),
        "disagree": within.disagree,
    }


def _interaction(found: EvidenceReport) -> dict[str, Any]:
    table = found.equipment_x_practice
    return {
        "practice": table.practice,
        "n": table.n,
        "unrecorded": table.unrecorded,
        "sentences": [table.when_followed.sentence, table.interaction.sentence],
    }


# Tanks ----------------------------------------------------------------------------------------------


def _tanks(found: EvidenceReport, rows: pd.DataFrame, unit: EvidenceUnit) -> dict[str, Any]:
    tanks = found.tanks
    return {
        "sentence": _in_words(tanks.sentence, unit),
        "counted": found.contamination,
        "n": tanks.n,
        "lost": tanks.lost,
        "parts_needed": tanks.parts_needed,
        "kinds": [_kind(hazard) for hazard in tanks.by_kind],
        "bins": _bins(tanks),
        "filter_sentence": tanks.filter_every.sentence if tanks.filter_every else "",
        "interval_costs": [
            [rounded(one.every, 2), rounded(one.cost, 2), *one.interval.as_json(2)]
            for one in tanks.interval_costs
        ],
        "now_every": _filtered_now(tanks, rows),
        "next_build": [
            {
                "tank": risk.tank,
                "age": rounded(risk.age, 1),
                "risk": rounded(risk.risk),
                "ci95": risk.interval.as_json(),
                "beyond_seen": risk.beyond_seen,
            }
            for risk in tanks.next_build
        ],
    }


def _kind(hazard: Hazard) -> dict[str, Any]:
    ages = np.linspace(hazard.youngest, hazard.oldest, CURVE_POINTS)
    low, high = hazard.band(ages)
    columns = (ages, hazard.chance(ages), low, high)
    ratio, lowest, highest = hazard.ratio_per_step()
    return {
        "age": hazard.age,
        "n": hazard.n,
        "lost": hazard.lost,
        "builds": hazard.builds,
        "span": span_words(hazard),
        "ratio": rounded(ratio),
        "ci95": [rounded(lowest), rounded(highest)],
        "curve": [[rounded(float(value)) for value in point] for point in zip(*columns, strict=True)],
    }


def _bins(tanks: Tanks) -> list[dict[str, Any]]:
    if tanks.bins is None:
        return []
    return [
        {
            "low": one.low,
            "high": one.high,
            "n": one.n,
            "lost": one.lost,
            "rate": rounded(one.rate),
            "ci95": one.interval.as_json(),
        }
        for one in tanks.bins.bins
    ]


def _filtered_now(tanks: Tanks, rows: pd.DataFrame) -> float | None:
    """The age at which tanks are filtered today: the median of the last ages before it fell back."""
    column = TANK_AGES.get(tanks.age or "")
    if column is None or column not in rows.columns or "tank" not in rows.columns:
        return None
    reached = []
    for _, mine in rows[rows[column].notna()].groupby("tank", sort=True):
        age = mine.sort_values("printed_at", kind="stable")[column].to_numpy(dtype=np.float64)
        reached += age[:-1][np.diff(age) < 0].tolist()
    return rounded(float(np.median(reached)), 1) if reached else None


def _first_loss(rows: pd.DataFrame, contamination: Callable[[str], bool]) -> dict[str, Any]:
    """How many builds tanks last until their first contaminated part, as a curve."""
    column = TANK_AGES["builds"]
    if not {column, "tank"} <= set(rows.columns):
        return {"sentence": "No build has its tank and its builds since filtering recorded.", "curve": []}
    lost = rows["lost"].to_numpy(dtype=bool)
    spells = tank_spells(
        rows["tank"].fillna("").to_numpy(dtype=object),
        rows["build"].to_numpy(dtype=object),
        pd.to_datetime(rows["printed_at"]).to_numpy(),
        rows[column].to_numpy(dtype=np.float64, na_value=np.nan),
        contaminated_losses(rows, lost, contamination)[0],
    )
    try:
        found = builds_to_first_loss(spells)
    except StatisticsError as error:
        return {"sentence": error.sentence, "curve": []}
    curve = [
        [
            time,
            int(((spells.entry < time) & (spells.duration >= time)).sum()),
            rounded(share),
            *interval.as_json(),
        ]
        for time, share, interval in zip(found.times, found.survival, found.intervals, strict=True)
    ]
    return {
        "sentence": found.sentence,
        "verdict": found.verdict.value,
        "n": found.n,
        "events": found.events,
        "late": int((spells.entry > 0).sum()),
        "median": found.median,
        "median_ci95": found.median_interval.as_json(2),
        "curve": curve,
        "method": "; ".join(
            [f"{found.method.name} ({found.method.source})", *(one.method for one in found.intervals[:1])]
        ),
    }


# Platform -------------------------------------------------------------------------------------------


def _platform(found: EvidenceReport, rows: pd.DataFrame) -> dict[str, Any]:
    platform = found.platform
    return {
        "sentence": platform.sentence,
        "n": platform.n,
        "lost": platform.lost,
        "p": rounded(platform.p, 4),
        "window_mm": rounded(platform.window_mm, 1),
        "printers": _cells(rows),
    }


def _cells(rows: pd.DataFrame) -> list[dict[str, Any]]:
    """Parts and lost parts by cell of each printer's platform."""
    if not {"platform_x_mm", "platform_y_mm"} <= set(rows.columns):
        return []
    placed = rows[rows["platform_x_mm"].notna() & rows["platform_y_mm"].notna()]
    if not len(placed):
        return []
    spans_mm = [
        float(np.ptp(placed[name].to_numpy(dtype=np.float64))) for name in ("platform_x_mm", "platform_y_mm")
    ]
    cell_mm = max(*spans_mm, 1.0) / GRID
    printers = []
    for printer, mine in placed.groupby("printer", sort=True):
        x, y = (
            np.floor(mine[name].to_numpy(dtype=np.float64) / cell_mm)
            for name in ("platform_x_mm", "platform_y_mm")
        )
        table = pd.DataFrame({"x": x, "y": y, "lost": mine["lost"].to_numpy(dtype=np.int64)})
        sums = table.groupby(["x", "y"])["lost"].agg(["size", "sum"]).reset_index()
        cells = [
            [rounded((a + 0.5) * cell_mm, 1), rounded((b + 0.5) * cell_mm, 1), int(n), int(lost)]
            for a, b, n, lost in sums.to_numpy()
        ]
        printers.append({"printer": str(printer), "cell_mm": rounded(cell_mm, 1), "cells": cells})
    return printers[:MOST_PRINTERS]


# Found late -------------------------------------------------------------------------------------------


def _late(rows: pd.DataFrame, asked: Asked) -> dict[str, Any]:
    flaws, version = list(_each_flaw(rows)), asked.costs
    points = inspection_points(asked.looked_at, (flaw.found for flaw in flaws))
    per_step = float(version.late_step) if version is not None and version.late_step is not None else None
    costs = dict.fromkeys(STEPS, per_step) if per_step is not None else None
    found = found_late(flaws, points=points, cost_of_step=costs)
    return {
        "sentence": found.sentence,
        "n": found.n,
        "left_out": found.left_out,
        "points": list(points),
        "table": [list(cell) for cell in found.table],
        "by_point": [_late_share(one) for one in found.by_point],
        "by_colour": [_late_share(one) for one in found.by_colour],
        "by_translucency": [_late_share(one) for one in found.by_translucency],
    }


def _each_flaw(rows: pd.DataFrame) -> Iterable[Flaw]:
    n = len(rows)
    colours = rows["colour"].tolist() if "colour" in rows.columns else [None] * n
    clear = rows["translucency"].tolist() if "translucency" in rows.columns else [None] * n
    flaws = rows["flaws"].tolist() if "flaws" in rows.columns else [[]] * n
    for some, build, colour, translucency in zip(flaws, rows["build"], colours, clear, strict=True):
        for _, origin, step in some:
            yield Flaw(
                origin.replace("-", " "),
                step.replace("-", " "),
                str(build),
                colour if isinstance(colour, str) else None,
                translucency if isinstance(translucency, str) else None,
            )


def _late_share(one: LateShare) -> dict[str, Any]:
    return {"name": one.name, "cost": rounded(one.cost, 2), **_share(one.share)}


def _share(share: Proportion) -> dict[str, Any]:
    return {
        "n": int(share.n),
        "count": int(share.count),
        "rate": rounded(share.rate) if share.rate is not None else None,
        "ci95": share.interval.as_json(),
    }


# Cost --------------------------------------------------------------------------------------------------


def _cost(rows: pd.DataFrame, costs: Costs, version: CostVersion | None) -> dict[str, Any]:
    lost = rows["lost"].to_numpy(dtype=bool)
    build = rows["build"].to_numpy(dtype=object)
    # A piece carries its part's cost and the forming's, which no record holds together yet.
    handled = _with_handling(rows, version) if "material_cost" in rows.columns else rows
    money = part_cost(handled, costs)
    good = cost_per_good_part(money, ~lost, build)
    size = _effective(lost, build)
    return {
        "sentence": good.sentence,
        "cost": rounded(good.cost, 2),
        "ci95": _ends(good.interval),
        "n": good.n,
        "good": good.good,
        "without_cost": good.without_cost,
        "per_attempt": rounded(good.per_attempt, 2),
        "attempt_ci95": _ends(good.attempt_interval),
        "parts": len(rows),
        "lost": int(lost.sum()),
        "n_effective": rounded(size, 1),
        "to_print": [_how_many(wanted, lost, build) for wanted in GOOD_WANTED],
    }


def _with_handling(rows: pd.DataFrame, version: CostVersion | None) -> pd.DataFrame:
    """Handling time as the lab states it, where none is recorded."""
    if version is None or version.labour_min is None:
        return rows
    stated = float(version.labour_min)
    known = rows["labour_min"] if "labour_min" in rows.columns else pd.Series(math.nan, index=rows.index)
    return rows.assign(labour_min=known.astype("float64").fillna(stated))


def _effective(lost: npt.NDArray[np.bool_], build: npt.NDArray[np.object_]) -> float:
    if not len(lost):
        return 0.0
    codes = np.unique(build.astype(str), return_inverse=True)[1]
    return effective_size(np.bincount(codes, lost), np.bincount(codes)).n_effective


def _how_many(wanted: int, lost: npt.NDArray[np.bool_], build: npt.NDArray[np.object_]) -> dict[str, Any]:
    found = how_many_to_print(wanted, lost, build)
    return {"good": wanted, "to_print": found.to_print, "expected": rounded(found.expected, 1)}


# Actions ------------------------------------------------------------------------------------------------


def _effect(rows: pd.DataFrame, action: Action) -> dict[str, Any]:
    """Parts of the days before the action against those from it on, as it was planned."""
    moments = pd.to_datetime(rows["printed_at"]).to_numpy().astype("datetime64[s]").astype(np.int64)
    day = np.floor(moments / DAY_S)
    start = float((action.starts_on - date(1970, 1, 1)).days)
    at = day >= start - action.before_days
    effect = judge_action(
        day[at],
        rows["lost"].to_numpy(dtype=bool)[at],
        rows["build"].to_numpy(dtype=object)[at],
        action_day=start,
        hoped_per_100=float(action.hoped_per_100),
    )
    found = effect_json(effect)
    return found | {"sentence": _in_words(found["sentence"], EvidenceUnit(action.unit))}


def effect_json(effect: Effect) -> dict[str, Any]:
    """An effect as it is kept with its action."""
    return {
        "verdict": effect.verdict.value,
        "sentence": effect.sentence,
        "saved_per_100": rounded(effect.saved_per_100, 2),
        "ci95": _ends(effect.interval),
        "before": _share(effect.before),
        "after": _share(effect.after),
        "already_falling": effect.already_falling,
        "parts_needed": effect.parts_needed,
        "method": f"{effect.method.name} ({effect.method.source})",
    }


def _ends(interval: Interval) -> list[float | None]:
    return interval.as_json(2)
