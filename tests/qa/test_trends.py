"""Trends: every figure from counts, with its interval, its n and the records behind it."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Any
from urllib.parse import urlencode

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from django.utils.html import escape

from labtrack.errors import NotAllowed, NotFound, Refused
from production.models import EquipmentEvent
from qa.choices import EvidenceUnit, Measure
from qa.models import FrozenBaseline, PrintAttempt
from qa.queries.records import RecordsAsked, count_records, records_behind
from qa.queries.tally import Range, Spread, Standing, Tally, TallyView, read_tally
from qa.queries.trend_names import trend_names
from qa.services.baselines import end_baseline, freeze_baseline
from qa.services.tally import TallyChange
from qa.statistics.charts import g_chart
from qa.statistics.proportions import effective_size, newcombe, wilson
from qa.trend_charts import BUILDERS
from qa.trend_charts.origins import origins
from qa.trend_charts.rare import gaps_of, is_rare
from qa.trend_charts.trend import Trend

pytestmark = pytest.mark.django_db

TODAY = timezone.localdate()
RANGE = Range(TODAY - timedelta(days=120), TODAY)


def attempt(number: int, day: date, **values: Any) -> PrintAttempt:
    """An imported row: it needs no part of the shop."""
    moment = timezone.make_aware(datetime.combine(day, datetime.min.time()) + timedelta(hours=9))
    defaults = {
        "source": "import",
        "label": f"OLD-{number:05d}",
        "occurred_at": moment,
        "day": day,
        "printer": "Vat 1",
        "build": f"H-{number // 5}",
        "material": "Grey",
        "outcome": "good",
        "mature": True,
    }
    return PrintAttempt(**(defaults | values))


def keep(rows: list[PrintAttempt]) -> None:
    change = TallyChange()
    for row in rows:
        change.add(row)
    PrintAttempt.objects.bulk_create(rows)
    change.apply()


# The chart of rare losses stands on the page only where they are rare.
ALWAYS = [name for name in BUILDERS if name != "rare"]


def planted(seed: int = 7, parts: int = 600) -> list[PrintAttempt]:
    """Losses that grow with tank age, double when the wash is skipped, and a printer that is as good."""
    draw = random.Random(seed)
    rows = []
    for number in range(parts):
        build = number // 5
        day = RANGE.start + timedelta(days=build * 110 // (parts // 5))
        age = build % 30
        skipped = draw.random() < 0.25
        lost = draw.random() < 0.03 + 0.02 * max(0, age - 15) + 0.1 * skipped
        dirty = lost and age > 15
        rows.append(
            attempt(
                number,
                day,
                printer="Vat 1" if build % 2 else "Vat 2",
                material="Clear" if build % 3 == 0 else "Grey",
                days_since_filter=age + 0.4,
                builds_since_filter=age // 2,
                steps={
                    "wash-first-bath": "not-done" if skipped else "within",
                    "resin-stirred": draw.choice(("within", "not-recorded")),
                },
                lost=lost,
                outcome="scrapped" if lost else "good",
                defective=lost,
                contaminated=dirty,
                defects=["stuck-flake|equipment|inspect"]
                if dirty
                else (["warped|print|form"] if lost else []),
            )
        )
    return rows


def view(unit: str = "part", measure: str = "lost", days: Range = RANGE) -> Any:
    return read_tally(unit=EvidenceUnit(unit), measure=Measure(measure), days=days)


def all_trends(seen: Any) -> dict[str, Trend]:
    return {name: build(seen, trend_names()) for name, build in BUILDERS.items()}


def trends(**asked: Any) -> dict[str, Trend]:
    return all_trends(view(**asked))


def test_the_sums_are_those_of_the_rows() -> None:
    rows = planted()
    keep(rows)
    seen = view()
    assert (seen.total.n, seen.total.bad) == (600, sum(row.lost for row in rows))
    assert seen.axis("printer")["Vat 1"].n == sum(row.printer == "Vat 1" for row in rows)
    assert sum(counted.n for counted in seen.axis("tank-days").values()) == 600
    assert sum(counted.n for counted in seen.weeks.values()) == 600
    half = Range(RANGE.start, RANGE.start + timedelta(days=30))
    assert view(days=half).total.n == sum(half.start <= row.day <= half.end for row in rows)
    assert view(measure="contaminated").total.bad == sum(row.contaminated for row in rows)


def test_the_design_effect_is_the_engines_own() -> None:
    rows = planted(seed=11)
    keep(rows)
    builds: dict[str, list[PrintAttempt]] = {}
    for row in rows:
        builds.setdefault(row.build, []).append(row)
    expected = effective_size(
        [sum(row.lost for row in inside) for inside in builds.values()],
        [len(inside) for inside in builds.values()],
    )
    spread = view().spread
    assert spread.builds == len(builds)
    assert spread.design_effect == pytest.approx(expected.design_effect, rel=1e-9)


def test_rates_against_tank_age_carry_wilson_intervals_and_cover_every_part() -> None:
    rows = planted()
    keep(rows)
    trend = trends()["tank-days"]
    assert sum(datum["n"] for datum in trend.data) == 600
    seen = view()
    for datum in trend.data:
        low, high = (int(word) for word in (datum["level"].split(" to ") * 2)[:2])
        inside = [row for row in rows if low <= int(row.days_since_filter or 0) <= high]
        share = wilson(
            sum(row.lost for row in inside), len(inside), n_effective=seen.spread.effective(len(inside))
        )
        assert datum["n"] == len(inside) and datum["count"] == share.count
        assert datum["ci95"] == [
            round(100 * (share.interval.low or 0), 2),
            round(100 * (share.interval.high or 0), 2),
        ]
        assert datum["ci95"][0] <= datum["per_100"] <= datum["ci95"][1]
    assert trend.sentence.startswith("The oldest tanks differ from the others: +")


def test_a_step_not_followed_is_told_from_one_not_recorded() -> None:
    rows = planted()
    keep(rows)
    data = {datum["item"]: datum for datum in trends()["steps"].data}
    wash, stirred = data["wash-first-bath"], data["resin-stirred"]
    skipped = [row for row in rows if row.steps["wash-first-bath"] == "not-done"]
    followed = [row for row in rows if row.steps["wash-first-bath"] == "within"]
    assert (wash["not_followed_n"], wash["followed_n"], wash["not_recorded_n"]) == (
        len(skipped),
        len(followed),
        0,
    )
    effect = view().spread
    gap = newcombe(
        sum(row.lost for row in skipped),
        len(skipped),
        sum(row.lost for row in followed),
        len(followed),
        n_effective_a=effect.effective(len(skipped)),
        n_effective_b=effect.effective(len(followed)),
    )
    assert wash["difference_per_100"] == round(100 * gap.difference, 2) and wash["verdict"] == "shown"
    assert stirred["not_recorded_n"] > 200 and stirred["not_followed_n"] == 0
    assert "difference_per_100" not in stirred and stirred["verdict"] == "unknown"


def test_too_few_parts_are_said_with_how_many_more() -> None:
    keep(planted(parts=20))
    for name in ("printers", "resins"):
        words = [row[-1] for row in trends()[name].chart.rows]
        assert any("cannot tell yet: about" in word and word.endswith("more parts") for word in words)
    assert "annot tell yet" in trends()["tank-days"].sentence


def _printers(counts: dict[str, Tally]) -> Trend:
    """The printers' trend of these counts alone, each part for itself."""
    whole = Tally(sum(one.n for one in counts.values()), sum(one.bad for one in counts.values()))
    levels = {"all": {"": whole}, "printer": counts}
    seen = TallyView(EvidenceUnit.PART, Measure.LOST, RANGE, levels, {}, Spread(whole.n, 1.0), 0)
    return BUILDERS["printers"](seen, trend_names())


