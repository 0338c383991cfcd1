"""The import file: what is recognised where certain, and what is named by row and column."""

from __future__ import annotations

import io
from datetime import UTC, datetime

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qa.statistics.history import History, HistoryReader, history_frame, read_history

FORMULA = "row 2, column 'operator': looks like a spreadsheet formula; write the value itself"
OPEN_DATE = "'03/04/2025' may be read day first or month first; write it as 2025-12-31"
WORDS = "it must be one of good, rework, scrapped"
NARROW = "row 2: has 4 cells, but the header names 5 columns; a cell may hold an unquoted separator"
HEADER = "part,printed_at,printer,outcome"


def read(text: str, encoding: str = "utf-8") -> History:
    return read_history(io.BytesIO(text.encode(encoding)))


def said(history: History) -> list[str]:
    return [str(problem) for problem in history.problems]


def test_a_plain_file_is_typed() -> None:
    history = read(
        f"{HEADER},layer_um,step:wash,defects,supports\n"
        "A,2025-03-01T10:00:00+02:00,P1,good,50,yes,,True\n"
        "B,2025-03-02,P1,scrapped,,no,bubble; flake,no\n"
    )
    assert said(history) == []
    frame = history.frame
    assert frame["layer_um"].tolist()[0] == 50.0
    assert frame["printed_at"].tolist() == [datetime(2025, 3, 1, 8), datetime(2025, 3, 2)]
    assert frame["step:wash"].tolist() == ["yes", "no"]
    assert frame["defects"].tolist()[1] == ("bubble", "flake")
    assert frame["supports"].tolist() == ["yes", "no"]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_separators_and_byte_order_marks_are_recognised(encoding: str, mark: str) -> None:
    text = f"{HEADER}\nA,2025-03-01,P1,good\n".replace(",", mark)
    history = read(text, encoding)
    assert said(history) == [] and len(history.frame) == 1


def test_decimal_commas_are_recognised_in_a_semicolon_file() -> None:
    text = (
        "part;printed_at;printer;outcome;resin_temp_c\nA;2025-03-01;P;good;24,125\nB;2025-03-01;P;good;23,5\n"
    )
    history = read(text)
    assert said(history) == []
    assert history.frame["resin_temp_c"].tolist() == [24.125, 23.5]
    assert "Numbers are read with a decimal comma." in history.notes


def test_a_number_that_may_be_thousands_is_named() -> None:
    history = read(f'{HEADER},layer_um\nA,2025-03-01,P,good,"1,500"\n')
    assert said(history) == ["row 2, column 'layer_um': '1,500' may mean 1500 or 1.500"]
    assert len(history.frame) == 0


@pytest.mark.parametrize(
    ("cell", "day"),
    [
        ("2025-12-03", datetime(2025, 12, 3)),
        ("2025/12/03 14:30", datetime(2025, 12, 3, 14, 30)),
        ("03.12.2025", datetime(2025, 12, 3)),
        ("23/12/2025", datetime(2025, 12, 23)),
        ("12/23/2025", datetime(2025, 12, 23)),
        ("2025-12-03T14:30:10Z", datetime(2025, 12, 3, 14, 30, 10)),
    ],
)
def test_date_shapes_read_where_certain(cell: str, day: datetime) -> None:
    history = read(f"{HEADER}\nA,{cell},P,good\n")
    assert said(history) == []
    assert history.frame["printed_at"].tolist() == [day]


def test_one_certain_date_settles_the_order_for_the_file() -> None:
    history = read(f"{HEADER}\nA,03/04/2025,P,good\nB,25/04/2025,P,good\n")
    assert history.frame["printed_at"].tolist() == [datetime(2025, 4, 3), datetime(2025, 4, 25)]
    assert history.notes == ("Dates such as 03/04/2025 are read day first.",)


