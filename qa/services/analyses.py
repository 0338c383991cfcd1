"""Analyses of the evidence: computed by a worker, kept until the data change, never in a request.

An analysis is asked for when a page or script wants one that is not there. While the next is being
computed the latest finished one is shown, with the moment it was computed at.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.conf import settings
from django.db import IntegrityError, transaction
from django.utils import timezone

from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.jobs.choices import Queue
from labtrack.jobs.handlers import Handler, JobRefused, Progress, Store, register
from labtrack.jobs.models import Job
from labtrack.jobs.services.enqueue import enqueue
from labtrack.usecase import use_case
from qa.choices import CheckState, EvidenceUnit
from qa.models import Action, CostVersion, EvidenceAnalysis, Inspection
from qa.queries.costs import costs_in_force
from qa.queries.evidence_frame import contamination_names, evidence_frame
from qa.services.analysis_content import Asked, content
from qa.services.evidence_version import evidence_version
from qa.statistics.results import StatisticsError

KIND = "evidence"
ENGINE = "evidence 8"  # raise it when the same data would get another result
READING_SHARE = 0.4
MOST_KEPT = 40  # of all units and ranges together


@dataclass(frozen=True)
class Analysed:
    """What is known of a unit and range: the latest ``done``, and ``coming`` while it is out of date."""

    unit: EvidenceUnit
    since: date | None
    done: EvidenceAnalysis | None
    coming: EvidenceAnalysis | None

    @property
    def result(self) -> dict[str, Any] | None:
        return self.done.result if self.done else None

    @property
    def waiting(self) -> bool:
        return self.coming is not None and self.coming.state == CheckState.WAITING


def register_handler() -> None:
    """Called once when the app starts."""
    register(Handler(KIND, Queue.HEAVY, compute_analysis, refuse_analysis))


def analysed(*, actor: Actor, unit: EvidenceUnit, since: date | None = None) -> Analysed:
    """The latest analysis; a new one is asked for where the data, the costs or the plans have changed."""
    actor.require(Capability.TRENDS_READ)
    current = _current(unit, since)
    if current is not None and current.state == CheckState.DONE:
        return Analysed(unit, since, current, None)
    with use_case():
        coming = _ask(unit, since, actor)
    # Pages read this engine's results: one of before an upgrade may lack what they show.
    same = EvidenceAnalysis.objects.filter(unit=unit, since=since, state=CheckState.DONE)
    done = same.filter(result__engine=ENGINE).order_by("-id").first()
    return Analysed(unit, since, done, coming)


def try_again(*, actor: Actor, unit: EvidenceUnit, since: date | None = None) -> Analysed:
    """Ask once more for an analysis that failed."""
    actor.require(Capability.TRENDS_READ)
    current = _current(unit, since)
    if current is not None and current.state == CheckState.REFUSED:
        EvidenceAnalysis.objects.filter(pk=current.pk, state=CheckState.REFUSED).delete()
    return analysed(actor=actor, unit=unit, since=since)


def _key(unit: EvidenceUnit, since: date | None, costs: CostVersion | None, version: int) -> str:
    facts = {
        "engine": ENGINE,
        "unit": unit,
        "since": since.isoformat() if since else None,
        "costs": costs.version if costs else 0,
        "version": version,
        "mature_days": settings.EVIDENCE_MATURE_DAYS,
        "actions": [
            [a.pk, a.starts_on.isoformat(), a.before_days, str(a.hoped_per_100)] for a in _actions(unit)
        ],
    }
    return hashlib.sha256(json.dumps(facts, sort_keys=True).encode()).hexdigest()


def _actions(unit: EvidenceUnit) -> tuple[Action, ...]:
    return tuple(Action.objects.filter(unit=unit, closed_at__isnull=True).order_by("pk"))


def _looked_at() -> tuple[str, ...]:
    return tuple(sorted(Inspection.objects.order_by().values_list("step", flat=True).distinct()))


def _current(unit: EvidenceUnit, since: date | None) -> EvidenceAnalysis | None:
    key = _key(unit, since, costs_in_force(), evidence_version())
    return EvidenceAnalysis.objects.select_related("job").filter(key=key).first()


def _ask(unit: EvidenceUnit, since: date | None, actor: Actor) -> EvidenceAnalysis:
    costs, version = costs_in_force(), evidence_version()
    key = _key(unit, since, costs, version)
    try:
        with transaction.atomic():
            analysis, _ = EvidenceAnalysis.objects.get_or_create(
                key=key, defaults={"unit": unit, "since": since, "version": version, "costs": costs}
            )
    except IntegrityError:  # asked for twice in the same moment
        analysis = EvidenceAnalysis.objects.get(key=key)
    if analysis.state == CheckState.WAITING and (analysis.job is None or analysis.job.is_final):
        # One job per unit and range at a time: it computes what is asked for when it starts.
        analysis.job = enqueue(
            kind=KIND,
            key=f"{unit} {since or 'all'}",
            parameters={"unit": unit, "since": since.isoformat() if since else None},
            actor=actor,
        )
        analysis.save(update_fields=["job"])
    return analysis


def compute_analysis(job: Job, progress: Progress) -> Store:
    """Read the evidence and judge it; the result is stored under the data it was read from."""
    unit = EvidenceUnit(job.parameters["unit"])
    since = date.fromisoformat(job.parameters["since"]) if job.parameters["since"] else None
    costs, version, actions = costs_in_force(), evidence_version(), _actions(unit)
    key = _key(unit, since, costs, version)
    progress(0.0, "reading the evidence")
    frame = evidence_frame(
        unit, since=since, report=lambda share, words: progress(READING_SHARE * share, words)
    )
    try:
        result = content(
            frame,
            Asked(unit, since, costs, actions, _looked_at()),
            contamination_names(),
            lambda share, words: progress(READING_SHARE + (1 - READING_SHARE) * share, words),
        )
    except StatisticsError as error:
        raise JobRefused(error.sentence) from error
    except MemoryError:
        raise JobRefused(
            f"The evidence needs more memory than a worker may use ({settings.JOB_MEMORY_LIMIT_MB:,} MB). "
            "Choose a shorter range."
        ) from None
    return lambda: _store(job, key, unit, since, costs, version, result)


def _store(
    job: Job,
    key: str,
    unit: EvidenceUnit,
    since: date | None,
    costs: CostVersion | None,
    version: int,
    result: dict[str, Any],
) -> dict[str, Any]:
    analysis, _ = EvidenceAnalysis.objects.update_or_create(
        key=key,
        defaults={
            "unit": unit,
            "since": since,
            "version": version,
            "costs": costs,
            "job": job,
            "state": CheckState.DONE,
            "result": result | {"engine": ENGINE},
            "sentence": "",
            "finished_at": timezone.now(),
        },
    )
    # Older answers about data that have changed since are of no use to anybody.
    EvidenceAnalysis.objects.filter(unit=unit, since=since).exclude(pk=analysis.pk).delete()
    kept = EvidenceAnalysis.objects.order_by("-id").values_list("pk", flat=True)[:MOST_KEPT]
    EvidenceAnalysis.objects.exclude(pk__in=list(kept)).delete()
    return {"analysis": analysis.pk}


def refuse_analysis(job: Job, sentence: str) -> None:
    """Say why it could not be computed."""
    EvidenceAnalysis.objects.filter(job=job, state=CheckState.WAITING).update(
        state=CheckState.REFUSED, sentence=sentence, finished_at=timezone.now()
    )