def test_the_highest_of_equal_printers_is_seldom_taken_for_worse() -> None:
    """Bonferroni (Dunn 1961): a claim of 95 % errs at most once in twenty, though the highest is picked."""
    draw = random.Random(11)
    labs = [
        {f"Vat {one}": Tally(200, sum(draw.random() < 0.12 for _ in range(200))) for one in range(8)}
        for _ in range(200)
    ]
    claimed = sum(not _printers(lab).sentence.startswith("Cannot tell yet") for lab in labs)
    plain = 0
    for lab in labs:
        worst = max(lab.values(), key=lambda one: one.bad)
        bad = sum(one.bad for one in lab.values())
        gap = newcombe(worst.bad, worst.n, bad - worst.bad, 1400)
        plain += (gap.interval.low or 0.0) > 0
    # At most 10 of 200 are expected; 17 or more happen by chance once in fifty times.
    assert claimed < 17
    # Without the allowance it would be wrong far more often.
    assert plain > 2 * claimed and plain > 20


def test_the_interval_of_the_highest_allows_for_its_being_picked() -> None:
    four = {f"Vat {number}": Tally(300, bad) for number, bad in enumerate((60, 20, 22, 18))}
    gap = newcombe(60, 300, 60, 900, level=1 - 0.05 / 4)
    low, high = 100 * (gap.interval.low or 0.0), 100 * (gap.interval.high or 0.0)
    assert f"allowing for the highest of 4 being picked: {low:.1f} to {high:.1f}" in _printers(four).sentence
    # Between two there is nothing to pick.
    two = {"Vat 1": Tally(300, 60), "Vat 2": Tally(300, 20)}
    gap = newcombe(60, 300, 20, 300)
    low, high = 100 * (gap.interval.low or 0.0), 100 * (gap.interval.high or 0.0)
    assert f"(95 %: {low:.1f} to {high:.1f})" in _printers(two).sentence