@pytest.mark.parametrize(
    "rows", ["A,03/04/2025,P,good\n", "A,03/04/2025,P,good\nB,25/4/2025,P,good\nC,4/25/2025,P,good\n"]
)
def test_a_date_left_open_is_named(rows: str) -> None:
    history = read(f"{HEADER}\n{rows}")
    assert said(history) == [f"row 2, column 'printed_at': {OPEN_DATE}"]


@pytest.mark.parametrize(
    ("row", "problem"),
    [
        ("A,2025-02-30,P,good,x", "row 2, column 'printed_at': '2025-02-30' is no day of the calendar"),
        ("A,soon,P,good,x", "row 2, column 'printed_at': 'soon' is not a date; write it as 2025-12-31"),
        ("A,2025-03-01,P,fine,x", f"row 2, column 'outcome': is 'fine'; {WORDS}"),
        ("A,2025-03-01,P,,x", f"row 2, column 'outcome': is empty; {WORDS}"),
        ("A,2025-03-01,,good,x", "row 2, column 'printer': is empty, and every part needs it"),
        ("A,2025-03-01,P,good,=1+1", FORMULA),
        ("A,2025-03-01,P,good,@SUM(A1)", FORMULA),
        ("A,2025-03-01,P,good,+cmd|x!A1", FORMULA),
        ("A,2025-03-01,P,good", NARROW),
    ],
)  # fmt: skip
def test_a_bad_cell_is_named_by_row_column_and_reason(row: str, problem: str) -> None:
    history = read(f"{HEADER},operator\n{row}\n")
    assert said(history) == [problem]
    assert len(history.frame) == 0


def test_answers_of_a_step_are_yes_no_na_a_number_or_nothing() -> None:
    rows = "".join(
        f"{i},2025-03-01,P,good,{a}\n" for i, a in enumerate(["Yes", "n", "N/A", "4.5", "", "maybe"])
    )
    history = read(f"{HEADER},step:wash\n{rows}")
    assert said(history) == ["row 7, column 'step:wash': 'maybe' is none of yes, no, na or a number"]


def test_a_missing_column_is_named_with_the_near_miss() -> None:
    history = read("part,printed_at,printr,outcome\nA,2025-03-01,P,good\n")
    assert said(history) == [
        "row 1, column 'printer': is missing, and every part needs it; the file has 'printr'"
    ]


def test_unknown_columns_are_named_and_not_read() -> None:
    history = read(f"{HEADER},mood,tnak\nA,2025-03-01,P,good,fine,T1\n")
    assert history.unknown_columns == ("mood", "tnak")
    assert "Column 'tnak' is unknown and was not read; is 'tank' meant?" in history.notes
    assert "mood" not in history.frame.columns


def test_the_same_part_twice_is_named_with_its_first_row() -> None:
    history = read(f"{HEADER}\nA,2025-03-01,P,good\nB,2025-03-01,P,good\nA,2025-03-01,P,good\n")
    assert said(history) == ["row 4, column 'part': 'A' is already in row 2; each part has one row"]


def test_a_header_named_twice_is_refused() -> None:
    assert said(read(f"{HEADER},tank,tank\nA,2025-03-01,P,good,1,2\n")) == [
        "row 1, column 'tank': stands twice in the header"
    ]


def test_one_row_too_many_is_refused_and_reading_stops() -> None:
    text = f"{HEADER}\n" + "".join(f"{i},2025-03-01,P,good\n" for i in range(11))
    reader = HistoryReader(io.BytesIO(text.encode()), max_rows=10, chunk_rows=4)
    rows = sum(len(chunk) for chunk in reader)
    assert rows <= 10
    assert [p.reason for p in reader.problems] == ["The file holds more than 10 rows; split it."]
    whole = HistoryReader(io.BytesIO(text.encode()), max_rows=11, chunk_rows=4)
    assert sum(len(chunk) for chunk in whole) == 11 and whole.problems == []


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"", "The file is empty; its first row must name the columns."),
        (HEADER.encode() + b"\n", "The file names its columns but holds no parts."),
    ],
)
def test_an_empty_file_is_a_sentence(data: bytes, reason: str) -> None:
    assert said(read_history(io.BytesIO(data))) == [reason]


