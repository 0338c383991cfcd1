"""The evidence report: one table of parts in, every standing question answered, one form out.

The claims of one report share one error: of the 5 % that a lab without any cause may see, the causes
have 3, the tanks 1, equipment against practice half of one and the platform half of one.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from qa.statistics.by_hand import ByHand, Strata, by_hand
from qa.statistics.causes import Cause, Causes, Examined, examine, judge_causes, loss_of
from qa.statistics.costs import Costs
from qa.statistics.factors import STEP, find_factors
from qa.statistics.interaction import EquipmentPractice, Gap, equipment_by_practice
from qa.statistics.platform import Platform, lost_by_place
from qa.statistics.results import Interval, StatisticsError, Verdict, rounded
from qa.statistics.shares import Split, split_loss
from qa.statistics.tanks import AGES as TANK_AGES
from qa.statistics.tanks import Tanks, judge_tanks

if TYPE_CHECKING:
    import pandas as pd

FloatArray = npt.NDArray[np.float64]

CAUSES_ALPHA, TANKS_ALPHA, INTERACTION_ALPHA, PLATFORM_ALPHA = 0.03, 0.01, 0.005, 0.005
STEP_P = 0.05  # the step that "followed" looks at is the one that goes with loss at this p
DAYS_PER_MONTH = 30.4375
FEW_DRAWS, MANY_DRAWS = 199, 1999
_CONTAMINATION = re.compile(
    r"flake|debris|contamin|particle|inclusion|dirt|dust|pit\b|stuck|bump", re.IGNORECASE
)


def is_contamination(defect: str) -> bool:
    """Whether a defect's name speaks of something loose in the resin (common practice)."""
    return bool(_CONTAMINATION.search(defect.replace("_", " ")))


@dataclass(frozen=True, slots=True)
class EvidenceReport:
    """All answers for one table. ``contamination`` says which losses the tanks are judged by;
    ``plainly`` is each factor examined, not adjusted."""

    unit: str
    since: date | None
    parts: int
    lost: int
    immature: int
    causes: Causes
    equipment_x_practice: EquipmentPractice
    split: Split
    tanks: Tanks
    platform: Platform
    contamination: str
    cost_per_lost_part: float | None
    plainly: tuple[ByHand, ...]

    @property
    def put_forward(self) -> tuple[Cause, ...]:
        """At most three shown causes to act on.

        A printer that loses more only where a step is skipped, and no more than the others where it is
        followed, is not among them: the step is, and it is what can be acted on.
        """
        table = self.equipment_x_practice
        shown = {cause.factor for cause in self.causes.causes if cause.verdict is Verdict.SHOWN}
        by_step = (
            table.practice in shown
            and table.interaction.verdict is Verdict.SHOWN
            and table.when_followed.verdict is not Verdict.SHOWN
        )
        return self.causes.forward_without(frozenset({"printer"}) if by_step else frozenset())

    def as_json(self) -> dict[str, Any]:
        """The report as plain lists, numbers and words; no value is infinite or not a number."""
        return {
            "unit": self.unit,
            "since": self.since.isoformat() if self.since else None,
            "parts": self.parts,
            "lost": self.lost,
            "immature": self.immature,
            "causes": [_cause_json(cause) for cause in self.causes.causes],
            "not_examined": [{"factor": n.factor, "reason": n.reason} for n in self.causes.not_examined],
            "put_forward": [cause.factor for cause in self.put_forward],
            "equipment_x_practice": _interaction_json(self.equipment_x_practice),
            "split": _split_json(self.split),
            "tanks": _tanks_json(self.tanks),
            "platform": _platform_json(self.platform),
        }


