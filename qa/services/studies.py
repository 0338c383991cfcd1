"""Can we measure it? Studies of devices, and agreement between methods and people.

A judged study hands its expanded uncertainty to the device as an event with its date; every decision on
a part from then on takes it off the tolerance.
"""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from decimal import ROUND_UP, Decimal
from typing import Any

import numpy as np
from django.utils import timezone

from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.services.record import record_created, save_recorded
from labtrack.audit.services.submissions import Outcome, once
from labtrack.errors import Conflict, NotFound, Refused
from labtrack.numbers import plain_number
from labtrack.usecase import use_case
from production.choices import MEASURING_KINDS, EventKind
from production.models import Equipment
from production.services.equipment import LARGEST_UNCERTAINTY_MM, record_event
from qa.choices import AgreementKind
from qa.models import AgreementStudy, DeviceStudy
from qa.statistics.agreement import (
    Agreement,
    Kappa,
    bland_altman,
    cohen_kappa,
    intraclass_correlation,
    repeatability,
)
from qa.statistics.gauge import average_range_study, crossed_study, expanded_uncertainty
from qa.statistics.results import Interval, StatisticsError, rounded

MOST_READING_MM = 1_000.0
MOST_PAIRS = 2_000
MOST_GRADES = 12
FEWEST_PAIRS = 3
_STEP_MM = Decimal("0.001")

Reading = tuple[int, int, int]


def plan_study(
    *,
    actor: Actor,
    key: str,
    device_id: int,
    characteristic: str,
    parts: int = 10,
    appraisers: int = 3,
    trials: int = 3,
) -> Outcome[DeviceStudy]:
    """Plan a crossed study of a device and draw the order of its readings."""
    actor.require(Capability.IMPROVE)
    if not characteristic.strip():
        raise Refused("characteristic-missing", "Say what is measured.", field="characteristic")
    if not (2 <= parts <= 30 and 1 <= appraisers <= 6 and 2 <= trials <= 5):
        raise Refused("design", "Plan 2 to 30 parts, 1 to 6 people and 2 to 5 times each.", field="parts")
    device = Equipment.objects.filter(pk=device_id, kind__in=MEASURING_KINDS, retired_at__isnull=True).first()
    if device is None:
        raise Refused("device-unknown", "Choose a scanner or a caliper that is in service.", field="device")
    seed = secrets.randbelow(2**31)

    def make() -> DeviceStudy:
        study = DeviceStudy.objects.create(
            device=device,
            characteristic=characteristic.strip()[:80],
            parts=parts,
            appraisers=appraisers,
            trials=trials,
            seed=seed,
            planned_by=actor.user,
        )
        record_created(actor=actor, action="study.plan", subject=study)
        return study

    payload = [device_id, characteristic, parts, appraisers, trials]
    return once(actor=actor, key=key, use_case="plan-study", payload=payload, model=DeviceStudy, make=make)


def reading_order(study: DeviceStudy) -> list[Reading]:
    """(trial, person, part) in the order to measure: in each trial every person meets all parts, drawn."""
    rng = np.random.default_rng(study.seed)
    order: list[Reading] = []
    for trial in range(1, study.trials + 1):
        for person in rng.permutation(study.appraisers) + 1:
            order += [(trial, int(person), int(part)) for part in rng.permutation(study.parts) + 1]
    return order


