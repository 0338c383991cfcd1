"""Work instructions in use at a moment, and the answers that stand."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from production.models import Answer, InstructionItem, WorkInstruction


def instruction_in_use(step: str, at: datetime) -> WorkInstruction | None:
    """The latest version that was active at ``at``, with its items fetched."""
    return (
        WorkInstruction.objects.filter(step=step, active_from__lte=at)
        .prefetch_related("items")
        .order_by("-version")
        .first()
    )


def instructions_in_use(steps: Sequence[str], at: datetime) -> dict[str, WorkInstruction]:
    """The versions in use of several steps, with their items, in two queries."""
    rows = (
        WorkInstruction.objects.filter(step__in=steps, active_from__lte=at)
        .prefetch_related("items")
        .order_by("step", "version")
    )
    return {row.step: row for row in rows}


def items_in_use(step: str, at: datetime) -> dict[str, InstructionItem]:
    """The items of the version in use, by code."""
    instruction = instruction_in_use(step, at)
    return {} if instruction is None else {item.code: item for item in instruction.items.all()}


def standing_answers(subject: str, subject_ids: Sequence[int]) -> list[Answer]:
    """The answers that stand (not corrected since) for things of one kind, such as builds."""
    return list(
        Answer.objects.filter(**{f"{subject}__in": subject_ids}, replaced_by__isnull=True)
        .select_related("item__instruction", "by")
        .order_by("item__instruction__step", "item__position")
    )
