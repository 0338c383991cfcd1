"""Words for the codes that the evidence keeps."""

from __future__ import annotations

from production.models import InstructionItem
from qa.models import DefectKind
from qa.trend_charts.shared import Names


def trend_names() -> Names:
    """The latest text of every item of the work instructions, and the names of the kinds of defects."""
    items = InstructionItem.objects.order_by("instruction__version").values_list("code", "text")
    return Names(items=dict(items), kinds=dict(DefectKind.objects.values_list("code", "name").order_by()))
