"""Adding people, changing what they may do, and letting them go."""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.core.exceptions import ValidationError
from django.utils import timezone

from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability, Role
from labtrack.accounts.hooks import person_fields
from labtrack.accounts.models import User
from labtrack.audit.services.record import record_created, save_recorded
from labtrack.audit.services.submissions import once
from labtrack.constraints import constraint_messages
from labtrack.errors import Conflict, NotFound, Refused
from labtrack.usecase import use_case

PASSWORD_BYTES = 12


@dataclass(frozen=True)
class PersonWithPassword:
    """``password`` is shown once; it is empty when a repeated submission finds the work done."""

    user: User
    password: str


def random_password() -> str:
    return secrets.token_urlsafe(PASSWORD_BYTES)


def add_person(
    *,
    actor: Actor,
    key: str,
    username: str,
    name: str,
    role: str,
    email: str = "",
    extra: Mapping[str, Any] | None = None,
) -> PersonWithPassword:
    """Add a person with a random password. ``extra`` holds values of ``person_fields``."""
    _require_people(actor)
    password = random_password()

    def make() -> User:
        user = User(username=username.strip(), name=name.strip(), role=role, email=email.strip())
        user.set_password(password)
        _require_whole(user)
        with constraint_messages(User):
            user.save()
        record_created(actor=actor, action="person.added", subject=user)
        _save_extra(actor, user, extra or {})
        return user

    outcome = once(
        actor=actor,
        key=key,
        use_case="add-person",
        payload={"username": username, "name": name, "role": role, "email": email, "extra": _plain(extra)},
        model=User,
        make=make,
    )
    return PersonWithPassword(outcome.thing, "" if outcome.repeated else password)


def change_person(
    *,
    actor: Actor,
    user_id: int,
    name: str,
    role: str,
    email: str = "",
    extra: Mapping[str, Any] | None = None,
) -> User:
    """Change name, role and address. The last administrator stays one."""
    _require_people(actor)
    with use_case():
        user = _person(user_id)
        if user.role == Role.ADMINISTRATOR and role != Role.ADMINISTRATOR:
            _require_another_administrator(user)
        candidate = User(username=user.username, name=name.strip(), role=role, email=email.strip())
        _require_whole(candidate)
        changes = {"name": candidate.name, "role": role, "email": candidate.email}
        changes = {field: value for field, value in changes.items() if getattr(user, field) != value}
        if changes:
            with constraint_messages(User):
                save_recorded(actor=actor, action="person.changed", subject=user, changes=changes)
        _save_extra(actor, user, extra or {})
    return user


def deactivate_person(*, actor: Actor, user_id: int) -> User:
    """Let a person go: sessions and tokens end at once, the record keeps the name."""
    _require_people(actor)
    with use_case():
        user = _person(user_id)
        if user.pk == actor.user.pk:
            raise Conflict("own-account", "You cannot deactivate yourself. Another administrator can.")
        if user.role == Role.ADMINISTRATOR:
            _require_another_administrator(user)
        if user.is_active:
            save_recorded(
                actor=actor,
                action="person.deactivated",
                subject=user,
                changes={"is_active": False, "badge": ""},
            )
        for token in user.tokens.filter(revoked_at=None):
            save_recorded(
                actor=actor, action="token.revoked", subject=token, changes={"revoked_at": timezone.now()}
            )
    return user


def reactivate_person(*, actor: Actor, user_id: int) -> User:
    _require_people(actor)
    with use_case():
        user = _person(user_id)
        if not user.is_active:
            save_recorded(actor=actor, action="person.reactivated", subject=user, changes={"is_active": True})
    return user


def reset_password(*, actor: Actor, key: str, user_id: int) -> PersonWithPassword:
    """A new random password, shown once; the old one, the PIN's lock and all sessions end."""
    _require_people(actor)
    password = random_password()

    def make() -> User:
        user = _person(user_id)
        user.set_password(password)
        save_recorded(
            actor=actor,
            action="person.password-reset",
            subject=user,
            changes={"password": user.password, "pin_failures": 0, "pin_locked_until": None},
        )
        return user

    outcome = once(
        actor=actor, key=key, use_case="reset-password", payload={"user": user_id}, model=User, make=make
    )
    return PersonWithPassword(outcome.thing, "" if outcome.repeated else password)


def add_first_administrator(*, username: str, name: str, password: str) -> User:
    """The administrator of a new installation. Raises ``Conflict`` once there is one."""
    with use_case():
        if User.objects.filter(role=Role.ADMINISTRATOR, is_active=True).exists():
            raise Conflict("administrator-exists", "There is an administrator already.")
        user = User(username=username, name=name, role=Role.ADMINISTRATOR)
        user.set_password(password)
        _require_whole(user)
        with constraint_messages(User):
            user.save()
        record_created(actor=None, action="person.added", subject=user, reason="first administrator")
    return user


def _require_people(actor: Actor) -> None:
    actor.require(Capability.PEOPLE)
    actor.require_password("managing people")


def _person(user_id: int) -> User:
    user = User.objects.filter(pk=user_id).first()
    if user is None:
        raise NotFound("There is no such person.")
    return user


def _require_whole(user: User) -> None:
    """The shape of each field, in words; uniqueness is left to the database."""
    try:
        user.clean_fields(exclude=["password"])
    except ValidationError as error:
        field, messages = next(iter(error.message_dict.items()))
        raise Refused("person-incomplete", " ".join(messages), field=field) from None


def _require_another_administrator(user: User) -> None:
    others = User.objects.filter(role=Role.ADMINISTRATOR, is_active=True).exclude(pk=user.pk)
    if user.is_active and not others.exists():
        raise Conflict(
            "last-administrator",
            "This is the last administrator. Make somebody else one first.",
            field="role",
        )


def _save_extra(actor: Actor, user: User, extra: Mapping[str, Any]) -> None:
    for field in person_fields:
        if field.name in extra:
            field.save(actor, user, extra[field.name])


def _plain(extra: Mapping[str, Any] | None) -> dict[str, str]:
    return {name: str(getattr(value, "pk", value)) for name, value in (extra or {}).items()}
