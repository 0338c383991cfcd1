"""Importing history: whole file or nothing, every bad cell named, and what was imported counts."""

from __future__ import annotations

import csv
import io
import json
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from django.core.management import call_command
from django.db import IntegrityError
from django.utils import timezone

from qa.choices import EvidenceUnit, Measure
from qa.models import EvidenceTally, EvidenceVersion, FormedPieceRow, HistoryImport, HistoryRows, PrintAttempt
from qa.queries.evidence_frame import evidence_frame
from qa.queries.records import RecordsAsked, records_behind
from qa.queries.tally import Range, read_tally
from qa.services.evidence import rebuild_evidence
from qa.services.evidence_history import clear_history
from qa.services.import_history import Imported, clear_dead_imports, import_history
from qa.statistics.evidence import evidence
from qa.statistics.history import read_history
from tests.studies.labs import Setting, simulate

pytestmark = pytest.mark.django_db

HEAD = "part,printed_at,printer,outcome"
GOOD = f"{HEAD}\nA1,2025-03-01T10:00,P1,good\nA2,2025-03-02T10:00,P1,scrapped\n"


def take(text: str | bytes, **options: Any) -> Imported:
    data = text if isinstance(text, bytes) else text.encode()
    return import_history(actor=None, stream=io.BytesIO(data), name="old.csv", **options)


def lab_file(tmp_path: Path, *, parts: int = 300, factor: str | None = "step:wash") -> Path:
    frame = simulate(Setting("a lab", factor, parts), 5).frame.drop(columns=["lost", "mature"])
    frame["defects"] = np.where(frame["outcome"] == "scrapped", "stuck flake; warped", "")
    frame["step_of_origin"], frame["step_found"] = "equipment", "inspect"
    path = tmp_path / "lab.csv"
    frame.to_csv(path, index=False)
    return path


def _read(path: Path) -> Any:
    return read_history(io.BytesIO(path.read_bytes())).frame


def nothing_stored() -> bool:
    models = (HistoryImport, HistoryRows, PrintAttempt, FormedPieceRow, EvidenceTally)
    return not any(model.objects.exists() for model in models)


def everywhere() -> tuple[list[Any], list[Any]]:
    rows = [
        {name: value for name, value in row.items() if name != "id"}
        for row in PrintAttempt.objects.order_by("label").values()
    ]
    cells = sorted(
        EvidenceTally.objects.values_list("unit", "day", "axis", "level", "parts", "lost", "contaminated")
    )
    return rows, cells


# What counts afterwards -----------------------------------------------------------------------------


def test_imported_rows_are_mature_and_counted(tmp_path: Path) -> None:
    path = lab_file(tmp_path)
    with path.open("rb") as stream:
        done = import_history(actor=None, stream=stream, name=path.name)
    assert (done.rows, done.problems, done.repeated) == (300, (), False)
    truth = _read(path)
    assert PrintAttempt.objects.filter(mature=True, source="import").count() == 300
    assert HistoryRows.objects.count() == 1
    lost = int((truth["outcome"] == "scrapped").sum())
    days = Range(truth["printed_at"].min().date(), truth["printed_at"].max().date())
    view = read_tally(unit=EvidenceUnit.PART, measure=Measure.LOST, days=days)
    assert (view.total.n, view.total.bad) == (300, lost)
    for printer, count in truth["printer"].value_counts().items():
        assert view.axis("printer")[printer].n == count
    assert view.axis("step:wash")["not-done"].n == int((truth["step:wash"] == "no").sum())
    assert view.axis("step:dry")["not-recorded"].n == int(truth["step:dry"].isna().sum())
    assert view.axis("defect")["stuck flake|equipment|inspect"].n == lost
    assert view.spread.builds == truth["build"].nunique()
    dirty = read_tally(unit=EvidenceUnit.PART, measure=Measure.CONTAMINATED, days=days)
    assert dirty.total.bad == lost
    skipped = RecordsAsked(unit=EvidenceUnit.PART, days=days, axis="step:wash", level="not-done")
    assert records_behind(skipped).count() == int((truth["step:wash"] == "no").sum())


def test_the_command_answers_as_the_engine_does(tmp_path: Path, capsys: Any) -> None:
    path = lab_file(tmp_path)
    call_command("import_history", str(path))
    capsys.readouterr()
    call_command("evidence", "--json")
    told = json.loads(capsys.readouterr().out)
    straight = evidence(_read(path)).as_json()
    assert told["parts"] == 300 and told["immature"] == 0
    for name in ("lost", "causes", "equipment_x_practice", "split", "tanks", "platform"):
        assert told[name] == straight[name], name
    assert {cause["factor"] for cause in told["causes"]} >= {"step:wash", "printer", "days_since_filter"}


