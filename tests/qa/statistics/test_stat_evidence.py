"""The whole report: its form, its silence on small labs, and histories read from a file."""

from __future__ import annotations

import io
import json
import subprocess
import sys
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
import pytest

from qa.statistics.costs import Costs
from qa.statistics.evidence import evidence, is_contamination, part_cost
from qa.statistics.history import read_history
from qa.statistics.proportions import newcombe
from qa.statistics.results import StatisticsError
from tests.studies.labs import Setting, simulate

CAUSE_KEYS = {
    "factor", "level", "reference", "n_level", "group", "saved_per_100", "ci95", "money_per_month",
    "money_ci95", "verdict", "inseparable_from", "parts_needed",
}  # fmt: skip


def report(frame: pd.DataFrame, **options: Any) -> dict[str, Any]:
    """The report as a reader gets it; an infinity or not-a-number fails here."""
    text = json.dumps(evidence(frame, **options).as_json(), allow_nan=False)
    loaded: dict[str, Any] = json.loads(text)
    return loaded


def verdicts(found: dict[str, Any]) -> set[str]:
    pieces = [*found["causes"], found["equipment_x_practice"], found["equipment_x_practice"]["when_followed"]]
    pieces += [found["split"], found["tanks"], found["platform"]]
    return {piece["verdict"] for piece in pieces}


def plain(n: int, lost: int) -> pd.DataFrame:
    """A lab with little recorded: part, day, printer, outcome."""
    return pd.DataFrame(
        {
            "part": [f"A{i}" for i in range(n)],
            "printed_at": pd.Timestamp("2025-03-01") + pd.to_timedelta(np.arange(n), unit="h"),
            "printer": "P1",
            "outcome": ["scrapped" if i < lost else "good" for i in range(n)],
        }
    )


def test_the_report_has_the_agreed_form() -> None:
    lab = simulate(Setting("wash", "step:wash", 600), 3)
    found = report(lab.frame, costs=Costs(lost_part=25.0, filter_tank=30.0))
    assert found["parts"] == 600 and found["lost"] == int(lab.frame["lost"].sum()) and found["immature"] == 0
    assert set(found["causes"][0]) == CAUSE_KEYS
    assert found["causes"][0]["factor"] == "step:wash" and found["causes"][0]["verdict"] == "shown"
    assert {"cells", "difference_per_100", "ci95", "verdict"} <= set(found["equipment_x_practice"])
    assert {"practice", "equipment", "material", "verdict"} <= set(found["split"])
    shares = [found["split"][name]["share"] for name in ("practice", "equipment", "material")]
    assert sum(shares) == pytest.approx(1, abs=1e-3)
    assert {
        "verdict",
        "age",
        "hazard_ratio_per_10",
        "ci95",
        "filter_every",
        "filter_ci95",
        "next_build",
    } == set(found["tanks"])
    assert set(found["platform"]) == {"verdict", "spots"}


def test_money_is_null_where_no_costs_are_known() -> None:
    found = report(simulate(Setting("wash", "step:wash", 600), 3).frame)
    assert all(row["money_per_month"] is None and row["money_ci95"] is None for row in found["causes"])
    assert found["tanks"]["filter_every"] is None


def test_a_printer_that_loses_more_only_where_the_wash_is_skipped_is_not_put_forward() -> None:
    setting = Setting("wash on one printer only", "step:wash", 2000, "one printer", worth=10.0)
    found = report(simulate(setting, 4242).frame)
    table = found["equipment_x_practice"]
    assert table["verdict"] == "shown" and table["when_followed"]["verdict"] == "unknown"
    shown = {cause["factor"] for cause in found["causes"] if cause["verdict"] == "shown"}
    assert shown == {"printer", "step:wash"}
    assert found["put_forward"] == ["step:wash"]
    # A printer that loses more whatever is done stays.
    assert report(simulate(Setting("one printer", "printer", 600), 4242).frame)["put_forward"] == ["printer"]


def test_how_many_more_parts_is_not_reckoned_with_the_few_builds_of_today() -> None:
    # Four builds have three degrees of freedom at most; the parts that are missing bring more.
    frame = simulate(Setting("nothing", None, 40), 5).frame.assign(lost=False)
    frame.loc[[3, 15, 27], "lost"] = True
    needed = [cause["parts_needed"] for cause in report(frame)["causes"] if cause["parts_needed"]]
    assert needed and max(needed) < 100_000


