"""The chain of seals: made, proved whole, and broken where somebody tampered.

Tampering is done as somebody who owns the database would: with the triggers set aside.
"""

from __future__ import annotations

import hashlib
import hmac
import json
from collections.abc import Callable, Iterator
from datetime import timedelta
from io import StringIO
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import connection
from django.utils import timezone

from labtrack.audit.models import AuditRecord, AuditSeal, SealedRecord
from labtrack.audit.services import seal as sealing
from labtrack.audit.services.record import record_created
from labtrack.audit.services.seal import seal_settled, verify
from labtrack.audit.tasks import seal as seal_task
from tests.conftest import triggers_aside

pytestmark = pytest.mark.django_db
LATER = timedelta(minutes=2)


@pytest.fixture
def write(people: Any, actors: Any) -> Callable[[int], None]:
    def records(count: int) -> None:
        for number in range(count):
            record_created(actor=actors.technician, action=f"thing.{number}", subject=people.clinic)

    return records


@pytest.fixture
def chain(write: Callable[[int], None], monkeypatch: pytest.MonkeyPatch) -> None:
    """Three seals over seven records."""
    monkeypatch.setattr(sealing, "RECORDS_PER_SEAL", 3)
    write(7)
    assert seal_settled(now=timezone.now() + LATER) == 7
    assert list(AuditSeal.objects.values_list("position", "records")) == [(1, 3), (2, 3), (3, 1)]


@pytest.fixture
def tamper() -> Iterator[Callable[..., None]]:
    with triggers_aside(connection):

        def run(statement: str, *values: Any) -> None:
            with connection.cursor() as cursor:
                cursor.execute(statement, values)

        yield run


def test_it_leaves_young_records_for_later(write: Callable[[int], None]) -> None:
    write(2)
    seal_task()
    assert not AuditSeal.objects.exists()
    assert verify().unsealed == 0


def test_an_untouched_chain_holds(chain: None) -> None:
    found = verify()
    assert (found.seals, found.records, found.unsealed, found.broken) == (3, 7, 0, None)
    last = AuditSeal.objects.get(position=3)
    assert found.head == f"3:{last.digest}"


def test_sealing_twice_seals_nothing_more(chain: None) -> None:
    assert seal_settled(now=timezone.now() + LATER) == 0


def test_the_digest_is_hmac_sha_256_of_the_stated_content(chain: None, settings: Any) -> None:
    """RFC 2104 with FIPS 180-4, computed here from the module's description alone."""
    sealed = list(SealedRecord.objects.filter(seal__position=1).order_by("record_id"))
    content = {"position": 1, "previous": "0" * 64, "records": [one.digest for one in sealed]}
    text = json.dumps(content, sort_keys=True, separators=(",", ":"))
    expected = hmac.new(settings.AUDIT_SEAL_KEY.encode(), text.encode(), hashlib.sha256).hexdigest()
    assert AuditSeal.objects.get(position=1).digest == expected


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("reason", "another reason"),
        ("action", "another.action"),
        ("subject_label", "somebody else"),
        ("subject_id", 4711),
        ("via", "command"),
        ("after", '{"name": "rewritten"}'),
        ("recorded_at", timezone.now() - timedelta(days=400)),
        ("actor_id", None),
    ],
)
def test_a_changed_record_is_named(chain: None, tamper: Any, column: str, value: Any) -> None:
    victim = AuditRecord.objects.order_by("id")[4]
    tamper(f"UPDATE audit_auditrecord SET {column} = %s WHERE id = %s", value, victim.pk)
    broken = verify().broken
    assert broken is not None
    assert broken.startswith(f"record {victim.pk} in seal 2 was changed after sealing")


def test_a_removed_record_breaks_its_seal(chain: None, tamper: Any) -> None:
    victim = AuditRecord.objects.order_by("id")[4]
    tamper("DELETE FROM audit_sealedrecord WHERE record_id = %s", victim.pk)
    tamper("DELETE FROM audit_auditrecord WHERE id = %s", victim.pk)
    assert verify().broken == "seal 2 covers 3 records and 2 are there"


def test_a_record_slipped_in_breaks_its_seal(chain: None, tamper: Any, write: Any) -> None:
    write(1)
    slipped, seal = AuditRecord.objects.latest("id"), AuditSeal.objects.get(position=2)
    SealedRecord.objects.create(record=slipped, seal=seal, digest=sealing._record_digest(slipped))
    tamper("UPDATE audit_auditseal SET records = 4 WHERE position = 2")
    assert verify().broken == "seal 2 does not fit its records or the seal before it"


def test_a_removed_seal_is_missed(chain: None, tamper: Any) -> None:
    tamper(
        "DELETE FROM audit_sealedrecord WHERE seal_id = (SELECT id FROM audit_auditseal WHERE position = 2)"
    )
    tamper("DELETE FROM audit_auditseal WHERE position = 2")
    assert verify().broken == "seal 2 is missing"


def test_a_chain_made_again_without_the_key_is_seen(chain: None, tamper: Any, settings: Any) -> None:
    settings.AUDIT_SEAL_KEY = "a guessed key"
    broken = verify().broken
    assert broken is not None
    assert "in seal 1" in broken


def test_cutting_off_the_newest_seals_is_seen_against_a_noted_head(chain: None, tamper: Any) -> None:
    noted = verify().head
    tamper(
        "DELETE FROM audit_sealedrecord WHERE seal_id = (SELECT id FROM audit_auditseal WHERE position = 3)"
    )
    tamper("DELETE FROM audit_auditseal WHERE position = 3")
    assert verify().broken is None
    assert verify(head=noted).broken == "seal 3, noted earlier, is gone: the chain ends at seal 2"


def test_another_seal_in_the_place_of_a_noted_one_is_seen(chain: None) -> None:
    assert (
        verify(head=f"2:{'0' * 64}").broken == "seal 2 is not the one noted earlier: the chain was made again"
    )


def test_the_command_says_what_holds(chain: None, write: Any) -> None:
    out = StringIO()
    call_command("verify_record", stdout=out)
    assert "The record holds: 3 seals over 7 records." in out.getvalue()
    assert f"Head to note elsewhere: {verify().head}" in out.getvalue()


def test_the_command_fails_and_names_the_place(chain: None, tamper: Any) -> None:
    victim = AuditRecord.objects.earliest("id")
    tamper("UPDATE audit_auditrecord SET reason = 'x' WHERE id = %s", victim.pk)
    with pytest.raises(CommandError, match=f"record {victim.pk} in seal 1 was changed"):
        call_command("verify_record", stdout=StringIO())


def test_the_command_refuses_a_head_that_is_none(db: None) -> None:
    with pytest.raises(CommandError, match="--head must be"):
        call_command("verify_record", "--head", "three", stdout=StringIO())