def test_since_leaves_out_what_was_printed_earlier(tmp_path: Path, capsys: Any) -> None:
    path = lab_file(tmp_path)
    call_command("import_history", str(path))
    frame = _read(path)
    middle = frame["printed_at"].median().date()
    capsys.readouterr()
    call_command("evidence", "--json", "--since", middle.isoformat())
    told = json.loads(capsys.readouterr().out)
    assert told["parts"] == int((frame["printed_at"].dt.date >= middle).sum())
    with pytest.raises(SystemExit):
        call_command("evidence", "--json", "--since", "last spring")


def test_formed_parts_are_pieces_as_well(capsys: Any) -> None:
    text = f"{HEAD},sheet,formings\nA1,2025-03-01,P1,good,clear 0.75,1\nA2,2025-03-01,P1,scrapped,,\n"
    assert not take(text).problems
    assert FormedPieceRow.objects.get().sheet == "clear 0.75"
    call_command("evidence", "--json", "--unit", "piece")
    assert json.loads(capsys.readouterr().out)["parts"] == 1


def test_rebuilding_keeps_imported_history(tmp_path: Path, shop: Any) -> None:
    shop.printed()
    call_command("import_history", str(lab_file(tmp_path)))
    before = everywhere()
    PrintAttempt.objects.filter(source="import", label="000007").update(printer="damaged", lost=True)
    EvidenceTally.objects.filter(history__isnull=False, axis="printer").delete()
    assert everywhere() != before
    rebuild_evidence()
    assert everywhere() == before


def test_the_same_file_twice_changes_nothing(tmp_path: Path, capsys: Any) -> None:
    path = lab_file(tmp_path)
    call_command("import_history", str(path))
    before, version = everywhere(), EvidenceVersion.objects.get().version
    call_command("import_history", str(path))
    assert "already imported" in capsys.readouterr().out
    assert everywhere() == before and EvidenceVersion.objects.get().version == version
    assert HistoryImport.objects.count() == 1


def test_a_part_of_an_earlier_file_is_refused_by_its_row() -> None:
    take(GOOD)
    again = take(f"{HEAD}\nB1,2025-03-01,P1,good\nA2,2025-03-02,P1,good\n")
    assert [(p.row, p.column) for p in again.problems] == [(3, "part")]
    assert PrintAttempt.objects.count() == 2 and HistoryImport.objects.count() == 1


def test_a_dry_run_stores_nothing(capsys: Any, tmp_path: Path) -> None:
    path = lab_file(tmp_path)
    call_command("import_history", str(path), "--dry-run")
    assert "300 parts can be imported" in capsys.readouterr().out
    assert nothing_stored()


def test_what_is_staged_shows_nowhere_until_it_is_published(tmp_path: Path) -> None:
    path = lab_file(tmp_path)
    with path.open("rb") as stream:
        import_history(actor=None, stream=stream, name=path.name)
    HistoryImport.objects.update(published_at=None)
    days = Range(timezone.localdate() - timedelta(days=2000), timezone.localdate())
    assert read_tally(unit=EvidenceUnit.PART, measure=Measure.LOST, days=days).total.n == 0
    assert not records_behind(RecordsAsked(unit=EvidenceUnit.PART, days=days)).exists()
    assert len(evidence_frame(EvidenceUnit.PART)) == 0
    clear_dead_imports()  # it may still be running
    assert HistoryImport.objects.exists()
    HistoryImport.objects.update(alive_at=timezone.now() - timedelta(hours=2))
    clear_dead_imports()
    assert nothing_stored()


def test_an_import_that_breaks_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*args: Any, **kwargs: Any) -> Any:
        raise RuntimeError("the disk is full")

    monkeypatch.setattr("qa.services.import_history._publish", broken)
    with pytest.raises(RuntimeError):
        take(GOOD)
    assert nothing_stored()


@pytest.mark.django_db(transaction=True)
def test_an_import_whose_file_was_cleared_away_meanwhile_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("qa.services.import_history.CHUNK_ROWS", 100)
    seen: list[int] = []

    def taken_for_dead(rows: int) -> None:
        seen.append(rows)
        if len(seen) == 2:
            clear_history(HistoryImport.objects.get())

    with pytest.raises(IntegrityError), lab_file(tmp_path).open("rb") as stream:
        import_history(actor=None, stream=stream, name="old.csv", report=taken_for_dead)
    assert len(seen) == 2 and nothing_stored()


