"""Pages narrowed to several things together: counted by a worker, equal to the rows that were chosen."""

from __future__ import annotations

import io
from collections.abc import Callable
from datetime import timedelta
from typing import Any
from urllib.parse import urlencode

import pandas as pd
import pytest
from django.test import Client
from django.urls import reverse
from django.utils.html import escape

from labtrack.errors import NotAllowed, Refused
from labtrack.jobs.models import Job
from labtrack.jobs.services.run import run_job
from qa.choices import EvidenceUnit, Measure
from qa.models import EvidenceAnalysis, NarrowedTrends, PrintAttempt
from qa.queries.evidence_frame import evidence_frame
from qa.queries.narrowed import TrendsAsked, narrowed_view
from qa.queries.range import Range
from qa.queries.selection import Selection, parse_selection
from qa.queries.tally import TallyView, read_tally
from qa.queries.trend_names import trend_names
from qa.services.analyses import Analysed, analysed
from qa.services.import_history import import_history
from qa.services.narrowed_trends import Narrowed, narrowed
from qa.trend_charts import BUILDERS
from tests.qa.test_trends import RANGE, attempt, keep, planted

pytestmark = pytest.mark.django_db

PART = EvidenceUnit.PART
TWO = Selection.of([("printer", "Vat 1"), ("step:wash-first-bath", "not-done")])


@pytest.fixture(autouse=True)
def patient(settings: Any) -> None:
    # A worker's heartbeat is of another thread, which the test's own open transaction would keep waiting.
    settings.JOB_LEASE_S = 36_000


@pytest.fixture
def mixed(db: None) -> None:
    """Rows of the lab's own kind, and an imported file of the same days with levels of its own."""
    keep(planted())
    lines = ["part,printed_at,printer,outcome,build,material,lot,operator,step:wash,defects"]
    for number in range(240):
        day = RANGE.start + timedelta(days=number // 3)
        printer, material = f"Vat {1 + number % 3}", "Clear" if number % 2 else "Grey"
        wash, lost = "no" if number % 5 == 0 else "yes", number % 11 == 0
        lines.append(
            f"F-{number},{day.isoformat()}T08:00,{printer},{'scrapped' if lost else 'good'},B{number // 6},"
            f"{material},L{number % 4},{'ABC'[number % 3]},{wash},{'stuck flake' if lost else ''}"
        )
    done = import_history(actor=None, stream=io.BytesIO("\n".join(lines).encode()), name="file.csv")
    assert not done.problems


def trends_of(selection: Selection, days: Range = RANGE) -> TrendsAsked:
    return TrendsAsked(PART, days, days.before, selection)


def counted(actors: Any, asked: TrendsAsked) -> Narrowed:
    found = narrowed(actor=actors.manager, asked=asked)
    if found.coming is not None:
        assert found.coming.job is not None
        assert run_job(found.coming.job.pk) == "done"
        found = narrowed(actor=actors.manager, asked=asked)
    assert found.coming is None
    return found


def view_of(actors: Any, asked: TrendsAsked, measure: Measure = Measure.LOST) -> TallyView:
    counts = counted(actors, asked).counts
    assert counts is not None
    return narrowed_view(asked, measure, counts)


def rows_of(selection: Selection, days: Range = RANGE) -> pd.DataFrame:
    """The rows recounted in memory, without the query that the worker uses."""
    rows = pd.DataFrame(PrintAttempt.objects.values())
    rows = rows[rows["mature"] & (rows["day"] >= days.start) & (rows["day"] <= days.end)]
    for one in selection.conditions:
        if one.factor.startswith("step:"):
            told = rows["steps"].map(lambda steps, code=one.factor[5:]: steps.get(code))
        else:
            told = rows[one.factor]
        rows = rows[told.isin(one.levels)]
    return rows


# The counts ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("axis", "level"),
    [
        ("printer", "Vat 1"),
        ("material", "Clear"),
        ("step:wash-first-bath", "not-done"),
        ("step:wash", "within"),
    ],
)
@pytest.mark.parametrize("measure", list(Measure))
def test_one_level_counted_from_rows_is_what_the_tally_keeps(
    mixed: None, actors: Any, axis: str, level: str, measure: Measure
) -> None:
    asked = trends_of(Selection.of([(axis, level)]))
    only = asked.selection.standing
    assert only is not None
    kept = read_tally(unit=PART, measure=measure, days=RANGE, only=only)
    found = view_of(actors, asked, measure)
    assert found.total == kept.total and found.total.n > 0
    assert (found.weeks, found.days, found.earlier) == (kept.weeks, kept.days, kept.earlier)


