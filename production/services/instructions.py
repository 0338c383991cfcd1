"""Publishing a new version of a work instruction."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from decimal import Decimal

from django.db.models import Max
from django.utils.text import slugify

from cases.moments import settled_moment
from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.services.record import record_all_created, record_created
from labtrack.audit.services.submissions import Outcome as Submitted
from labtrack.audit.services.submissions import once
from labtrack.constraints import constraint_messages
from labtrack.errors import Conflict, Refused
from production.choices import WORK_STEPS, AnswerKind
from production.models import InstructionItem, WorkInstruction
from production.services.rules import require_length, required_text

LONGEST_WORD = 60


@dataclass(frozen=True)
class ItemDraft:
    """One question of a new version. ``code`` stays the same for the same question over the versions.

    ``within`` says which words (or "yes"/"no") are within limits. A yes/no item without it asks whether
    something was done: no means not done.
    """

    code: str
    text: str
    kind: str
    unit: str = ""
    low: Decimal | None = None
    high: Decimal | None = None
    choices: tuple[str, ...] = ()
    within: tuple[str, ...] = ()
    limit_source: str = ""


def publish_instruction(
    *,
    actor: Actor,
    key: str = "",
    step: str,
    title: str,
    items: Sequence[ItemDraft],
    caution: str = "",
    active_from: datetime | None = None,
    follows_version: int | None = None,
) -> Submitted[WorkInstruction]:
    """Put a new version of a step's work instruction in use; answers given to older versions stay theirs.

    ``follows_version`` is the version that was edited: ``Conflict`` when somebody published another since.
    """
    actor.require(Capability.LIMITS)
    at = settled_moment(active_from, field="active_from")
    if step not in WORK_STEPS:
        raise Refused("step-unknown", "Choose a step of the work.", field="step")
    title = required_text(title, "Give the instruction a title.", field="title", most=120)
    _check_items(items)

    def make() -> WorkInstruction:
        latest = WorkInstruction.objects.filter(step=step).aggregate(latest=Max("version"))["latest"] or 0
        if follows_version is not None and follows_version != latest:
            raise Conflict(
                "newer-version",
                f"Somebody published version {latest} in the meantime. Look at it, then change it again.",
            )
        with constraint_messages(WorkInstruction, InstructionItem):
            instruction = WorkInstruction.objects.create(
                step=step,
                version=latest + 1,
                title=title,
                caution=caution.strip(),
                active_from=at,
                recorded_by=actor.user,
            )
            rows = InstructionItem.objects.bulk_create(
                InstructionItem(
                    instruction=instruction,
                    position=position,
                    **(asdict(item) | {"choices": list(item.choices), "within": list(item.within)}),
                )
                for position, item in enumerate(items, start=1)
            )
        record_created(actor=actor, action="instruction.published", subject=instruction)
        record_all_created(actor=actor, action="instruction.item", subjects=rows)
        return instruction

    return once(
        actor=actor,
        key=key,
        use_case="publish-instruction",
        payload=[step, title, [asdict(item) for item in items], caution, active_from, follows_version],
        model=WorkInstruction,
        make=make,
    )


def _check_items(items: Sequence[ItemDraft]) -> None:
    if not items:
        raise Refused("no-items", "A work instruction needs at least one item.", field="items")
    codes = [item.code for item in items]
    if len(set(codes)) != len(codes):
        raise Refused("code-twice", "Two items have the same code. Give each its own.", field="items")
    for item in items:
        required_text(item.text, "Every item needs its question.", field="items")
        if not item.code or slugify(item.code) != item.code:
            raise Refused(
                "code-malformed",
                f"{item.code!r} is no code: use small letters, digits and hyphens.",
                field="items",
            )
        if item.kind not in AnswerKind.values:
            raise Refused("kind-unknown", f"Choose the kind of answer to “{item.text}”.", field="items")
        if item.kind == AnswerKind.CHOICE and not item.choices:
            raise Refused("choices-missing", f"“{item.text}” needs words to choose from.", field="items")
        for word in item.choices:
            require_length(word, field="items", most=LONGEST_WORD)
        allowed = ("yes", "no") if item.kind == AnswerKind.YES_NO else item.choices
        if item.within and item.kind in (AnswerKind.CHOICE, AnswerKind.YES_NO):
            strange = [word for word in item.within if word not in allowed]
            if strange:
                raise Refused(
                    "within-unknown",
                    f"“{strange[0]}” counts as within limits but cannot be chosen in “{item.text}”.",
                    field="items",
                )
        if item.kind != AnswerKind.NUMBER and (item.low is not None or item.high is not None):
            raise Refused("limits-of-number", f"Only a number has limits: “{item.text}”.", field="items")
        if item.low is not None and item.high is not None and item.low > item.high:
            raise Refused(
                "limits-crossed", f"The lower limit of “{item.text}” lies above the upper one.", field="items"
            )