def evidence(
    frame: pd.DataFrame,
    *,
    unit: str = "part",
    since: date | None = None,
    costs: Costs | None = None,
    seed: int = 1,
    contamination: Callable[[str], bool] = is_contamination,
) -> EvidenceReport:
    """Answer the standing questions from one row per part (or piece).

    ``frame``: columns as in the import format, plus ``lost`` (booleans; where absent, scrapped is
    lost), ``mature`` (where absent, all are) and ``build`` (a missing one makes the part its own).
    Rows not mature are left out and counted; ``since`` leaves out rows printed earlier.

    Raises :class:`StatisticsError`: ``unit`` for anything but 'part' and 'piece'.
    """
    if unit not in ("part", "piece"):
        raise StatisticsError("unit", "The unit is 'part' or 'piece'.")
    rows, immature = _usable(frame, since)
    lost = rows["lost"].to_numpy(dtype=bool)
    loss = loss_of(lost, rows["build"].to_numpy(dtype=object))
    factors, not_examined = find_factors(rows, loss.build) if len(rows) else ((), ())
    examined = examine(loss, factors)
    costs = costs or Costs()
    per_lost = costs.lost_part if costs.lost_part is not None else _mean_cost(rows, costs)
    causes = judge_causes(
        examined,
        not_examined=not_examined,
        months=_months(rows),
        cost_per_lost_part=per_lost,
        discovery_rate=CAUSES_ALPHA,
    )
    contaminated, words = contaminated_losses(rows, lost, contamination)
    return EvidenceReport(
        unit=unit,
        since=since,
        parts=len(rows),
        lost=int(lost.sum()),
        immature=immature,
        causes=causes,
        equipment_x_practice=_practice(rows, lost, examined),
        split=_split(examined, causes, seed),
        tanks=_tanks(rows, contaminated, costs, per_lost, seed),
        platform=_platform(rows, lost, seed),
        contamination=words,
        cost_per_lost_part=per_lost,
        plainly=_plainly(rows, examined),
    )


def part_cost(frame: pd.DataFrame, costs: Costs) -> FloatArray:
    """Cost of each attempt from its material, labour and machine time; not-a-number where none is known.

    Labour and machine time count only where their hourly rates are known.
    """
    n = len(frame)
    total, known = np.zeros(n), np.zeros(n, dtype=bool)
    terms = (
        ("material_cost", 1.0),
        ("labour_min", None if costs.labour_per_h is None else costs.labour_per_h / 60),
        ("machine_h", costs.machine_per_h),
    )
    for name, price in terms:
        if price is not None and name in frame.columns:
            values = frame[name].to_numpy(dtype=np.float64, na_value=np.nan)
            has = np.isfinite(values)
            total, known = total + np.where(has, values, 0.0) * price, known | has
    return np.where(known, total, np.nan)


def _usable(frame: pd.DataFrame, since: date | None) -> tuple[pd.DataFrame, int]:
    """The mature rows of the period with ``lost`` and ``build`` filled in, and the immature ones' count."""
    import pandas as pd

    rows = frame
    if "lost" not in rows.columns and "outcome" not in rows.columns:
        raise StatisticsError("no_outcome", "The table needs a column 'lost' or 'outcome'.")
    if since is not None and "printed_at" in rows.columns:
        start = since if isinstance(since, datetime) else datetime.combine(since, datetime.min.time())
        rows = rows[pd.to_datetime(rows["printed_at"]) >= start]
    mature = np.ones(len(rows), dtype=bool)
    if "mature" in rows.columns:
        mature = rows["mature"].fillna(False).to_numpy(dtype=bool)  # noqa: FBT003  # pandas' own signature
    immature = int((~mature).sum())
    rows = rows[mature].reset_index(drop=True)
    lost = rows["lost"] if "lost" in rows.columns else rows["outcome"] == "scrapped"
    own = np.array([f"\0row {i}" for i in range(len(rows))], dtype=object)
    build = rows["build"].to_numpy(dtype=object) if "build" in rows.columns else own
    build = np.where(pd.isna(build) | (build == ""), own, build)
    return rows.assign(lost=lost.astype(bool), build=build), immature


def _months(rows: pd.DataFrame) -> float | None:
    import pandas as pd

    if "printed_at" not in rows.columns or len(rows) == 0:
        return None
    moments = pd.to_datetime(rows["printed_at"])
    days = (moments.max() - moments.min()).total_seconds() / 86400
    return max(1.0, days / DAYS_PER_MONTH) if np.isfinite(days) else None


def _mean_cost(rows: pd.DataFrame, costs: Costs) -> float | None:
    """What a lost part costs at least, where told by no one: the mean cost of an attempt."""
    cost = part_cost(rows, costs)
    known = np.isfinite(cost)
    return float(cost[known].mean()) if len(rows) and known.mean() >= 0.5 else None


def contaminated_losses(
    rows: pd.DataFrame, lost: npt.NDArray[np.bool_], contamination: Callable[[str], bool]
) -> tuple[npt.NDArray[np.bool_], str]:
    """Parts lost to contamination; every lost part where defects are seldom recorded."""
    if "defects" not in rows.columns or not lost.any():
        return lost, "every lost part, since no defects are recorded"
    named = [_defect_names(value) for value in rows["defects"].to_numpy(dtype=object)]
    has = np.array([bool(names) for names in named], dtype=bool)
    if has[lost].mean() < 0.5:
        return lost, "every lost part, since few lost parts have their defects recorded"
    at = np.array([any(contamination(name) for name in names) for names in named], dtype=bool)
    return lost & at, "parts lost with a defect of the contamination list"


