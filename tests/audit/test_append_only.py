"""Nobody rewrites the record, on the database that the tests run on."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import DatabaseError, connection, transaction

from labtrack.audit.models import AuditRecord, AuditSeal, SealedRecord
from labtrack.audit.services.record import record_created
from labtrack.audit.services.seal import seal_settled
from labtrack.usecase import use_case


@pytest.fixture
def record(people: Any, actors: Any) -> AuditRecord:
    return record_created(actor=actors.technician, action="thing.made", subject=people.clinic)


@pytest.mark.django_db
def test_a_record_can_neither_change_nor_go(record: AuditRecord) -> None:
    for attempt in (
        lambda: AuditRecord.objects.filter(pk=record.pk).update(reason="rewritten"),
        lambda: AuditRecord.objects.filter(pk=record.pk).delete(),
        record.save,
    ):
        with pytest.raises(DatabaseError, match="append-only"), transaction.atomic():
            attempt()
    assert AuditRecord.objects.get(pk=record.pk).reason == ""


@pytest.mark.django_db
@pytest.mark.parametrize("model", [AuditSeal, SealedRecord])
def test_a_seal_can_neither_change_nor_go(model: Any, record: AuditRecord) -> None:
    from datetime import timedelta

    from django.utils import timezone

    assert seal_settled(now=timezone.now() + timedelta(minutes=2)) == 1
    table = model._meta.db_table
    for statement in (f"UPDATE {table} SET digest = 'x'", f"DELETE FROM {table}"):
        with (
            pytest.raises(DatabaseError, match="append-only"),
            transaction.atomic(),
            connection.cursor() as cursor,
        ):
            cursor.execute(statement)


@pytest.mark.django_db(transaction=True)
def test_a_use_case_that_fails_leaves_no_record(people: Any, actors: Any) -> None:
    with pytest.raises(RuntimeError), use_case():
        record_created(actor=actors.technician, action="thing.made", subject=people.clinic)
        raise RuntimeError
    assert not AuditRecord.objects.filter(action="thing.made").exists()


@pytest.mark.django_db(transaction=True)
def test_the_triggers_hold_again_after_a_flush(people: Any, actors: Any) -> None:
    """Guards the tests' own way of emptying tables: it must not leave the record unguarded."""
    kept = record_created(actor=actors.technician, action="thing.made", subject=people.clinic)
    with pytest.raises(DatabaseError, match="append-only"):
        AuditRecord.objects.filter(pk=kept.pk).delete()
