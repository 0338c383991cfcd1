"""The evidence rows and their tally say what the records say, after any sequence of work."""

from __future__ import annotations

import random
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
from django.core.management import call_command
from django.utils import timezone

from cases.services.order import remake_appliance
from labtrack.usecase import use_case
from production.models import InstructionItem, Part, Piece
from production.services import answers, delivery, forming
from qa.models import EvidenceTally, FormedPieceRow, PrintAttempt
from qa.services.evidence import keep_evidence, promote_mature, rebuild_evidence
from qa.services.inspections import FoundDefect, Look, record_inspection, record_inspections
from qa.services.tally import TallyChange

pytestmark = pytest.mark.django_db


def rows(model: type[Any]) -> list[dict[str, Any]]:
    """Every row without its own key."""
    found = []
    for values in model.objects.order_by("label").values():
        values.pop("id")
        found.append(values)
    return found


def cells() -> dict[tuple[Any, ...], tuple[int, ...]]:
    """Every count that is not zero."""
    return {
        (cell.unit, cell.day, cell.axis, cell.level): counts
        for cell in EvidenceTally.objects.all()
        if any(counts := (cell.parts, cell.lost, cell.defective, cell.contaminated))
    }


def counted_by_hand() -> Any:
    """The counts that the mature rows give, added up one by one."""
    change = TallyChange()
    for model in (PrintAttempt, FormedPieceRow):
        for row in model.objects.all():
            change.add(row)
    return change.cells


def test_a_part_becomes_a_row_when_its_build_starts(shop: Any) -> None:
    build = shop.plan()
    assert not PrintAttempt.objects.exists(), "a planned build is no attempt"
    from production.services import builds

    builds.start_build(actor=shop.tech, build_id=build.pk, started_at=shop.at())
    row = PrintAttempt.objects.get()
    assert row.build == build.label and row.printer == "Printer 1" and row.outcome == ""
    assert (row.material, row.colour, row.lot) == ("Grey", "grey", "M-1")
    assert row.builds_since_filter == 0 and row.days_since_filter == pytest.approx(30.0)
    assert not row.mature


def test_ages_are_those_of_the_builds_start(shop: Any) -> None:
    shop.printed(at=shop.at(0))
    shop.event(shop.tank, "filtered", shop.at(1))
    shop.printed(at=shop.at(2))
    shop.printed(at=shop.at(5))
    ages: list[Any] = list(
        PrintAttempt.objects.order_by("occurred_at").values_list("builds_since_filter", "days_since_filter")
    )
    assert ages == [(0, pytest.approx(30.0)), (0, pytest.approx(1.0)), (1, pytest.approx(4.0))]


def test_an_event_entered_late_changes_the_ages_after_it(shop: Any) -> None:
    shop.printed(at=shop.at(0))
    shop.printed(at=shop.at(4))
    shop.event(shop.tank, "filtered", shop.at(2))
    ages = list(PrintAttempt.objects.order_by("occurred_at").values_list("builds_since_filter", flat=True))
    assert ages == [0, 0]


def test_a_run_entered_late_changes_the_bath_after_it(shop: Any) -> None:
    first = shop.printed(2, at=shop.at(0))
    second = shop.printed(1, at=shop.at(1))
    shop.treat("wash", list(second.parts.all()), shop.at(1, hours=4))
    row = PrintAttempt.objects.get(part=second.parts.get())
    assert row.bath_parts == 0
    shop.treat("wash", list(first.parts.all()), shop.at(0, hours=4))
    row.refresh_from_db()
    assert row.bath_parts == 2


def test_answers_keep_their_four_states_apart(shop: Any) -> None:
    items = list(
        InstructionItem.objects.filter(instruction__step="print", kind="yes-no").order_by("position")
    )
    assert len(items) >= 3
    build = shop.printed()
    answers.record_answers(
        actor=shop.tech,
        subject="build",
        subject_ids=[build.pk],
        answers=[
            answers.Given(items[0].pk, yes=True),
            answers.Given(items[1].pk, not_done=True),
            answers.Given(items[2].pk, not_applicable=True),
        ],
    )
    steps = PrintAttempt.objects.get().steps
    assert steps[items[1].code] == "not-done" and steps[items[2].code] == "not-applicable"
    assert steps[items[0].code] in {"within", "out-of-limits"}
    silent = set(InstructionItem.objects.filter(instruction__step="print").values_list("code", flat=True))
    silent -= {item.code for item in items[:3]}
    assert silent and all(steps[code] == "not-recorded" for code in silent)


