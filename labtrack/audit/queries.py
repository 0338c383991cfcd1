"""Reading the record of changes."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

from django.apps import apps
from django.db import models
from django.db.models import QuerySet

from labtrack.audit.models import AuditRecord, AuditSeal

HISTORY_LENGTH = 30
VALUE_LENGTH = 300


@dataclass(frozen=True)
class Difference:
    """One field before and after; None where it did not exist."""

    name: str
    before: str | None
    after: str | None


@dataclass(frozen=True)
class Change:
    record: AuditRecord
    differences: list[Difference]


def history_of(thing: models.Model, *, limit: int = HISTORY_LENGTH) -> list[Change]:
    """The latest changes of one thing, newest first."""
    records = AuditRecord.objects.filter(subject_type=thing._meta.label_lower, subject_id=thing.pk)
    return [change_of(record) for record in records.select_related("actor")[:limit]]


def change_of(record: AuditRecord) -> Change:
    return Change(record, differences(record.before, record.after))


def differences(before: dict[str, Any] | None, after: dict[str, Any] | None) -> list[Difference]:
    """Fields whose value changed; of a new or removed thing, those that hold something."""
    old, new = before or {}, after or {}
    names = list(new) + [name for name in old if name not in new]
    found = []
    for name in names:
        if before is not None and after is not None and old.get(name) == new.get(name):
            continue
        one = Difference(_words(name), _readable(old, name), _readable(new, name))
        if one.before or one.after:
            found.append(one)
    return found


def records_matching(
    *, person_id: int | None, action: str, subject_type: str, text: str, since: Any, until: Any
) -> QuerySet[AuditRecord]:
    """Records that match every filter given; an empty filter matches all."""
    records = AuditRecord.objects.select_related("actor")
    if person_id is not None:
        records = records.filter(actor_id=person_id)
    if action:
        records = records.filter(action=action)
    if subject_type:
        records = records.filter(subject_type=subject_type)
    if text:
        records = records.filter(subject_label__icontains=text)
    if since:
        records = records.filter(recorded_at__date__gte=since)
    if until:
        records = records.filter(recorded_at__date__lte=until)
    return records


def _words(name: str) -> str:
    return name.removesuffix("_id").replace("_", " ")


def _readable(values: dict[str, Any], name: str) -> str | None:
    if name not in values:
        return None
    value = values[name]
    if value is None or value == "":
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    return text if len(text) <= VALUE_LENGTH else f"{text[:VALUE_LENGTH]}…"


def known_actions() -> list[str]:
    """Every action that occurs, for the filter."""
    return sorted(AuditRecord.objects.order_by().values_list("action", flat=True).distinct())


def known_subjects() -> list[tuple[str, str]]:
    """Every kind of thing that occurs, with its name in words."""
    kinds = sorted(AuditRecord.objects.order_by().values_list("subject_type", flat=True).distinct())
    return [(kind, subject_words(kind)) for kind in kinds]


def subject_words(kind: str) -> str:
    """``cases.meshuse`` as people say it; the bare word when the model is no longer there."""
    try:
        return str(apps.get_model(kind)._meta.verbose_name)
    except (LookupError, ValueError):
        return kind.rpartition(".")[2]


def latest_seal() -> AuditSeal | None:
    """The last seal, whose digest a careful lab notes elsewhere from time to time."""
    return AuditSeal.objects.order_by("-position").first()
