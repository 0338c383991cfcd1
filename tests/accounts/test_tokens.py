"""Tokens: made, used, ended."""

from __future__ import annotations

import hashlib
import re
from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone

from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import TOKEN_SCOPES
from labtrack.accounts.models import ApiToken, User
from labtrack.accounts.services.tokens import TokenUnusable, make_token, offered_scopes, use_token
from labtrack.audit.models import AuditRecord
from labtrack.errors import Conflict, Refused

pytestmark = pytest.mark.django_db


def make(actor: Any, **changes: Any) -> Any:
    values: dict[str, Any] = {
        "key": "",
        "name": "scanner in room 2",
        "scopes": ["cases:read"],
        "expires_at": timezone.now() + timedelta(days=30),
    } | changes
    return make_token(actor=actor, **values)


def test_only_a_digest_is_kept(actors: Any) -> None:
    new = make(actors.technician)
    row = ApiToken.objects.get()
    assert row.digest == hashlib.sha256(new.secret.encode()).hexdigest()
    assert len(new.secret) >= 43
    stored = [str(value) for value in ApiToken.objects.values_list()[0]]
    assert not any(new.secret in value for value in stored)
    assert new.secret not in str(AuditRecord.objects.get(action="token.made").after)
    assert row.digest not in str(AuditRecord.objects.get(action="token.made").after)


def test_the_page_shows_it_once(people: Any, client_of: Any) -> None:
    client = client_of(people.technician)
    form = {
        "name": "scanner",
        "scopes": ["cases:read", "cases:write"],
        "expires_on": (timezone.localdate() + timedelta(days=30)).isoformat(),
        "submission_key": "once",
    }
    first = client.post("/tokens/", form)
    found = re.search(r"fl_[\w-]{43}", first.content.decode())
    assert found is not None
    assert "no-store" in first["Cache-Control"]
    assert use_token(found.group()).name == "scanner"
    assert found.group() not in client.post("/tokens/", form).content.decode()
    assert found.group() not in client.get("/tokens/").content.decode()
    assert ApiToken.objects.count() == 1


def test_no_role_gives_a_script_more_than_it_has(people: Any) -> None:
    for user in people.active():
        offered = set(offered_scopes(Actor(user)))
        assert offered == set(TOKEN_SCOPES) & user.capabilities


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"scopes": []}, "scopes-missing"),
        ({"scopes": ["people"]}, "scopes-too-wide"),
        ({"scopes": ["shop:write"]}, "scopes-too-wide"),
        ({"scopes": ["nonsense"]}, "scopes-too-wide"),
        ({"expires_at": timezone.now() - timedelta(days=1)}, "expiry-out-of-range"),
        ({"expires_at": timezone.now() + timedelta(days=1000)}, "expiry-out-of-range"),
    ],
)
def test_it_refuses_a_token_too_wide_or_too_long(changes: dict[str, Any], code: str, actors: Any) -> None:
    with pytest.raises(Refused) as refusal:
        make(actors.clinic, **changes)
    assert refusal.value.code == code
    assert not ApiToken.objects.exists()


def test_a_name_is_used_once_while_it_works(actors: Any) -> None:
    make(actors.technician)
    with pytest.raises(Conflict) as refusal:
        make(actors.technician)
    assert refusal.value.sentence == "You already have a token of that name."
    ApiToken.objects.update(revoked_at=timezone.now())
    make(actors.technician)


def test_it_says_why_a_token_does_not_work(actors: Any, people: Any) -> None:
    new = make(actors.technician)
    with pytest.raises(TokenUnusable, match="unknown"):
        use_token(new.secret + "x")
    ApiToken.objects.update(revoked_at=timezone.now())
    with pytest.raises(TokenUnusable, match="revoked"):
        use_token(new.secret)
    past = timezone.now() - timedelta(days=2)
    ApiToken.objects.update(revoked_at=None, created_at=past - timedelta(days=1), expires_at=past)
    with pytest.raises(TokenUnusable, match="expired"):
        use_token(new.secret)
    ApiToken.objects.update(expires_at=timezone.now() + timedelta(days=1))
    User.objects.filter(pk=people.technician.pk).update(is_active=False)
    with pytest.raises(TokenUnusable, match="no longer works here"):
        use_token(new.secret)


def test_last_use_is_noted_at_most_once_a_minute(actors: Any, django_assert_num_queries: Any) -> None:
    new = make(actors.technician)
    use_token(new.secret)
    first = ApiToken.objects.get().last_used_at
    use_token(new.secret)
    assert first is not None
    assert ApiToken.objects.get().last_used_at == first


def test_a_demoted_owner_takes_the_token_down_too(actors: Any, people: Any) -> None:
    from labtrack.accounts.choices import Capability

    make(actors.technician, scopes=["shop:write"])
    User.objects.filter(pk=people.technician.pk).update(role="clinic")
    actor = Actor(User.objects.get(pk=people.technician.pk), scopes=frozenset({Capability.SHOP_WRITE}))
    assert not actor.may(Capability.SHOP_WRITE)