@pytest.mark.parametrize("outcome", ["good", "scrapped"])
def test_where_all_came_out_alike_the_interval_still_has_a_width(outcome: str) -> None:
    frame = simulate(Setting("nothing", None, 200), 5).frame.assign(outcome=outcome).drop(columns="lost")
    found = report(frame)
    wash = next(cause for cause in found["causes"] if cause["factor"] == "step:wash")
    low, high = wash["ci95"]
    # Newcombe's interval of the two rates, times the share of parts at the level
    of = 200 if outcome == "scrapped" else 0
    share = wash["n_level"] / 200
    counts = (of * share, wash["n_level"], of * (1 - share), 200 - wash["n_level"])
    expected = newcombe(*counts).interval.scaled(100 * share)
    assert [low, high] == pytest.approx([expected.low, expected.high], abs=1e-3)
    assert all(cause["ci95"][0] < 0 < cause["ci95"][1] for cause in found["causes"])
    assert verdicts(found) == {"unknown"} and not found["put_forward"]


def test_the_same_data_give_the_same_report() -> None:
    frame = simulate(Setting("nothing", None, 600), 5).frame
    assert report(frame) == report(frame.copy())


@pytest.mark.parametrize(("n", "lost"), [(40, 3), (40, 0), (40, 40), (1, 0), (1, 1), (2, 1)])
def test_a_small_lab_is_told_nothing(n: int, lost: int) -> None:
    assert verdicts(report(plain(n, lost))) == {"unknown"}


def test_an_empty_table_is_a_report_too() -> None:
    found = report(plain(0, 0))
    assert (found["parts"], found["lost"], found["causes"]) == (0, 0, [])


def test_forty_parts_with_everything_recorded_are_told_nothing() -> None:
    frame = simulate(Setting("nothing", None, 600), 7).frame.head(40).copy()
    frame["lost"] = np.arange(40) % 14 == 0
    assert verdicts(report(frame, costs=Costs(lost_part=10.0, filter_tank=5.0))) == {"unknown"}


def test_immature_rows_are_left_out_and_counted() -> None:
    frame = plain(40, 3)
    frame["mature"] = [i < 30 for i in range(40)]
    found = report(frame)
    assert (found["parts"], found["immature"]) == (30, 10)


def test_rows_before_since_are_left_out() -> None:
    found = report(plain(48, 3), since=date(2025, 3, 2))
    assert found["parts"] == 24 and found["since"] == "2025-03-02"


def test_a_part_without_a_build_is_its_own() -> None:
    frame = plain(40, 3)
    frame["build"] = [None if i % 2 else "" for i in range(40)]
    assert evidence(frame).causes.builds == 40


def test_an_unknown_unit_and_a_missing_outcome_are_refused() -> None:
    with pytest.raises(StatisticsError):
        evidence(plain(4, 1), unit="tray")
    with pytest.raises(StatisticsError, match="outcome"):
        evidence(plain(4, 1).drop(columns="outcome"))


def test_part_cost_counts_time_only_where_it_has_a_price() -> None:
    columns = {"material_cost": [2.0, None], "labour_min": [30.0, None], "machine_h": [1.0, None]}
    frame = pd.DataFrame(columns)
    assert part_cost(frame, Costs()).tolist()[0] == 2.0
    assert part_cost(frame, Costs(labour_per_h=40.0, machine_per_h=3.0)).tolist()[0] == 2.0 + 20.0 + 3.0
    assert np.isnan(part_cost(frame, Costs())[1])
    with pytest.raises(StatisticsError):
        Costs(lost_part=-1.0)


def test_contamination_is_told_by_the_defect_s_name() -> None:
    assert is_contamination("stuck_flake") and is_contamination("Debris in resin")
    assert not is_contamination("warp")


def test_tanks_are_judged_by_contamination_where_defects_are_recorded() -> None:
    frame = simulate(Setting("age", "days_since_filter", 2000, "age"), 2).frame
    frame["defects"] = [("warp",) if lost else None for lost in frame["lost"]]
    found = evidence(frame)
    assert found.tanks.lost == 0
    assert "contamination list" in found.contamination


def test_a_history_file_goes_through_to_its_cause() -> None:
    frame = simulate(Setting("wash", "step:wash", 600), 4).frame
    columns = [c for c in frame.columns if c not in ("lost", "mature")]
    text = frame[columns].to_csv(index=False, date_format="%Y-%m-%dT%H:%M:%S")
    history = read_history(io.BytesIO(text.encode()))
    assert history.problems == ()
    found = report(history.frame)
    assert found["causes"][0]["factor"] == "step:wash"
    assert found["causes"] == report(frame)["causes"]


def test_a_page_that_shows_a_rate_loads_no_heavy_library() -> None:
    code = (
        "import sys; import qa.statistics.proportions, qa.statistics.charts, qa.statistics.binned, "
        "qa.statistics.drift, qa.statistics.history; "
        "heavy = ('pandas', 'statsmodels', 'lifelines', 'scipy.stats', 'django'); "
        "print([name for name in heavy if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