def test_bytes_that_are_no_text_are_a_sentence() -> None:
    history = read_history(io.BytesIO(HEADER.encode() + b"\nA,2025-03-01,\xff\xfe,good\n"))
    assert any("UTF-8" in problem for problem in said(history))


def test_an_open_quote_is_a_sentence() -> None:
    assert any("CSV" in p for p in said(read(f'{HEADER}\nA,2025-03-01,"P,good\n')))


@pytest.mark.parametrize("bad", [b"A3,2025-03-01,\xff\xfe,good", b'A3,2025-03-01,"P,good', b'A3,"P"Q,P,good'])
def test_a_row_that_is_no_text_or_no_table_is_named_and_those_before_it_are_read(bad: bytes) -> None:
    rows = [b"A%d,2025-03-01,P,good" % i for i in range(6)]
    rows[1] = b"A1,2025-03-01,P,fine"
    data = b"\n".join([HEADER.encode(), *rows[:3], bad, *rows[4:], b""])
    for size in (1, 2, 100):
        reader = HistoryReader(io.BytesIO(data), chunk_rows=size)
        assert sum(map(len, reader)) == 3
        assert [problem.row for problem in reader.problems] == [3, 5], size


def test_cells_that_hold_line_breaks_count_as_one_row() -> None:
    rows = "".join(f'{i},2025-03-01,"P\n",good\n' for i in range(10))
    text = f"{HEADER}\n{rows}X,2025-03-01,P,fine\n"
    for size in (1, 3, 100):
        reader = HistoryReader(io.BytesIO(text.encode()), chunk_rows=size)
        assert sum(map(len, reader)) == 11
        assert [problem.row for problem in reader.problems] == [12]


@pytest.mark.parametrize("head", [1, 10_000])
def test_a_carriage_return_alone_ends_a_row_wherever_it_stands(head: int) -> None:
    rows = "".join(f"{i},2025-03-01,P,good\n" for i in range(head))
    history = read(f"{HEADER}\n{rows}X,2025-03-01,P,good\rY,2025-03-01,P,fine\nZ,2025-03-01,P,good\n")
    assert said(history) == [f"row {head + 3}, column 'outcome': is 'fine'; {WORDS}"]


def test_cells_are_taken_as_they_are_written() -> None:
    cells = ["NA", "nan", "null", "1e5", "007", "True", "Ünal", "\ufeffx", "a'b"]
    rows = "".join(f"{cell};2025-03-01; P ;good;{cell}\n" for cell in cells)
    history = read(f"{HEADER.replace(',', ';')};operator\n{rows}")
    assert said(history) == []
    assert history.frame["part"].tolist() == history.frame["operator"].tolist() == cells
    assert history.frame["printer"].tolist() == ["P"] * len(cells)


def test_blank_rows_are_passed_over_and_rows_keep_their_number() -> None:
    history = read(f"{HEADER}\nA,2025-03-01,P,good\n,,,\n\nB,2025-03-01,P,bad\n")
    assert [p.row for p in history.problems] == [5]


def test_the_same_bytes_give_the_same_digest() -> None:
    one, two = read(f"{HEADER}\nA,2025-03-01,P,good\n"), read(f"{HEADER}\nA,2025-03-01,P,good\n")
    assert one.digest == two.digest != read(f"{HEADER}\nB,2025-03-01,P,good\n").digest


def test_a_stream_that_cannot_seek_is_read_too() -> None:
    class Pipe(io.RawIOBase):
        def __init__(self, data: bytes) -> None:
            self._data = io.BytesIO(data)

        def readable(self) -> bool:
            return True

        def seekable(self) -> bool:
            return False

        def read(self, size: int = -1) -> bytes:
            return self._data.read(size)

    assert len(read_history(Pipe(f"{HEADER}\nA,2025-03-01,P,good\n".encode())).frame) == 1  # type: ignore[arg-type]


