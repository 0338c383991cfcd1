"""The manager's pages: what an analysis found, as sentences first and figures below."""

from __future__ import annotations

from collections.abc import Callable

from qa.evidence_pages.asking import Asking, Section
from qa.evidence_pages.causes import causes
from qa.evidence_pages.cost import cost
from qa.evidence_pages.late import late
from qa.evidence_pages.platform import platform
from qa.evidence_pages.tanks import tanks

# By the name of the page.
PAGES: dict[str, Callable[[Asking], list[Section]]] = {
    "causes": causes,
    "tanks": tanks,
    "late": late,
    "platform": platform,
    "cost": cost,
}
