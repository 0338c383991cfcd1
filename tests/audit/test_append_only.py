"""Nobody rewrites the record, on the database that the tests run on."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.db import DatabaseError, connection, transaction
from django.utils import timezone

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


@pytest.mark.django_db
@pytest.mark.parametrize("model", [AuditRecord, AuditSeal, SealedRecord])
def test_nothing_is_replaced_by_an_insert(model: Any, record: AuditRecord) -> None:
    """SQLite's ``INSERT OR REPLACE`` fires no delete trigger for the row that it takes away."""
    assert seal_settled(now=timezone.now() + timedelta(minutes=2)) == 1
    table, key = model._meta.db_table, model._meta.pk.column
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT * FROM {table}")
        before = cursor.fetchall()
    verb = "INSERT OR REPLACE" if connection.vendor == "sqlite" else "INSERT"
    update = "" if connection.vendor == "sqlite" else f" ON CONFLICT ({key}) DO UPDATE SET {key} = 0"
    with (
        pytest.raises(DatabaseError, match="append-only"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(f"{verb} INTO {table} SELECT * FROM {table}{update}")
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT * FROM {table}")
        assert cursor.fetchall() == before


@pytest.mark.django_db
def test_no_seal_takes_the_place_of_another(record: AuditRecord) -> None:
    assert seal_settled(now=timezone.now() + timedelta(minutes=2)) == 1
    seal = AuditSeal.objects.get()
    replacing = "INSERT OR REPLACE" if connection.vendor == "sqlite" else "INSERT"
    with pytest.raises(DatabaseError), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(
            f"{replacing} INTO audit_auditseal (position, made_at, records, digest) "
            "SELECT position, made_at, 0, 'x' FROM audit_auditseal"
        )
    assert AuditSeal.objects.get().digest == seal.digest
