"""``manage.py evidence``: every standing question answered from the lab's evidence."""

from __future__ import annotations

import argparse
import json
from datetime import date
from typing import Any

from django.core.management.base import BaseCommand

from qa.choices import EvidenceUnit
from qa.queries.costs import costs_in_force, engine_costs
from qa.queries.evidence_frame import contamination_names, evidence_frame
from qa.services.evidence import promote_mature
from qa.statistics.evidence import EvidenceReport, evidence
from qa.statistics.results import StatisticsError


class Command(BaseCommand):
    """Exit 0 with any verdict; 2 with a sentence when an option cannot be read."""

    help = "What costs good parts, when tanks go bad, and where parts are lost, from the lab's evidence."

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Declare the options."""
        parser.add_argument("--json", action="store_true", dest="as_json", help="print one JSON object")
        parser.add_argument("--unit", choices=EvidenceUnit.values, default=EvidenceUnit.PART.value)
        parser.add_argument("--since", help="only what was printed on this day or later, as 2025-12-31")

    def handle(self, *args: Any, **options: Any) -> None:
        """Read, judge and print."""
        try:
            since = date.fromisoformat(options["since"]) if options["since"] else None
        except ValueError:
            self.stderr.write(f"'{options['since']}' is no day; write it as 2025-12-31.")
            raise SystemExit(2) from None
        promote_mature()
        unit = EvidenceUnit(options["unit"])
        try:
            report = evidence(
                evidence_frame(unit, since=since),
                unit=unit.value,
                since=since,
                costs=engine_costs(costs_in_force()),
                contamination=contamination_names(),
            )
        except StatisticsError as error:
            self.stderr.write(error.sentence)
            raise SystemExit(2) from None
        if options["as_json"]:
            self.stdout.write(json.dumps(report.as_json(), allow_nan=False))
        else:
            self.stdout.write(as_text(report))


def as_text(report: EvidenceReport) -> str:
    """The answers as sentences, what is shown first."""
    left_out = (
        f" {report.immature} more are left out: they had no time to fail yet." if report.immature else ""
    )
    lines = [report.causes.sentence + left_out, ""]
    lines += [f"  {cause.sentence}" for cause in report.causes.causes]
    lines += [f"  Not examined: {left.factor}, {left.reason}." for left in report.causes.not_examined]
    lines += [
        "",
        report.equipment_x_practice.when_followed.sentence,
        report.equipment_x_practice.interaction.sentence,
        report.split.sentence,
        report.tanks.sentence,
        report.tanks.filter_every.sentence if report.tanks.filter_every else "",
        report.platform.sentence,
    ]
    return "\n".join(lines)