def judge_study(
    *, actor: Actor, study_id: int, values: Sequence[Sequence[Sequence[float]]], bias_mm: float = 0.0
) -> DeviceStudy:
    """Judge a study by its readings (part, person, trial; mm) and put the device's U in force from now."""
    actor.require(Capability.IMPROVE)
    with use_case():
        study = DeviceStudy.objects.select_for_update().filter(pk=study_id).first()
        if study is None:
            raise NotFound("There is no such study.")
        if study.judged_at is not None:
            raise Conflict("study-judged", "This study is judged already. Plan another one.")
        result = _judged(study, values, bias_mm)
        at = timezone.now()
        save_recorded(
            actor=actor,
            action="study.judge",
            subject=study,
            changes={
                "values": [[[float(one) for one in cell] for cell in row] for row in values],
                "bias_mm": float(bias_mm),
                "result": result,
                "judged_at": at,
                "judged_by": actor.user,
            },
        )
        if result["uncertainty_mm"]:
            record_event(
                actor=actor,
                key=f"device-study-{study.pk}",
                equipment_id=study.device_id,
                kind=EventKind.STUDIED,
                value=Decimal(str(result["uncertainty_mm"])),
                unit="mm",
                occurred_at=at,
                note=f"Study {study.pk}: {study.characteristic}"[:200],
            )
        return study


def _judged(
    study: DeviceStudy, values: Sequence[Sequence[Sequence[float]]], bias_mm: float
) -> dict[str, Any]:
    try:
        cube = np.array(values, dtype=np.float64)
    except (TypeError, ValueError):
        cube = np.array([])
    if cube.shape != (study.parts, study.appraisers, study.trials) or not np.isfinite(cube).all():
        raise Refused("values", "Give every reading that was planned, as a plain number.", field=None)
    if np.abs(cube).max() > MOST_READING_MM:
        raise Refused("values", f"A reading is a length in mm, at most {MOST_READING_MM:g}.", field=None)
    if not abs(bias_mm) <= float(LARGEST_UNCERTAINTY_MM):
        raise Refused("bias", "The known offset is in mm, between -5 and 5.", field="bias_mm")
    found = crossed_study(cube)
    uncertainty = _rounded_up(expanded_uncertainty(found.gauge, bias=bias_mm))
    if found.gauge == 0:
        uncertainty = None
    elif uncertainty is not None and uncertainty > LARGEST_UNCERTAINTY_MM:
        raise Refused(
            "uncertainty-large",
            f"These readings give U = {uncertainty} mm. One may be in another unit, or of another part.",
            field=None,
        )
    return {
        "n": found.n,
        "repeatability": rounded(found.repeatability, 6),
        "reproducibility": rounded(found.reproducibility, 6),
        "gauge": rounded(found.gauge, 6),
        "part": rounded(found.part, 6),
        "share": rounded(found.share),
        "share_ci95": found.share_interval.as_json(),
        "categories": found.categories,
        "verdict": found.verdict.value,
        "sentence": found.sentence if found.gauge else "Every reading of a part is the same.",
        "method": f"{found.method.name} ({found.method.source})",
        "uncertainty_mm": None if uncertainty is None else float(uncertainty),
        "people_agree": _people(cube),
        "by_range": _by_range(cube),
    }


def _rounded_up(uncertainty_mm: float) -> Decimal | None:
    """To the next micrometre: an uncertainty is never told smaller than it is."""
    if uncertainty_mm <= 0:
        return None
    return Decimal(repr(round(uncertainty_mm, 9))).quantize(_STEP_MM, rounding=ROUND_UP)


def _people(cube: Any) -> dict[str, Any] | None:
    """How far people agree on a part: each one's mean of it, absolute agreement of single people."""
    if cube.shape[1] < 2:
        return None
    try:
        found = intraclass_correlation(cube.mean(axis=2))
    except StatisticsError:
        return None
    return {"icc": rounded(found.icc_2), "ci95": found.interval.as_json()}


def _by_range(cube: Any) -> dict[str, Any] | None:
    try:
        found = average_range_study(cube)
    except StatisticsError:
        return None
    return {"share": rounded(found.share), "categories": found.categories}


