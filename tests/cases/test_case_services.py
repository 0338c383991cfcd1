"""Use cases of clinics, cases, orders and waits."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.db import IntegrityError, transaction
from django.utils import timezone

from cases import hooks
from cases.case_page import case_clock
from cases.choices import CaseState
from cases.models import Appliance, Case, ClinicWait, OrderLine
from cases.queries import case_list, due_cases, suggest_appliance, visible_cases, with_state
from cases.services.clinics import add_clinic, change_clinic, set_membership
from cases.services.log_case import change_case, log_case, void_case
from cases.services.order import (
    LineOrder,
    add_order_line,
    add_order_lines,
    aligner_series,
    cancel_appliance,
    remake_appliance,
)
from cases.services.waits import answer_clinic, ask_clinic
from labtrack.audit.models import AuditRecord
from labtrack.errors import Conflict, DomainError, NotAllowed, NotFound, Refused

pytestmark = pytest.mark.django_db


def labels(case: Case) -> list[str]:
    return [
        a.short_label
        for a in case.appliances.select_related("line").order_by("line", "stage", "arch", "copy")
    ]


def refused(act: Any) -> DomainError:
    with pytest.raises(DomainError) as caught:
        act()
    return caught.value


# Orders.


def test_a_series_has_arches_of_different_length_copies_and_templates(case: Any, actors: Any) -> None:
    lines = aligner_series(upper=3, lower=1, copies=2, round=1, templates=True)
    add_order_lines(actor=actors.clinic, key="", case_number=case.number, lines=lines)
    template, series = case.lines.order_by("position")[2:]
    assert (template.kind, series.kind) == ("attachment-template", "aligner")
    assert [a.short_label for a in template.appliances.select_related("line").order_by("-arch")] == [
        "attachment template U round 1",
        "attachment template L round 1",
    ]
    rows = series.appliances.order_by("-arch", "stage", "copy").values_list("arch", "stage", "copy")
    assert list(rows) == [("upper", stage, copy) for stage in (1, 2, 3) for copy in (1, 2)] + [
        ("lower", 1, 1),
        ("lower", 1, 2),
    ]


def test_a_series_may_go_on_from_a_later_stage(case: Any, actors: Any) -> None:
    line = aligner_series(upper=2, lower=0, first_stage=4)[0]
    made = add_order_line(actor=actors.clinic, key="", case_number=case.number, line=line).thing
    assert [a.short_label for a in made.appliances.select_related("line").order_by("stage")] == ["U04", "U05"]


def test_no_two_appliances_of_a_case_bear_the_same_label(case: Any, actors: Any) -> None:
    for line in (
        LineOrder("retainer", upper=1, lower=1),
        LineOrder("retainer", upper=1),
        LineOrder("night-guard", upper=1),
        LineOrder("aligner", upper=2),
        LineOrder("aligner", upper=2, round=1),
        LineOrder("study-model", upper=1, copies=2),
    ):
        add_order_line(actor=actors.clinic, key="", case_number=case.number, line=line)
    remake_appliance(
        actor=actors.technician, key="", appliance_id=case.appliances.first().pk, reason="does not seat"
    )
    found = labels(case)
    assert len(set(found)) == len(found)
    assert {"retainer U", "retainer U copy 2", "retainer U copy 3", "U01 copy 2", "U01 round 1"} <= set(found)


@pytest.mark.parametrize(
    ("kind", "tissue"),
    [("aligner", "mucosa"), ("study-model", "none"), ("drill-guide", "breached"), ("night-guard", "mucosa")],
)
def test_what_an_appliance_touches_follows_its_kind_unless_said(
    kind: str, tissue: str, case: Any, actors: Any
) -> None:
    line = add_order_line(
        actor=actors.clinic, key="", case_number=case.number, line=LineOrder(kind, upper=1)
    ).thing
    assert line.tissue == tissue


@pytest.mark.parametrize(
    ("line", "field"),
    [
        (LineOrder("spoon", upper=1), "kind"),
        (LineOrder("aligner"), "upper"),
        (LineOrder("aligner", upper=-1, lower=2), "upper"),
        (LineOrder("aligner", upper=100), "upper"),
        (LineOrder("aligner", upper=1, first_stage=0), "first_stage"),
        (LineOrder("retainer", lower=2), "lower"),
        (LineOrder("retainer", upper=1, copies=0), "copies"),
        (LineOrder("retainer", upper=1, copies=11), "copies"),
        (LineOrder("retainer", upper=1, round=21), "round"),
        (LineOrder("retainer", upper=1, hours_per_day=25), "hours_per_day"),  # type: ignore[arg-type]
        (LineOrder("retainer", upper=1, sheet_mm=0), "sheet_mm"),  # type: ignore[arg-type]
        (LineOrder("retainer", upper=1, tissue="bone"), "tissue"),
        (LineOrder("retainer", upper=1, days=-1), "days"),
    ],
)
def test_a_line_that_cannot_be_made_is_refused_and_nothing_is_stored(
    line: LineOrder, field: str, case: Any, actors: Any
) -> None:
    before = OrderLine.objects.count()
    error = refused(lambda: add_order_line(actor=actors.clinic, key="", case_number=case.number, line=line))
    assert (error.status, error.field) == (422, field)
    assert OrderLine.objects.count() == before


def test_printed_directly_means_nothing_for_a_model(case: Any, actors: Any) -> None:
    line = LineOrder("study-model", upper=1, direct_print=True)
    made = add_order_line(actor=actors.clinic, key="", case_number=case.number, line=line).thing
    assert made.direct_print is False


def test_a_remake_is_chained_and_happens_once(case: Any, actors: Any) -> None:
    first = case.appliances.get(arch="upper", stage=2)
    seen: list[Appliance] = []
    hooks.appliance_remade.add(seen.append)
    try:
        second = remake_appliance(
            actor=actors.technician, key="r", appliance_id=first.pk, reason="warped"
        ).thing
        again = remake_appliance(actor=actors.technician, key="r", appliance_id=first.pk, reason="warped")
    finally:
        hooks.appliance_remade._handlers.remove(seen.append)
    assert again.repeated
    assert again.thing == second
    assert seen == [second]
    third = remake_appliance(actor=actors.technician, key="", appliance_id=second.pk, reason="bubble").thing
    assert (second.remake_number, third.remake_number, third.remake_of) == (1, 2, second)
    error = refused(
        lambda: remake_appliance(actor=actors.technician, key="", appliance_id=first.pk, reason="x")
    )
    assert (error.status, error.code) == (409, "already-remade")


def test_only_the_lab_orders_a_remake_and_never_of_what_is_cancelled(case: Any, actors: Any) -> None:
    first = case.appliances.first()
    with pytest.raises(NotAllowed):
        remake_appliance(actor=actors.clinic, key="", appliance_id=first.pk, reason="x")
    cancel_appliance(actor=actors.clinic, key="", appliance_id=first.pk, reason="not wanted")
    with pytest.raises(Conflict, match="cancelled"):
        remake_appliance(actor=actors.technician, key="", appliance_id=first.pk, reason="x")
    with pytest.raises(Conflict, match="already cancelled"):
        cancel_appliance(actor=actors.clinic, key="", appliance_id=first.pk, reason="x")


def test_an_upper_app_can_refuse_to_cancel_or_void(case: Any, actors: Any) -> None:
    def under_way(thing: Any) -> None:
        raise Refused("under-way", "It is being printed.")

    hooks.appliance_cancelling.add(under_way)
    hooks.case_voiding.add(under_way)
    try:
        first = case.appliances.first()
        assert (
            refused(
                lambda: cancel_appliance(actor=actors.clinic, key="", appliance_id=first.pk, reason="x")
            ).code
            == "under-way"
        )
        assert (
            refused(lambda: void_case(actor=actors.clinic, key="", case_number=case.number, reason="x")).code
            == "under-way"
        )
    finally:
        hooks.appliance_cancelling._handlers.remove(under_way)
        hooks.case_voiding._handlers.remove(under_way)
    assert Case.objects.get().voided_at is None
    assert not Appliance.objects.filter(cancelled_at__isnull=False).exists()


# Cases.


def test_a_voided_cases_number_is_never_used_again(case: Any, actors: Any) -> None:
    void_case(actor=actors.clinic, key="", case_number=case.number, reason="logged twice")
    wanted = {"clinic_id": case.clinic_id, "patient_code": "P-1", "prescriber": "Dr Example"}
    error = refused(
        lambda: log_case(actor=actors.clinic, key="", **wanted, lines=[LineOrder("retainer", upper=2)])
    )
    assert error.field == "upper"
    following = log_case(actor=actors.clinic, key="", **wanted, clinic_reference="H-77").thing
    assert following.number == case.number + 1, "and a refused case takes none"


def test_nothing_is_done_to_a_voided_case(case: Any, actors: Any) -> None:
    void_case(actor=actors.clinic, key="", case_number=case.number, reason="logged twice")
    number, appliance = case.number, case.appliances.first()
    for act in (
        lambda: add_order_line(
            actor=actors.clinic, key="", case_number=number, line=LineOrder("retainer", upper=1)
        ),
        lambda: ask_clinic(actor=actors.technician, key="", case_number=number, question="?"),
        lambda: cancel_appliance(actor=actors.clinic, key="", appliance_id=appliance.pk, reason="x"),
        lambda: remake_appliance(actor=actors.technician, key="", appliance_id=appliance.pk, reason="x"),
        lambda: void_case(actor=actors.clinic, key="", case_number=number, reason="again"),
    ):
        assert refused(act).code == "case-voided"


def test_every_change_leaves_its_record(case: Any, actors: Any) -> None:
    def actions() -> list[str]:
        return list(AuditRecord.objects.order_by("id").values_list("action", flat=True))

    assert actions().count("case.logged") == 1
    assert actions().count("order-line.added") == 2
    assert actions().count("appliance.ordered") == 6
    change_case(
        actor=actors.clinic,
        case_number=case.number,
        clinic_reference="H-77",
        prescriber="Dr Other",
        appointment_on=None,
        ship_by=None,
        note="",
    )
    record: Any = AuditRecord.objects.order_by("id").last()
    assert (record.action, record.before["prescriber"], record.after["prescriber"]) == (
        "case.changed",
        "Dr Example",
        "Dr Other",
    )
    assert record.actor == actors.clinic.user


def test_a_stranger_finds_no_case_no_clinic_no_appliance(case: Any, actors: Any) -> None:
    first = case.appliances.first()
    for act in (
        lambda: log_case(
            actor=actors.other_clinic,
            key="",
            clinic_id=case.clinic_id,
            patient_code="P-1",
            prescriber="Dr Example",
        ),
        lambda: void_case(actor=actors.other_clinic, key="", case_number=case.number, reason="x"),
        lambda: answer_clinic(actor=actors.other_clinic, key="", case_number=case.number, answer="x"),
        lambda: cancel_appliance(actor=actors.other_clinic, key="", appliance_id=first.pk, reason="x"),
        lambda: add_order_line(
            actor=actors.other_clinic, key="", case_number=case.number, line=LineOrder("retainer", upper=1)
        ),
    ):
        with pytest.raises(NotFound):
            act()


def test_a_closed_clinic_sends_no_cases(case: Any, actors: Any) -> None:
    clinic = case.clinic
    change_clinic(
        actor=actors.manager,
        clinic_id=clinic.pk,
        code=clinic.code,
        name=clinic.name,
        tooth_notation="fdi",
        active=False,
    )
    error = refused(
        lambda: log_case(
            actor=actors.clinic, key="", clinic_id=clinic.pk, patient_code="P", prescriber="Dr Example"
        )
    )
    assert error.code == "clinic-closed"
    assert visible_cases(actors.clinic).count() == 1


def test_a_delivered_case_is_told_by_the_app_that_delivers(case: Any, actors: Any) -> None:
    handed_over: set[int] = set()

    def source() -> Any:
        return Appliance.objects.filter(pk__in=handed_over).values("pk")

    def state() -> str:
        return str(with_state(visible_cases(actors.clinic)).get(pk=case.pk).state)

    hooks.delivered_appliances.add(source)
    try:
        assert state() == CaseState.OPEN
        handed_over |= set(case.appliances.values_list("pk", flat=True)[1:])
        assert state() == CaseState.OPEN
        first = case.appliances.first()
        cancel_appliance(actor=actors.clinic, key="", appliance_id=first.pk, reason="not wanted")
        assert state() == CaseState.DELIVERED
        remade = case.appliances.last()
        remake_appliance(actor=actors.technician, key="", appliance_id=remade.pk, reason="broke")
        assert state() == CaseState.OPEN
    finally:
        hooks.delivered_appliances._sources.remove(source)


# The clock.


def test_waiting_for_the_clinic_stops_the_clock(actors: Any, case: Any) -> None:
    start = timezone.now() - timedelta(days=10)
    Case.objects.filter(pk=case.pk).update(occurred_at=start)
    case.refresh_from_db()
    ask_clinic(
        actor=actors.technician,
        key="",
        case_number=case.number,
        question="?",
        occurred_at=start + timedelta(days=2),
    )
    answer_clinic(
        actor=actors.clinic,
        key="",
        case_number=case.number,
        answer="!",
        occurred_at=start + timedelta(days=5),
    )
    ask_clinic(
        actor=actors.technician,
        key="",
        case_number=case.number,
        question="?",
        occurred_at=start + timedelta(days=8),
    )
    clock = case_clock(case, list(case.waits.all()), start + timedelta(days=10))
    assert (clock.running, clock.paused) == (timedelta(days=5), timedelta(days=5))
    assert clock.stands_still


def test_moments_that_cannot_be_are_refused(actors: Any, case: Any) -> None:
    now = timezone.now()
    ask = {"actor": actors.technician, "key": "", "case_number": case.number, "question": "?"}
    assert refused(lambda: ask_clinic(**ask, occurred_at=now + timedelta(hours=1))).code == "moment-in-future"
    assert refused(lambda: ask_clinic(**ask, occurred_at=now.replace(tzinfo=None))).code == (
        "moment-without-zone"
    )
    assert (
        refused(lambda: ask_clinic(**ask, occurred_at=now - timedelta(days=9))).code == "asked-before-order"
    )
    ask_clinic(**ask)
    early = case.occurred_at
    error = refused(
        lambda: answer_clinic(
            actor=actors.clinic, key="", case_number=case.number, answer="!", occurred_at=early
        )
    )
    assert error.code == "answered-before-asked"
    assert ClinicWait.objects.get().until is None


def test_a_waiting_case_is_not_due(actors: Any, case: Any) -> None:
    today = timezone.localdate()
    Case.objects.filter(pk=case.pk).update(ship_by=today)
    assert list(due_cases(actors.technician, today=today)) == [case]
    ask_clinic(actor=actors.technician, key="", case_number=case.number, question="?")
    assert list(due_cases(actors.technician, today=today)) == []
    assert case_list(actors.clinic, state="waiting").get() == case


# Clinics and people.


def test_clinic_staff_belong_to_exactly_one_clinic_and_the_lab_to_none(actors: Any, people: Any) -> None:
    made = add_clinic(actor=actors.manager, key="", code="quay", name="Quay").thing
    moved = set_membership(actor=actors.administrator, user=people.clinic, clinic_id=made.pk)
    assert moved is not None
    assert moved.clinic == made
    assert (
        refused(lambda: set_membership(actor=actors.administrator, user=people.clinic, clinic_id=None)).code
        == "clinic-missing"
    )
    assert (
        refused(
            lambda: set_membership(actor=actors.administrator, user=people.technician, clinic_id=made.pk)
        ).code
        == "lab-has-no-clinic"
    )
    people.clinic.role = "technician"
    people.clinic.save()
    set_membership(actor=actors.administrator, user=people.clinic, clinic_id=None)
    assert not made.memberships.exists()
    with pytest.raises(NotAllowed):
        set_membership(actor=actors.manager, user=people.clinic, clinic_id=None)


@pytest.mark.parametrize(
    ("code", "name"), [("", "N"), ("a b", "N"), ("é", "N"), ("x" * 21, "N"), ("ok", " ")]
)
def test_a_clinic_needs_a_plain_code_and_a_name(code: str, name: str, actors: Any) -> None:
    assert refused(lambda: add_clinic(actor=actors.manager, key="", code=code, name=name)).status == 422


def test_only_the_manager_and_the_administrator_open_clinics(actors: Any) -> None:
    for actor in (actors.clinic, actors.technician, actors.quality):
        with pytest.raises(NotAllowed):
            add_clinic(actor=actor, key="", code="quay", name="Quay")


# Offers from file names.


@pytest.mark.parametrize(
    ("name", "label"),
    [
        ("C-00001_U02.stl", "U02"),
        ("u2.stl", "U02"),
        ("case 7 lower stage 1 final.ply", None),
        ("Lower_stage-01.ply", "L01"),
        ("maxilla 3.obj", "U03"),
        ("upper.stl", None),
        ("02.stl", None),
        ("upper 09.stl", None),
        ("upper lower 01.stl", None),
        ("U01 U02.stl", None),
        ("C-00001_scan.stl", None),
        ("C-00002_U02.stl", None),
    ],
)
def test_a_stage_is_offered_only_when_the_name_leaves_no_doubt(
    name: str, label: str | None, case: Any
) -> None:
    appliances = list(case.appliances.select_related("line", "case"))
    offer = suggest_appliance(name, appliances, case_number=case.number)
    assert (offer.short_label if offer else None) == label


# What the database itself refuses.


@pytest.mark.parametrize(
    "change",
    [
        {"copy": 0},
        {"remake_number": 1},
        {"remake_reason": "x"},
        {"cancel_reason": "x"},
        {"cancelled_at": timezone.now()},
    ],
)
def test_the_database_refuses_an_appliance_that_contradicts_itself(change: Any, case: Any) -> None:
    with pytest.raises(IntegrityError), transaction.atomic():
        Appliance.objects.filter(pk=case.appliances.first().pk).update(**change)


@pytest.mark.parametrize(
    "change",
    [
        {"void_reason": "x"},
        {"voided_at": timezone.now()},
        {"ship_by": "2026-02-02", "appointment_on": "2026-02-01"},
    ],
)
def test_the_database_refuses_a_case_that_contradicts_itself(change: Any, case: Any) -> None:
    with pytest.raises(IntegrityError), transaction.atomic():
        Case.objects.filter(pk=case.pk).update(**change)