def test_two_things_together_are_the_rows_that_have_both(mixed: None, actors: Any) -> None:
    several = Selection.of([("printer", "Vat 1"), ("printer", "Vat 3"), ("material", "Clear")])
    for selection in (TWO, several):
        rows, found = rows_of(selection), view_of(actors, trends_of(selection))
        assert (found.total.n, found.total.bad) == (len(rows), rows["lost"].sum())
        assert {level: one.n for level, one in found.axis("printer").items()} == dict(
            rows["printer"].value_counts()
        )
        assert {day: one.n for day, one in found.days} == dict(rows["day"].value_counts())
    assert (
        found.spread.builds == rows["build"].nunique() + 0
    )  # builds of the file and of the lab differ by name
    frame = evidence_frame(PART, selection=several)
    assert sorted(frame["part"]) == sorted(rows_of(several)["label"])


def test_the_compared_days_are_narrowed_too(mixed: None, actors: Any) -> None:
    days = Range(RANGE.start + timedelta(days=60), RANGE.end)
    before, found = rows_of(TWO, days.before), view_of(actors, trends_of(TWO, days))
    assert (found.earlier.n, found.earlier.bad) == (len(before), before["lost"].sum())
    assert found.earlier.n > 0


def test_the_same_counting_asked_twice_is_one_and_a_change_makes_a_new_one(mixed: None, actors: Any) -> None:
    asked = trends_of(TWO)
    first, again = (narrowed(actor=actors.manager, asked=asked) for _ in range(2))
    assert first.coming == again.coming and Job.objects.filter(kind="narrow-trends").count() == 1
    assert first.coming is not None and first.coming.job is not None
    assert [run_job(first.coming.job.pk) for _ in range(2)] == ["done", "skipped"]
    done = narrowed(actor=actors.manager, asked=asked).done
    assert NarrowedTrends.objects.count() == 1
    text = "part,printed_at,printer,outcome,step:wash-first-bath\nNEW,2020-01-01T08:00,Vat 1,good,no\n"
    import_history(actor=None, stream=io.BytesIO(text.encode()), name="more.csv")
    stale = narrowed(actor=actors.manager, asked=asked)
    assert stale.done == done and stale.coming is not None
    assert counted(actors, asked).done != done and NarrowedTrends.objects.count() == 1


def test_who_may_not_read_trends_has_nothing_counted(mixed: None, actors: Any) -> None:
    with pytest.raises(NotAllowed):
        narrowed(actor=actors.clinic, asked=trends_of(TWO))
    assert not NarrowedTrends.objects.exists()


# What was chosen ----------------------------------------------------------------------------------------


def test_a_selection_is_the_same_however_it_is_written(mixed: None) -> None:
    texts = ["printer|Vat 3", "step:wash|not-done", "printer|Vat 1"]
    one, other = (parse_selection(given, PART) for given in (texts, [*texts[::-1], "", texts[0]]))
    assert one == other and one.text == other.text == Selection.from_text(one.text).text
    assert one.values == ["printer|Vat 1", "printer|Vat 3", "step:wash|not-done"]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("printer|Nobody's", "No part in the records has printer"),
        ("step:wash|perhaps", "No part in the records has the answer"),
        ("sheet|S1", "recorded of pieces"),
        ("operator|A", "People are not compared in this lab"),
        ("defect|crack", "Records are chosen by"),
        ("lost|True", "Records are chosen by"),
        ("printer|", "Records are chosen by"),
        ("printer|" + "x" * 300, "Records are chosen by"),
    ],
)
def test_what_cannot_be_chosen_is_said(
    mixed: None, people: Any, client_of: Callable[[Any], Client], text: str, said: str
) -> None:
    with pytest.raises(Refused, match=said):
        parse_selection([text], PART)
    for name in ("qa:trends", "qa:causes"):
        page = client_of(people.manager).get(reverse(name), {"of": text})
        assert page.status_code == 422 and escape(said) in page.content.decode()


