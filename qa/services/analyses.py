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
from django.db.models import QuerySet
from django.utils import timezone

from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.jobs.choices import Queue
from labtrack.jobs.handlers import Handler, JobRefused, Progress, Store, register
from labtrack.jobs.models import Job
from labtrack.jobs.services.enqueue import enqueue
from labtrack.usecase import use_case
from qa.choices import CheckState, EvidenceUnit
from qa.models import Action, CostVersion, EvidenceAnalysis
from qa.queries.costs import costs_in_force
from qa.queries.evidence_frame import contamination_names, evidence_frame
from qa.queries.inspections import inspected_steps
from qa.queries.levels import used_levels
from qa.queries.selection import EVERYTHING, Selection
from qa.queries.tally import count_since
from qa.services.analysis_content import Asked, content
from qa.services.evidence_version import evidence_version
from qa.statistics.results import StatisticsError

KIND = "evidence"
ENGINE = "evidence 10"  # raise it when the same data would get another result
READING_SHARE = 0.4
MOST_KEPT = 40  # of all units and ranges together, and as many that are narrowed


@dataclass(frozen=True)
class AnalysisAsked:
    """Which records are analysed."""

    unit: EvidenceUnit
    since: date | None = None
    selection: Selection = EVERYTHING

    @property
    def parameters(self) -> dict[str, str | None]:
        """As a job carries it."""
        return {
            "unit": self.unit.value,
            "since": self.since.isoformat() if self.since else None,
            "selection": self.selection.text,
        }

    @staticmethod
    def of(parameters: dict[str, Any]) -> AnalysisAsked:
        """What ``parameters`` tell; a job of before there were selections carries none."""
        since = date.fromisoformat(parameters["since"]) if parameters["since"] else None
        selection = Selection.from_text(parameters.get("selection", ""))
        return AnalysisAsked(EvidenceUnit(parameters["unit"]), since, selection)

    @property
    def stored(self) -> QuerySet[EvidenceAnalysis]:
        """All that is kept of it, of whatever data."""
        return EvidenceAnalysis.objects.filter(
            unit=self.unit, since=self.since, selection=self.selection.text
        )

    @property
    def name(self) -> str:
        """What its job goes by: one at a time for the same question."""
        name = f"{self.unit} {self.since or 'all'}"
        if self.selection.is_all:
            return name
        return f"{name} {hashlib.sha256(self.selection.text.encode()).hexdigest()}"


@dataclass(frozen=True)
class Analysed:
    """What is known of what was asked: the latest ``done``, and ``coming`` while it is out of date."""

    asked: AnalysisAsked
    done: EvidenceAnalysis | None
    coming: EvidenceAnalysis | None

    @property
    def unit(self) -> EvidenceUnit:
        return self.asked.unit

    @property
    def since(self) -> date | None:
        return self.asked.since

    @property
    def result(self) -> dict[str, Any] | None:
        return self.done.result if self.done else None

    @property
    def waiting(self) -> bool:
        return self.coming is not None and self.coming.state == CheckState.WAITING


def register_handler() -> None:
    """Called once when the app starts."""
    register(Handler(KIND, Queue.HEAVY, compute_analysis, refuse_analysis))


def analysed(
    *,
    actor: Actor,
    unit: EvidenceUnit,
    since: date | None = None,
    selection: Selection = EVERYTHING,
) -> Analysed:
    """The latest analysis; a new one is asked for where the data, the costs or the plans have changed."""
    actor.require(Capability.TRENDS_READ)
    asked = AnalysisAsked(unit, since, selection)
    current = _current(asked)
    if current is not None and current.state == CheckState.DONE:
        return Analysed(asked, current, None)
    with use_case():
        coming = _ask(asked, actor)
    # Pages read this engine's results: one of before an upgrade may lack what they show.
    done = asked.stored.filter(state=CheckState.DONE, result__engine=ENGINE).order_by("-id").first()
    return Analysed(asked, done, coming)