def _defect_names(value: Any) -> tuple[str, ...]:
    if isinstance(value, str):
        return tuple(name.strip() for name in value.split(";") if name.strip())
    return tuple(str(name) for name in value) if isinstance(value, tuple | list) else ()


def _plainly(rows: pd.DataFrame, examined: Examined) -> tuple[ByHand, ...]:
    """Each factor within printers, and the printer itself within materials."""
    printers, materials = (_strata(rows, name) for name in ("printer", "material"))
    found = (
        by_hand(one, examined.loss, materials if one.factor.name == "printer" else printers)
        for one in examined.contrasts
    )
    return tuple(one for one in found if one is not None)


def _strata(rows: pd.DataFrame, name: str) -> Strata | None:
    import pandas as pd

    if name not in rows.columns:
        return None
    column = rows[name].astype(object)
    codes, names = pd.factorize(column.where(column.notna() & (column != ""), None), sort=True)
    return Strata(name, tuple(str(one) for one in names), codes.astype(np.int64)) if len(names) else None


def _practice(rows: pd.DataFrame, lost: npt.NDArray[np.bool_], examined: Examined) -> EquipmentPractice:
    """Cells by the step that goes with loss most, or by every step where none does."""
    steps = [str(name) for name in rows.columns if str(name).startswith(STEP)]
    p_of = {name: examined.p_of(name) for name in steps}
    best = min(steps, key=lambda name: (p_of[name], name), default=None)
    chosen = [best] if best is not None and p_of[best] < STEP_P else steps
    followed = np.full(len(rows), np.nan)
    for name in chosen:
        answers = rows[name].to_numpy(dtype=object)
        followed[(answers == "yes") & np.isnan(followed)] = 1.0
        followed[answers == "no"] = 0.0
    none = np.full(len(rows), None, dtype=object)
    printer = rows["printer"].to_numpy(dtype=object) if "printer" in rows.columns else none
    return equipment_by_practice(
        np.where(_missing(printer), "", printer),
        followed,
        lost,
        rows["build"].to_numpy(dtype=object),
        practice=chosen[0] if len(chosen) == 1 else "every step",
        alpha=INTERACTION_ALPHA / 2,
    )


def _missing(values: npt.NDArray[Any]) -> npt.NDArray[np.bool_]:
    import pandas as pd

    return np.asarray(pd.isna(values), dtype=bool)


def _split(examined: Examined, causes: Causes, seed: int) -> Split:
    """One contrast of each alias group; shown causes whose alias group mixes groups are said so."""
    taken: set[int] = set()
    chosen, spans = [], False
    shown = {cause.factor for cause in causes.causes if cause.verdict is Verdict.SHOWN}
    order = sorted(range(len(examined.estimates)), key=lambda i: examined.estimates[i].p)
    for i in order:
        if i in taken:
            continue
        chosen.append(examined.contrasts[i])
        taken |= examined.groups[i]
        kinds = {examined.contrasts[j].factor.group for j in examined.groups[i]}
        spans = spans or (len(kinds) > 1 and examined.contrasts[i].factor.name in shown)
    return split_loss(examined.loss, chosen, claim=bool(shown), spans_groups=spans, seed=seed)


def _tanks(
    rows: pd.DataFrame,
    contaminated: npt.NDArray[np.bool_],
    costs: Costs,
    per_lost: float | None,
    seed: int,
) -> Tanks:
    ages = {
        kind: rows[name].to_numpy(dtype=np.float64, na_value=np.nan)
        for kind, name in TANK_AGES.items()
        if name in rows.columns
    }
    tank = (
        rows["tank"].to_numpy(dtype=object)
        if "tank" in rows.columns
        else np.full(len(rows), "", dtype=object)
    )
    return judge_tanks(
        ages,
        contaminated,
        rows["build"].to_numpy(dtype=object),
        tank,
        current=_next_ages(rows, ages, tank),
        cost_filter=costs.filter_tank,
        cost_lost=per_lost,
        alpha=TANKS_ALPHA,
        seed=seed,
    )


