"""What a page of the evidence is asked, and the sections that answer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any
from urllib.parse import urlencode

from django.urls import reverse

from labtrack.charts import Chart
from qa.choices import EvidenceUnit
from qa.queries.selection import EVERYTHING, PARAMETER, Selection
from qa.queries.trend_names import Names


@dataclass(frozen=True)
class Asking:
    """One page's question: of which unit, from when on, narrowed to what, and what was found."""

    unit: EvidenceUnit
    since: date | None
    result: dict[str, Any]
    names: Names
    place: str = ""
    selection: Selection = EVERYTHING

    @property
    def query(self) -> str:
        asked = [("unit", self.unit.value)]
        if self.since:
            asked.append(("since", self.since.isoformat()))
        return urlencode(asked + self.of)

    @property
    def of(self) -> list[tuple[str, str]]:
        """What it is narrowed to, as pairs of an address."""
        return [(PARAMETER, value) for value in self.selection.values]

    @property
    def report(self) -> dict[str, Any]:
        report: dict[str, Any] = self.result["report"]
        return report

    @property
    def things(self) -> str:
        return self.unit.things

    @property
    def currency(self) -> str:
        return str(self.result["currency"] or "")

    def csv_url(self, chart: str) -> str:
        return f"{reverse('qa:evidence-csv', args=[self.place, chart])}?{self.query}"


@dataclass(frozen=True)
class Detail:
    """One row of a figure in full, shown when it is asked for: small tables with sentences below them.

    ``anchor`` is unique on the page.
    """

    anchor: str
    title: str
    short: str
    tables: Sequence[Chart]
    sentences: Sequence[str]


@dataclass(frozen=True)
class Section:
    """A question, its answer in a sentence, the figures, and how they came about."""

    question: str
    sentence: str
    method: str
    chart: Chart | None = None
    details: Sequence[Detail] = ()
