"""Reading the record of changes."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.apps import apps
from django.db import models
from django.db.models import QuerySet
from django.utils import timezone
from django.utils.dateparse import parse_datetime
from django.utils.formats import date_format

from labtrack.audit.models import AuditRecord, AuditSeal

HISTORY_LENGTH = 30
VALUE_LENGTH = 300
_MOMENT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d")
# Of a new thing these say nothing that the line above them does not.
_SELF_EVIDENT = frozenset({"id", "created_at", "recorded_at"})
# What the last word of a field's name says of its unit.
_UNITS = {
    "c": "°C",
    "mm": "mm",
    "um": "µm",
    "ml": "ml",
    "s": "s",
    "deg": "°",
    "percent": "%",
    "bar": "bar",
}

Names = dict[tuple[str, Any], str]


@dataclass(frozen=True)
class Difference:
    """One field before and after; None where it did not exist."""

    name: str
    before: str | None
    after: str | None


@dataclass(frozen=True)
class Change:
    """A record made readable: ``what`` in words, and the fields that differ."""

    record: AuditRecord
    what: str
    differences: list[Difference]

    @property
    def is_new(self) -> bool:
        return self.record.before is None


def history_of(thing: models.Model, *, limit: int = HISTORY_LENGTH) -> list[Change]:
    """The latest changes of one thing, newest first."""
    records = AuditRecord.objects.filter(subject_type=thing._meta.label_lower, subject_id=thing.pk)
    return changes_of(list(records.select_related("actor")[:limit]))


def changes_of(records: Sequence[AuditRecord]) -> list[Change]:
    """The records with their differences; things that they point at are named, one query per kind."""
    names = _names_of_targets(records)
    return [
        Change(record, record.action.replace(".", " ").replace("-", " "), differences(record, names))
        for record in records
    ]


def differences(record: AuditRecord, names: Names) -> list[Difference]:
    """Fields whose value changed; of a new or removed thing, those that hold something."""
    old, new = record.before or {}, record.after or {}
    whole = record.before is None or record.after is None
    targets = _targets(record.subject_type)
    found = []
    for name in list(new) + [name for name in old if name not in new]:
        if (whole and name in _SELF_EVIDENT) or (not whole and old.get(name) == new.get(name)):
            continue
        target = targets.get(name, "")
        one = Difference(
            _field_words(name),
            _readable(old, name, target, names),
            _readable(new, name, target, names),
        )
        if one.before or one.after:
            found.append(one)
    return found


def _field_words(name: str) -> str:
    """``resin_temp_c`` as people write it: resin temp (°C)."""
    words = name.removesuffix("_id").replace("_", " ")
    for suffix, unit in _UNITS.items():
        if words.endswith(f" {suffix}"):
            return f"{words.removesuffix(f' {suffix}')} ({unit})"
    return words


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


def _targets(kind: str) -> dict[str, str]:
    """Column to label of the model it points at, for one kind of subject."""
    try:
        fields = apps.get_model(kind)._meta.concrete_fields
    except (LookupError, ValueError):
        return {}
    return {
        field.attname: field.related_model._meta.label_lower
        for field in fields
        if isinstance(field, models.ForeignKey) and not isinstance(field.related_model, str)
    }


def _names_of_targets(records: Sequence[AuditRecord]) -> Names:
    wanted: dict[str, set[Any]] = {}
    for record in records:
        targets = _targets(record.subject_type)
        for values in (record.before or {}, record.after or {}):
            for name, kind in targets.items():
                if values.get(name) is not None:
                    wanted.setdefault(kind, set()).add(values[name])
    return {
        (kind, pk): str(thing)
        for kind, keys in wanted.items()
        for pk, thing in apps.get_model(kind)._default_manager.in_bulk(list(keys)).items()
    }


def _readable(values: dict[str, Any], name: str, target: str, names: Names) -> str | None:
    if name not in values:
        return None
    value = values[name]
    if value is None or value == "":
        return ""
    if target:
        return names.get((target, value), str(value))
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str) and _MOMENT.match(value):
        return _local(value)
    if isinstance(value, list) and all(isinstance(one, str) for one in value):
        value = ", ".join(value)
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    return text if len(text) <= VALUE_LENGTH else f"{text[:VALUE_LENGTH]}…"


def _local(text: str) -> str:
    moment = parse_datetime(text)
    return text if moment is None else date_format(timezone.localtime(moment), "j M Y, H:i")
