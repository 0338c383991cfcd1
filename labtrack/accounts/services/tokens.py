"""Making, using and revoking the tokens of scripts."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db.models import Q, QuerySet
from django.utils import timezone

from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import TOKEN_SCOPES, Capability
from labtrack.accounts.models import ApiToken
from labtrack.audit.services.record import record_created, save_recorded
from labtrack.audit.services.submissions import Outcome, once
from labtrack.constraints import constraint_messages
from labtrack.errors import NotFound, Refused
from labtrack.usecase import use_case

PREFIX = "fl_"
SECRET_BYTES = 32
LONGEST = timedelta(days=366 * 2)
# Often enough to see that a script is alive, seldom enough to cost nothing.
LAST_USED_EVERY = timedelta(minutes=1)


class TokenUnusable(Exception):
    """The token is unknown, revoked, expired, or its owner has left."""


@dataclass(frozen=True)
class NewToken:
    """``secret`` is shown once; it is empty when a repeated submission finds the token made before."""

    token: ApiToken
    secret: str


def digest_of(secret: str) -> str:
    """SHA-256 in hexadecimal. The secret has 256 random bits, so no slow hash is needed."""
    return hashlib.sha256(secret.encode()).hexdigest()


def offered_scopes(actor: Actor) -> list[Capability]:
    """What ``actor`` may give to a script: never more than the own role has."""
    return [scope for scope in TOKEN_SCOPES if actor.may(scope)]


def seen_tokens(actor: Actor) -> QuerySet[ApiToken]:
    """One's own tokens; everybody's for who may manage people."""
    tokens = ApiToken.objects.select_related("owner")
    return tokens if actor.may(Capability.PEOPLE) else tokens.filter(owner=actor.user)


def make_token(*, actor: Actor, key: str, name: str, scopes: Iterable[str], expires_at: datetime) -> NewToken:
    """Make a token of ``actor``'s own. Raises ``Refused`` for no or too many scopes or a bad expiry."""
    actor.require_password("making a token")
    wanted = sorted(set(scopes))
    allowed = {scope.value for scope in offered_scopes(actor)}
    if not wanted:
        raise Refused("scopes-missing", "Choose at least one thing that the script may do.", field="scopes")
    if not set(wanted) <= allowed:
        raise Refused("scopes-too-wide", "A token cannot do more than you may yourself.", field="scopes")
    now = timezone.now()
    if not now < expires_at <= now + LONGEST:
        raise Refused(
            "expiry-out-of-range", "The expiry must lie within the next two years.", field="expires_on"
        )
    secret = PREFIX + secrets.token_urlsafe(SECRET_BYTES)

    def make() -> ApiToken:
        with constraint_messages(ApiToken):
            token = ApiToken.objects.create(
                owner=actor.user,
                name=name.strip(),
                prefix=secret[:9],
                digest=digest_of(secret),
                scopes=wanted,
                expires_at=expires_at,
            )
        record_created(actor=actor, action="token.made", subject=token)
        return token

    outcome: Outcome[ApiToken] = once(
        actor=actor,
        key=key,
        use_case="make-token",
        payload={"name": name.strip(), "scopes": wanted, "expires_at": expires_at},
        model=ApiToken,
        make=make,
    )
    return NewToken(outcome.thing, "" if outcome.repeated else secret)


def revoke_token(*, actor: Actor, token_id: int) -> ApiToken:
    """End a token at once: one's own, or anybody's for who may manage people."""
    actor.require_password("revoking a token")
    with use_case():
        token = seen_tokens(actor).filter(pk=token_id).first()
        if token is None:
            raise NotFound("There is no such token.")
        if token.revoked_at is None:
            save_recorded(
                actor=actor, action="token.revoked", subject=token, changes={"revoked_at": timezone.now()}
            )
    return token


def use_token(secret: str) -> ApiToken:
    """The usable token behind ``secret``; raises ``TokenUnusable`` with a sentence for the script's owner."""
    token = ApiToken.objects.select_related("owner").filter(digest=digest_of(secret)).first()
    if token is None:
        raise TokenUnusable("This token is unknown.")
    now = timezone.now()
    if token.revoked_at is not None:
        raise TokenUnusable("This token was revoked. Make a new one on the Tokens page.")
    if token.expires_at <= now:
        raise TokenUnusable("This token has expired. Make a new one on the Tokens page.")
    if not token.owner.is_active:
        raise TokenUnusable("The owner of this token no longer works here.")
    seldom = Q(last_used_at=None) | Q(last_used_at__lt=now - LAST_USED_EVERY)
    ApiToken.objects.filter(seldom, pk=token.pk).update(last_used_at=now)
    return token
