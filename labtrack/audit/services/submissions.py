"""Doing a submission once, however often it arrives."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from django.core.serializers.json import DjangoJSONEncoder
from django.db import IntegrityError, models, transaction

from labtrack.accounts.actor import Actor
from labtrack.audit.models import Submission
from labtrack.errors import Conflict
from labtrack.usecase import use_case as transaction_frame

Made = TypeVar("Made", bound=models.Model)

KEY_LENGTH = 100


@dataclass(frozen=True)
class Outcome(Generic[Made]):
    """What a submission made, and whether it had been made before."""

    thing: Made
    repeated: bool


def part_key(key: str, part: str) -> str:
    """A key for one of several use cases of the same submission; without a key there is none.

    One that would grow too long is digested and not cut, so that no two keys become the same.
    """
    whole = f"{key}:{part}" if key else ""
    return whole if len(whole) <= KEY_LENGTH else hashlib.sha256(whole.encode()).hexdigest()


def payload_digest(payload: Any) -> str:
    """SHA-256 of the payload written as canonical JSON."""
    text = json.dumps(payload, cls=DjangoJSONEncoder, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def once(
    *, actor: Actor, key: str, use_case: str, payload: Any, model: type[Made], make: Callable[[], Made]
) -> Outcome[Made]:
    """Run ``make`` in a transaction of its own unless ``key`` was used before by the same person.

    The same key with the same payload returns the thing made then; with another payload it raises
    ``Conflict``. An empty key runs ``make`` without remembering it.
    """
    if not key:
        with transaction_frame():
            return Outcome(make(), repeated=False)
    if len(key) > KEY_LENGTH:
        raise Conflict("key-too-long", f"The idempotency key is longer than {KEY_LENGTH} characters.")
    digest = payload_digest(payload)
    with transaction_frame():
        earlier = _reserve(actor=actor, key=key, use_case=use_case, digest=digest)
        if isinstance(earlier, Submission) and earlier.result_id is not None:
            return Outcome(model._default_manager.get(pk=earlier.result_id), repeated=True)
        thing = make()
        Submission.objects.filter(actor=actor.user, key=key).update(
            result_type=thing._meta.label_lower, result_id=thing.pk
        )
        return Outcome(thing, repeated=False)


def _reserve(*, actor: Actor, key: str, use_case: str, digest: str) -> Submission:
    try:
        with transaction.atomic():
            return Submission.objects.create(
                actor=actor.user, key=key, use_case=use_case, payload_digest=digest
            )
    except IntegrityError:
        earlier = Submission.objects.get(actor=actor.user, key=key)
    if earlier.use_case != use_case or earlier.payload_digest != digest:
        raise Conflict(
            "key-reused", "This idempotency key was used for something else. Send a new key with new content."
        )
    return earlier
