"""Which items of the work instructions were answered, and how, for many things at once.

Done within limits, done out of limits, not done and does not apply are answers; not recorded is the
absence of one, for an item of the version in force when the step was reached.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import datetime

from django.db.models import Q

from production.choices import NOT_RECORDED
from production.models import Answer, Part, Piece, TreatedPart, TreatmentRun, WorkInstruction

Reached = dict[str, datetime]


class StepAnswers:
    """Answers and instructions read once for a batch of parts with their runs, or of pieces."""

    def __init__(
        self,
        *,
        parts: Sequence[Part] = (),
        runs: Iterable[TreatmentRun] = (),
        pieces: Sequence[Piece] = (),
    ) -> None:
        self._versions = _versions()
        self._by_subject: dict[tuple[str, int], list[Answer]] = defaultdict(list)
        self._runs: dict[int, list[int]] = defaultdict(list)
        subjects: dict[str, set[int]] = {
            "preparation": {part.preparation_id for part in parts},
            "build": {part.build_id for part in parts},
            "part": {part.pk for part in parts},
            "treatment": {run.pk for run in runs},
            "cycle": {piece.cycle_id for piece in pieces if piece.cycle_id is not None},
            "piece": {piece.pk for piece in pieces},
        }
        self._read(subjects)
        if subjects["treatment"]:
            treated = TreatedPart.objects.filter(part_id__in=subjects["part"]).order_by(
                "run__started_at", "run_id"
            )
            for part_id, run_id in treated.values_list("part_id", "run_id"):
                self._runs[part_id].append(run_id)

    def _read(self, subjects: dict[str, set[int]]) -> None:
        asked = Q()
        for name, ids in subjects.items():
            if ids:
                asked |= Q(**{f"{name}_id__in": ids})
        if not asked:
            return
        answers = (
            Answer.objects.filter(asked, replaced_by__isnull=True)
            .select_related("item")
            .order_by("occurred_at", "id")
        )
        for answer in answers:
            for name in subjects:
                subject_id = getattr(answer, f"{name}_id")
                if subject_id is not None:
                    self._by_subject[name, subject_id].append(answer)

    def of_part(self, part: Part, reached: Reached) -> dict[str, str]:
        """Item code to status, for the steps from preparation to the part's own inspection."""
        subjects = [("preparation", part.preparation_id), ("build", part.build_id)]
        subjects += [("treatment", run_id) for run_id in self._runs[part.pk]]
        subjects.append(("part", part.pk))
        return self._statuses(subjects, reached)

    def of_piece(self, piece: Piece, reached: Reached) -> dict[str, str]:
        """Item code to status, for forming and what follows."""
        subjects = [("piece", piece.pk)]
        if piece.cycle_id is not None:
            subjects.insert(0, ("cycle", piece.cycle_id))
        return self._statuses(subjects, reached)

    def _statuses(self, subjects: Iterable[tuple[str, int]], reached: Reached) -> dict[str, str]:
        statuses = {
            code: NOT_RECORDED for step, moment in reached.items() for code in self._asked_at(step, moment)
        }
        # A step that was done again was answered again: the later answer says how it was left.
        for subject in subjects:
            for answer in self._by_subject.get(subject, ()):
                statuses[answer.item.code] = answer.status
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
    rows = WorkInstruction.objects.order_by("-version", "pk", "items__position")
    for pk, step, active_from, code in rows.values_list("pk", "step", "active_from", "items__code"):
        _, _, codes = instructions.setdefault(pk, (step, active_from, []))
        if code is not None:
            codes.append(code)
    found: dict[str, list[tuple[datetime, list[str]]]] = defaultdict(list)
    for step, active_from, codes in instructions.values():
        found[step].append((active_from, codes))
    return found
