"""Counts of a selection: every cell of the tally, an own count of the rows, and once whatever happens."""

from __future__ import annotations

import io
import random
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from labtrack.errors import NotAllowed
from labtrack.jobs.models import Job
from labtrack.jobs.services.run import run_job
from qa.choices import EvidenceUnit, Measure
from qa.models import NarrowedTrends, PrintAttempt
from qa.queries.evidence_frame import evidence_frame
from qa.queries.narrowed import TrendsAsked, narrowed_view
from qa.queries.records import RecordsAsked, count_records, records_behind
from qa.queries.selection import Selection
from qa.queries.tally import Range, TallyView, read_tally
from qa.services import narrowed_trends
from qa.services.import_history import import_history
from qa.services.narrowed_trends import Narrowed, count_again, narrowed
from tests.benchmarks.test_manager_pages import fill

pytestmark = pytest.mark.django_db

DAYS = Range(date(2026, 3, 1), date(2026, 6, 30))
TWO = Selection.of([("printer", "Printer 2"), ("tank", "Tank 2"), ("tank", "Tank 8")])


@pytest.fixture(autouse=True)
def patient(settings: Any) -> None:
    # A worker's heartbeat is of another thread, which the test's own open transaction would keep waiting.
    settings.JOB_LEASE_S = 36_000


