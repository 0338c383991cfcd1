"""The manager's pages: an analysis by a worker, kept until the data change, and what they say."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from typing import Any

import numpy as np
import pandas as pd
import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from scipy.stats import hypergeom
from statsmodels.stats.contingency_tables import StratifiedTable

from labtrack.errors import Conflict, NotAllowed, Refused
from labtrack.jobs.models import Job
from labtrack.jobs.services.run import run_job
from qa.choices import EvidenceUnit
from qa.doors import DOORS
from qa.evidence_pages import PAGES
from qa.evidence_pages.late import late_sentence
from qa.evidence_pages.words import contrast_words, level_words, reason_words, side_words
from qa.models import Action, CostVersion, EvidenceAnalysis
from qa.queries.trend_names import Names
from qa.services.actions import close_action, open_action
from qa.services.analyses import Analysed, analysed
from qa.services.costs import set_costs
from qa.services.import_history import import_history
from tests.qa.test_import_history import HEAD, SMALL
from tests.studies.labs import Setting, simulate

pytestmark = pytest.mark.django_db

PLACES = ("week", *PAGES)
TODAY = timezone.localdate()


@pytest.fixture(autouse=True)
def patient(settings: Any) -> None:
    # A worker's heartbeat is of another thread, which the test's own open transaction would keep waiting.
    settings.JOB_LEASE_S = 36_000


def take(text: str) -> None:
    done = import_history(actor=None, stream=io.BytesIO(text.encode()), name="lab.csv")
    assert not done.problems


def lab_text(setting: Setting, seed: int = 5) -> str:
    frame = simulate(setting, seed).frame.drop(columns=["lost", "mature"])
    frame["defects"] = np.where(frame["outcome"] == "scrapped", "stuck flake", "")
    frame["step_of_origin"], frame["step_found"] = "print", "form"
    frame["material_cost"] = 1.5
    return str(frame.to_csv(index=False))


def planted() -> None:
    take(lab_text(Setting("wash skipped", "step:wash", 600)))


def computed(actors: Any, unit: str = "part") -> Analysed:
    found = analysed(actor=actors.manager, unit=EvidenceUnit(unit))
    if found.coming is not None:
        assert found.coming.job is not None
        assert run_job(found.coming.job.pk) == "done"
        found = analysed(actor=actors.manager, unit=EvidenceUnit(unit))
    return found


def address(place: str) -> str:
    return reverse({name: url for name, _, url in DOORS}[place])


def costs(actors: Any, **values: Any) -> CostVersion:
    known = {"lost_part": Decimal(20), "filter_tank": Decimal(15), "late_step": Decimal(3)} | values
    return set_costs(
        actor=actors.manager,
        key="",
        based_on=CostVersion.objects.count(),
        currency="EUR",
        values=known,
        note="the lab's own sums",
    ).thing


# The analysis -------------------------------------------------------------------------------------------


def test_a_page_asks_a_worker_and_never_computes(
    actors: Any, people: Any, client_of: Callable[[Any], Client], monkeypatch: pytest.MonkeyPatch
) -> None:
    planted()

    def never(*args: Any, **kwargs: Any) -> Any:
        raise AssertionError("the engine ran in a request")

    client = client_of(people.manager)
    with monkeypatch.context() as patched:
        patched.setattr("qa.services.analyses.content", never)
        for place in PLACES:
            page = client.get(address(place)).content.decode()
            assert "Waiting for a worker" in page
        assert Job.objects.filter(kind="evidence").count() == 1
        part = client.get(address("causes"), headers={"HX-Request": "true"})
        assert b"analysis-state" in part.content and "HX-Refresh" not in part
    computed(actors)
    assert client.get(address("causes"), headers={"HX-Request": "true"})["HX-Refresh"] == "true"
    page = client.get(address("causes")).content.decode()
    assert "nothing has changed since" in page and "Computed" in page
    assert Job.objects.filter(kind="evidence").count() == 1


def test_an_analysis_holds_until_the_data_change(actors: Any, shop: Any) -> None:
    planted()
    first = computed(actors).done
    assert first is not None and analysed(actor=actors.manager, unit=EvidenceUnit.PART).done == first
    shop.printed()
    stale = analysed(actor=actors.manager, unit=EvidenceUnit.PART)
    assert stale.done == first and stale.waiting
    second = computed(actors).done
    assert second is not None and second != first
    report = second.result["report"]  # type: ignore[index]
    assert report["parts"] + report["immature"] == 601
    assert EvidenceAnalysis.objects.count() == 1  # the older one is of no use


def test_a_result_of_before_an_upgrade_is_not_shown(
    actors: Any, people: Any, client_of: Callable[[Any], Client], monkeypatch: pytest.MonkeyPatch
) -> None:
    planted()
    with monkeypatch.context() as older:
        older.setattr("qa.services.analyses.ENGINE", "evidence 0")
        done = computed(actors).done
    assert done is not None
    EvidenceAnalysis.objects.update(result={"engine": "evidence 0"})
    found = analysed(actor=actors.manager, unit=EvidenceUnit.PART)
    assert found.done is None and found.waiting
    assert client_of(people.manager).get(address("tanks")).status_code == 200


@pytest.mark.parametrize(
    ("factor", "level", "shown"),
    [
        ("days_since_filter", "11.0278", "11"),
        ("days_since_filter", "0.0278", "0"),
        ("layers_since_filter", "1135.4", "1135"),
        ("resin_temp_c", "22.74", "22.7"),
        ("layer_um", "not recorded", "not recorded"),
        ("lot", "1135.40", "1135.40"),
    ],
)
def test_numbers_of_a_contrast_have_no_more_digits_than_anybody_reads(
    factor: str, level: str, shown: str
) -> None:
    assert level_words(factor, level) == shown


@pytest.mark.parametrize(
    ("factor", "level", "reference", "title", "sides"),
    [
        ("days_since_filter", "10", "0", "Days since the tank was filtered: 10 days against 0",
         ("10 days or more", "0 days")),
        ("days_since_filter", "1.02", "0.03", "Days since the tank was filtered: 1 day against 0",
         ("1 day or more", "0 days")),
        ("lamp_hours", "12", "80.4", "Hours of the lamp: 12 hours against 80.4",
         ("12 hours or less", "80.4 hours or more")),
        ("printer", "Anvil", "the others", "Printer: Anvil against the others", ("Anvil", "the others")),
        ("step:wash", "no", "yes", "“wash”: not done as instructed",
         ("not done as instructed", "done as instructed")),
    ],
)  # fmt: skip
def test_a_suspected_cause_says_what_its_numbers_are(
    factor: str, level: str, reference: str, title: str, sides: tuple[str, str]
) -> None:
    cause = {"factor": factor, "level": level, "reference": reference}
    assert contrast_words(cause, Names({}, {})) == title
    assert side_words(cause) == sides


def test_costs_and_plans_are_part_of_what_was_asked(actors: Any) -> None:
    planted()
    without = computed(actors).result
    assert without is not None
    assert all(cause["money_per_month"] is not None for cause in without["report"]["causes"])  # its own cost
    costs(actors)
    assert analysed(actor=actors.manager, unit=EvidenceUnit.PART).waiting
    result = computed(actors).result
    assert result is not None and result["currency"] == "EUR" and result["cost_per_lost_part"] == 20


def test_a_worker_that_fails_says_so_and_may_try_again(
    actors: Any, people: Any, client_of: Callable[[Any], Client], monkeypatch: pytest.MonkeyPatch
) -> None:
    planted()

    def full(*args: Any, **kwargs: Any) -> Any:
        raise MemoryError

    coming = analysed(actor=actors.manager, unit=EvidenceUnit.PART).coming
    assert coming is not None and coming.job is not None
    with monkeypatch.context() as patched:
        patched.setattr("qa.services.analyses.content", full)
        assert run_job(coming.job.pk) == "refused"
    client = client_of(people.manager)
    assert "more memory than a worker may use" in client.get(address("tanks")).content.decode()
    assert client.post(reverse("qa:analyse-again"), {"unit": "part"}).status_code == 302
    assert computed(actors).done is not None


# Pages --------------------------------------------------------------------------------------------------


def test_every_figure_has_its_numbers_as_csv(
    actors: Any, people: Any, client_of: Callable[[Any], Client]
) -> None:
    planted()
    costs(actors)
    result = computed(actors).result
    assert result is not None
    client = client_of(people.manager)
    for place in PAGES:
        response = client.get(address(place))
        sections = response.context["sections"]
        assert response.status_code == 200 and sections
        for section in sections:
            assert section.sentence and section.method and section.question
            if section.chart is not None:
                answer = client.get(section.chart.csv_url)
                lines = b"".join(answer.streaming_content).decode().splitlines()  # type: ignore[attr-defined]
                assert len(lines) == len(section.chart.rows) + 1
    assert client.get(reverse("qa:evidence-csv", args=["causes", "nothing"])).status_code == 404


def test_this_week_puts_the_planted_cause_forward(
    actors: Any, people: Any, client_of: Callable[[Any], Client]
) -> None:
    planted()
    costs(actors)
    computed(actors)
    client = client_of(people.manager)
    response = client.get(address("week"))
    suspects = response.context["week"].suspects
    assert 1 <= len(suspects) <= 3
    first = suspects[0]
    assert "wash" in first.title and "not done as instructed" in first.title
    assert "parts a month (95 %" in first.parts and "EUR a month (95 %" in first.money
    assert "of 100 parts would be saved" in first.evidence
    records = client.get(first.records_url)
    assert records.status_code == 200
    found = records.context["found"].paginator.count
    cause = next(c for c in computed(actors).result["report"]["causes"] if c["factor"] == "step:wash")  # type: ignore[index]
    assert found == cause["n_level"]
    form = client.get(first.action_url).context["form"]
    assert form.initial["factor"] == "step:wash" and float(form.initial["hoped_per_100"]) > 0


def test_the_records_behind_every_cause_are_as_many_as_it_says(
    actors: Any, people: Any, client_of: Callable[[Any], Client]
) -> None:
    planted()
    result = computed(actors).result
    assert result is not None
    client = client_of(people.manager)
    rows = client.get(address("causes")).context["sections"][0].chart.rows
    linked = 0
    for row, cause in zip(rows, result["report"]["causes"], strict=True):
        if hasattr(row[0], "url"):
            count = client.get(row[0].url).context["found"].paginator.count
            assert count == cause["n_level"], cause["factor"]
            linked += 1
    assert linked >= 15


def test_each_cause_can_be_recomputed_by_hand(
    actors: Any, people: Any, client_of: Callable[[Any], Client]
) -> None:
    text = lab_text(Setting("wash skipped", "step:wash", 600))
    take(text)
    result = computed(actors).result
    assert result is not None
    client = client_of(people.manager)
    ranked, plain = client.get(address("causes")).context["sections"][:2]
    place, cause = next(
        (place, one) for place, one in enumerate(result["report"]["causes"]) if one["factor"] == "step:wash"
    )
    # The counts are those of the file, and the judges of the figures are statsmodels and scipy.
    rows = pd.read_csv(io.StringIO(text))
    lost, washed = rows["outcome"] == "scrapped", rows["step:wash"]
    a, n = int(lost[washed == "no"].sum()), int((washed == "no").sum())
    c, m = int(lost[washed == "yes"].sum()), int((washed == "yes").sum())
    assert ranked.chart.rows[place][2].value == f"{a} of {n} against {c} of {m}"
    detail = plain.details[place]
    assert ranked.chart.rows[place][2].url == f"#{detail.anchor}"
    sides, strata = detail.tables
    assert [row[1:3] for row in sides.rows] == [[a, n], [c, m]]
    tables = [
        np.array([[bad, k - bad], [bad_rest, k_rest - bad_rest]], dtype=float)
        for _, bad, k, bad_rest, k_rest, _ in strata.rows
    ]
    assert sum(tables).tolist() == [[a, n - a], [c, m - c]]  # type: ignore[union-attr]
    hand = result["causes"][place]["by_hand"]
    assert cause["n_level"] == hand["level"]["n"] == n
    assert hand["within"]["odds"] == pytest.approx(StratifiedTable(tables).oddsratio_pooled, abs=1e-3)
    assert hand["ci95"][0] < hand["per_100"] < hand["ci95"][1]
    table = hypergeom(n + m, a + c, n)
    p_seen, every = table.pmf(a), table.pmf(np.arange(a + c + 1))
    mid_p = every[every < p_seen * (1 - 1e-9)].sum() + 0.5 * every[np.isclose(every, p_seen, rtol=1e-9)].sum()
    assert hand["mid_p"] == pytest.approx(mid_p, abs=1e-6)
    words = " ".join(detail.sentences)
    for said in ("Newcombe", "takes parts as independent", "design effect", "Within printers", "Haenszel"):
        assert said in words
    page = client.get(address("causes")).content.decode()
    assert f'id="{detail.anchor}"' in page and "Infinity" not in page and "NaN" not in page


def test_printers_that_disagree_are_said_to_and_the_printer_itself_is_judged_within_materials(
    actors: Any, people: Any, client_of: Callable[[Any], Client]
) -> None:
    # On one printer skipping the step costs half of the parts, on the other nothing.
    rows = []
    for i in range(800):
        printer, done = ("P1", "P2")[i % 2], i % 3 != 0
        lost = i % 20 == 1 or (printer == "P1" and not done and i % 4 == 0)
        rows.append(
            f"A{i},2025-{1 + i // 100:02d}-{1 + i % 28:02d},{printer},{'scrapped' if lost else 'good'},"
            f"M{i // 5 % 2},{'yes' if done else 'no'}"
        )
    take("\n".join([f"{HEAD},material,step:wash", *rows]) + "\n")
    result = computed(actors).result
    assert result is not None
    client = client_of(people.manager)
    details = client.get(address("causes")).context["sections"][1].details
    said = {
        cause["factor"]: " ".join(detail.sentences)
        for cause, detail in zip(result["report"]["causes"], details, strict=True)
    }
    assert "The printers disagree" in said["step:wash"] and "look at each printer" in said["step:wash"]
    assert "Within materials" in said["printer"] and "hardly alike" in said["printer"]


def test_people_are_not_compared_by_name_unless_the_lab_turns_it_on(
    actors: Any, people: Any, client_of: Callable[[Any], Client], api_client: Any, settings: Any
) -> None:
    take(lab_text(Setting("one operator", "operator", 600)).replace(",B,", ",Berta,"))
    computed(actors)
    client, api = client_of(people.manager), api_client(people.manager)
    settings.COMPARE_PEOPLE = False
    page = client.get(address("causes")).content.decode()
    assert "Berta" not in page and "one person against the others" in page
    assert "Berta" not in api.get(reverse("api-evidence")).content.decode()
    settings.COMPARE_PEOPLE = True
    assert "Berta" in client.get(address("causes")).content.decode()
    assert "Berta" in api.get(reverse("api-evidence")).content.decode()


def test_tank_age_leads_to_an_interval_and_what_changing_it_saves(
    actors: Any, people: Any, client_of: Callable[[Any], Client]
) -> None:
    take(lab_text(Setting("tank age", "days_since_filter", 2000, "age", worth=9.0)))
    costs(actors)
    computed(actors)
    client = client_of(people.manager)
    hazard, first, every, ahead = client.get(address("tanks")).context["sections"]
    assert "times" in hazard.sentence and hazard.chart.rows
    assert "first defects in" in first.sentence and "n = " in first.chart.note
    assert re.search(r"half last \d+ builds? or longer \(95 % \d+ (to|or more)", first.sentence)
    shares = [row[2] for row in first.chart.rows]
    assert shares == sorted(shares, reverse=True) and all(row[1] > 0 for row in first.chart.rows)
    assert "half of the fillings are filtered by" in every.sentence and every.chart.rows
    assert re.search(
        r"Filtering pays after \d+ \w+ \(95 % \d+ to (\d+|beyond what was seen)\)", every.sentence
    )
    assert "the oldest seen" in hazard.sentence
    assert len(ahead.chart.rows) >= 4
    suspects = client.get(address("week")).context["week"].suspects
    old = [one for one in suspects if "filtered" in one.title or "Tanks go bad" in one.title]
    # The first page must not ask for fresh tanks every day where the page of tanks says when it pays.
    assert old and all("Filtering pays after" in f"{one.evidence} {one.parts}" for one in old)
    assert all("the oldest seen reached" in f"{one.evidence} {one.parts}" for one in old)


@pytest.mark.parametrize("name", SMALL)
def test_a_small_lab_gets_pages_with_sentences(
    name: str, actors: Any, people: Any, client_of: Callable[[Any], Client]
) -> None:
    take(SMALL[name])
    computed(actors)
    client = client_of(people.manager)
    for place in PLACES:
        response = client.get(address(place))
        page = response.content.decode()
        assert response.status_code == 200
        assert "Infinity" not in page and "NaN" not in page
        if place == "week":
            assert not response.context["week"].suspects and response.context["week"].quiet
        else:
            assert all(len(section.sentence) > 10 for section in response.context["sections"])


def test_a_lab_that_loses_everything_is_told_to_stop_and_look(
    actors: Any, people: Any, client_of: Callable[[Any], Client]
) -> None:
    rows = [f"A{i},2025-03-{1 + i // 5:02d}T10:00,P1,B{i // 5},{10 * (i % 5)},0,scrapped" for i in range(100)]
    take("\n".join(["part,printed_at,printer,build,platform_x_mm,platform_y_mm,outcome", *rows]))
    computed(actors)
    client = client_of(people.manager)
    quiet = client.get(address("week")).context["week"].quiet
    assert "Nothing stands out" not in quiet and "wrong for all of them" in quiet
    spots, platform = client.get(address("platform")).context["sections"]
    assert "too few" not in spots.sentence
    # Shades start at nothing lost, so that small differences do not look large.
    (drawn,) = platform.chart.figure["data"]
    assert (drawn["marker"]["cmin"], drawn["marker"]["cmax"]) == (0, 100)
    assert platform.chart.columns[-1] == "95 % to" and platform.chart.rows[0][4] == 100


def test_pieces_are_called_pieces(actors: Any, people: Any, client_of: Callable[[Any], Client]) -> None:
    found = computed(actors, "piece").result
    assert found is not None and " parts" not in found["sentence"] + found["tanks"]["sentence"]


def test_late_shares_leave_out_groups_of_a_flaw_or_two_and_never_ask_for_a_known_cost() -> None:
    def row(name: str, n: int, count: int, low: float, high: float) -> dict[str, Any]:
        return {"name": name, "n": n, "count": count, "rate": count / n, "ci95": [low, high], "cost": 3.5}

    rows = [row("clear", 27, 20, 0.47, 0.90), row("grey", 101, 14, 0.06, 0.27), row("white", 2, 0, 0.0, 0.66)]
    assert late_sentence(rows).startswith("Most slip through: clear, 20 of 27")
    assert late_sentence(rows).endswith("Too few flaws to compare: white.")
    assert "no flaw" in late_sentence([])
    assert "nothing to compare it with" in late_sentence(rows[2:])


def test_why_a_factor_was_not_examined_is_said_in_words() -> None:
    assert reason_words("step:wash", "always 'yes'") == "always done as instructed"
    assert reason_words("hollow", "always 'no'") == "always no"
    assert reason_words("lot", "never recorded") == "never recorded"


def test_no_lab_at_all_gets_pages_with_sentences(
    actors: Any, people: Any, client_of: Callable[[Any], Client]
) -> None:
    for unit in EvidenceUnit.values:
        computed(actors, unit)
        for place in PLACES:
            page = client_of(people.manager).get(address(place), {"unit": unit})
            assert page.status_code == 200
    assert "nothing to say" in client_of(people.manager).get(address("week")).content.decode()


def test_an_address_that_cannot_be_is_said_on_the_form(
    people: Any, client_of: Callable[[Any], Client]
) -> None:
    client = client_of(people.manager)
    for asked in ({"unit": "lorry"}, {"since": "last spring"}):
        assert client.get(address("causes"), asked).status_code == 422
        assert client.get(address("week"), asked).status_code == 422
    assert not EvidenceAnalysis.objects.exists()


# Actions and costs --------------------------------------------------------------------------------------


def plan(actors: Any, **changes: Any) -> Action:
    values: dict[str, Any] = {
        "what": "Wash twice",
        "responsible_id": actors.technician.user.pk,
        "starts_on": TODAY - timedelta(days=100),
        "check_on": TODAY + timedelta(days=10),
        "hoped_per_100": Decimal(5),
        "before_days": 180,
    }
    return open_action(actor=actors.manager, key="", **(values | changes)).thing


def test_an_action_is_judged_before_and_after(
    actors: Any, people: Any, client_of: Callable[[Any], Client]
) -> None:
    # 30 of 100 lost before, 4 of 100 after: what an action that works looks like.
    rows = []
    for number in range(600):
        day = TODAY - timedelta(days=220 - number // 3)
        lost = number % 10 < 3 if day < TODAY - timedelta(days=100) else number % 25 == 0
        rows.append(f"P{number},{day},P1,{'scrapped' if lost else 'good'},B{number // 6}")
    take("\n".join([f"{HEAD},build", *rows]) + "\n")
    action = plan(actors)
    result = computed(actors).result
    assert result is not None
    effect = result["actions"][str(action.pk)]
    assert effect["verdict"] == "worked" and effect["ci95"][0] > 5
    client = client_of(people.manager)
    assert "It worked" in client.get(reverse("qa:action", args=[action.pk])).content.decode()
    closing = reverse("qa:action-close", args=[action.pk])
    assert client.post(closing, {"note": ""}).status_code == 422
    assert client.post(closing, {"note": "it stays so"}).status_code == 302
    action.refresh_from_db()
    assert action.effect == effect and action.closed_by == people.manager
    assert client.post(closing, {"note": "again"}).status_code == 422
    assert "It worked" in client.get(reverse("qa:actions")).content.decode()


def test_an_action_without_parts_after_it_cannot_be_told_yet(actors: Any) -> None:
    planted()
    action = plan(actors, starts_on=TODAY, check_on=TODAY + timedelta(days=60))
    effect = computed(actors).result["actions"][str(action.pk)]  # type: ignore[index]
    assert effect["verdict"] == "unknown" and "Cannot tell yet" in effect["sentence"]


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"what": " "}, "what-missing"),
        ({"check_on": TODAY - timedelta(days=100)}, "check-before-start"),
        ({"hoped_per_100": Decimal(0)}, "hope"),
        ({"responsible_id": 987_654}, "responsible"),
    ],
)
def test_a_plan_that_cannot_be_judged_is_refused(actors: Any, changes: dict[str, Any], code: str) -> None:
    with pytest.raises(Refused) as refused:
        plan(actors, **changes)
    assert refused.value.code == code and not Action.objects.exists()


def test_clinic_staff_are_no_one_to_be_responsible(actors: Any) -> None:
    with pytest.raises(Refused):
        plan(actors, responsible_id=actors.clinic.user.pk)


def test_an_action_is_opened_on_the_page(people: Any, client_of: Callable[[Any], Client]) -> None:
    client, url = client_of(people.quality), reverse("qa:action-open")
    form = client.get(url, {"factor": "step:wash", "why": "because", "hoped": "1.5"}).context["form"]
    data = {name: form[name].value() for name in form.fields} | {"what": "Wash twice", "submission_key": "k"}
    assert client.post(url, data).status_code == 302
    assert client.post(url, data).status_code == 302
    assert Action.objects.get().factor == "step:wash"
    assert client.post(url, data | {"check_on": data["starts_on"], "submission_key": "l"}).status_code == 422


def test_costs_are_the_managers_to_set(actors: Any, people: Any, client_of: Callable[[Any], Client]) -> None:
    client, url = client_of(people.manager), reverse("qa:costs")
    data = {"currency": "EUR", "lost_part": "21.50", "note": "sums", "based_on": "0", "submission_key": "a"}
    assert client.post(url, data | {"lost_part": "-1"}).status_code == 422
    assert client.post(url, data | {"note": ""}).status_code == 422
    assert client.post(url, data).status_code == 302
    assert CostVersion.objects.get().lost_part == Decimal("21.50")
    stale = client.post(url, data | {"submission_key": "b"})
    assert stale.status_code == 422 and "Somebody else changed" in stale.content.decode()
    assert "21.50" in client.get(reverse("qa:cost")).content.decode()
    with pytest.raises(NotAllowed):
        set_costs(actor=actors.quality, key="", based_on=1, currency="EUR", values={}, note="x")
    with pytest.raises(Conflict):
        set_costs(actor=actors.manager, key="", based_on=0, currency="EUR", values={}, note="x")


def test_closing_needs_an_open_action(actors: Any) -> None:
    action = plan(actors)
    close_action(actor=actors.quality, action_id=action.pk, note="done")
    with pytest.raises(Conflict):
        close_action(actor=actors.quality, action_id=action.pk, note="done")


# API ----------------------------------------------------------------------------------------------------


def test_scripts_get_the_form_of_the_command(actors: Any, people: Any, api_client: Any) -> None:
    planted()
    api = api_client(people.quality)
    waiting = api.get(reverse("api-evidence")).json()
    assert waiting["state"] == "waiting" and waiting["evidence"] is None and not waiting["up_to_date"]
    result = computed(actors).result
    assert result is not None
    done = api.get(reverse("api-evidence")).json()
    assert done["state"] == "done" and done["up_to_date"] and done["computed_at"]
    assert done["evidence"]["parts"] == 600
    names = {"parts", "lost", "immature", "causes", "equipment_x_practice", "split", "tanks", "platform"}
    assert names <= set(done["evidence"])
    assert api.get(reverse("api-evidence"), {"unit": "lorry"}).status_code == 422