def test_moments_with_an_offset_stay_aware_in_the_chunks() -> None:
    reader = HistoryReader(io.BytesIO(f"{HEADER}\nA,2025-03-01T10:00Z,P,good\n".encode()))
    assert next(iter(reader)).columns["printed_at"].values() == [datetime(2025, 3, 1, 10, tzinfo=UTC)]


CELLS = [
    "", " ", "A", "a b", "=1", "yes", "No", "na", "1", "-1", "1.5", ".5", "5.", "1,5", "5,", "1.234", "1e3",
    "--1", "nan", "1e99", "3000000001", "good", "scrapped", "2025-03-01", "2025-03-01T10:00", "1.3.2025",
    "2025-02-30", "\u00e9", "x" * 90, "x" * 501, "bubble", "\u00bd",
    # Cells are compared eight bytes at once, up to 128.
    "y" * 7, "y" * 8, "y" * 9, "y" * 16, "y" * 17, "y" * 128, "y" * 129,
]  # fmt: skip
COLUMNS = ["part", "printed_at", "printer", "outcome", "layer_um", "resin_temp_c", "step:wash", "supports",
           "defects", "comment"]  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.lists(st.sampled_from(CELLS), min_size=9, max_size=11), max_size=9),
    st.sampled_from(["\n", "\r\n", "\r"]),
    st.integers(1, 4),
    st.sampled_from(["", "\n"]),
)
def test_a_file_is_read_alike_with_and_without_quotation_marks(
    rows: list[list[str]], end: str, size: int, last: str
) -> None:
    table = [COLUMNS, *rows, ["B", "2025-03-01", "P", "good", "50", "20", "yes", "no", "", ""]]
    plain = end.join(";".join(row) for row in table) + last
    quoted = end.join(";".join(f'"{cell}"' for cell in row) for row in table) + last
    one, two = (
        HistoryReader(
            io.BytesIO(text.encode()), chunk_rows=size, longest={"part": 80}, largest={"layer_um": 2e9}
        )
        for text in (plain, quoted)
    )
    chunks = [list(one), list(two)]
    assert (one.rows, one.problems, one.notes) == (two.rows, two.problems, two.notes)
    frames = [history_frame(some) for some in chunks]
    pd.testing.assert_frame_equal(*frames)


def test_decimal_commas_are_read_alike_a_cell_and_a_column_at_a_time() -> None:
    rows = "".join(f"{i};2025-03-01;P;good;{i},5;-0,25\n" for i in range(20))
    frame = read(f"{HEADER.replace(',', ';')};layer_um;resin_temp_c\n{rows}").frame
    assert frame["layer_um"].tolist() == [i + 0.5 for i in range(20)]
    assert frame["resin_temp_c"].tolist() == [-0.25] * 20
    more = read(f"{HEADER.replace(',', ';')};layer_um;resin_temp_c\n{rows}X;2025-03-01;P;good;1.234;5,\n")
    assert said(more) == [
        "row 22, column 'layer_um': '1.234' may mean 1234 or 1,234",
        "row 22, column 'resin_temp_c': '5,' is not a number",
    ]


@given(st.binary(max_size=400))
def test_no_bytes_make_it_fail(data: bytes) -> None:
    history = read_history(io.BytesIO(data))
    assert history.problems or len(history.frame)


@given(st.lists(st.text(max_size=12), min_size=5, max_size=5))
def test_no_cells_make_it_fail(cells: list[str]) -> None:
    import csv

    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow([*HEADER.split(","), "layer_um"])
    writer.writerow(cells)
    try:
        data = out.getvalue().encode()
    except UnicodeEncodeError:
        return
    history = read_history(io.BytesIO(data))
    assert history.problems or len(history.frame) == 1
