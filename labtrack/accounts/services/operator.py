"""Handing a shared tablet to another operator, by badge or by name and PIN."""

from __future__ import annotations

from datetime import timedelta
from enum import Enum

from django.contrib.auth.hashers import check_password, make_password
from django.db.models import F, Q
from django.utils import timezone
from django.utils.crypto import salted_hmac

from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import LAB_ROLES
from labtrack.accounts.models import User
from labtrack.accounts.services.sign_in import note_failure, require_slow_enough
from labtrack.audit.services.record import record_change
from labtrack.errors import NotAllowed, Refused, TooMany
from labtrack.usecase import use_case

FAILURES_TO_LOCK = 5
LOCK = timedelta(minutes=5)


def badge_digest(code: str) -> str:
    """A keyed digest: badge numbers are too short for a bare hash, and must be found by equality."""
    return salted_hmac("labtrack.badge", code.strip(), algorithm="sha256").hexdigest()


def pin_hash(pin: str) -> str:
    """Argon2, as for passwords."""
    return make_password(pin)


def operators(actor: Actor) -> list[User]:
    """Who can take over a tablet by PIN; ``NotAllowed`` for who is not of the lab."""
    _require_lab(actor)
    return list(User.objects.filter(is_active=True, role__in=LAB_ROLES).exclude(pin="").order_by("name"))


def switch_by_badge(*, actor: Actor, code: str, address: str) -> User:
    """The operator whose badge was scanned. Raises ``Refused`` for an unknown badge."""
    _require_lab(actor)
    subject = f"badge:{actor.user.pk}"
    require_slow_enough(subject=subject, address=address)
    user = None
    if code.strip():
        user = User.objects.filter(badge=badge_digest(code), is_active=True, role__in=LAB_ROLES).first()
    if user is None:
        note_failure(subject=subject, address=address)
        raise Refused(
            "badge-unknown",
            "This badge is not known here. Each person sets a badge under Your sign-in.",
            field="badge",
        )
    _record(actor, user)
    return user


def switch_by_pin(*, actor: Actor, user_id: int, pin: str) -> User:
    """The operator of this name and PIN. Five wrong PINs lock the PIN for five minutes."""
    _require_lab(actor)
    user = User.objects.filter(pk=user_id, is_active=True, role__in=LAB_ROLES).exclude(pin="").first()
    if user is None:
        raise Refused("operator-unknown", "Choose a name from the list.", field="operator")
    found = _take_a_try(user)
    if found is Try.LOCKED:
        raise TooMany(
            "pin-locked",
            f"The PIN of {user.name} is locked after {FAILURES_TO_LOCK} wrong tries. Wait five minutes, "
            "or sign in with the password.",
            field="pin",
        )
    if not check_password(pin, user.pin):
        if found is Try.LAST:
            _record_lock(actor, user)
        raise Refused("pin-wrong", "That is not the PIN of this person.", field="pin")
    User.objects.filter(pk=user.pk).update(pin_failures=0, pin_locked_until=None)
    _record(actor, user)
    return user


def _require_lab(actor: Actor) -> None:
    if not actor.user.is_lab:
        raise NotAllowed("not-allowed", "Only people of the lab switch operators on a shared tablet.")


class Try(Enum):
    """What became of a try at a PIN: one of several, the one that locks, or too late."""

    TAKEN = "taken"
    LAST = "last"
    LOCKED = "locked"


def _take_a_try(user: User) -> Try:
    """Count a try before the PIN is looked at.

    Each count is one guarded update, so tries sent at the same time cannot outrun the limit. The last
    try locks and is still looked at. Outside any transaction that a refusal would roll back.
    """
    now = timezone.now()
    unlocked = User.objects.filter(Q(pin_locked_until=None) | Q(pin_locked_until__lte=now), pk=user.pk)
    earlier = unlocked.filter(pin_failures__lt=FAILURES_TO_LOCK - 1)
    if earlier.update(pin_failures=F("pin_failures") + 1):
        return Try.TAKEN
    return Try.LAST if unlocked.update(pin_failures=0, pin_locked_until=now + LOCK) else Try.LOCKED


def _record_lock(actor: Actor, user: User) -> None:
    """Keep on record that a wrong PIN was tried so often that it locked."""
    with use_case():
        record_change(
            actor=actor,
            action="operator.pin-locked",
            subject=user,
            before={"locked": False},
            after={"locked": True},
        )


def _record(actor: Actor, user: User) -> None:
    with use_case():
        record_change(
            actor=actor,
            action="operator.switched",
            subject=user,
            before={"operator": actor.user.name},
            after={"operator": user.name},
        )
