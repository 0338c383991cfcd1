"""Sealing the record into a chain of keyed digests, and proving the chain whole.

Each record has a digest of its own (HMAC-SHA-256, key kept outside the database); each seal has one over
its position, the seal before it and its records' digests in order. Who can write to the database but
does not have the key cannot change, add or take away a sealed record unseen. Cutting off the newest
seals is seen only against a head noted elsewhere, so ``verify`` takes one.
"""

from __future__ import annotations

import hashlib
import hmac
import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.core.serializers.json import DjangoJSONEncoder
from django.db import IntegrityError, transaction
from django.utils import timezone

from labtrack.audit.models import AuditRecord, AuditSeal, SealedRecord

# Younger records may still be in flight behind one with a higher id.
SETTLED = timedelta(minutes=1)
RECORDS_PER_SEAL = 1_000
FIRST_PREVIOUS = "0" * 64


@dataclass(frozen=True)
class Verified:
    """``broken`` names the first place that does not hold, in words; None when the chain is whole."""

    seals: int
    records: int
    unsealed: int
    head: str
    broken: str | None


def seal_settled(*, now: datetime | None = None) -> int:
    """Seal every settled record; return how many. A second sealer in the same moment seals none."""
    sealed = 0
    while True:
        try:
            with transaction.atomic():
                count = _seal_batch(before=(now or timezone.now()) - SETTLED)
        except IntegrityError:
            return sealed
        sealed += count
        if count < RECORDS_PER_SEAL:
            return sealed


def verify(*, head: str = "") -> Verified:
    """Walk the whole chain. ``head`` is ``position:digest`` noted earlier, which must still be there."""
    previous, position, records = FIRST_PREVIOUS, 0, 0
    noted = _noted(head)
    for seal in AuditSeal.objects.order_by("position").iterator():
        position += 1
        broken = _broken(seal, position, previous) or _differs(noted, seal)
        if broken:
            return Verified(position - 1, records, _unsealed(), _head(position - 1, previous), broken)
        previous = seal.digest
        records += seal.records
    broken = None
    if noted is not None and noted[0] > position:
        broken = f"seal {noted[0]}, noted earlier, is gone: the chain ends at seal {position}"
    return Verified(position, records, _unsealed(), _head(position, previous), broken)


def _seal_batch(*, before: datetime) -> int:
    batch = list(
        AuditRecord.objects.filter(sealed=None, recorded_at__lt=before).order_by("id")[:RECORDS_PER_SEAL]
    )
    if not batch:
        return 0
    last = AuditSeal.objects.order_by("-position").first()
    position = last.position + 1 if last else 1
    digests = [_record_digest(record) for record in batch]
    seal = AuditSeal.objects.create(
        position=position,
        records=len(batch),
        digest=_seal_digest(position, last.digest if last else FIRST_PREVIOUS, digests),
    )
    SealedRecord.objects.bulk_create(
        SealedRecord(record=record, seal=seal, digest=digest)
        for record, digest in zip(batch, digests, strict=True)
    )
    return len(batch)


def _broken(seal: AuditSeal, position: int, previous: str) -> str | None:
    """What does not hold about one seal; None when all does."""
    if seal.position != position:
        return f"seal {position} is missing"
    digests = []
    for sealed in _sealed(seal):
        record = sealed.record
        if not hmac.compare_digest(_record_digest(record), sealed.digest):
            return (
                f"record {record.pk} in seal {position} was changed after sealing "
                f"({record.action}, {record.subject_type} {record.subject_id})"
            )
        digests.append(sealed.digest)
    if len(digests) != seal.records:
        return f"seal {position} covers {seal.records} records and {len(digests)} are there"
    if not hmac.compare_digest(_seal_digest(position, previous, digests), seal.digest):
        return f"seal {position} does not fit its records or the seal before it"
    return None


def _sealed(seal: AuditSeal) -> Iterator[SealedRecord]:
    return (
        SealedRecord.objects.filter(seal=seal)
        .select_related("record")
        .order_by("record_id")
        .iterator(chunk_size=RECORDS_PER_SEAL)
    )


def _noted(head: str) -> tuple[int, str] | None:
    if not head:
        return None
    position, _, digest = head.partition(":")
    return int(position), digest.strip().lower()


def _differs(noted: tuple[int, str] | None, seal: AuditSeal) -> str | None:
    if noted is None or noted[0] != seal.position or noted[1] == seal.digest:
        return None
    return f"seal {seal.position} is not the one noted earlier: the chain was made again"


def _unsealed() -> int:
    return AuditRecord.objects.filter(sealed=None, recorded_at__lt=timezone.now() - SETTLED).count()


def _head(position: int, digest: str) -> str:
    return f"{position}:{digest}" if position else ""


def _record_digest(record: AuditRecord) -> str:
    return _keyed(
        {
            "id": record.pk,
            # Fixed in UTC, whatever zone the connection reads it in.
            "recorded_at": record.recorded_at.timestamp(),
            "actor": record.actor_id,
            "via": record.via,
            "action": record.action,
            "subject": [record.subject_type, record.subject_id, record.subject_label],
            "before": record.before,
            "after": record.after,
            "reason": record.reason,
        }
    )


def _seal_digest(position: int, previous: str, digests: list[str]) -> str:
    return _keyed({"position": position, "previous": previous, "records": digests})


def _keyed(content: dict[str, Any]) -> str:
    text = json.dumps(content, cls=DjangoJSONEncoder, sort_keys=True, separators=(",", ":"))
    return hmac.new(settings.AUDIT_SEAL_KEY.encode(), text.encode(), hashlib.sha256).hexdigest()