def test_a_step_not_reached_is_not_held_against_a_part(shop: Any) -> None:
    shop.printed(outcome="scrapped")
    steps = PrintAttempt.objects.get().steps
    wash = set(InstructionItem.objects.filter(instruction__step="wash").values_list("code", flat=True))
    other = set(InstructionItem.objects.exclude(instruction__step="wash").values_list("code", flat=True))
    assert wash - other and not (wash - other) & set(steps)


def test_a_flaw_of_the_part_found_on_its_piece_is_the_parts_too(shop: Any) -> None:
    piece = shop.piece()
    record_inspection(
        actor=shop.tech,
        step="finish",
        look=Look(
            piece_id=piece.pk,
            verdict="fail",
            outcome="scrapped",
            defects=[FoundDefect("stuck-flake"), FoundDefect("sharp-edge")],
        ),
        occurred_at=shop.at(2),
    )
    part, formed = PrintAttempt.objects.get(), FormedPieceRow.objects.get()
    assert part.defects == ["stuck-flake|equipment|finish"] and part.contaminated and not part.lost
    assert formed.defects == ["sharp-edge|trim|finish", "stuck-flake|equipment|finish"]
    assert formed.lost and formed.defective


def test_a_remake_and_a_misfit_lose_the_part(shop: Any, actors: Any) -> None:
    piece = shop.piece()
    assert not PrintAttempt.objects.get().lost
    remake_appliance(actor=actors.technician, key="", appliance_id=piece.appliance_id, reason="cracked")
    part, formed = PrintAttempt.objects.get(), FormedPieceRow.objects.get()
    assert part.lost and formed.remade and formed.lost and not formed.returned


def test_only_final_outcomes_old_enough_count(shop: Any, settings: Any) -> None:
    settings.EVIDENCE_MATURE_DAYS = 21
    old, new = shop.at(0), timezone.now() - timedelta(days=3)
    shop.printed(2, at=old)
    shop.printed(1, at=new, outcome="scrapped")
    assert list(PrintAttempt.objects.order_by("occurred_at").values_list("mature", flat=True)) == [
        True,
        True,
        False,
    ]
    total = EvidenceTally.objects.get(axis="all", unit="part")
    assert (total.parts, total.lost) == (2, 0)


def test_time_alone_makes_an_outcome_count(shop: Any, settings: Any) -> None:
    settings.EVIDENCE_MATURE_DAYS = 400
    shop.printed(3, outcome="scrapped")
    assert not EvidenceTally.objects.exists() and promote_mature() == 0
    settings.EVIDENCE_MATURE_DAYS = 21
    assert promote_mature() == 3
    total = EvidenceTally.objects.get(axis="all", unit="part")
    assert (total.parts, total.lost) == (3, 3)
    assert promote_mature() == 0
    assert cells() == counted_by_hand()


def test_a_refusal_leaves_the_tally_as_it_was(shop: Any) -> None:
    shop.printed(2)
    before = cells()
    part = Part.objects.first()
    assert part is not None

    class Stop(Exception):
        pass

    with pytest.raises(Stop), use_case():
        Part.objects.filter(pk=part.pk).update(outcome="scrapped")
        keep_evidence(parts=[part.pk])
        raise Stop
    assert cells() == before


def test_ten_changes_in_one_transaction_are_kept_in_one_batch(
    shop: Any, django_assert_max_num_queries: Any
) -> None:
    build = shop.printed(10)
    ids = list(build.parts.values_list("pk", flat=True))
    with django_assert_max_num_queries(45), use_case():
        for pk in ids:
            keep_evidence(parts=[pk])


