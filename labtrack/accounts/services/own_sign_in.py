"""What everybody changes about their own sign-in: password, PIN, badge. Each asks for the password."""

from __future__ import annotations

from itertools import pairwise

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError

from labtrack.accounts.actor import Actor
from labtrack.accounts.models import User
from labtrack.accounts.services.operator import badge_digest, pin_hash
from labtrack.accounts.services.sign_in import name_subject, note_failure, require_slow_enough
from labtrack.audit.services.record import save_recorded
from labtrack.constraints import constraint_messages
from labtrack.errors import NotAllowed, Refused
from labtrack.usecase import use_case

PIN_LENGTHS = range(4, 9)
BADGE_LENGTHS = range(4, 65)


def change_password(*, actor: Actor, current: str, new: str) -> None:
    """Every other session of this person ends with it."""
    user = _with_password(actor, current)
    try:
        validate_password(new, user)
    except ValidationError as error:
        raise Refused("password-weak", " ".join(error.messages), field="new") from None
    user.set_password(new)
    with use_case():
        save_recorded(
            actor=actor, action="person.password-changed", subject=user, changes={"password": user.password}
        )


def change_pin(*, actor: Actor, current: str, pin: str) -> None:
    """Set the bench PIN, or take it away with an empty one."""
    user = _with_password(actor, current)
    if not user.is_lab:
        raise NotAllowed("not-allowed", "A PIN is for people of the lab.")
    if pin:
        _require_good_pin(pin)
    changes = {"pin": pin_hash(pin) if pin else "", "pin_failures": 0, "pin_locked_until": None}
    with use_case():
        save_recorded(
            actor=actor,
            action="person.pin-changed" if pin else "person.pin-removed",
            subject=user,
            changes=changes,
        )


def change_badge(*, actor: Actor, current: str, code: str) -> None:
    """Set the badge by what the scanner types, or take it away with an empty one."""
    user = _with_password(actor, current)
    if not user.is_lab:
        raise NotAllowed("not-allowed", "A badge is for people of the lab.")
    code = code.strip()
    if code and len(code) not in BADGE_LENGTHS:
        raise Refused("badge-length", "A badge's code has 4 to 64 characters. Scan it again.", field="badge")
    with use_case(), constraint_messages(User):
        save_recorded(
            actor=actor,
            action="person.badge-changed" if code else "person.badge-removed",
            subject=user,
            changes={"badge": badge_digest(code) if code else ""},
        )


def require_own_password(*, actor: Actor, password: str, field: str = "password") -> None:
    """Raise ``Refused`` unless this is the actor's password: a signature asks for it every time.

    Wrong ones count against the same limit as at the sign-in, so that a tablet left open is no place to
    guess at. Call it outside any transaction, which would take the count back.
    """
    subject = name_subject(actor.user.username)
    require_slow_enough(subject=subject)
    if not actor.user.check_password(password):
        note_failure(subject=subject)
        raise Refused("password-wrong", "That is not your password.", field=field)


def _with_password(actor: Actor, current: str) -> User:
    require_own_password(actor=actor, password=current, field="current")
    return User.objects.get(pk=actor.user.pk)


def _require_good_pin(pin: str) -> None:
    if not (pin.isascii() and pin.isdigit() and len(pin) in PIN_LENGTHS):
        raise Refused("pin-shape", "A PIN has 4 to 8 digits.", field="pin")
    steps = {(int(after) - int(before)) % 10 for before, after in pairwise(pin)}
    if len(steps) == 1 and steps <= {0, 1, 9}:
        raise Refused(
            "pin-simple", "That PIN is guessed first. Choose digits that do not run or repeat.", field="pin"
        )