def test_people_are_chosen_where_people_are_compared(mixed: None, actors: Any, settings: Any) -> None:
    settings.COMPARE_PEOPLE = True
    selection = parse_selection(["operator|A"], PART)
    assert view_of(actors, trends_of(selection)).total.n == 80


def test_forty_one_things_are_too_many(mixed: None) -> None:
    with pytest.raises(Refused, match="At most 40"):
        parse_selection([f"lot|{n}" for n in range(41)], PART)


# Pages --------------------------------------------------------------------------------------------------


def address(name: str, selection: Selection, **more: str) -> str:
    return f"{reverse(name)}?{RANGE.query}&{urlencode(more)}&{selection.query}"


def test_trends_of_two_things_wait_for_a_worker_and_then_show_every_chart(
    mixed: None, actors: Any, people: Any, client_of: Callable[[Any], Client]
) -> None:
    client, url = client_of(people.manager), address("qa:trends", TWO)
    waiting = client.get(url).content.decode()
    assert "Being counted" in waiting and 'class="panel trend"' not in waiting
    assert b"narrowed-state" in client.get(url, headers={"HX-Request": "true"}).content
    found = view_of(actors, trends_of(TWO))
    assert client.get(url, headers={"HX-Request": "true"})["HX-Refresh"] == "true"
    page = client.get(url).content.decode()
    for name, build in BUILDERS.items():
        if name != "rare":
            assert f"<h2>{escape(build(found, trend_names()).question)}</h2>" in page
    assert f"{found.total.bad} of {found.total.n} parts" in page and "printer Vat 1" in page
    everything = read_tally(unit=PART, measure=Measure.LOST, days=RANGE).total.n
    assert f"{found.total.n} of {everything} parts" in page
    # The measure is another reading of the same counts.
    other = client.get(address("qa:trends", TWO, measure="contaminated")).content.decode()
    assert "Being counted" not in other and Job.objects.filter(kind="narrow-trends").count() == 1


def test_numbers_and_records_behind_a_narrowed_chart_are_of_the_same_things(
    mixed: None, actors: Any, people: Any, client_of: Callable[[Any], Client]
) -> None:
    client = client_of(people.manager)
    assert client.get(address_of_csv("printers")).status_code == 404
    found = view_of(actors, trends_of(TWO))
    sent = b"".join(client.get(address_of_csv("weeks")).streaming_content)
    assert len(sent.splitlines()) == 1 + len(found.weeks)
    for row in BUILDERS["resins"](found, trend_names()).chart.rows:
        level = row[0].value
        n = found.axis("material")[level].n
        shown = client.get(row[0].url).content.decode()
        assert f"{n} part" in shown and n == len(rows_of(Selection.of([*TWO.pairs, ("material", level)])))


def address_of_csv(name: str) -> str:
    return f"{reverse('qa:trend-csv', args=[name])}?{RANGE.query}&{TWO.query}"


def analysed_of(actors: Any, selection: Selection) -> Analysed:
    found = analysed(actor=actors.manager, unit=PART, selection=selection)
    if found.coming is not None:
        assert found.coming.job is not None and run_job(found.coming.job.pk) == "done"
        found = analysed(actor=actors.manager, unit=PART, selection=selection)
    return found


