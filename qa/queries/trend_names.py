"""Words for the codes that the evidence keeps."""

from __future__ import annotations

from dataclasses import dataclass

from production.choices import Step
from production.models import InstructionItem
from qa.models import DefectKind


@dataclass(frozen=True)
class Names:
    """Words for codes: questions of the work instructions and kinds of defects."""

    items: dict[str, str]
    kinds: dict[str, str]

    def flaw(self, kept: str) -> str:
        """``kind|origin|found``, as a row of the evidence keeps a defect, in words."""
        kind, origin, found = [*kept.split("|"), "", ""][:3]
        words = [self.kinds.get(kind, kind)]
        words += [f"from {step_words(origin)}"] if origin else []
        words += [f"found at {step_words(found)}"] if found else []
        return ", ".join(words)


def step_words(step: str) -> str:
    """A step as people say it; one that is not the lab's own as it was written."""
    return str(Step(step).label).lower() if step in Step.values else step.replace("-", " ")


def trend_names() -> Names:
    """The latest text of every item of the work instructions, and the names of the kinds of defects."""
    items = InstructionItem.objects.order_by("instruction__version").values_list("code", "text")
    return Names(items=dict(items), kinds=dict(DefectKind.objects.values_list("code", "name").order_by()))