class Work:
    """One random day after another of the shop, through its use cases."""

    def __init__(self, shop: Any, seed: int) -> None:
        self.shop, self.draw = shop, random.Random(seed)
        self.day = 0.0
        self.parts: list[Part] = []
        self.pieces: list[Piece] = []
        self.items = list(
            InstructionItem.objects.filter(kind="yes-no", instruction__step__in=("print", "wash", "form"))
        )

    def run(self, days: int) -> None:
        for _ in range(days):
            self.day += self.draw.choice((0.5, 1, 2))
            self.draw.choice((self.build, self.build, self.tank, self.again, self.inspect, self.formed))()
            self.draw.choice(
                (self.inspect, self.answer, self.formed, self.formed, self.correct, self.remake)
            )()

    def build(self) -> None:
        made = self.shop.printed(
            self.draw.randint(1, 4),
            at=self.shop.at(self.day),
            outcome=self.draw.choice(("good", "good", "good", "scrapped", "rework")),
        )
        parts = [part for part in made.parts.all() if part.outcome != "scrapped"]
        self.parts += parts
        if parts and self.draw.random() < 0.8:
            self.shop.treat("wash", parts, self.shop.at(self.day, hours=3))
            self.shop.treat("cure", parts, self.shop.at(self.day, hours=4))

    def again(self) -> None:
        """A wash that is entered late, or repeated."""
        parts = self.live_parts()
        if parts:
            part = self.draw.choice(parts)
            ended = part.build.finished_at
            assert ended is not None
            self.shop.treat("wash", [part], ended + timedelta(hours=self.draw.choice((1, 8))))

    def tank(self) -> None:
        kind = self.draw.choice(("filtered", "topped-up", "cleaned"))
        values = {"lot_id": self.shop.model_lot.pk} if kind == "topped-up" else {}
        self.shop.event(self.shop.tank, kind, self.shop.at(self.day - self.draw.choice((0.1, 3.3))), **values)

    def live_parts(self) -> list[Part]:
        ids = [part.pk for part in self.parts]
        return list(Part.objects.filter(pk__in=ids).exclude(outcome="scrapped").select_related("build"))

    def formed(self) -> None:
        parts = self.live_parts()
        if not parts:
            return
        part = self.draw.choice(parts)
        at = self.shop.at(self.day, hours=6)
        if part.build.finished_at is None or part.build.finished_at > at:
            return
        batch = self.shop.batch(at)
        self.pieces += list(self.shop.form(batch, part, at + timedelta(minutes=5)).pieces.all())
        forming.close_forming_batch(
            actor=self.shop.tech, batch_id=batch.pk, finished_at=at + timedelta(minutes=9)
        )

    def inspect(self) -> None:
        parts, looks = self.live_parts(), []
        for part in self.draw.sample(parts, min(len(parts), 3)):
            bad = self.draw.random() < 0.4
            kinds = self.draw.sample(("stuck-flake", "warped", "debris-pit", "sticky-film"), 2)
            looks.append(
                Look(
                    part_id=part.pk,
                    verdict="fail" if bad else "pass",
                    outcome=self.draw.choice(("scrapped", "rework")) if bad else None,
                    defects=[FoundDefect(kind, severity="minor") for kind in kinds[: 1 + bad]] if bad else [],
                )
            )
        if looks:
            record_inspections(actor=self.shop.tech, step="inspect", looks=looks)
        if self.pieces and self.draw.random() < 0.7:
            piece = self.draw.choice(self.pieces)
            record_inspection(
                actor=self.shop.tech,
                step="finish",
                look=Look(
                    piece_id=piece.pk,
                    verdict="fail",
                    outcome=self.draw.choice(("scrapped", "rework")),
                    defects=[FoundDefect(self.draw.choice(("sharp-edge", "cured-speck", "web")))],
                ),
            )

    def answer(self) -> None:
        from production.models import Build, FormingCycle, TreatmentRun

        item = self.draw.choice(self.items)
        found: tuple[str, Any] = {
            "print": ("build", Build),
            "wash": ("treatment", TreatmentRun),
            "form": ("cycle", FormingCycle),
        }[item.instruction.step]
        subject, model = found
        things = model.objects.filter(step="wash") if subject == "treatment" else model.objects.all()
        if things:
            answers.record_answers(
                actor=self.shop.tech,
                subject=subject,
                subject_ids=[self.draw.choice(list(things)).pk],
                answers=[
                    answers.Given(item.pk, yes=True)
                    if self.draw.random() < 0.6
                    else answers.Given(item.pk, not_done=True)
                ],
            )

    def correct(self) -> None:
        """An outcome put right at the bench."""
        parts = self.live_parts()
        if parts:
            from production.services.outcomes import PartResult, record_part_outcomes

            part = self.draw.choice(parts)
            outcome = self.draw.choice(("good", "rework", "scrapped"))
            record_part_outcomes(
                actor=self.shop.tech, step="inspect", results=[PartResult(part.pk, outcome, "seen again")]
            )

    def remake(self) -> None:
        open_ones = list(Piece.objects.filter(appliance__remake__isnull=True).select_related("appliance"))
        if open_ones and self.draw.random() < 0.5:
            remake_appliance(
                actor=self.shop.tech,
                key="",
                appliance_id=self.draw.choice(open_ones).appliance_id,
                reason="does not fit",
            )


