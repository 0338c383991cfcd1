"""The answers to a work instruction as a compact form, and what was posted as use-case input.

Each item has one group of choices: its own words, *not done*, *does not apply*, or left empty, which
stays not recorded. One tap answers most items.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal, InvalidOperation
from typing import Any

from django.utils import timezone
from django.utils.dateparse import parse_datetime

from labtrack.errors import Refused
from labtrack.numbers import plain_number
from labtrack.whole_numbers import whole_number
from production.choices import AnswerKind, AnswerStatus
from production.models import Answer, InstructionItem, WorkInstruction
from production.queries.instructions import instruction_in_use, standing_answers
from production.services.answers import Given

NOT_DONE, NOT_APPLICABLE, EMPTY = "not-done", "not-applicable", ""


@dataclass(frozen=True)
class Choice:
    value: str
    label: str
    chosen: bool


@dataclass
class Row:
    """One item with what may be answered, what is chosen and what stands already."""

    item: InstructionItem
    choices: list[Choice]
    text: str
    standing: Answer | None
    wrong: str = ""

    @property
    def name(self) -> str:
        return f"answer-{self.item.pk}"

    @property
    def input_name(self) -> str:
        return f"value-{self.item.pk}"

    @property
    def limits(self) -> str:
        """Limits and their source in words."""
        return limits_in_words(self.item)


@dataclass
class AnswerSheet:
    """All items of one instruction for one thing. A refusal loses nothing that was posted."""

    instruction: WorkInstruction | None
    rows: list[Row] = field(default_factory=list)

    @property
    def item_ids(self) -> list[int]:
        return [row.item.pk for row in self.rows]

    def given(self, data: Mapping[str, str]) -> list[Given]:
        """What was answered; empty items are left out. ``Refused`` names the first unreadable one."""
        answers = []
        for row in self.rows:
            try:
                answer = _read(row.item, data.get(row.name, ""), data.get(row.input_name, "").strip())
            except Refused as refusal:
                row.wrong = refusal.sentence
                raise
            if answer is not None:
                answers.append(answer)
        return answers


def answer_sheet(
    step: str,
    at: datetime,
    *,
    subject: str = "",
    subject_id: int | None = None,
    data: Mapping[str, str] | None = None,
) -> AnswerSheet:
    """The sheet of the version in use at ``at``; ``subject`` and its id show what is answered already."""
    instruction = instruction_in_use(step, at)
    if instruction is None:
        return AnswerSheet(None)
    standing: dict[str, Answer] = {}
    if subject_id is not None:
        for answer in standing_answers(subject, [subject_id]):
            if answer.item.instruction.step == step:
                standing[answer.item.code] = answer
    rows = [_row(item, standing.get(item.code), data) for item in instruction.items.all()]
    return AnswerSheet(instruction, rows)


def _row(item: InstructionItem, standing: Answer | None, data: Mapping[str, str] | None) -> Row:
    chosen, text = _chosen_of(item, standing)
    if data is not None:
        chosen = data.get(f"answer-{item.pk}", chosen)
        text = data.get(f"value-{item.pk}", text)
    options = [*_words(item), (NOT_DONE, "Not done"), (NOT_APPLICABLE, "Does not apply")]
    if standing is None:
        options.append((EMPTY, "Leave empty"))
    choices = [Choice(value, label, chosen == value) for value, label in options]
    return Row(item, choices, text, standing)


def _words(item: InstructionItem) -> list[tuple[str, str]]:
    if item.kind == AnswerKind.YES_NO:
        return [("yes", "Yes"), ("no", "No")] if item.within else [("yes", "Yes")]
    if item.kind == AnswerKind.CHOICE:
        return [(f"word-{index}", word) for index, word in enumerate(item.choices)]
    return []


def _chosen_of(item: InstructionItem, standing: Answer | None) -> tuple[str, str]:
    if standing is None:
        return EMPTY, ""
    if standing.status == AnswerStatus.NOT_APPLICABLE:
        return NOT_APPLICABLE, ""
    if standing.status == AnswerStatus.NOT_DONE:
        return NOT_DONE, ""
    if standing.number is not None:
        return EMPTY, f"{standing.number.normalize():f}"
    if standing.moment is not None:
        return EMPTY, f"{timezone.localtime(standing.moment):%Y-%m-%dT%H:%M}"
    if item.kind == AnswerKind.CHOICE and standing.word in item.choices:
        return f"word-{item.choices.index(standing.word)}", ""
    return standing.word, ""


def _read(item: InstructionItem, chosen: str, text: str) -> Given | None:
    if chosen in (NOT_DONE, NOT_APPLICABLE):
        if text:
            raise Refused(
                "answer-contradicts",
                f"“{item.text}” has a value and also says not done or does not apply. Keep one of them.",
            )
        return Given(item.pk, not_done=chosen == NOT_DONE, not_applicable=chosen == NOT_APPLICABLE)
    if item.kind == AnswerKind.YES_NO:
        return Given(item.pk, yes=chosen == "yes") if chosen in ("yes", "no") else None
    if item.kind == AnswerKind.CHOICE:
        index = whole_number(chosen.removeprefix("word-"))
        if not chosen.startswith("word-") or index is None or index >= len(item.choices):
            return None
        return Given(item.pk, word=item.choices[index])
    if not text:
        return None
    if item.kind == AnswerKind.TIME:
        return Given(item.pk, moment=_moment(item, text))
    return Given(item.pk, number=_number(item, text))


def _number(item: InstructionItem, text: str) -> Decimal:
    try:
        return Decimal(plain_number(text))
    except InvalidOperation:
        raise Refused("no-number", f"“{item.text}” asks for a number; “{text[:30]}” is none.") from None


def _moment(item: InstructionItem, text: str) -> datetime:
    try:
        moment = parse_datetime(text)
    except ValueError:
        moment = None
    if moment is None:
        raise Refused("no-moment", f"“{item.text}” asks for a date and time; “{text[:30]}” is none.")
    return timezone.make_aware(moment) if timezone.is_naive(moment) else moment


def limits_in_words(item: InstructionItem) -> str:
    words = []
    if item.low is not None and item.high is not None:
        words.append(f"{item.low.normalize():f} to {item.high.normalize():f} {item.unit}".strip())
    elif item.low is not None:
        words.append(f"at least {item.low.normalize():f} {item.unit}".strip())
    elif item.high is not None:
        words.append(f"at most {item.high.normalize():f} {item.unit}".strip())
    elif item.unit:
        words.append(f"in {item.unit}")
    if item.limit_source:
        words.append(item.limit_source)
    return ". ".join(words)


def answered_rows(answers: Sequence[Answer]) -> list[dict[str, Any]]:
    """Standing answers for reading: question, status, value, who and when."""
    return [{"answer": answer, "value": value_in_words(answer)} for answer in answers]


def value_in_words(answer: Answer) -> str:
    if answer.number is not None:
        return f"{answer.number.normalize():f} {answer.item.unit}".strip()
    if answer.moment is not None:
        return f"{timezone.localtime(answer.moment):%-d %b %Y, %H:%M}"
    return answer.word