def test_kinds_stand_by_their_step_of_origin() -> None:
    rows = planted()
    keep(rows)
    data = {(datum["kind"], datum["origin"]): datum for datum in trends()["origins"].data}
    assert data["stuck-flake", "equipment"]["n"] == sum(row.contaminated for row in rows)
    late = data["warped", "print"]
    assert late["found_late"] == late["n"], "a flaw of the print that is found in forming came through"
    assert data["stuck-flake", "equipment"]["found_late"] == 0


def test_an_inspection_is_where_somebody_looks_as_on_the_page_found_late() -> None:
    # A flaw of the print that trimming shows: it passed an inspection only if somebody looks in between.
    rows = planted()
    for row in rows:
        row.defects = ["warped|print|trim"] if row.defects else []
    keep(rows)
    assert trends()["origins"].data[0]["found_late"] == 0, "trimming is the only step where anything was seen"
    view = replace(read_tally(unit=EvidenceUnit.PART, measure=Measure.LOST, days=RANGE), looked_at=("form",))
    (datum,) = origins(view, trend_names()).data
    assert datum["found_late"] == datum["n"] > 0
    n = datum["n"]
    assert f"{n} of {n} flaws passed an inspection" in origins(view, trend_names()).sentence


def test_the_weekly_chart_states_its_baseline_and_signals() -> None:
    rows = [attempt(number, RANGE.start + timedelta(days=number // 5)) for number in range(500)]
    for row in rows[430:460]:
        row.lost = True
    for row in rows[::25]:
        row.lost = True
    keep(rows)
    trend = trends()["weeks"]
    assert "Baseline: the average of these weeks" in trend.chart.note
    assert sum(datum["n"] for datum in trend.data) == 500
    assert any(datum["signal"] for datum in trend.data)
    for datum in trend.data:
        low, high = datum["limits"]
        assert 0 <= low <= datum["centre"] <= high <= 100


def test_nothing_recorded_draws_and_claims_nothing() -> None:
    for unit in ("part", "piece"):
        for trend in trends(unit=unit).values():
            assert trend.chart.rows == [] and trend.data == []
            json.dumps(trend.chart.figure, allow_nan=False)


@pytest.mark.parametrize("name", ALWAYS)
def test_every_figure_leads_to_as_many_records_as_it_counts(name: str) -> None:
    keep(planted())
    seen = view()
    trend = trends()[name]
    followed = 0
    for row in trend.chart.rows:
        for cell in row:
            url = getattr(cell, "url", "")
            if not url:
                continue
            from django.http import QueryDict

            query = QueryDict(url.split("?", 1)[1])
            asked = RecordsAsked(
                EvidenceUnit.PART,
                Range(date.fromisoformat(query["from"]), date.fromisoformat(query["to"])),
                axis=query["axis"],
                level=query.get("level", ""),
                high=query.get("high", ""),
            )
            found = records_behind(asked).count()
            expected = {
                "origins": row[2] if name == "origins" else None,
                "steps": row[3] if cell is row[0] else row[8],
            }.get(name, row[1] if name not in ("origins", "steps") else None)
            expected = getattr(expected, "value", expected)
            assert found == expected, url
            followed += 1
    assert followed >= (1 if name == "periods" else 2) and seen.total.n == 600


@pytest.mark.parametrize(
    ("axis", "level"),
    [("nonsense", ""), ("tank-days", "x"), ("tank-days", "-1"), ("week", "May"), ("build", "")],
)
def test_unknown_figures_are_not_there(axis: str, level: str) -> None:
    with pytest.raises(NotFound):
        records_behind(RecordsAsked(EvidenceUnit.PART, RANGE, axis=axis, level=level))


def rare_losses(on: dict[int, int], days: int = 110, a_day: int = 4) -> list[PrintAttempt]:
    """``a_day`` parts a day, of which so many are lost on the days of ``on``."""
    rows = []
    for day in range(days):
        for place in range(a_day):
            lost = place < on.get(day, 0)
            moment = RANGE.start + timedelta(days=day)
            outcome = "scrapped" if lost else "good"
            rows.append(attempt(day * a_day + place, moment, lost=lost, outcome=outcome, printer="Vat 1"))
    return rows


def test_rare_losses_are_judged_by_the_good_parts_between_them() -> None:
    # Losses of one part on day 9, one on day 29 and two on day 30, four parts a day
    keep(rare_losses({9: 1, 29: 1, 30: 2}))
    seen = view()
    gaps, since = gaps_of(seen)
    assert is_rare(seen)
    # Nine whole days, then half of the three good ones of the day, rounded down, and so on
    assert [gap.good for gap in gaps] == [37, 79, 2, 1] and since == 317
    assert sum(gap.good for gap in gaps) + since == seen.total.n - seen.total.bad
    trend = BUILDERS["rare"](seen, trend_names())
    expected = g_chart([37, 79, 2, 1])
    assert [row[5] for row in trend.chart.rows] == [point.upper for point in expected.points]
    assert "317 good parts since the last one" in trend.sentence and "n = 440 parts" in trend.chart.note
    json.dumps(trend.chart.figure, allow_nan=False)


def test_losses_too_few_or_not_rare_are_a_sentence() -> None:
    keep(rare_losses({9: 1}))
    assert "1 of 3 losses needed" in trends()["rare"].sentence and not trends()["rare"].chart.rows
    keep(planted())
    assert "not rare here" in trends()["rare"].sentence


def test_the_page_shows_rare_losses_of_one_printer_at_once(
    people: Any, client_of: Callable[[Any], Client]
) -> None:
    keep(rare_losses({9: 1, 29: 1, 30: 2}))
    client = client_of(people.manager)
    page = client.get(f"{reverse('qa:trends')}?{RANGE.query}").content.decode()
    assert "Do losses crowd together?" in page and "Being counted" not in page
    page = client.get(f"{reverse('qa:trends')}?{RANGE.query}&of=printer|Vat 1").content.decode()
    assert "Do losses crowd together?" in page and "Being counted" in page
    questions = {name: build(view(), trend_names()).question for name, build in BUILDERS.items()}
    shown = {name for name, question in questions.items() if f"<h2>{escape(question)}</h2>" in page}
    assert shown == {"weeks", "rare", "periods"}


# Pages ----------------------------------------------------------------------------------------------


def test_the_page_shows_every_chart_and_its_range(people: Any, client_of: Callable[[Any], Client]) -> None:
    keep(planted())
    query = f"?{RANGE.query}"
    page = client_of(people.manager).get(reverse("qa:trends") + query).content.decode()
    assert page.count('class="chart"') == len(ALWAYS)
    assert page.count("Numbers as CSV") == len(ALWAYS) and page.count("<summary>Method") == len(ALWAYS)
    assert "left out" not in page


def test_what_is_immature_is_counted_apart(
    people: Any, client_of: Callable[[Any], Client], shop: Any
) -> None:
    shop.printed(3, at=timezone.now() - timedelta(days=2))
    page = client_of(people.quality).get(reverse("qa:trends")).content.decode()
    assert "Left out: 3 more parts of these days" in page


@pytest.mark.parametrize(
    "query",
    ["from=2026-05-01&to=2026-01-01", "from=yesterday", "measure=luck", "unit=ton", "from=9999-99-99"],
)
def test_a_range_that_cannot_be_is_said(people: Any, client_of: Callable[[Any], Client], query: str) -> None:
    client = client_of(people.quality)
    for name, args in (("qa:trends", []), ("qa:trend-csv", ["weeks"]), ("qa:trend-records", [])):
        assert client.get(f"{reverse(name, args=args)}?{query}").status_code == 422


def test_each_charts_csv_holds_its_rows(people: Any, client_of: Callable[[Any], Client]) -> None:
    keep(planted())
    client = client_of(people.quality)
    for name in ALWAYS:
        response: Any = client.get(f"{reverse('qa:trend-csv', args=[name])}?{RANGE.query}")
        lines = b"".join(response.streaming_content).decode().splitlines()
        assert response["Content-Type"].startswith("text/csv") and len(lines) >= 2
    assert client.get(reverse("qa:trend-csv", args=["nothing"])).status_code == 404


def test_the_records_page_is_paged(
    people: Any, client_of: Callable[[Any], Client], django_assert_max_num_queries: Any
) -> None:
    keep(planted())
    client = client_of(people.quality)
    url = f"{reverse('qa:trend-records')}?{RANGE.query}&axis=printer&level=Vat+1"
    client.get(url)
    with django_assert_max_num_queries(9):
        page = client.get(url).content.decode()
    assert page.count("OLD-") == 100 and "printed on Vat 1" in page
    assert client.get(f"{reverse('qa:trend-records')}?axis=nonsense").status_code == 404


def test_the_records_behind_a_cause_are_named_in_words(
    people: Any, client_of: Callable[[Any], Client]
) -> None:
    names = trend_names()
    assert names.flaw("stuck-flake|remove-supports|trim").endswith(", from remove supports, found at trim")
    assert names.flaw("a word of their own||") == "a word of their own"
    page = client_of(people.quality).get(
        f"{reverse('qa:trend-records')}?{RANGE.query}&axis=days_since_filter&level=10.0278"
    )
    assert b"days since filter from 10," in page.content


def test_the_page_costs_the_same_queries_for_any_number_of_parts(
    people: Any, client_of: Callable[[Any], Client], django_assert_max_num_queries: Any
) -> None:
    keep(planted(parts=300))
    client, url = client_of(people.quality), f"{reverse('qa:trends')}?{RANGE.query}"
    client.get(url)
    # Two of them for what there is to narrow it to, and for the steps at which somebody inspects.
    with django_assert_max_num_queries(17):
        assert client.get(url).status_code == 200


def test_trends_through_the_api(people: Any, api_client: Callable[..., Any]) -> None:
    keep(planted())
    client = api_client(people.quality)
    asked = {"start": RANGE.start.isoformat(), "end": RANGE.end.isoformat(), "measure": "contaminated"}
    found = client.get(reverse("api-trends"), asked).json()
    assert [one["name"] for one in found] == list(BUILDERS)
    one = client.get(reverse("api-trend", args=["tank-days"]), asked).json()
    assert one["n"] == 600 and one["count"] == sum(row["count"] for row in one["rows"])
    assert client.get(reverse("api-trend", args=["nothing"])).status_code == 404
    bad = client.get(reverse("api-trends"), {"start": "2026-05-01", "end": "2026-01-01"})
    assert bad.status_code == 422
    assert api_client(people.technician).get(reverse("api-trends")).status_code == 403
    assert api_client(people.quality, ["cases:read"]).get(reverse("api-trends")).status_code == 403


# Baselines, events, periods -----------------------------------------------------------------------------


def test_a_frozen_baseline_holds_whatever_range_is_shown(
    actors: Any, people: Any, client_of: Callable[[Any], Client]
) -> None:
    keep(planted())
    days = {"start": RANGE.start, "end": RANGE.start + timedelta(days=55)}
    with pytest.raises(Refused):
        freeze_baseline(
            actor=actors.quality, key="", unit="part", measure="lost", start=TODAY, end=TODAY, note="x"
        )
    client = client_of(people.quality)
    data = {"unit": "part", "measure": "lost", **days, "note": "all went well", "submission_key": "k"}
    assert client.post(reverse("qa:baseline-freeze"), data | {"note": ""}).status_code == 422
    assert client.post(reverse("qa:baseline-freeze"), data).status_code == 302
    held = view(days=Range(**days))
    centre = 100 * held.total.bad / held.total.n
    for shown in (RANGE, Range(TODAY - timedelta(days=60), TODAY)):
        weeks = all_trends(view(days=shown))["weeks"]
        assert all(row["centre"] == pytest.approx(centre, abs=0.01) for row in weeks.data)
        assert "Baseline: frozen" in weeks.chart.note and "with nothing changed" in weeks.chart.note.lower()
    other = all_trends(view(measure="contaminated"))["weeks"]
    assert "none is frozen" in other.chart.note
    baseline = FrozenBaseline.objects.get()
    assert client.post(reverse("qa:baseline-end", args=[baseline.pk])).status_code == 302
    assert "none is frozen" in all_trends(view())["weeks"].chart.note


def test_a_new_baseline_replaces_the_one_in_force(actors: Any) -> None:
    keep(planted())
    for shift in (0, 14):
        freeze_baseline(
            actor=actors.manager,
            key="",
            unit="part",
            measure="lost",
            start=RANGE.start + timedelta(days=shift),
            end=RANGE.start + timedelta(days=60),
            note="quiet",
        )
    assert FrozenBaseline.objects.filter(ended_at__isnull=True).count() == 1
    with pytest.raises(NotAllowed):
        end_baseline(actor=actors.technician, baseline_id=FrozenBaseline.objects.first().pk)  # type: ignore[union-attr]


def test_what_happened_stands_on_the_axis_of_weeks(shop: Any, actors: Any) -> None:
    keep(planted())
    at = timezone.now() - timedelta(days=30)
    EquipmentEvent.objects.create(
        equipment=shop.tank, kind="film-changed", occurred_at=at, by=actors.technician.user
    )
    weeks = trends()["weeks"]
    assert "film changed" in weeks.chart.note
    assert [line["x0"] for line in weeks.chart.figure["layout"]["shapes"]].count(
        timezone.localdate(at).isoformat()
    )


def test_two_periods_are_compared(people: Any, client_of: Callable[[Any], Client]) -> None:
    first, last = RANGE.start, RANGE.start + timedelta(days=59)
    keep(
        [
            attempt(
                number,
                first + timedelta(days=number % 60 + (60 if number >= 400 else 0)),
                lost=lost,
                outcome="scrapped" if lost else "good",
            )
            for number in range(800)
            for lost in [number % 4 == 0 if number < 400 else number % 40 == 0]
        ]
    )
    later = Range(last + timedelta(days=1), last + timedelta(days=60))
    seen = view(days=later)
    assert seen.than == Range(first, last) and (seen.earlier.n, seen.earlier.bad) == (400, 100)
    better = all_trends(seen)["periods"]
    expected = newcombe(
        10, 400, 100, 400, n_effective_a=seen.spread.effective(400), n_effective_b=seen.spread.effective(400)
    )
    assert (
        better.sentence.startswith("It is better") and f"{100 * expected.difference:+.1f}" in better.sentence
    )
    client, url = client_of(people.quality), f"{reverse('qa:trends')}?{later.query}"
    assert client.get(f"{url}&than_from={later.start}&than_to={first}").status_code == 422
    page = client.get(f"{url}&than_from={later.start}&than_to={later.end}")
    assert "Cannot tell yet whether it changed" in page.content.decode()


@pytest.mark.parametrize("only", [None, Measure.LOST])
def test_the_count_of_records_is_that_of_the_rows(db: None, only: Measure | None) -> None:
    from tests.benchmarks.test_manager_pages import fill

    days = Range(date(2026, 1, 5), date(2026, 3, 29))
    fill(days, parts=400)
    asked = [
        ("all", "", ""),
        ("week", "2026-02-02", ""),
        ("week", "2025-12-29", ""),
        ("printer", "Printer 2", ""),
        ("printer", "nobody's", ""),
        ("tank-days", "7", "21"),
        ("tank-builds", "3", ""),
        ("step:item-03", "within", "not-done"),
        ("step:item-03", "not-recorded", ""),
        ("tank", "Tank 3", ""),
        ("defect", "stuck-flake|equipment", ""),
    ]
    for axis, level, high in asked:
        one = RecordsAsked(EvidenceUnit.PART, days, axis, level, high, only)
        assert count_records(one) == records_behind(one).count(), axis


def test_records_past_the_listed_ones_are_counted_and_said(
    people: Any, client_of: Callable[[Any], Client], monkeypatch: pytest.MonkeyPatch
) -> None:
    from qa.views import trends
    from tests.benchmarks.test_manager_pages import fill

    today = timezone.localdate()
    fill(Range(today - timedelta(days=30), today), parts=300)
    monkeypatch.setattr(trends, "MOST_COUNTED", 200)
    url = reverse("qa:trend-records")
    page = client_of(people.manager).get(url).content.decode()
    assert "300 parts" in page and "The latest 200 are listed" in page
    assert client_of(people.manager).get(f"{url}?page=2").status_code == 200


def test_one_level_over_time_is_that_of_its_rows(people: Any, client_of: Callable[[Any], Client]) -> None:
    from tests.benchmarks.test_manager_pages import fill

    today = timezone.localdate()
    days = Range(today - timedelta(days=40), today)
    fill(days, parts=600)
    client = client_of(people.manager)
    for axis, level, rows in (
        ("printer", "Printer 2", PrintAttempt.objects.filter(printer="Printer 2")),
        ("tank", "Tank 4", PrintAttempt.objects.filter(tank="Tank 4")),
        ("material", "Resin 1", PrintAttempt.objects.filter(material="Resin 1")),
        ("step:item-03", "not-done", PrintAttempt.objects.filter(**{"steps__item-03": "not-done"})),
    ):
        view = read_tally(unit=EvidenceUnit.PART, measure=Measure.LOST, days=days, only=Standing(axis, level))
        assert (view.total.n, view.total.bad) == (rows.count(), rows.filter(lost=True).count())
        assert sum(week.n for week in view.weeks.values()) == view.total.n
        page = client.get(f"{reverse('qa:trends')}?{urlencode({'of': f'{axis}|{level}'})}&{days.query}")
        text = page.content.decode()
        assert f"{view.total.bad} of {view.total.n} parts" in text and "alone" in text
        assert text.count('class="panel trend"') == 2 + is_rare(view)
        linked = BUILDERS["weeks"](view, trend_names()).chart.rows[0][0]
        shown = client.get(linked.url).content.decode()
        first = view.weeks[min(view.weeks)]
        assert f"{first.n} part" in shown


def test_a_level_that_the_tally_does_not_keep_is_refused(
    people: Any, client_of: Callable[[Any], Client]
) -> None:
    client = client_of(people.manager)
    for asked in ("defect|crack", "printer|", "nonsense"):
        page = client.get(reverse("qa:trends"), {"of": asked})
        assert page.status_code == 422 and "Choose one of the list" in page.content.decode()


def test_a_long_range_has_the_spread_of_its_last_year(db: None, monkeypatch: pytest.MonkeyPatch) -> None:
    from qa.queries import tally
    from tests.benchmarks.test_manager_pages import fill

    days = Range(date(2024, 1, 1), date(2026, 1, 1))
    fill(days, parts=1000)
    year = Range(days.end - timedelta(days=364), days.end)

    def spread(asked: Range) -> Spread:
        return read_tally(unit=EvidenceUnit.PART, measure=Measure.LOST, days=asked).spread

    whole = spread(days)
    assert whole.builds == 100  # a year of fifty builds is too little to go by
    monkeypatch.setattr(tally, "ENOUGH_BUILDS", 20)
    assert spread(days) == spread(year) != whole