# Bad input -----------------------------------------------------------------------------------------


def test_semicolons_and_decimal_commas_are_recognised() -> None:
    rows = "A1;2025-03-01;P1;good;23,5\nA2;2025-03-01;P1;good;24,25\n"
    text = f"{HEAD.replace(',', ';')};resin_temp_c\n{rows}"
    done = take(text)
    assert not done.problems and any("decimal comma" in note for note in done.notes)
    assert set(PrintAttempt.objects.values_list("resin_temp_c", flat=True)) == {23.5, 24.25}


def test_texts_are_stored_as_they_stand_and_numbers_not_recorded_stay_open() -> None:
    odd = ("", r"C:\new\table", "a, b", 'say "no"', r"\N", r"\.", "NULL", "a;b", "Größe 2", "'s")
    table = io.StringIO()
    writer = csv.writer(table)
    writer.writerow([*HEAD.split(","), "lot", "layer_um", "days_since_filter", "hollow"])
    for number, text in enumerate(odd):
        bare = [50, 1.25, "yes"] if number % 2 else ["", "", ""]
        writer.writerow([f"A{number}", "2025-03-01T10:00", "P1", "good", text, *bare])
    assert take(table.getvalue()).problems == ()
    rows = list(PrintAttempt.objects.order_by("label"))
    assert tuple(row.lot for row in rows) == odd
    assert [(row.layer_um, row.days_since_filter, row.hollow) for row in rows[:2]] == [
        (None, None, None),
        (50, 1.25, True),
    ]
    assert {(row.operator, row.clinic, row.case_label, row.mature) for row in rows} == {("", "", "", True)}


def test_a_byte_order_mark_is_no_part_of_the_first_column() -> None:
    assert not take(b"\xef\xbb\xbf" + GOOD.encode()).problems
    assert PrintAttempt.objects.count() == 2


def test_dates_in_three_shapes_are_one_day() -> None:
    text = f"{HEAD}\nA1,2025-03-31,P1,good\nA2,31.03.2025,P1,good\nA3,31/03/2025,P1,good\n"
    assert not take(text).problems
    assert set(PrintAttempt.objects.values_list("day", flat=True)) == {
        timezone.datetime(2025, 3, 31).date()  # type: ignore[attr-defined]
    }


@pytest.mark.parametrize(
    ("text", "row", "column", "words"),
    [
        ("part,printed_at,printer\nA1,2025-03-01,P1\n", 1, "outcome", "is missing"),
        (f"{HEAD}\nA1,2025-03-01,P1,fine\n", 2, "outcome", "must be one of"),
        (f"{HEAD}\nA1,2025-03-01,P1,good\nA1,2025-03-02,P1,good\n", 3, "part", "already in row 2"),
        (f"{HEAD}\nA1,2025-03-01,=cmd|' /C calc'!A0,good\n", 2, "printer", "formula"),
        (f"{HEAD}\nA1,03/04/2025,P1,good\n", 2, "printed_at", "day first or month first"),
        (f"{HEAD}\nA1,0025-03-01,P1,good\n", 2, "printed_at", "year 25"),
        (f"{HEAD}\nA1,2025-03-01,{'P' * 81},good\n", 2, "printer", "longer than 80"),
        (f"{HEAD},layer_um\nA1,2025-03-01,P1,good,90000\n", 2, "layer_um", "at most 32000"),
        (f"{HEAD},days_since_filter\nA1,2025-03-01,P1,good,-2\n", 2, "days_since_filter", "below zero"),
        (f"{HEAD},step:wash\nA1,2025-03-01,P1,good,perhaps\n", 2, "step:wash", "none of yes, no"),
        (f"{HEAD}\nA1,2025-03-01,P1\n", 2, None, "3 cells"),
        ("", None, None, "empty"),
    ],
)
def test_a_bad_file_is_named_by_its_place_and_leaves_nothing(
    text: str, row: int | None, column: str | None, words: str
) -> None:
    done = take(text)
    assert [(p.row, p.column) for p in done.problems] == [(row, column)]
    assert words in done.problems[0].reason
    assert nothing_stored()