@pytest.fixture(params=[1, 2, 3])
def worked(shop: Any, request: pytest.FixtureRequest, settings: Any) -> Iterator[Any]:
    settings.EVIDENCE_MATURE_DAYS = 40
    Work(shop, request.param).run(28)
    yield shop


def test_what_was_kept_equals_what_is_rebuilt(worked: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """At once, in small bites, and from nothing."""
    promote_mature()
    kept = rows(PrintAttempt), rows(FormedPieceRow), cells()
    assert len(kept[0]) > 10 and len(kept[1]) > 2 and kept[2]
    assert kept[2] == counted_by_hand()
    mature = PrintAttempt.objects.filter(mature=True).count()
    assert 0 < mature < len(kept[0]), "the range must hold both sides of the rule"
    rebuild_evidence()
    assert (rows(PrintAttempt), rows(FormedPieceRow), cells()) == kept
    monkeypatch.setattr("qa.services.evidence.CHUNK", 3)
    rebuild_evidence()
    assert (rows(PrintAttempt), rows(FormedPieceRow), cells()) == kept
    for model in (PrintAttempt, FormedPieceRow, EvidenceTally):
        model.objects.all().delete()
    call_command("rebuild_evidence", verbosity=0)
    assert (rows(PrintAttempt), rows(FormedPieceRow), cells()) == kept


def test_imported_rows_survive_a_rebuild_and_are_counted(shop: Any) -> None:
    shop.printed(1)
    when = timezone.now() - timedelta(days=100)
    imported = PrintAttempt(
        source="import",
        label="OLD-1",
        occurred_at=when,
        day=when.date(),
        printer="Old printer",
        outcome="scrapped",
        lost=True,
        mature=True,
    )
    imported.save()
    rebuild_evidence()
    assert PrintAttempt.objects.filter(label="OLD-1").exists()
    assert EvidenceTally.objects.get(axis="printer", level="Old printer").lost == 1


def test_the_database_refuses_a_count_below_zero(db: None) -> None:
    from django.db import IntegrityError

    change = TallyChange()
    row = PrintAttempt(
        label="P", occurred_at=timezone.now(), day=timezone.localdate(), printer="x", mature=True
    )
    change.take(row)
    with pytest.raises(IntegrityError):
        change.apply()


def test_a_returned_piece_is_lost_by_the_clinics_latest_answer(shop: Any, actors: Any) -> None:
    from tests.qa.pieces import released_piece

    piece = released_piece(shop, actors)
    delivery.deliver(
        actor=shop.tech, case_id=piece.appliance.case_id, piece_ids=[piece.pk], handed_to="courier"
    )
    delivery.answer_fit(actor=shop.tech, piece_id=piece.pk, result="does-not-fit", harmed=False)
    row = FormedPieceRow.objects.get()
    assert row.returned and row.lost and PrintAttempt.objects.get().lost
    delivery.answer_fit(actor=shop.tech, piece_id=piece.pk, result="adjusted", harmed=False)
    row.refresh_from_db()
    assert not row.returned and not PrintAttempt.objects.get().lost
