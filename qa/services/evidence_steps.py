"""Which items of the work instructions were answered, and how, for many things at once.

Done within limits, done out of limits, not done and does not apply are answers; not recorded is the
absence of one, for an item of the version in force when the step was reached.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from datetime import datetime

from labtrack.statements import Statement
from production.choices import NOT_RECORDED
from production.models import Answer, WorkInstruction

Reached = dict[str, datetime]


def _answers_about(subject: str) -> Statement:
    return Statement(
        lambda ids: (
            Answer.objects.filter(**{f"{subject}_id__in": ids}, replaced_by__isnull=True)
            .order_by("occurred_at", "id")
            .values_list(f"{subject}_id", "item__code", "status")
        )
    )


_ANSWERS = {
    subject: _answers_about(subject)
    for subject in ("preparation", "build", "part", "treatment", "cycle", "piece")
}
_INSTRUCTIONS = Statement(
    lambda ids: WorkInstruction.objects.order_by("-version", "pk", "items__position").values_list(
        "pk", "step", "active_from", "items__code"
    )
)


class StepAnswers:
    """Answers and instructions read once for everything that a batch of parts or pieces went through."""

    def __init__(
        self,
        *,
        preparations: Collection[int] = (),
        builds: Collection[int] = (),
        parts: Collection[int] = (),
        treatments: Collection[int] = (),
        cycles: Collection[int] = (),
        pieces: Collection[int] = (),
    ) -> None:
        self._versions = _versions()
        self._by_subject: dict[tuple[str, int], list[tuple[str, str]]] = defaultdict(list)
        subjects = {
            "preparation": preparations,
            "build": builds,
            "part": parts,
            "treatment": treatments,
            "cycle": cycles,
            "piece": pieces,
        }
        for name, ids in subjects.items():
            for subject_id, code, status in _ANSWERS[name].rows(ids):
                self._by_subject[name, subject_id].append((code, status))

    def statuses(self, subjects: Iterable[tuple[str, int]], reached: Reached) -> dict[str, str]:
        """Item code to status: the items of the steps ``reached``, and the answers about ``subjects``."""
        statuses = {
            code: NOT_RECORDED for step, moment in reached.items() for code in self._asked_at(step, moment)
        }
        # A step that was done again was answered again: the later answer says how it was left.
        for subject in subjects:
            for code, status in self._by_subject.get(subject, ()):
                statuses[code] = status
        return dict(sorted(statuses.items()))

    def _asked_at(self, step: str, moment: datetime) -> Sequence[str]:
        for active_from, codes in self._versions.get(step, ()):
            if active_from <= moment:
                return codes
        return ()


def _versions() -> dict[str, list[tuple[datetime, list[str]]]]:
    """Every instruction by step, the newest first, with the codes of its items.

    Plain values: this is read at every change, and an instruction without items must stay in the list.
    """
    instructions: dict[int, tuple[str, datetime, list[str]]] = {}
    for pk, step, active_from, code in _INSTRUCTIONS.every():
        _, _, codes = instructions.setdefault(pk, (step, active_from, []))
        if code is not None:
            codes.append(code)
    found: dict[str, list[tuple[datetime, list[str]]]] = defaultdict(list)
    for step, active_from, codes in instructions.values():
        found[step].append((active_from, codes))
    return found