def _next_ages(
    rows: pd.DataFrame, ages: dict[str, FloatArray], tank: npt.NDArray[np.object_]
) -> dict[str, dict[str, float]]:
    """Each tank's age at its next build: one build more, or one typical step between its builds."""
    if "printed_at" not in rows.columns:
        return {}
    order = np.argsort(rows["printed_at"].to_numpy(), kind="stable")
    known = ~_missing(tank) & (tank != "")
    result: dict[str, dict[str, float]] = {}
    for name in sorted({str(name) for name in tank[known]}):
        mine = order[(tank[order] == name)]
        result[name] = {}
        for kind, age in ages.items():
            series = age[mine]
            series = series[np.isfinite(series)]
            if len(series) == 0:
                continue
            steps = np.diff(series)
            rises = steps[steps > 0]
            step = 1.0 if kind == "builds" else float(np.median(rises)) if len(rises) else 0.0
            result[name][kind] = float(series[-1]) + step
    return result


def _platform(rows: pd.DataFrame, lost: npt.NDArray[np.bool_], seed: int) -> Platform:
    none = np.full(len(rows), np.nan)

    def numbers(name: str) -> FloatArray:
        return rows[name].to_numpy(dtype=np.float64, na_value=np.nan) if name in rows.columns else none

    printer = rows["printer"].to_numpy(dtype=object) if "printer" in rows.columns else none.astype(object)
    places = (
        printer,
        numbers("platform_x_mm"),
        numbers("platform_y_mm"),
        lost,
        rows["build"].to_numpy(dtype=object),
    )
    found = lost_by_place(*places, draws=FEW_DRAWS, seed=seed, alpha=PLATFORM_ALPHA)
    if found.p <= 0.03:
        # Few drawings cannot show a p this small; many are spent only where it matters.
        found = lost_by_place(*places, draws=MANY_DRAWS, seed=seed, alpha=PLATFORM_ALPHA)
    return found if found.p <= PLATFORM_ALPHA else replace(found, verdict=Verdict.UNKNOWN)


def _cause_json(cause: Cause) -> dict[str, Any]:
    return {
        "factor": cause.factor,
        "level": cause.level,
        "reference": cause.reference,
        "n_level": cause.n_level,
        "group": cause.group,
        "saved_per_100": rounded(cause.saved_per_100),
        "ci95": cause.interval.as_json(),
        "money_per_month": rounded(cause.money_per_month, 2),
        "money_ci95": None if cause.money_interval is None else cause.money_interval.as_json(2),
        "verdict": cause.verdict.value,
        "inseparable_from": list(cause.inseparable_from),
        "parts_needed": cause.parts_needed,
    }


def _gap_json(gap: Gap) -> dict[str, Any]:
    return {
        "difference_per_100": rounded(gap.difference_per_100),
        "ci95": _ends(gap.interval),
        "verdict": gap.verdict.value,
    }


def _ends(interval: Interval | None) -> list[float | None] | None:
    if interval is None or (interval.low is None and interval.high is None):
        return None
    return interval.as_json()


def _interaction_json(found: EquipmentPractice) -> dict[str, Any]:
    cells = [
        {
            "equipment": cell.equipment,
            "followed": cell.followed,
            "n": cell.n,
            "lost": cell.lost,
            "rate": rounded(cell.rate),
            "ci95": cell.interval.as_json() if cell.n else None,
        }
        for cell in found.cells
    ]
    return {
        "practice": found.practice,
        "cells": cells,
        **_gap_json(found.interaction),
        "when_followed": _gap_json(found.when_followed),
    }


def _split_json(split: Split) -> dict[str, Any]:
    shares = {s.group: {"share": rounded(s.share), "ci95": _ends(s.interval)} for s in split.shares}
    order = ("practice", "equipment", "material")
    return {
        **{name: shares[name] for name in order},
        "verdict": split.verdict.value,
        "leading": split.leading,
    }


def _tanks_json(tanks: Tanks) -> dict[str, Any]:
    hazard, every = tanks.hazard, tanks.filter_every
    return {
        "verdict": tanks.verdict.value,
        "age": tanks.age,
        "hazard_ratio_per_10": rounded(hazard.ratio_per_10) if hazard else None,
        "ci95": _ends(hazard.interval) if hazard else None,
        "filter_every": rounded(every.every, 2) if every else None,
        "filter_ci95": every.interval.as_json(2) if every else None,
        "next_build": [
            {"tank": risk.tank, "risk": rounded(risk.risk), "ci95": risk.interval.as_json()}
            for risk in tanks.next_build
        ],
    }


def _platform_json(platform: Platform) -> dict[str, Any]:
    spots = [
        {
            "printer": spot.printer,
            "x_mm": rounded(spot.x_mm, 1),
            "y_mm": rounded(spot.y_mm, 1),
            "lost": spot.lost,
            "expected": rounded(spot.expected, 2),
            "p": rounded(spot.p, 5),
        }
        for spot in platform.spots
    ]
    return {"verdict": platform.verdict.value, "spots": spots}
