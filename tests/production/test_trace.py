"""The trace: complete in both directions, from anything, and bounded."""

from __future__ import annotations

import csv
import io
from typing import Any

import pytest
from django.urls import reverse

from labtrack.errors import NotFound
from production.hooks import TraceEvent
from production.models import Part, Piece
from production.queries.trace import PARTS_PER_PAGE, stays_of, subject_of, touched
from production.services import holds, outcomes, pieces
from tests.production.shop import Shop


def lines_of(kind: str, ref: object) -> list[TraceEvent]:
    subject = subject_of(kind, str(ref))
    return [*subject.own_events(), *subject.events(list(subject.ordered_parts()))]


def said(lines: list[TraceEvent], direction: str) -> set[tuple[str, str]]:
    return {(line.what, line.thing) for line in lines if line.direction == direction}


@pytest.fixture
def made(shop: Shop) -> Piece:
    """A piece with a history: tank filtered and topped up, washed twice, trimmed, held once."""
    second = shop.lot(shop.model_resin, "M-2")
    shop.event(shop.printer, "levelled", shop.at(-2))
    shop.event(shop.tank, "filtered", shop.at(-1))
    shop.event(shop.tank, "topped-up", shop.at(-0.5), lot_id=second.pk)
    piece = shop.piece()
    assert piece.cycle is not None
    shop.treat("wash", [piece.cycle.part], shop.at(0, hours=6))
    pieces.record_piece_steps(actor=shop.tech, step="trim", piece_ids=[piece.pk], occurred_at=shop.at(2))
    holds.place_hold(
        actor=shop.tech, held="piece", held_id=piece.pk, reason="cloudy?", occurred_at=shop.at(3)
    )
    outcomes.record_piece_outcomes(
        actor=shop.tech, results=[outcomes.PieceResult(piece.pk, "good")], occurred_at=shop.at(4)
    )
    # After the build: none of this went into it.
    shop.event(shop.tank, "filtered", shop.at(10))
    return piece


def test_a_piece_shows_everything_that_went_into_it(shop: Shop, made: Piece) -> None:
    assert made.cycle is not None
    part, build = made.cycle.part, made.cycle.part.build
    lines = lines_of("piece", made.number)
    upstream = said(lines, "upstream")
    tank = "Tank 1 (tank-1)"
    assert upstream >= {
        ("Ordered", made.appliance.case.label),
        ("Design attached", made.appliance.label),
        ("Prepared", made.appliance.label),
        ("Received", "Grey lot M-1"),
        ("Received", "Grey lot M-2"),
        ("Received", "Foil lot S-1"),
        ("Filled", tank),
        ("Moved to a printer", tank),
        ("Filtered", tank),
        ("Topped up", tank),
        ("Levelled", "Printer 1 (printer-1)"),
        ("Build planned", build.label),
        ("Build started", build.label),
        ("Build finished", build.label),
        ("Good after print", part.mark),
        ("Wash", part.mark),
        ("Cure", part.mark),
        ("Formed over", part.mark),
    }
    assert [line.what for line in lines].count("Wash") == 2
    assert sum(line.what == "Filtered" for line in lines) == 1  # the later one did not go into it
    assert said(lines, "own") >= {
        ("Piece made", made.mark),
        ("Trim", made.mark),
        ("Put on hold", made.mark),
        ("Good", made.mark),
    }


def test_lines_are_in_time_order_and_lead_to_their_pages(shop: Shop, made: Piece, client_of: Any) -> None:
    subject = subject_of("piece", str(made.number))
    lines = subject.events(list(subject.ordered_parts()))
    assert [line.occurred_at for line in lines] == sorted(line.occurred_at for line in lines)
    client = client_of(shop.tech.user)
    for url in {line.url for line in lines}:
        assert client.get(url).status_code == 200, url


@pytest.mark.parametrize(
    ("kind", "ref"),
    [
        ("lot", "model_lot"),
        ("lot", "sheet_lot"),
        ("equipment", "tank"),
        ("equipment", "printer"),
        ("equipment", "bath"),
        ("equipment", "unit"),
        ("equipment", "former"),
    ],
)
def test_whatever_touched_it_leads_down_to_the_piece(shop: Shop, made: Piece, kind: str, ref: str) -> None:
    thing = getattr(shop, ref)
    lines = lines_of(kind, thing.pk if kind == "lot" else thing.code)
    assert ("Piece made", made.mark) in said(lines, "downstream")


def test_up_from_the_piece_and_down_from_each_source_agree(shop: Shop, made: Piece) -> None:
    """Every lot that the piece's trace names upstream has the piece in its own trace downstream."""
    lots = {line.url for line in lines_of("piece", made.number) if line.what == "Received"}
    assert len(lots) == 3
    for url in lots:
        pk = url.rstrip("/").rsplit("/", 1)[-1]
        assert ("Piece made", made.mark) in said(lines_of("lot", pk), "downstream")


