"""Answers to work instructions: many items for many things at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any

from django.db.models import F

from cases.moments import settled_moment
from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.services.record import record_all_created, record_change, snapshot
from labtrack.constraints import constraint_messages
from labtrack.errors import NotFound, Refused
from production.choices import TREATMENT_STEPS, AnswerKind, AnswerStatus, Step
from production.hooks import build_changed, part_changed, piece_changed
from production.models import (
    Answer,
    Build,
    FormingCycle,
    InstructionItem,
    Part,
    Piece,
    Preparation,
    TreatmentRun,
)
from production.models.instruction import SUBJECTS
from production.services.rules import all_found, once_many, written_then

TABLES: dict[str, Any] = {
    "preparation": Preparation,
    "build": Build,
    "part": Part,
    "treatment": TreatmentRun,
    "cycle": FormingCycle,
    "piece": Piece,
}
STEPS_OF_SUBJECT: dict[str, tuple[Step, ...]] = {
    "preparation": (Step.DESIGN, Step.PREPARE),
    "build": (Step.PREPARE, Step.PRINT),
    "treatment": TREATMENT_STEPS,
    "cycle": (Step.FORM,),
    "piece": (Step.INSPECT, Step.TRIM, Step.FINISH, Step.DISINFECT, Step.PACK, Step.DELIVER),
}
LARGEST = Decimal("9999999.999")


@dataclass(frozen=True)
class Given:
    """One answer. Give what the item asks for (``yes``, ``number``, ``word`` or ``moment``), or say that it
    was not done or does not apply. An item left out stays not recorded."""

    item_id: int
    yes: bool | None = None
    number: Decimal | None = None
    word: str = ""
    moment: datetime | None = None
    not_done: bool = False
    not_applicable: bool = False


@dataclass(frozen=True)
class _Judged:
    status: str
    number: Decimal | None = None
    word: str = ""
    moment: datetime | None = None


def record_answers(
    *,
    actor: Actor,
    key: str = "",
    subject: str,
    subject_ids: Sequence[int],
    answers: Sequence[Given],
    occurred_at: datetime | None = None,
) -> list[Answer]:
    """Record the same answers for each of several things of one kind (``subject``: build, treatment ...).

    The status is judged from the value and the item's limits. An answer that differs from the one that
    stands replaces it, and the old one stays readable; an equal one changes nothing. Returns the rows
    written, or the one that stands when nothing changed.
    """
    actor.require(Capability.SHOP_WRITE)
    at = settled_moment(occurred_at)
    if subject not in SUBJECTS:
        raise Refused("subject-unknown", "Answers are about a preparation, build, part, run, cycle or piece.")
    if not answers:
        raise Refused("nothing-answered", "Nothing is answered yet. Answer at least one item.")

    def make() -> list[Answer]:
        things = _things(subject, subject_ids)
        judged = _judge_all(subject, things, answers)
        fresh = _differing(subject, things, judged)
        rows = _write(actor, subject, fresh, at)
        if rows:
            _announce(subject, [thing for thing in things if thing.pk in {pk for pk, _ in fresh}])
        return rows or [_any_standing(subject, things, judged)]

    def again() -> list[Answer]:
        item_ids = [given.item_id for given in answers]
        rows = Answer.objects.filter(**{f"{subject}__in": subject_ids}, item__in=item_ids, by=actor.user)
        return written_then(rows, occurred_at, len(subject_ids) * len(answers))

    return once_many(
        actor=actor,
        key=key,
        use_case="record-answers",
        payload=[
            subject,
            list(subject_ids),
            [[g.item_id, g.yes, g.number, g.word, g.moment, g.not_done, g.not_applicable] for g in answers],
            occurred_at,
        ],
        model=Answer,
        make=make,
        again=again,
    )


def _things(subject: str, subject_ids: Sequence[int]) -> list[Any]:
    rows = TABLES[subject]._default_manager.filter(pk__in=subject_ids)
    return all_found(rows, subject_ids, "One of the things answered about is not there.")


def _judge_all(
    subject: str, things: Sequence[Any], answers: Sequence[Given]
) -> dict[InstructionItem, _Judged]:
    items = InstructionItem.objects.select_related("instruction").in_bulk(
        [given.item_id for given in answers]
    )
    allowed = STEPS_OF_SUBJECT.get(subject)
    steps = {thing.step for thing in things} if subject == "treatment" else None
    judged: dict[InstructionItem, _Judged] = {}
    for given in answers:
        item = items.get(given.item_id)
        if item is None:
            raise NotFound("One of the items answered is not there.")
        step = item.instruction.step
        if (allowed is not None and step not in allowed) or (steps is not None and steps != {step}):
            raise Refused(
                "item-of-another-step", f"“{item.text}” belongs to another step ({step}).", field=item.code
            )
        if item in judged:
            raise Refused("answered-twice", f"“{item.text}” is answered twice.", field=item.code)
        judged[item] = judge(item, given)
    return judged


def judge(item: InstructionItem, given: Given) -> _Judged:
    """The status of one answer, from its value and the item's limits."""
    if given.not_done and given.not_applicable:
        raise Refused(
            "answer-contradicts", f"“{item.text}”: not done, or does not apply? Choose one.", field=item.code
        )
    if given.not_done:
        return _Judged(AnswerStatus.NOT_DONE)
    if given.not_applicable:
        return _Judged(AnswerStatus.NOT_APPLICABLE)
    if item.kind == AnswerKind.YES_NO and given.yes is not None:
        return _judge_yes_no(item, yes=given.yes)
    if item.kind == AnswerKind.NUMBER and given.number is not None:
        return _judge_number(item, given.number)
    if item.kind == AnswerKind.TIME and given.moment is not None:
        return _Judged(AnswerStatus.WITHIN, moment=given.moment)
    if item.kind == AnswerKind.CHOICE and given.word:
        if given.word not in item.choices:
            raise Refused(
                "word-unknown", f"“{item.text}”: choose one of {', '.join(item.choices)}.", field=item.code
            )
        within = not item.within or given.word in item.within
        return _Judged(AnswerStatus.WITHIN if within else AnswerStatus.OUT_OF_LIMITS, word=given.word)
    raise Refused(
        "answer-of-another-kind",
        f"“{item.text}” asks for {AnswerKind(item.kind).label.lower()}.",
        field=item.code,
    )


