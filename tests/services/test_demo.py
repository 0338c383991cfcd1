"""The demo lab, loaded as a new user loads it: what it counts, what its pages must show, loading twice."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.services.conftest import Installation, environment_of, free_port

COUNTED = {
    "cases", "appliances", "meshes", "checks", "builds", "parts", "forming_cycles", "pieces", "inspections",
    "releases", "scrapped",
}  # fmt: skip

# Rates per 100 parts, by the levels that the story of the demo lab plants something on.
STORY = """
import json
from django.db.models import Sum
from qa.models import EvidenceTally
def rate(**where):
    sums = EvidenceTally.objects.filter(unit="part", **where).aggregate(n=Sum("parts"), bad=Sum("defective"))
    return [sums["n"], 100 * sums["bad"] / sums["n"]]
old, young = {str(day) for day in range(21, 60)}, {str(day) for day in range(21)}
print(json.dumps({
    "fresh tank": rate(axis="tank-days", level__in=young),
    "old tank": rate(axis="tank-days", level__in=old),
    "bath done": rate(axis="step:wash-two-baths", level="within"),
    "bath skipped": rate(axis="step:wash-two-baths", level="not-done"),
}))
"""

SAME = """
import json
from qa.models import EvidenceTally, FormedPieceRow, PrintAttempt
from qa.services.evidence import promote_mature, rebuild_evidence
SUMS = ("parts", "lost", "defective", "contaminated")
def kept():
    rows = [list(model.objects.order_by("pk").values()) for model in (PrintAttempt, FormedPieceRow)]
    cells = EvidenceTally.objects.exclude(parts=0).order_by("unit", "day", "axis", "level")
    return json.dumps([rows, list(cells.values_list("unit", "day", "axis", "level", *SUMS))], default=str)
promote_mature()
before = kept()
rebuild_evidence()
print(json.dumps(before == kept()))
"""

OFFICE = """
import json
from qa.models import Action, AgreementStudy, CostVersion, DeviceStudy, PlannedComparison
from qa.services.planned_comparisons import verdict_of
plan = PlannedComparison.objects.get()
print(json.dumps({
    "costs": CostVersion.objects.count(), "actions": Action.objects.count(),
    "studies": [one.result["verdict"] for one in DeviceStudy.objects.all()],
    "agreements": AgreementStudy.objects.count(),
    "runs": plan.runs.filter(build__isnull=False).count(),
    "figures": len(verdict_of(plan)["figures"]),
}))
"""

RECORDS = """
import json
from labtrack.audit.models import AuditRecord
print(json.dumps(AuditRecord.objects.count()))
"""


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Installation:
    folder = tmp_path_factory.mktemp("demo")
    return Installation(folder, environment_of(folder), free_port())


@pytest.fixture(scope="module")
def loaded(demo: Installation) -> dict[str, Any]:
    return _counts(demo.manage("demo", "--no-serve", patience_s=900))


def _counts(output: str) -> dict[str, Any]:
    counts: dict[str, Any] = json.loads(output.splitlines()[-1])
    return counts


def test_the_last_line_counts_what_was_loaded(loaded: dict[str, Any]) -> None:
    assert set(loaded) == COUNTED
    assert loaded["parts"] >= 1200
    assert 0 < loaded["scrapped"] < loaded["parts"]
    assert loaded["checks"] >= loaded["meshes"] > 0
    assert loaded["pieces"] >= loaded["forming_cycles"] - loaded["scrapped"] > 0
    assert loaded["releases"] > 0


def test_a_second_start_keeps_the_data(demo: Installation, loaded: dict[str, Any]) -> None:
    records = demo.ask(RECORDS)
    assert _counts(demo.manage("demo", "--no-serve")) == loaded
    assert demo.ask(RECORDS) == records


def test_the_planted_story_is_in_the_counts(demo: Installation, loaded: dict[str, Any]) -> None:
    rates = demo.ask(STORY)
    assert rates["old tank"][1] > rates["fresh tank"][1] + 5, rates
    assert rates["bath skipped"][1] > rates["bath done"][1] + 5, rates


def test_the_managers_pages_have_something_to_show(demo: Installation, loaded: dict[str, Any]) -> None:
    told = demo.ask(OFFICE)
    assert told["costs"] == told["actions"] == told["agreements"] == 1
    assert told["studies"] == ["good"]
    assert told["runs"] == 20 and told["figures"] == 3, told


def test_the_evidence_that_nine_months_kept_equals_a_rebuild(
    demo: Installation, loaded: dict[str, Any]
) -> None:
    assert demo.ask(SAME) is True


def test_the_record_of_nine_months_is_whole(demo: Installation, loaded: dict[str, Any]) -> None:
    assert "The record holds" in demo.manage("verify_record", "--seal")


def test_passwords_are_made_at_random_and_kept_from_others(
    demo: Installation, loaded: dict[str, Any]
) -> None:
    kept = Path(demo.folder) / "secrets" / "demo-sign-ins.json"
    assert kept.stat().st_mode & 0o077 == 0
    passwords = [person["password"] for person in json.loads(kept.read_text())]
    assert len(set(passwords)) == len(passwords)
