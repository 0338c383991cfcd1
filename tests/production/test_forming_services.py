"""Forming, pieces, work-instruction answers, delivery and fit."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.db import IntegrityError, transaction

from labtrack.errors import Conflict, NotFound
from labtrack.hooks import Hook
from production.models import Answer, FormingBatch, FormingCycle, Piece
from production.queries.instructions import instruction_in_use, items_in_use
from production.services import delivery, forming, holds, instructions, outcomes, pieces
from production.services.answers import Given, record_answers
from tests.production.refusals import refused
from tests.production.shop import Shop


@pytest.fixture
def nothing_leaving(monkeypatch: pytest.MonkeyPatch) -> Hook[list[Piece]]:
    """Production alone: no upper app asks for a release."""
    hook: Hook[list[Piece]] = Hook("pieces leaving")
    monkeypatch.setattr(delivery, "leaving", hook)
    return hook


def test_a_cycle_counts_formings_and_the_interval_and_gives_a_piece(shop: Shop) -> None:
    part, other = shop.printed(2).parts.order_by("number")
    batch = shop.batch(shop.at(1))
    first = shop.form(batch, part, shop.at(1, minutes=5))
    second = shop.form(batch, other, shop.at(1, minutes=9))
    third = shop.form(batch, part, shop.at(1, minutes=15))
    assert [c.position for c in (first, second, third)] == [1, 2, 3]
    assert [c.forming for c in (first, second, third)] == [1, 1, 2]
    assert [c.interval_s for c in (first, second, third)] == [None, 240, 360]
    assert Piece.objects.count() == 3
    assert third.pieces.get().appliance_id == part.appliance_id
    forming.close_forming_batch(actor=shop.tech, batch_id=batch.pk, finished_at=shop.at(1, minutes=20))
    # The interval goes on across batches: the heater stays warm.
    later = shop.form(shop.batch(shop.at(1, minutes=30)), other, shop.at(1, minutes=35))
    assert (later.interval_s, later.forming) == (1200, 2)


def test_several_cycles_at_once_are_done_once(shop: Shop) -> None:
    parts = list(shop.printed(3).parts.order_by("number"))
    batch = shop.batch(shop.at(1))
    cycles = [
        forming.Formed(part.pk, shop.sheet_lot.pk, 30, shop.at(1, minutes=5 * place))
        for place, part in enumerate(parts)
    ]

    def record() -> list[FormingCycle]:
        return forming.record_cycles(actor=shop.tech, key="c", batch_id=batch.pk, cycles=cycles)

    assert [c.pk for c in record()] == [c.pk for c in record()]
    assert list(FormingCycle.objects.values_list("interval_s", flat=True)) == [None, 300, 300]
    assert Piece.objects.count() == 3


def test_a_machine_has_one_open_batch(shop: Shop) -> None:
    batch = shop.batch(shop.at(1))
    refused(lambda: shop.batch(shop.at(2)), "machine-runs-one-batch", "Close that one", kind=Conflict)
    refused(
        lambda: forming.close_forming_batch(actor=shop.tech, batch_id=batch.pk, finished_at=shop.at(0)),
        "end-before-start",
    )
    forming.close_forming_batch(actor=shop.tech, batch_id=batch.pk, finished_at=shop.at(1, hours=1))
    part = shop.printed(1).parts.get()
    refused(lambda: shop.form(batch, part, shop.at(2)), "batch-closed")
    refused(
        lambda: forming.open_forming_batch(actor=shop.tech, machine_id=shop.unit.pk),
        "equipment-of-another-kind",
    )
    assert FormingBatch.objects.count() == 1


def test_sheets_and_models_are_checked_before_forming(shop: Shop) -> None:
    part = shop.printed(1).parts.get()
    batch = shop.batch(shop.at(1))
    at = shop.at(5)
    expired = shop.lot(shop.sheet, "old", expires_days=4)
    refused(lambda: shop.form(batch, part, at, expired), "lot-expired")
    refused(lambda: shop.form(batch, part, at, shop.model_lot), "lot-not-sheet")
    for_models = shop.material("card", "sheet", use="model", thickness_mm=Decimal(1))
    card = shop.lot(for_models, "C-1")
    refused(lambda: shop.form(batch, part, at, card), "purpose-differs")
    refused(lambda: shop.form(batch, part, shop.at(0.9)), "end-before-start", "began only")
    holds.place_hold(
        actor=shop.tech, held="lot", held_id=shop.sheet_lot.pk, reason="cloudy", occurred_at=shop.at(4)
    )
    refused(lambda: shop.form(batch, part, at), "held", "cloudy")
    scrapped = shop.printed(1, at=shop.at(2), outcome="scrapped").parts.get()
    fresh = shop.lot(shop.sheet, "S-2")
    refused(lambda: shop.form(batch, scrapped, at, fresh), "part-scrapped")
    refused(
        lambda: forming.record_cycles(
            actor=shop.tech,
            batch_id=batch.pk,
            cycles=[forming.Formed(part.pk, shop.sheet_lot.pk, 30, shop.at(1.5), pressure_bar=Decimal(99))],
        ),
        "cycle-pressure-plausible",
        kind=Conflict,
    )
    assert not FormingCycle.objects.exists() and not Piece.objects.exists()


def test_a_part_that_is_the_appliance_becomes_one_piece(shop: Shop) -> None:
    guide = shop.appliance(kind="drill-guide", direct=True)
    build = shop.printed(appliances=[guide], printer=shop.other_printer, tank=shop.guide_tank)
    part = build.parts.get()

    def make() -> list[Piece]:
        return pieces.make_pieces_from_parts(
            actor=shop.tech, key="m", part_ids=[part.pk], occurred_at=shop.at(1)
        )

    assert make()[0].pk == make()[0].pk
    refused(lambda: pieces.make_pieces_from_parts(actor=shop.tech, part_ids=[part.pk]), "piece-exists", "A-")
    model = shop.printed(1, at=shop.at(1)).parts.get()
    refused(
        lambda: pieces.make_pieces_from_parts(actor=shop.tech, part_ids=[model.pk]),
        "is-working-model",
        "form a sheet",
    )
    batch = shop.batch(shop.at(2))
    refused(lambda: shop.form(batch, part, shop.at(2, hours=1)), "not-a-working-model")


def test_work_on_pieces_is_recorded_for_many_and_not_for_scrapped_ones(shop: Shop) -> None:
    first, second = shop.piece(), shop.piece(at=shop.at(3))
    pieces.record_piece_steps(
        actor=shop.tech, step="trim", piece_ids=[first.pk, second.pk], occurred_at=shop.at(5)
    )
    assert first.steps.count() == second.steps.count() == 1
    refused(
        lambda: pieces.record_piece_steps(
            actor=shop.tech, step="trim", piece_ids=[first.pk], occurred_at=shop.at(0)
        ),
        "end-before-start",
    )
    refused(
        lambda: outcomes.record_piece_outcomes(
            actor=shop.tech, results=[outcomes.PieceResult(first.pk, "scrapped")]
        ),
        "reason-missing",
    )
    outcomes.record_piece_outcomes(
        actor=shop.tech,
        results=[outcomes.PieceResult(first.pk, "scrapped", "torn")],
        occurred_at=shop.at(6),
    )
    refused(
        lambda: pieces.record_piece_steps(
            actor=shop.tech, step="finish", piece_ids=[second.pk, first.pk], occurred_at=shop.at(7)
        ),
        "piece-scrapped",
        first.mark,
    )
    assert not second.steps.filter(step="finish").exists()


def _answer(shop: Shop, run: Any, *given: Given) -> list[Answer]:
    return record_answers(
        actor=shop.tech,
        subject="treatment",
        subject_ids=[run.pk],
        answers=given,
        occurred_at=shop.at(1),
    )


def test_four_states_of_an_answer_stay_four(shop: Shop) -> None:
    """Within, out of limits, not done, and the absence of an answer."""
    items = items_in_use("wash", shop.at())
    parts = list(shop.printed(1).parts.all())
    run = shop.treat("wash", parts, shop.at(0, hours=3))
    _answer(
        shop,
        run,
        Given(items["wash-two-baths"].pk, yes=True),
        Given(items["bath-resin-percent"].pk, number=Decimal("5.5")),
        Given(items["cavity-flushed"].pk, yes=False),
        Given(items["bath-cool"].pk, yes=False),
    )
    statuses = dict(run.answers.values_list("item__code", "status"))
    assert statuses == {
        "wash-two-baths": "within",
        "bath-resin-percent": "out-of-limits",
        "cavity-flushed": "not-done",  # asks whether it was done
        "bath-cool": "out-of-limits",  # asks whether it is so
    }
    assert "wash-minutes" not in statuses


@pytest.mark.parametrize(
    ("number", "status"), [("5", "within"), ("5.001", "out-of-limits"), ("-1", "within")]
)
def test_a_number_on_the_limit_is_within(shop: Shop, number: str, status: str) -> None:
    item = items_in_use("wash", shop.at())["bath-resin-percent"]
    run = shop.treat("wash", list(shop.printed(1).parts.all()), shop.at(0, hours=3))
    assert _answer(shop, run, Given(item.pk, number=Decimal(number)))[0].status == status


def test_a_correction_replaces_and_keeps_the_old_answer(shop: Shop) -> None:
    item = items_in_use("wash", shop.at())["wash-minutes"]
    run = shop.treat("wash", list(shop.printed(1).parts.all()), shop.at(0, hours=3))
    first = _answer(shop, run, Given(item.pk, number=Decimal(6)))[0]
    same = _answer(shop, run, Given(item.pk, number=Decimal("6.0")))[0]
    assert same.pk == first.pk  # nothing changed
    second = _answer(shop, run, Given(item.pk, not_done=True))[0]
    first.refresh_from_db()
    assert first.replaced_by_id == second.pk
    assert run.answers.filter(replaced_by=None).get().status == "not-done"
    third = _answer(shop, run, Given(item.pk, number=Decimal(7)))[0]
    assert list(run.answers.order_by("pk").values_list("replaced_by", flat=True)) == [
        second.pk,
        third.pk,
        None,
    ]
    with pytest.raises(IntegrityError), transaction.atomic():
        Answer.objects.create(
            item=item, treatment=run, status="within", occurred_at=shop.at(), by=shop.tech.user
        )


def test_one_answer_holds_for_many_things_at_once(shop: Shop) -> None:
    item = items_in_use("form", shop.at())["model-rechecked"]
    parts = list(shop.printed(3).parts.all())
    batch = shop.batch(shop.at(1))
    cycles = [shop.form(batch, part, shop.at(1, minutes=i + 1)) for i, part in enumerate(parts)]
    rows = record_answers(
        actor=shop.tech,
        subject="cycle",
        subject_ids=[c.pk for c in cycles],
        answers=[Given(item.pk, yes=True)],
        occurred_at=shop.at(2),
    )
    assert {row.cycle_id for row in rows} == {c.pk for c in cycles}


def test_answers_are_judged_by_what_the_item_asks(shop: Shop) -> None:
    wash, cure = items_in_use("wash", shop.at()), items_in_use("cure", shop.at())
    parts = list(shop.printed(1).parts.all())
    run = shop.treat("cure", parts, shop.at(0, hours=3))
    item = cure["cure-medium"].pk
    refused(
        lambda: _answer(shop, run, Given(wash["wash-minutes"].pk, number=Decimal(1))), "item-of-another-step"
    )
    refused(lambda: _answer(shop, run, Given(item, word="oil")), "word-unknown", "nitrogen")
    refused(lambda: _answer(shop, run, Given(item, number=Decimal(3))), "answer-of-another-kind")
    refused(lambda: _answer(shop, run, Given(item, not_done=True, not_applicable=True)), "answer-contradicts")
    refused(lambda: _answer(shop, run, Given(item, word="air"), Given(item, word="air")), "answered-twice")
    refused(
        lambda: _answer(shop, run, Given(cure["cure-minutes"].pk, number=Decimal("NaN"))), "number-too-large"
    )
    refused(lambda: _answer(shop, run), "nothing-answered")
    refused(
        lambda: record_answers(
            actor=shop.tech, subject="treatment", subject_ids=[10**9], answers=[Given(item, word="air")]
        ),
        "not-found",
        kind=NotFound,
    )
    assert not Answer.objects.exists()


def test_a_new_version_leaves_old_answers_where_they_are(shop: Shop) -> None:
    old = items_in_use("dry", shop.at(1))["dry-minutes"]
    run = shop.treat("dry", list(shop.printed(1).parts.all()), shop.at(0, hours=3))
    answer = _answer(shop, run, Given(old.pk, number=Decimal(12)))[0]
    made = instructions.publish_instruction(
        actor=shop.actors.quality,
        step="dry",
        title="Dry longer",
        items=[instructions.ItemDraft("dry-minutes", "Time drying", "number", "min", low=Decimal(15))],
        active_from=shop.at(5),
        follows_version=1,
    ).thing
    assert made.version == 2
    assert instruction_in_use("dry", shop.at(4)).version == 1  # type: ignore[union-attr]
    assert instruction_in_use("dry", shop.at(6)) == made
    answer.refresh_from_db()
    assert (answer.status, answer.item.instruction.version) == ("within", 1)
    draft = instructions.ItemDraft("a", "A?", "yes-no")
    refused(
        lambda: instructions.publish_instruction(
            actor=shop.actors.quality, step="dry", title="X", items=[draft], follows_version=1
        ),
        "newer-version",
        kind=Conflict,
    )


@pytest.mark.parametrize(
    ("draft", "code"),
    [
        (instructions.ItemDraft("Not a code", "A?", "yes-no"), "code-malformed"),
        (instructions.ItemDraft("a", "A?", "colour"), "kind-unknown"),
        (instructions.ItemDraft("a", "A?", "choice"), "choices-missing"),
        (instructions.ItemDraft("a", "A?", "choice", choices=("x",), within=("y",)), "within-unknown"),
        (instructions.ItemDraft("a", "A?", "number", low=Decimal(2), high=Decimal(1)), "limits-crossed"),
        (instructions.ItemDraft("a", "A?", "yes-no", low=Decimal(2)), "limits-of-number"),
    ],
)
def test_an_item_that_makes_no_sense_is_refused(shop: Shop, draft: Any, code: str) -> None:
    refused(
        lambda: instructions.publish_instruction(
            actor=shop.actors.quality, step="dry", title="X", items=[draft]
        ),
        code,
    )


def test_delivery_takes_the_pieces_of_one_case_once(shop: Shop, nothing_leaving: Any) -> None:
    first, other = shop.piece(), shop.piece(at=shop.at(3))
    case_id = first.appliance.case_id

    def deliver(*ids: int, key: str = "") -> Any:
        return delivery.deliver(
            actor=shop.tech,
            key=key,
            case_id=case_id,
            piece_ids=ids,
            handed_to="courier",
            occurred_at=shop.at(9),
        )

    refused(lambda: deliver(first.pk, other.pk), "piece-of-another-case", other.mark)
    refused(lambda: deliver(), "nothing-chosen")
    deliver(first.pk, key="d")
    deliver(first.pk, key="d")
    refused(lambda: deliver(first.pk), "already-delivered", "left in D-")


def test_delivery_asks_whoever_guards_it(shop: Shop, nothing_leaving: Hook[list[Piece]]) -> None:
    from labtrack.errors import Refused
    from production.models import Delivery

    def guard(leaving: list[Piece]) -> None:
        raise Refused("not-released", f"{leaving[0].mark} is not released.")

    nothing_leaving.add(guard)
    piece = shop.piece()
    refused(
        lambda: delivery.deliver(
            actor=shop.tech,
            case_id=piece.appliance.case_id,
            piece_ids=[piece.pk],
            handed_to="courier",
            occurred_at=shop.at(9),
        ),
        "not-released",
    )
    assert not Delivery.objects.exists()


def test_a_clinic_answers_for_its_own_delivered_pieces(shop: Shop, nothing_leaving: Any) -> None:
    piece = shop.piece()

    def answer(actor: Any, **values: Any) -> Any:
        return delivery.answer_fit(
            actor=actor,
            piece_id=piece.pk,
            result="fits",
            harmed=False,
            **({"occurred_at": shop.at(12)} | values),
        )

    refused(lambda: answer(shop.actors.clinic), "not-delivered")
    delivery.deliver(
        actor=shop.tech,
        case_id=piece.appliance.case_id,
        piece_ids=[piece.pk],
        handed_to="courier",
        occurred_at=shop.at(9),
    )
    refused(lambda: answer(shop.actors.other_clinic), "not-found", kind=NotFound)
    refused(lambda: answer(shop.actors.clinic, occurred_at=shop.at(8)), "end-before-start")
    assert answer(shop.actors.clinic).thing.result == "fits"


def test_a_piece_is_formed_or_printed_and_never_both(shop: Shop) -> None:
    piece = shop.piece()
    for wrong in ({"cycle": None}, {"part": piece.cycle.part_id if piece.cycle else 0}, {"outcome": "good"}):
        with pytest.raises(IntegrityError), transaction.atomic():
            Piece.objects.filter(pk=piece.pk).update(**wrong)


def test_the_last_cycle_ends_the_batch_at_the_earliest(shop: Shop) -> None:
    part = shop.printed(1).parts.get()
    batch = shop.batch(shop.at(1))
    cycle = shop.form(batch, part, shop.at(2))
    refused(
        lambda: forming.close_forming_batch(
            actor=shop.tech, batch_id=batch.pk, finished_at=cycle.occurred_at - timedelta(seconds=1)
        ),
        "end-before-start",
    )