def test_part_build_batch_case_and_appliance_reach_the_piece_too(made: Piece) -> None:
    assert made.cycle is not None
    part = made.cycle.part
    for kind, ref in (
        ("part", part.number),
        ("build", part.build.number),
        ("batch", made.cycle.batch.number),
        ("case", made.appliance.case.number),
        ("appliance", made.appliance_id),
    ):
        assert ("Piece made", made.mark) in said(lines_of(kind, ref), "downstream"), kind


def test_a_lot_concerns_only_what_was_printed_while_it_was_in_the_tank(shop: Shop) -> None:
    late = shop.lot(shop.model_resin, "late")
    before = shop.printed(1, at=shop.at(0)).parts.get()
    shop.event(shop.tank, "topped-up", shop.at(1), lot_id=late.pk)
    during = shop.printed(1, at=shop.at(2)).parts.get()
    shop.event(shop.tank, "emptied", shop.at(3))
    shop.event(shop.tank, "filled", shop.at(4), lot_id=shop.model_lot.pk)
    after = shop.printed(1, at=shop.at(5)).parts.get()
    assert stays_of(late) == [(shop.tank.pk, shop.at(1), shop.at(3))]
    assert list(subject_of("lot", str(late.pk)).parts) == [during]
    concerned = set(subject_of("lot", str(shop.model_lot.pk)).parts)
    assert concerned == {before, during, after}


def test_forming_again_with_another_sheet_keeps_the_lots_apart(shop: Shop) -> None:
    part = shop.printed(1).parts.get()
    other = shop.lot(shop.sheet, "S-2")
    batch = shop.batch(shop.at(1))
    first = shop.form(batch, part, shop.at(1, minutes=5)).pieces.get()
    second = shop.form(batch, part, shop.at(1, minutes=9), other).pieces.get()
    of_first = {thing for _, thing in said(lines_of("lot", shop.sheet_lot.pk), "downstream")}
    assert first.mark in of_first and second.mark not in of_first


def test_upper_apps_add_their_lines(shop: Shop, made: Piece, monkeypatch: pytest.MonkeyPatch) -> None:
    from production import hooks
    from production.queries import trace_layers

    sources: hooks.TraceSources[Piece] = hooks.TraceSources("piece trace")
    sources.add(
        lambda things, direction: [
            TraceEvent(shop.at(5), "Released", piece.mark, "/r/", direction) for piece in things
        ]
    )
    monkeypatch.setattr(trace_layers, "piece_trace_sources", sources)
    assert ("Released", made.mark) in said(lines_of("piece", made.number), "own")


def test_a_lot_that_touched_many_is_shown_in_pages_and_whole_in_the_csv(
    shop: Shop, client_of: Any, monkeypatch: pytest.MonkeyPatch, django_assert_max_num_queries: Any
) -> None:
    from production.views import trace as trace_views

    assert PARTS_PER_PAGE <= 200
    monkeypatch.setattr(trace_views, "PARTS_PER_PAGE", 4)
    shop.printed(6, at=shop.at(0))
    shop.printed(3, at=shop.at(1))
    client = client_of(shop.tech.user)
    url = reverse("production:trace-of", args=["lot", shop.model_lot.pk])
    with django_assert_max_num_queries(60):
        page = client.get(url).content.decode()
    marks = [part.mark for part in Part.objects.order_by("number")]
    assert "It touched" in page and marks[3] in page and marks[4] not in page
    assert marks[8] in client.get(url, {"page": 3}).content.decode()
    response = client.get(reverse("production:trace-csv", args=["lot", shop.model_lot.pk]))
    text = b"".join(response.streaming_content).decode()
    rows = list(csv.DictReader(io.StringIO(text)))
    assert {row["thing"] for row in rows} >= set(marks)
    assert {row["direction"] for row in rows} == {"own", "upstream", "downstream"}


def test_counts_of_what_was_touched(shop: Shop, made: Piece) -> None:
    assert touched(subject_of("lot", str(shop.model_lot.pk))) == {
        "builds": 1,
        "parts": 1,
        "pieces": 1,
        "delivered": 0,
        "cases": 1,
    }


def test_nothing_to_trace_is_not_found(shop: Shop, client_of: Any) -> None:
    for kind, ref in (("piece", "99999"), ("piece", "x"), ("moon", "1"), ("lot", "9" * 40)):
        with pytest.raises(NotFound):
            subject_of(kind, ref)
    client = client_of(shop.tech.user)
    assert client.get("/trace/piece/99999/").status_code == 404
    assert client.get("/trace/", {"mark": "P-999999"}).status_code in (200, 302)
