"""The gate of a release, item by item, its signature, and what leaves the lab."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone

from labtrack.errors import Conflict, NotAllowed, NotFound, Refused, TooMany
from production.models import MaterialInstruction, ProcessCombination
from production.services.combinations import qualify_combination
from production.services.delivery import deliver
from production.services.holds import lift_hold, place_hold
from production.services.pieces import record_piece_steps
from qa.models import Release, ReleasedPiece
from qa.queries.gate import gates_of
from qa.services.inspections import FoundDefect, Look, record_inspection
from qa.services.release import grant_concession, release_pieces, sign, withdraw_release
from tests.conftest import PASSWORD
from tests.qa.pieces import direct_piece, finished_piece, release, released_piece

pytestmark = pytest.mark.django_db


def missing(piece: Any) -> set[str]:
    return {item.name for item in gates_of([piece])[0].missing}


def sentence(piece: Any, name: str) -> str:
    return next(item.sentence for item in gates_of([piece])[0].items if item.name == name)


def tomorrow() -> Any:
    return timezone.now() + timedelta(days=1)


def test_a_finished_piece_has_an_open_gate_and_is_released_once(shop: Any, actors: Any) -> None:
    piece = finished_piece(shop)
    assert missing(piece) == set()
    made = release(actors, piece, key="tap").thing
    assert release(actors, piece, key="tap").repeated
    assert Release.objects.count() == 1 and made.label == "R-00001"
    assert made.gate[0]["piece"] == piece.mark
    assert {item["status"] for item in made.gate[0]["items"]} <= {"met", "not-needed", "noted"}
    with pytest.raises(Conflict):
        release(actors, piece, key="another tap")


def test_a_piece_straight_from_the_former_misses_what_it_misses(shop: Any) -> None:
    assert missing(shop.piece()) == {"outcome", "inspection", "steps"}


def test_a_wrong_password_signs_nothing(shop: Any, actors: Any) -> None:
    finished_piece(shop)
    with pytest.raises(NotAllowed):
        sign(actor=actors.quality, password="guess")


def test_a_password_is_not_guessed_by_signing(shop: Any, actors: Any) -> None:
    for guess in range(10):
        with pytest.raises(NotAllowed):
            sign(actor=actors.quality, password=f"guess {guess}")
    with pytest.raises(TooMany):
        sign(actor=actors.quality, password=PASSWORD)
    assert sign(actor=actors.manager, password=PASSWORD).user_id == actors.manager.user.pk


def test_a_signature_is_its_owners_and_goes_stale(shop: Any, actors: Any) -> None:
    piece = finished_piece(shop)
    number = piece.appliance.case.number
    others = sign(actor=actors.manager, password=PASSWORD)
    with pytest.raises(NotAllowed):
        release_pieces(actor=actors.quality, case_number=number, piece_ids=[piece.pk], signature=others)
    old = type(others)(actors.quality.user.pk, timezone.now() - timedelta(minutes=6))
    with pytest.raises(NotAllowed):
        release_pieces(actor=actors.quality, case_number=number, piece_ids=[piece.pk], signature=old)
    assert not Release.objects.exists()


@pytest.mark.parametrize("role", ["technician", "administrator", "clinic"])
def test_only_quality_and_the_manager_release(shop: Any, actors: Any, role: str) -> None:
    piece, actor = finished_piece(shop), getattr(actors, role)
    with pytest.raises(NotAllowed):
        release_pieces(
            actor=actor,
            case_number=piece.appliance.case.number,
            piece_ids=[piece.pk],
            signature=sign(actor=actor, password=PASSWORD),
        )


def test_a_failed_inspection_bars_until_a_later_one_passes(shop: Any) -> None:
    piece = finished_piece(shop)
    bad = Look(piece_id=piece.pk, verdict="fail", outcome="rework", defects=[FoundDefect("sharp-edge")])
    record_inspection(actor=shop.tech, step="finish", look=bad)
    assert missing(piece) == {"outcome", "inspection", "defects"}
    assert "rough or sharp edge" in sentence(piece, "defects")
    record_inspection(actor=shop.tech, step="finish", look=Look(piece_id=piece.pk, verdict="pass"))
    assert missing(piece) == set()


@pytest.mark.parametrize("held", ["piece", "part", "build", "tank", "lot", "sheet"])
def test_a_hold_on_anything_it_came_from_bars(shop: Any, actors: Any, held: str) -> None:
    piece = finished_piece(shop)
    assert piece.cycle is not None
    part = piece.cycle.part
    thing = {
        "piece": ("piece", piece.pk),
        "part": ("part", part.pk),
        "build": ("build", part.build_id),
        "tank": ("equipment", shop.tank.pk),
        "lot": ("lot", shop.model_lot.pk),
        "sheet": ("lot", shop.sheet_lot.pk),
    }[held]
    hold = place_hold(actor=actors.quality, held=thing[0], held_id=thing[1], reason="supplier's letter").thing
    assert missing(piece) == {"hold"}
    lift_hold(actor=actors.quality, hold_id=hold.pk, reason="cleared")
    assert missing(piece) == set()


def test_a_mucosa_piece_of_a_model_resin_is_refused_with_a_clear_sentence(shop: Any, actors: Any) -> None:
    piece = direct_piece(
        shop, tank=shop.guide_tank, printer=shop.other_printer, bath=shop.guide_bath, tissue="mucosa"
    )
    # The maker withdrew patient contact: the latest approved instructions say models only.
    shop.instruct(shop.guide_resin, use="model", at=timezone.now())
    assert "material-use" in missing(piece)
    with pytest.raises(Refused) as refusal:
        release(actors, piece)
    assert "for models only" in sentence(piece, "material-use")
    assert "must not be worn" in sentence(piece, "material-use") and refusal.value.status == 422
    assert not Release.objects.exists()


def test_nobody_concedes_the_intended_use_or_a_hold(shop: Any, actors: Any) -> None:
    piece = finished_piece(shop)
    for item in ("material-use", "hold"):
        with pytest.raises(Refused) as refusal:
            grant_concession(
                actor=actors.quality,
                piece_id=piece.pk,
                gate_item=item,
                reason="please",
                valid_until=tomorrow(),
            )
        assert refusal.value.code == "never-conceded"


def test_summed_contact_counts_every_stage_of_a_series(shop: Any) -> None:
    piece = finished_piece(shop)
    instruction = MaterialInstruction.objects.filter(material=shop.sheet).latest("version")
    # One stage: 22 h a day for 7 days.
    MaterialInstruction.objects.filter(pk=instruction.pk).update(contact_hours_max=154)
    assert missing(piece) == set()
    MaterialInstruction.objects.filter(pk=instruction.pk).update(contact_hours_max=153)
    assert missing(piece) == {"material-use"} and "154 h" in sentence(piece, "material-use")
    MaterialInstruction.objects.filter(pk=instruction.pk).update(contact_hours_max=200)
    type(piece.appliance).objects.create(
        line=piece.appliance.line, case=piece.appliance.case, arch="upper", stage=1
    )
    assert missing(piece) == {"material-use"}


@pytest.mark.parametrize(("allowed", "barred"), [("skin", True), ("mucosa", False), ("breached", False)])
def test_instructions_must_allow_the_tissue(shop: Any, allowed: str, barred: bool) -> None:
    piece = finished_piece(shop)
    MaterialInstruction.objects.filter(material=shop.sheet).update(tissue=allowed)
    assert ("material-use" in missing(piece)) is barred


def test_a_directly_printed_piece_needs_a_qualified_combination(shop: Any, actors: Any) -> None:
    piece = direct_piece(shop, tank=shop.guide_tank, printer=shop.other_printer, bath=shop.guide_bath)
    assert missing(piece) == {"combination"}
    qualify_combination(
        actor=actors.quality,
        printer_id=shop.other_printer.pk,
        material_id=shop.guide_resin.pk,
        profile_name="grey-50",
        wash_program="two baths",
        cure_program="warm",
        basis="report 7",
        qualified_at=shop.old,
    )
    assert missing(piece) == set()
    ProcessCombination.objects.update(withdrawn_at=timezone.now(), withdraw_reason="lamp failed")
    assert missing(piece) == {"combination"}


def test_an_expired_lot_bars_by_the_day_it_was_used(shop: Any) -> None:
    piece = finished_piece(shop)
    assert piece.cycle is not None
    used = timezone.localdate(piece.cycle.occurred_at)
    type(shop.sheet_lot).objects.filter(pk=shop.sheet_lot.pk).update(expires_on=used)
    assert missing(piece) == set()
    type(shop.sheet_lot).objects.filter(pk=shop.sheet_lot.pk).update(expires_on=used - timedelta(days=1))
    assert missing(piece) == {"lots"}


def test_a_resin_part_without_wash_or_cure_is_barred(shop: Any) -> None:
    part = shop.printed().parts.get()
    batch = shop.batch(shop.at(1))
    piece = shop.form(batch, part, shop.at(1, minutes=5)).pieces.get()
    for step in ("trim", "disinfect"):
        record_piece_steps(actor=shop.tech, step=step, piece_ids=[piece.pk])
    record_inspection(actor=shop.tech, step="finish", look=Look(piece_id=piece.pk, verdict="pass"))
    assert missing(piece) == {"steps"} and sentence(piece, "steps") == "Not recorded: wash, cure."


def test_a_concession_opens_the_gate_until_it_ends(shop: Any, actors: Any) -> None:
    part = shop.printed().parts.get()
    piece = shop.form(shop.batch(shop.at(1)), part, shop.at(1, minutes=5)).pieces.get()
    record_piece_steps(actor=shop.tech, step="trim", piece_ids=[piece.pk])
    record_piece_steps(actor=shop.tech, step="disinfect", piece_ids=[piece.pk])
    record_inspection(actor=shop.tech, step="finish", look=Look(piece_id=piece.pk, verdict="pass"))
    grant_concession(
        actor=actors.quality,
        piece_id=piece.pk,
        gate_item="steps",
        reason="washed and cured by hand, seen by two",
        valid_until=tomorrow(),
    )
    assert missing(piece) == set()
    assert gates_of([piece], timezone.now() + timedelta(days=2))[0].open is False
    made = release(actors, piece).thing
    steps = next(item for item in made.gate[0]["items"] if item["name"] == "steps")
    assert steps["status"] == "conceded" and "washed and cured by hand" in steps["sentence"]


def test_a_case_may_be_released_in_part(shop: Any, actors: Any) -> None:
    first, second = finished_piece(shop), None
    second = shop.piece(shop.at(3))
    type(second.appliance).objects.filter(pk=second.appliance_id).update(
        case=first.appliance.case, line=first.appliance.line, stage=2
    )
    release(actors, first)
    assert ReleasedPiece.objects.filter(standing=True).count() == 1
    with pytest.raises(Refused):
        release_pieces(
            actor=actors.quality,
            case_number=first.appliance.case.number,
            piece_ids=[second.pk],
            signature=sign(actor=actors.quality, password=PASSWORD),
        )


def test_another_cases_piece_is_not_there(shop: Any, actors: Any) -> None:
    one, other = finished_piece(shop), finished_piece(shop, shop.at(5))
    with pytest.raises(NotFound):
        release_pieces(
            actor=actors.quality,
            case_number=one.appliance.case.number,
            piece_ids=[one.pk, other.pk],
            signature=sign(actor=actors.quality, password=PASSWORD),
        )
    assert not Release.objects.exists()


def test_only_released_pieces_leave(shop: Any, actors: Any) -> None:
    piece = finished_piece(shop)
    with pytest.raises(Refused) as refusal:
        deliver(actor=shop.tech, case_id=piece.appliance.case_id, piece_ids=[piece.pk], handed_to="courier")
    assert refusal.value.code == "not-released"
    release(actors, piece)
    deliver(actor=shop.tech, case_id=piece.appliance.case_id, piece_ids=[piece.pk], handed_to="courier")


def test_a_hold_after_the_release_keeps_the_piece_in(shop: Any, actors: Any) -> None:
    piece = released_piece(shop, actors)
    place_hold(actor=actors.quality, held="lot", held_id=shop.sheet_lot.pk, reason="letter")
    with pytest.raises(Refused):
        deliver(actor=shop.tech, case_id=piece.appliance.case_id, piece_ids=[piece.pk], handed_to="courier")


def test_a_withdrawn_release_stays_on_record_and_can_be_given_anew(shop: Any, actors: Any) -> None:
    piece = released_piece(shop, actors)
    made = Release.objects.get()
    gate = made.gate
    signature = sign(actor=actors.manager, password=PASSWORD)
    withdraw_release(actor=actors.manager, number=made.number, reason="wrong label", signature=signature)
    made.refresh_from_db()
    assert made.gate == gate and made.withdrawal.reason == "wrong label"
    with pytest.raises(Refused):
        deliver(actor=shop.tech, case_id=piece.appliance.case_id, piece_ids=[piece.pk], handed_to="courier")
    with pytest.raises(Conflict):
        withdraw_release(actor=actors.manager, number=made.number, reason="again", signature=signature)
    assert release(actors, piece).thing.number == made.number + 1


def test_the_gate_of_many_pieces_costs_no_more_queries_than_of_few(
    shop: Any, django_assert_max_num_queries: Any
) -> None:
    pieces = [finished_piece(shop, shop.at(day)) for day in (0, 3, 6)]
    with django_assert_max_num_queries(32):
        assert all(gate.open for gate in gates_of(pieces))