def judge_agreement(
    *,
    actor: Actor,
    key: str,
    kind: str,
    title: str,
    first: str,
    second: str,
    pairs: Sequence[Sequence[str]],
) -> Outcome[AgreementStudy]:
    """Judge whether two methods measure the same, or two people grade the same, on the same items."""
    actor.require(Capability.IMPROVE)
    a, b = first.strip(), second.strip()
    if not title.strip():
        raise Refused("title-missing", "Say what is compared.", field="title")
    if not a or not b or a.lower() == b.lower():
        raise Refused("names", "Name the two, each by its own name.", field="second")
    if not FEWEST_PAIRS <= len(pairs) <= MOST_PAIRS:
        raise Refused(
            "pairs", f"Give {FEWEST_PAIRS} to {MOST_PAIRS} items that both looked at.", field="pairs"
        )
    kept: list[list[Any]]
    if kind == AgreementKind.METHODS:
        kept = [[_number(word, place) for word in pair] for place, pair in enumerate(pairs, start=1)]
        result = _methods(kept, a, b)
    else:
        kept = [[str(word).strip().lower()[:40] for word in pair] for pair in pairs]
        result = _graders(kept)

    def make() -> AgreementStudy:
        study = AgreementStudy.objects.create(
            kind=kind,
            title=title.strip()[:120],
            first=a[:60],
            second=b[:60],
            pairs=kept,
            result=result,
            judged_by=actor.user,
        )
        record_created(actor=actor, action="agreement.judge", subject=study)
        return study

    payload = [kind, title, first, second, [list(pair) for pair in pairs]]
    return once(
        actor=actor, key=key, use_case="judge-agreement", payload=payload, model=AgreementStudy, make=make
    )


def _number(word: str, place: int) -> float:
    """A reading; one comma and no point is a decimal comma."""
    try:
        value = float(plain_number(str(word)))
    except ValueError:
        value = float("nan")
    if not abs(value) <= 1e6:
        raise Refused("pairs", f"Item {place}: “{str(word)[:20]}” is not a plain number.", field="pairs")
    return value


def _methods(pairs: list[list[Any]], first: str, second: str) -> dict[str, Any]:
    x = np.array(pairs, dtype=np.float64)
    found = bland_altman(x[:, 0], x[:, 1])
    within, coefficient = repeatability(x[:, 0], x[:, 1])
    figures = [
        _figure(f"{first} less {second}, on average", found.bias, found.bias_interval),
        _figure("lower limit of agreement", found.low, found.low_interval),
        _figure("upper limit of agreement", found.high, found.high_interval),
        _figure("spread within an item, standard deviation", within),
        _figure("95 of 100 pairs lie closer than", coefficient),
    ]
    if np.ptp(x) > 0:
        icc = intraclass_correlation(x)
        figures.append(_figure("intraclass correlation, absolute agreement", icc.icc_2, icc.interval))
    return _answer(found, figures)


def _graders(pairs: list[list[Any]]) -> dict[str, Any]:
    grades = sorted({word for pair in pairs for word in pair})
    if "" in grades or len(grades) > MOST_GRADES:
        raise Refused("pairs", f"Give each item a grade by both, of at most {MOST_GRADES}.", field="pairs")
    place = {grade: index for index, grade in enumerate(grades)}
    table = np.zeros((len(grades), len(grades)))
    for a, b in pairs:
        table[place[a], place[b]] += 1
    found = cohen_kappa(table)
    figures = [
        _figure("agreement seen", found.observed),
        _figure("agreement by chance alone", found.expected),
        _figure("agreement beyond chance (kappa)", found.kappa, found.interval),
    ]
    return _answer(found, figures)


def _answer(found: Agreement | Kappa, figures: list[dict[str, Any]]) -> dict[str, Any]:
    return {
        "n": found.n,
        "verdict": found.verdict.value,
        "sentence": found.sentence,
        "figures": figures,
        "method": f"{found.method.name} ({found.method.source})",
    }


def _figure(name: str, value: float | None, interval: Interval | None = None) -> dict[str, Any]:
    low, high = interval.as_json() if interval is not None else (None, None)
    return {"name": name, "value": rounded(value), "low": low, "high": high}
