"""What the record holds, and how it reads."""

from __future__ import annotations

from typing import Any

import pytest

from cases.models import Clinic, ClinicMembership
from labtrack.audit.models import AuditRecord
from labtrack.audit.queries import changes_of, history_of
from labtrack.audit.services.record import record_all_created, record_created, save_recorded, snapshot

pytestmark = pytest.mark.django_db


def test_before_and_after_are_whole_and_without_secrets(people: Any, actors: Any) -> None:
    user = people.technician
    before = snapshot(user)
    save_recorded(
        actor=actors.manager, action="person.changed", subject=user, changes={"name": "Tess"}, reason="asked"
    )
    record = AuditRecord.objects.get(action="person.changed")
    assert record.before is not None
    assert record.after is not None
    assert record.before["name"] == before["name"]
    assert record.after["name"] == "Tess"
    assert set(record.after) == {field.attname for field in user._meta.concrete_fields} - {
        "password",
        "pin",
        "badge",
    }
    assert (record.actor, record.via, record.reason) == (people.manager, "test", "asked")


def test_only_changed_fields_are_saved(people: Any, actors: Any) -> None:
    stale = type(people.technician).objects.get(pk=people.technician.pk)
    type(stale).objects.filter(pk=stale.pk).update(email="new@example.org")
    save_recorded(actor=actors.manager, action="person.changed", subject=stale, changes={"name": "Tess"})
    assert type(stale).objects.get(pk=stale.pk).email == "new@example.org"


def test_many_new_things_take_one_statement(people: Any, actors: Any, django_assert_num_queries: Any) -> None:
    with django_assert_num_queries(1):
        record_all_created(actor=actors.manager, action="thing.made", subjects=people.active())
    assert AuditRecord.objects.filter(action="thing.made").count() == len(people.active())


def test_it_names_what_a_field_points_at(people: Any, actors: Any) -> None:
    membership = ClinicMembership.objects.get(user=people.clinic)
    other = Clinic.objects.get(code="hillside")
    save_recorded(actor=actors.manager, action="staff.moved", subject=membership, changes={"clinic": other})
    (change,) = history_of(membership)
    assert change.what == "staff moved"
    assert [(one.name, one.before, one.after) for one in change.differences] == [
        ("clinic", "Harbour", "Hillside")
    ]


def test_a_page_of_changes_takes_one_query_per_kind(
    people: Any, actors: Any, django_assert_max_num_queries: Any
) -> None:
    for membership in ClinicMembership.objects.all():
        record_created(actor=actors.manager, action="staff.added", subject=membership)
    with django_assert_max_num_queries(3):
        changes_of(list(AuditRecord.objects.select_related("actor")))


def test_the_page_filters(people: Any, actors: Any, client_of: Any) -> None:
    record_created(actor=actors.technician, action="thing.made", subject=people.clinic)
    record_created(actor=actors.quality, action="thing.mended", subject=people.former)
    client = client_of(people.quality)

    def seen(**filters: Any) -> list[str]:
        answer = client.get("/record/", filters)
        assert answer.status_code == 200
        return [change.what for change in answer.context["changes"]]

    assert seen() == ["thing mended", "thing made"]
    assert seen(person=people.technician.pk) == ["thing made"]
    assert seen(action="thing.mended") == ["thing mended"]
    assert seen(subject="accounts.user", text="fred") == ["thing mended"]
    assert seen(since="2099-01-01") == []
    assert seen(until="2000-01-01") == []
    assert len(seen(page="nonsense")) == 2


def test_htmx_gets_the_results_alone(people: Any, client_of: Any) -> None:
    answer = client_of(people.quality).get("/record/", headers={"HX-Request": "true"})
    assert "<html" not in answer.content.decode()
    assert "Nothing on record matches" in answer.content.decode()


def test_the_history_panel_is_for_readers_of_the_record(people: Any, actors: Any, client_of: Any) -> None:
    record_created(actor=actors.administrator, action="person.added", subject=people.clinic)
    page = client_of(people.administrator).get(f"/people/{people.clinic.pk}/").content.decode()
    assert "What was changed here (1)" in page