def test_findings_are_narrowed_by_the_same_things(
    mixed: None, actors: Any, people: Any, client_of: Callable[[Any], Client]
) -> None:
    client = client_of(people.manager)
    selection = Selection.of([("printer", "Vat 1"), ("material", "Clear")])
    assert b"Waiting for a worker" in client.get(f"{reverse('qa:causes')}?{selection.query}").content
    found = analysed_of(actors, selection)
    assert found.result is not None
    n, of = len(rows_of(selection)), len(rows_of(Selection()))
    assert (found.result["report"]["parts"], found.result["of"]) == (n, of)
    for name in ("causes", "tanks", "late", "platform", "cost"):
        page = client.get(f"{reverse(f'qa:{name}')}?{selection.query}").content.decode()
        assert f"{n} of {of} parts" in page and "material Clear and printer Vat 1" in page
        assert f'href="{reverse("qa:tanks")}?unit=part&amp;{escape(selection.query)}"' in page
    week = client.get(f"{reverse('qa:this-week')}?{selection.query}").content.decode()
    assert "Narrowed to" not in week and "printer Vat 1" not in week
    # Nothing of it is taken for an answer about everything.
    assert analysed(actor=actors.manager, unit=PART).done is None
    assert EvidenceAnalysis.objects.filter(selection="").count() == 1


def test_things_that_no_part_has_together_are_a_sentence(
    mixed: None, actors: Any, people: Any, client_of: Callable[[Any], Client]
) -> None:
    keep([attempt(9_999, RANGE.start, printer="Vat 9")])
    nothing = Selection.of([("printer", "Vat 9"), ("lot", "L1")])
    assert view_of(actors, trends_of(nothing)).total.n == 0
    client = client_of(people.manager)
    assert (
        "Choose a longer range, or fewer things" in client.get(address("qa:trends", nothing)).content.decode()
    )
    analysed_of(actors, nothing)
    for name in ("causes", "tanks", "late", "platform", "cost"):
        page = client.get(f"{reverse(f'qa:{name}')}?{nothing.query}")
        assert page.status_code == 200 and b"0 of " in page.content


def test_a_failed_analysis_is_asked_for_again_from_its_own_page(
    mixed: None, actors: Any, people: Any, client_of: Callable[[Any], Client]
) -> None:
    client = client_of(people.manager)
    again = f"{reverse('qa:analyse-again')}?unit=part&{TWO.query}&place=tanks"
    sent = client.post(again)
    assert sent.status_code == 302 and sent["Location"] == f"{reverse('qa:tanks')}?unit=part&{TWO.query}"
    counting = client.post(f"{reverse('qa:count-again')}?{RANGE.query}&{TWO.query}")
    assert counting["Location"].startswith(reverse("qa:trends")) and TWO.query in counting["Location"]


def test_scripts_ask_for_the_same_selection(
    mixed: None, actors: Any, people: Any, api_client: Callable[..., Any]
) -> None:
    client = api_client(people.manager)
    asked = {"of": ["printer|Vat 1", "material|Clear"]}
    assert client.get(reverse("api-evidence"), asked).json()["state"] == "waiting"
    selection = parse_selection(asked["of"], PART)
    analysed_of(actors, selection)
    told = client.get(reverse("api-evidence"), asked).json()
    assert told["up_to_date"] and told["evidence"]["parts"] == len(rows_of(selection))
    refused = client.get(reverse("api-evidence"), {"of": "printer|Nobody's"})
    assert refused.status_code == 422 and "No part in the records" in refused.content.decode()


def test_scripts_wait_for_the_charts_of_a_selection(
    mixed: None, actors: Any, people: Any, api_client: Callable[..., Any]
) -> None:
    client = api_client(people.manager)
    two = ["printer|Vat 1", "step:wash-first-bath|not-done"]
    asked = {"start": str(RANGE.start), "end": str(RANGE.end), "of": two}
    waiting = client.get(reverse("api-trends"), asked)
    assert waiting.status_code == 202 and waiting.json() == {"state": "waiting", "progress": 0.0}
    view = view_of(actors, trends_of(TWO))
    told = client.get(reverse("api-trends"), asked)
    assert told.status_code == 200
    assert {chart["n"] for chart in told.json()} == {view.total.n} != {0}
    assert {chart["count"] for chart in told.json()} == {view.total.bad}
    one = client.get(reverse("api-trend", args=[told.json()[0]["name"]]), asked).json()
    assert one == told.json()[0]
    assert client.get(reverse("api-trends"), asked | {"of": ["printer|Nobody's"]}).status_code == 422
