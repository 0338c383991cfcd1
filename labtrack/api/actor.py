"""Who acts through the API, and the key that makes a retry safe."""

from __future__ import annotations

from typing import cast

from rest_framework.request import Request

from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.accounts.models import ApiToken, User
from labtrack.audit.services.submissions import KEY_LENGTH
from labtrack.errors import Refused


def api_actor(request: Request) -> Actor:
    """The token's owner, narrowed to the token's scopes."""
    token = cast(ApiToken, request.auth)
    scopes = frozenset(Capability(scope) for scope in token.scopes)
    return Actor(cast(User, request.user), scopes=scopes, via="api")


def idempotency_key(request: Request) -> str:
    """The ``Idempotency-Key`` header; empty when none was sent. Raises ``Refused`` when unusable."""
    key = request.headers.get("Idempotency-Key", "").strip()
    if len(key) > KEY_LENGTH or not key.isprintable() or not key.isascii():
        raise Refused(
            "idempotency-key-unusable",
            f"Idempotency-Key takes up to {KEY_LENGTH} plain printable characters.",
            field="Idempotency-Key",
        )
    return key