def try_again(
    *,
    actor: Actor,
    unit: EvidenceUnit,
    since: date | None = None,
    selection: Selection = EVERYTHING,
) -> Analysed:
    """Ask once more for an analysis that failed."""
    actor.require(Capability.TRENDS_READ)
    current = _current(AnalysisAsked(unit, since, selection))
    if current is not None and current.state == CheckState.REFUSED:
        EvidenceAnalysis.objects.filter(pk=current.pk, state=CheckState.REFUSED).delete()
    return analysed(actor=actor, unit=unit, since=since, selection=selection)


def _key(asked: AnalysisAsked, costs: CostVersion | None, version: int) -> str:
    facts = asked.parameters | {
        "engine": ENGINE,
        "costs": costs.version if costs else 0,
        "version": version,
        "mature_days": settings.EVIDENCE_MATURE_DAYS,
        "actions": [
            [a.pk, a.starts_on.isoformat(), a.before_days, str(a.hoped_per_100)] for a in _actions(asked)
        ],
    }
    return hashlib.sha256(json.dumps(facts, sort_keys=True).encode()).hexdigest()


def _actions(asked: AnalysisAsked) -> tuple[Action, ...]:
    """Open actions; one is about everything, so an analysis of a part of it judges none."""
    if not asked.selection.is_all:
        return ()
    return tuple(Action.objects.filter(unit=asked.unit, closed_at__isnull=True).order_by("pk"))


def _current(asked: AnalysisAsked) -> EvidenceAnalysis | None:
    key = _key(asked, costs_in_force(), evidence_version())
    return EvidenceAnalysis.objects.select_related("job").filter(key=key).first()


def _ask(asked: AnalysisAsked, actor: Actor) -> EvidenceAnalysis:
    costs, version = costs_in_force(), evidence_version()
    key = _key(asked, costs, version)
    try:
        with transaction.atomic():
            analysis, _ = EvidenceAnalysis.objects.get_or_create(
                key=key, defaults={**asked.parameters, "version": version, "costs": costs}
            )
    except IntegrityError:  # asked for twice in the same moment
        analysis = EvidenceAnalysis.objects.get(key=key)
    if analysis.state == CheckState.WAITING and (analysis.job is None or analysis.job.is_final):
        # One job per question at a time: it computes what is asked for when it starts.
        analysis.job = enqueue(kind=KIND, key=asked.name, parameters=asked.parameters, actor=actor)
        analysis.save(update_fields=["job"])
    return analysis


def compute_analysis(job: Job, progress: Progress) -> Store:
    """Read the evidence and judge it; the result is stored under the data it was read from."""
    asked = AnalysisAsked.of(job.parameters)
    unit, since = asked.unit, asked.since
    costs, version, actions = costs_in_force(), evidence_version(), _actions(asked)
    key = _key(asked, costs, version)
    progress(0.0, "reading the evidence")
    frame = evidence_frame(
        unit,
        since=since,
        selection=asked.selection,
        report=lambda share, words: progress(READING_SHARE * share, words),
    )
    beside = {"levels": used_levels(unit), "of": count_since(unit, since)}
    try:
        result = content(
            frame,
            Asked(unit, since, costs, actions, inspected_steps()),
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
    return lambda: _store(job, key, asked, costs, version, result | beside)


def _store(
    job: Job,
    key: str,
    asked: AnalysisAsked,
    costs: CostVersion | None,
    version: int,
    result: dict[str, Any],
) -> dict[str, Any]:
    analysis, _ = EvidenceAnalysis.objects.update_or_create(
        key=key,
        defaults={
            **asked.parameters,
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
    asked.stored.exclude(pk=analysis.pk).delete()
    for some in (
        EvidenceAnalysis.objects.filter(selection=""),
        EvidenceAnalysis.objects.exclude(selection=""),
    ):
        kept = some.order_by("-id").values_list("pk", flat=True)[:MOST_KEPT]
        some.exclude(pk__in=list(kept)).delete()
    return {"analysis": analysis.pk}


def refuse_analysis(job: Job, sentence: str) -> None:
    """Say why it could not be computed."""
    EvidenceAnalysis.objects.filter(job=job, state=CheckState.WAITING).update(
        state=CheckState.REFUSED, sentence=sentence, finished_at=timezone.now()
    )