def test_the_last_row_decides_for_the_whole_file() -> None:
    rows = "".join(f"A{i},2025-03-01,P1,good\n" for i in range(6_000))
    done = take(f"{HEAD}\n{rows}A9999,2025-03-01,P1,unknown\n")
    assert [(p.row, p.column) for p in done.problems] == [(6_002, "outcome")]
    assert nothing_stored()


def test_one_row_too_many_is_refused_before_anything_is_staged(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("qa.services.import_history.HistoryEvidence", None)  # nothing may be staged
    rows = "".join(f"A{i},2025-03-01,P1,good\n" for i in range(11))
    done = take(f"{HEAD}\n{rows}", max_rows=10)
    assert "more than 10 rows" in done.problems[0].reason and done.problems[0].row == 12
    assert nothing_stored()


def test_a_million_and_one_rows_are_refused() -> None:
    rows = b"".join(b"A%d,2025-03-01,P1,good\n" % i for i in range(1_000_001))
    done = take(HEAD.encode() + b"\n" + rows)
    assert [(p.row, "1,000,000" in p.reason) for p in done.problems] == [(1_000_002, True)]
    assert nothing_stored()


def test_unknown_columns_are_named_and_not_read(capsys: Any, tmp_path: Path) -> None:
    path = tmp_path / "old.csv"
    path.write_text(f"{HEAD},weather\nA1,2025-03-01,P1,good,rain\n")
    call_command("import_history", str(path))
    assert "'weather' is unknown and was not read" in capsys.readouterr().out


def test_the_command_says_what_is_wrong_and_ends_with_an_error(capsys: Any, tmp_path: Path) -> None:
    path = tmp_path / "old.csv"
    path.write_text(f"{HEAD}\nA1,2025-03-01,P1,fine\n")
    with pytest.raises(SystemExit) as ended:
        call_command("import_history", str(path))
    assert ended.value.code == 2
    assert "row 2, column 'outcome'" in capsys.readouterr().err
    with pytest.raises(SystemExit):
        call_command("import_history", str(tmp_path / "nowhere.csv"))


# Small labs ------------------------------------------------------------------------------------------


def _small(outcomes: list[str], **columns: list[str]) -> str:
    names = list(columns)
    rows = [
        ",".join(
            [f"S{i}", f"2025-03-{1 + i % 28:02d}T10:00", "P1", outcome, *(columns[name][i] for name in names)]
        )
        for i, outcome in enumerate(outcomes)
    ]
    return "\n".join([",".join([HEAD, *names]), *rows]) + "\n"


SMALL = {
    "40 parts with 3 scrapped": _small(
        ["scrapped"] * 3 + ["good"] * 37, **{"step:wash": ["no"] * 3 + ["yes"] * 37}
    ),
    "all good": _small(["good"] * 60, **{"step:wash": ["yes", "no"] * 30}),
    "all scrapped": _small(["scrapped"] * 60, **{"step:wash": ["yes", "no"] * 30}),
    "one part": _small(["good"]),
    "steps never recorded": _small(["good", "scrapped"] * 30, **{"step:wash": [""] * 60}),
    "a step nobody skipped": _small(["good", "scrapped"] * 30, **{"step:wash": ["yes"] * 60}),
    "one build": _small(["good", "scrapped"] * 30, build=["B1"] * 60),
    "ages that never vary": _small(["good", "scrapped"] * 30, days_since_filter=["3"] * 60),
}


@pytest.mark.parametrize("name", SMALL)
def test_a_small_lab_gets_sentences_and_no_claim(name: str, capsys: Any) -> None:
    assert not take(SMALL[name]).problems
    call_command("evidence", "--json")
    told = json.loads(capsys.readouterr().out, parse_constant=lambda word: pytest.fail(word))
    assert {cause["verdict"] for cause in told["causes"]} <= {"unknown"}
    for question in ("equipment_x_practice", "split", "tanks", "platform"):
        assert told[question]["verdict"] == "unknown"
    call_command("evidence")
    words = capsys.readouterr().out
    assert len(words.strip()) > 40 and "inf" not in words.split() and "nan" not in words


def test_no_lab_at_all_gets_a_sentence(capsys: Any) -> None:
    call_command("evidence", "--json")
    told = json.loads(capsys.readouterr().out)
    assert (told["parts"], told["lost"], told["immature"], told["causes"]) == (0, 0, 0, [])
    call_command("evidence", "--json", "--unit", "piece")
    assert json.loads(capsys.readouterr().out)["parts"] == 0