def _judge_yes_no(item: InstructionItem, *, yes: bool) -> _Judged:
    word = "yes" if yes else "no"
    if item.within:
        within = word in item.within
        return _Judged(AnswerStatus.WITHIN if within else AnswerStatus.OUT_OF_LIMITS, word=word)
    # Without words within limits the item asks whether something was done.
    return _Judged(AnswerStatus.WITHIN if yes else AnswerStatus.NOT_DONE, word=word)


def _judge_number(item: InstructionItem, number: Decimal) -> _Judged:
    if not number.is_finite() or abs(number) > LARGEST:
        raise Refused("number-too-large", f"“{item.text}”: that is no plausible number.", field=item.code)
    number = round(number, 3)
    low_enough = item.high is None or number <= item.high
    high_enough = item.low is None or number >= item.low
    within = low_enough and high_enough
    return _Judged(AnswerStatus.WITHIN if within else AnswerStatus.OUT_OF_LIMITS, number=number)


Fresh = list[tuple[int, tuple[InstructionItem, _Judged, Answer | None]]]


def _differing(subject: str, things: Sequence[Any], judged: dict[InstructionItem, _Judged]) -> Fresh:
    """What is new or differs from the answer that stands, matched by the item's code over its versions."""
    standing: dict[tuple[int, str, str], Answer] = {}
    rows = Answer.objects.filter(
        **{f"{subject}__in": [thing.pk for thing in things]},
        item__code__in=[item.code for item in judged],
        replaced_by__isnull=True,
    ).select_related("item__instruction")
    for row in rows:
        standing[(getattr(row, f"{subject}_id"), row.item.instruction.step, row.item.code)] = row
    fresh: Fresh = []
    for thing in things:
        for item, answer in judged.items():
            old = standing.get((thing.pk, item.instruction.step, item.code))
            same = (
                old is not None
                and old.item_id == item.pk
                and (old.status, old.number, old.word, old.moment)
                == (answer.status, answer.number, answer.word, answer.moment)
            )
            if not same:
                fresh.append((thing.pk, (item, answer, old)))
    return fresh


def _write(actor: Actor, subject: str, fresh: Fresh, at: datetime) -> list[Answer]:
    if not fresh:
        return []
    replaced = {old.pk: snapshot(old) for _, (_, _, old) in fresh if old is not None}
    with constraint_messages(Answer):
        if replaced:
            # Each points at itself until its successor has a number, so that one answer stands throughout.
            Answer.objects.filter(pk__in=replaced, replaced_by__isnull=True).update(replaced_by=F("pk"))
        rows = Answer.objects.bulk_create(
            Answer(
                **{f"{subject}_id": pk},
                item=item,
                status=answer.status,
                number=answer.number,
                word=answer.word,
                moment=answer.moment,
                occurred_at=at,
                by=actor.user,
            )
            for pk, (item, answer, _) in fresh
        )
    for row, (_, (_, _, old)) in zip(rows, fresh, strict=True):
        if old is not None:
            old.replaced_by = row
            old.save(update_fields=["replaced_by"])
            record_change(
                actor=actor,
                action="answer.replaced",
                subject=old,
                before=replaced[old.pk],
                after=snapshot(old),
            )
    record_all_created(actor=actor, action="answer.recorded", subjects=rows)
    return rows


def _any_standing(subject: str, things: Sequence[Any], judged: dict[InstructionItem, _Judged]) -> Answer:
    return Answer.objects.filter(
        **{f"{subject}": things[0].pk}, item=next(iter(judged)), replaced_by__isnull=True
    ).get()


def _announce(subject: str, things: Sequence[Any]) -> None:
    if subject == "build":
        for build in things:
            build_changed.fire(build)
    elif subject == "piece":
        for piece in things:
            piece_changed.fire(piece)
    elif subject == "cycle":
        for piece in Piece.objects.filter(cycle__in=things):
            piece_changed.fire(piece)
    else:
        for part in _parts_of(subject, things):
            part_changed.fire(part)


def _parts_of(subject: str, things: Sequence[Any]) -> list[Part]:
    if subject == "part":
        return list(things)
    lookup = "preparation__in" if subject == "preparation" else "treatments__in"
    return list(Part.objects.filter(**{lookup: things}).distinct())