def history() -> list[dict[str, str]]:
    """Rows of an old file on printers and tanks of the same names as the lab's."""
    draw, rows = random.Random(5), []
    for number in range(240):
        day = DAYS.start + timedelta(days=number // 3)
        rows.append(
            {
                "part": f"OLD-{number:04d}",
                "printed_at": f"{day}T09:00",
                "printer": f"Printer {number % 4}",
                "outcome": draw.choice(("good", "good", "good", "scrapped")),
                "tank": draw.choice(("Tank 2", "Tank 8", "Tank 5")),
                "material": "Resin 1",
                "lot": draw.choice(("L1", "L2")),
                "build": f"OB-{number // 6}",
                "step:wash": draw.choice(("yes", "no")),
            }
        )
    return rows


def mixed() -> list[dict[str, str]]:
    """Rows as if the bench had written them, and a published file beside them."""
    fill(DAYS, parts=1_500)
    rows = history()
    text = "\n".join([",".join(rows[0]), *(",".join(row.values()) for row in rows)])
    done = import_history(actor=None, stream=io.BytesIO(f"{text}\n".encode()), name="old.csv")
    assert not done.problems
    return rows


def asking(selection: Selection = TWO, days: Range = DAYS) -> TrendsAsked:
    return TrendsAsked(EvidenceUnit.PART, days, days.before, selection)


def counted(actors: Any, asked: TrendsAsked) -> Narrowed:
    found = narrowed(actor=actors.manager, asked=asked)
    if found.coming is not None:
        assert found.coming.job is not None and run_job(found.coming.job.pk) == "done"
        found = narrowed(actor=actors.manager, asked=asked)
    assert found.coming is None and found.counts is not None
    return found


def seen(actors: Any, asked: TrendsAsked, measure: Measure = Measure.LOST) -> TallyView:
    found = counted(actors, asked).counts
    assert found is not None
    return narrowed_view(asked, measure, found)


def test_every_row_chosen_gives_every_cell_of_the_tally(actors: Any) -> None:
    mixed()
    printers = Selection.of(("printer", f"Printer {number}") for number in range(6))
    for measure in Measure:
        ours = seen(actors, asking(printers), measure)
        tally = read_tally(unit=EvidenceUnit.PART, measure=measure, days=DAYS)
        assert ours.levels == tally.levels and ours.weeks == tally.weeks and ours.earlier == tally.earlier
        assert ours.spread.builds == tally.spread.builds
        assert ours.spread.design_effect == pytest.approx(tally.spread.design_effect, rel=1e-9)


def test_two_things_together_are_an_own_count_of_the_rows(actors: Any) -> None:
    old = mixed()
    lab = PrintAttempt.objects.filter(history__isnull=True)
    ours = [
        (row.day, row.lost, row.material)
        for row in lab
        if row.printer == "Printer 2" and row.tank in ("Tank 2", "Tank 8")
    ]
    theirs = [
        (date.fromisoformat(row["printed_at"][:10]), row["outcome"] == "scrapped", row["material"])
        for row in old
        if row["printer"] == "Printer 2" and row["tank"] in ("Tank 2", "Tank 8")
    ]
    rows = ours + theirs
    assert len(ours) > 50 and len(theirs) > 20
    view = seen(actors, asking())
    assert (view.total.n, view.total.bad) == (len(rows), sum(lost for _, lost, _ in rows))
    for material in {material for *_, material in rows}:
        inside = [lost for _, lost, other in rows if other == material]
        assert (view.axis("material")[material].n, view.axis("material")[material].bad) == (
            len(inside),
            sum(inside),
        )
    for monday, week in view.weeks.items():
        assert week.n == sum(monday <= day < monday + timedelta(days=7) for day, *_ in rows)
    # The evidence job reads the same rows.
    frame = evidence_frame(EvidenceUnit.PART, selection=TWO)
    assert len(frame) == len(rows) and set(frame["printer"]) == {"Printer 2"}
    # So do the records behind the figures.
    behind = RecordsAsked(EvidenceUnit.PART, DAYS, selection=TWO)
    assert count_records(behind) == records_behind(behind).count() == len(rows)
    lots = replace(behind, axis="lot", level="L1")
    expected = [row for row in old if row["printer"] == "Printer 2" and row["lot"] == "L1"]
    assert records_behind(lots).count() == sum(row["tank"] != "Tank 5" for row in expected)


def test_a_step_and_a_lot_together(actors: Any) -> None:
    old = mixed()
    chosen = Selection.of([("step:wash", "not-done"), ("lot", "L2")])
    view = seen(actors, asking(chosen))
    expected = [row for row in old if row["step:wash"] == "no" and row["lot"] == "L2"]
    assert len(expected) > 30
    assert (view.total.n, view.total.bad) == (
        len(expected),
        sum(row["outcome"] == "scrapped" for row in expected),
    )


def test_asked_twice_and_delivered_twice_is_counted_once(
    actors: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    mixed()
    jobs = {narrowed(actor=actors.manager, asked=asking()).coming.job_id for _ in range(3)}  # type: ignore[union-attr]
    (job,) = jobs
    assert job is not None and Job.objects.count() == 1
    assert [run_job(job), run_job(job)] == ["done", "skipped"]
    assert NarrowedTrends.objects.count() == 1 and counted(actors, asking()).done is not None


def test_a_worker_that_dies_leaves_nothing_half_counted(actors: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    mixed()
    job = narrowed(actor=actors.manager, asked=asking()).coming.job  # type: ignore[union-attr]
    assert job is not None

    def dies(*_: Any) -> Any:
        raise RuntimeError("killed")

    with monkeypatch.context() as patched:
        patched.setattr(narrowed_trends._Counts, "as_json", dies)
        assert run_job(job.pk) == "failed"
    row = NarrowedTrends.objects.get()
    assert row.state == "waiting" and row.result is None
    found = counted(actors, asking())
    assert found.counts is not None and NarrowedTrends.objects.count() == 1


def test_what_could_not_be_counted_says_why_and_is_counted_again(
    actors: Any, people: Any, client_of: Callable[[Any], Client], monkeypatch: pytest.MonkeyPatch
) -> None:
    mixed()
    job = narrowed(actor=actors.manager, asked=asking()).coming.job  # type: ignore[union-attr]
    assert job is not None

    def full(*_: Any) -> Any:
        raise MemoryError

    with monkeypatch.context() as patched:
        patched.setattr(narrowed_trends, "_counted", full)
        assert run_job(job.pk) == "refused"
    client = client_of(people.manager)
    page = client.get(f"{reverse('qa:trends')}?{DAYS.query}&{TWO.query}").content.decode()
    assert "Could not be counted" in page and "Choose a shorter range." in page
    address = f"{reverse('qa:count-again')}?{DAYS.query}&{TWO.query}"
    assert client.post(address).status_code == 302
    assert count_again(actor=actors.manager, asked=asking()).waiting
    with pytest.raises(NotAllowed):
        narrowed(actor=actors.technician, asked=asking())


def test_older_counts_make_room(actors: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    mixed()
    monkeypatch.setattr(narrowed_trends, "MOST_KEPT", 2)
    for printer in range(4):
        counted(actors, asking(Selection.of([("printer", f"Printer {printer}"), ("tank", "Tank 2")])))
    assert NarrowedTrends.objects.count() == 2
