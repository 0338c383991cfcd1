"""Signing in by password, with a limit on guessing that all server processes share."""

from __future__ import annotations

from datetime import timedelta

from django.contrib.auth import authenticate
from django.utils import timezone

from labtrack.accounts.models import FailedSignIn, User
from labtrack.errors import Refused, TooMany

WINDOW = timedelta(minutes=10)
PER_SUBJECT = 10
# One address may be a whole lab behind a router.
PER_ADDRESS = 60


def check_password_sign_in(*, username: str, password: str, address: str) -> User:
    """The person with this name and password. Raises ``Refused`` when wrong, ``TooMany`` when guessing."""
    subject = name_subject(username)
    require_slow_enough(subject=subject, address=address)
    user = authenticate(username=username.strip(), password=password)
    if not isinstance(user, User):
        note_failure(subject=subject, address=address)
        raise Refused(
            "sign-in-wrong",
            "That name and password do not belong together. An administrator can reset a password.",
        )
    FailedSignIn.objects.filter(subject=subject).delete()
    return user


def name_subject(username: str) -> str:
    """Under which the failures of one sign-in name are counted."""
    return username.strip().lower()[:80]


def require_slow_enough(*, subject: str, address: str = "") -> None:
    """Raise ``TooMany`` after too many recent failures of one name or, when given, one address."""
    recent = FailedSignIn.objects.filter(at__gt=timezone.now() - WINDOW)
    if recent.filter(subject=subject).count() >= PER_SUBJECT or (
        address and recent.filter(address=address[:64]).count() >= PER_ADDRESS
    ):
        minutes = int(WINDOW.total_seconds() // 60)
        raise TooMany("sign-in-too-often", f"Too many wrong tries. Wait {minutes} minutes and try again.")


def note_failure(*, subject: str, address: str = "") -> None:
    """Count one failure, and forget those too old to matter."""
    FailedSignIn.objects.create(subject=subject, address=address[:64])
    FailedSignIn.objects.filter(at__lt=timezone.now() - WINDOW).delete()
