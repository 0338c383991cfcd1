"""Writing the record of changes."""

from __future__ import annotations

from typing import Any

from django.db import models

from labtrack.accounts.actor import Actor
from labtrack.audit.models import AuditRecord

# Never copied into the record: hashes of secrets.
SECRET_FIELDS = frozenset({"password", "pin", "badge", "digest"})


def snapshot(thing: models.Model) -> dict[str, Any]:
    """Every stored field of ``thing`` by column name, foreign keys as their ids, secrets left out."""
    return {
        field.attname: field.value_from_object(thing)
        for field in thing._meta.concrete_fields
        if field.name not in SECRET_FIELDS
    }


def record_change(
    *,
    actor: Actor | None,
    action: str,
    subject: models.Model,
    before: dict[str, Any] | None,
    after: dict[str, Any] | None,
    reason: str = "",
) -> AuditRecord:
    """Append one record in the running transaction. ``actor`` None is the system itself (a job)."""
    return AuditRecord.objects.create(
        actor=actor.user if actor else None,
        via=actor.via if actor else "job",
        action=action,
        subject_type=subject._meta.label_lower,
        subject_id=subject.pk,
        subject_label=str(subject)[:200],
        before=before,
        after=after,
        reason=reason,
    )


def record_created(
    *, actor: Actor | None, action: str, subject: models.Model, reason: str = ""
) -> AuditRecord:
    """Append the record of a new thing, as it stands."""
    return record_change(
        actor=actor, action=action, subject=subject, before=None, after=snapshot(subject), reason=reason
    )


def record_all_created(*, actor: Actor | None, action: str, subjects: list[Any]) -> None:
    """Append one record for each of many new things in a single statement."""
    AuditRecord.objects.bulk_create(
        AuditRecord(
            actor=actor.user if actor else None,
            via=actor.via if actor else "job",
            action=action,
            subject_type=subject._meta.label_lower,
            subject_id=subject.pk,
            subject_label=str(subject)[:200],
            before=None,
            after=snapshot(subject),
        )
        for subject in subjects
    )


def save_recorded(
    *, actor: Actor | None, action: str, subject: models.Model, changes: dict[str, Any], reason: str = ""
) -> None:
    """Set ``changes`` on ``subject``, save only those fields, and append the record with before and after."""
    before = snapshot(subject)
    for name, value in changes.items():
        setattr(subject, name, value)
    subject.save(update_fields=list(changes))
    record_change(
        actor=actor, action=action, subject=subject, before=before, after=snapshot(subject), reason=reason
    )
