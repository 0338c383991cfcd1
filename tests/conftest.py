"""Fixtures of every test: the cast of people, and clients for pages and for the API.

Tests that commit for real (``django_db(transaction=True)``, ``live_server``) end with a flush of all
tables, which the append-only triggers of the record would refuse. ``_flush_past_the_triggers`` sets them
aside for the flush alone and puts them back, so that inside a test they always hold. What migrations
seeded is put back before each of those tests.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import pytest
from django.conf import settings as django_settings
from django.db import connection
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.backends.base.operations import BaseDatabaseOperations
from django.test import Client
from django.utils import timezone

AUDIT_TABLES = ("audit_auditrecord", "audit_auditseal", "audit_sealedrecord")
PASSWORD = "seven plain words by the sea"  # of people invented in tests


def pytest_configure() -> None:
    """Settings that tests differ in: none of them is about what is tested."""
    # Argon2 is slow on purpose.
    django_settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    # No collectstatic before tests.
    django_settings.STORAGES = django_settings.STORAGES | {
        "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"}
    }
    django_settings.WHITENOISE_USE_FINDERS = True
    django_settings.WHITENOISE_AUTOREFRESH = True
    # A file as in real use, so that threads have connections of their own.
    database = django_settings.DATABASES["default"]
    if database["ENGINE"].endswith("sqlite3"):
        database.setdefault("TEST", {})["NAME"] = str(django_settings.DATA_DIR / "test.sqlite3")
    BaseDatabaseOperations.execute_sql_flush = _flush_past_the_triggers(  # type: ignore[method-assign]
        BaseDatabaseOperations.execute_sql_flush
    )


def pytest_sessionfinish(session: pytest.Session) -> None:
    """CI lets no test skip: there, what is missing on a machine is a failure."""
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if os.environ.get("CI") and reporter is not None and reporter.stats.get("skipped"):
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put seeded rows back before each test whose predecessor's flush took them."""
    for item in items:
        marker = item.get_closest_marker("django_db")
        names: list[str] = getattr(item, "fixturenames", [])
        commits = marker is not None and marker.kwargs.get("transaction")
        if commits or {"transactional_db", "live_server"} & set(names):
            names.append("django_db_serialized_rollback")


@pytest.fixture(scope="session")
def django_db_setup(django_db_setup: None, django_db_blocker: Any) -> Iterator[None]:
    """Let every connection know what was seeded, not only the one that made the database.

    While Playwright's loop runs in this thread, Django opens another connection for it. Without the
    seeds at hand that one's flush would make content types of its own, and the next test that puts the
    seeds back would find them taken. A database that is kept for the next session gets its seeds back,
    which the last test that commits has flushed.
    """
    with django_db_blocker.unblock():
        seeded = connection.creation.serialize_db_to_string()
    BaseDatabaseWrapper._test_serialized_contents = seeded  # type: ignore[attr-defined]
    yield
    from qa.models import LimitVersion

    with django_db_blocker.unblock():
        if not LimitVersion.objects.exists():
            connection.creation.deserialize_db_from_string(seeded)


def _flush_past_the_triggers(flush: Callable[..., None]) -> Callable[..., None]:
    def flushed(self: Any, sql_list: list[str]) -> None:
        with triggers_aside(self.connection):
            flush(self, sql_list)

    return flushed


@contextmanager
def triggers_aside(connection: Any) -> Iterator[None]:
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            _switch_triggers(cursor, "DISABLE")
            try:
                yield
            finally:
                _switch_triggers(cursor, "ENABLE")
            return
        cursor.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
        triggers = cursor.fetchall()
        for name, _ in triggers:
            cursor.execute(f"DROP TRIGGER {name}")
        try:
            yield
        finally:
            for _, definition in triggers:
                cursor.execute(definition)


def _switch_triggers(cursor: Any, word: str) -> None:
    # Inside a transaction, PostgreSQL alters no table whose foreign keys are still to be checked.
    cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
    for table in AUDIT_TABLES:
        cursor.execute(f"ALTER TABLE {table} {word} TRIGGER USER")


@dataclass(frozen=True)
class People:
    """One person per role, staff of a second clinic, and somebody who left."""

    clinic: Any
    other_clinic: Any
    technician: Any
    quality: Any
    manager: Any
    administrator: Any
    former: Any

    def active(self) -> list[Any]:
        return [
            self.clinic,
            self.other_clinic,
            self.technician,
            self.quality,
            self.manager,
            self.administrator,
        ]


@dataclass(frozen=True)
class Actors:
    """The same people as actors of use cases."""

    clinic: Any
    other_clinic: Any
    technician: Any
    quality: Any
    manager: Any
    administrator: Any


def make_user(username: str, role: str, *, name: str = "", is_active: bool = True) -> Any:
    from labtrack.accounts.models import User

    user = User(
        username=username, name=name or username.replace("-", " ").title(), role=role, is_active=is_active
    )
    user.set_password(PASSWORD)
    user.save()
    return user


@pytest.fixture
def people(db: None) -> People:
    """Clinic staff belong to the clinics *Harbour* and *Hillside*."""
    from cases.models import Clinic, ClinicMembership

    cast = People(
        clinic=make_user("clara", "clinic"),
        other_clinic=make_user("otto", "clinic"),
        technician=make_user("tessa", "technician"),
        quality=make_user("quinn", "quality"),
        manager=make_user("maria", "manager"),
        administrator=make_user("adam", "administrator"),
        former=make_user("fred", "technician", is_active=False),
    )
    for user, code in ((cast.clinic, "harbour"), (cast.other_clinic, "hillside")):
        clinic, _ = Clinic.objects.get_or_create(code=code, defaults={"name": code.title()})
        ClinicMembership.objects.create(user=user, clinic=clinic)
    return cast


@pytest.fixture
def actors(people: People) -> Actors:
    from labtrack.accounts.actor import Actor

    return Actors(
        clinic=Actor(people.clinic, via="test"),
        other_clinic=Actor(people.other_clinic, via="test"),
        technician=Actor(people.technician, via="test"),
        quality=Actor(people.quality, via="test"),
        manager=Actor(people.manager, via="test"),
        administrator=Actor(people.administrator, via="test"),
    )


@pytest.fixture
def client_of() -> Callable[[Any], Client]:
    """A browser in which this person signed in by password; None is a stranger."""

    def make(user: Any) -> Client:
        client = Client()
        if user is not None:
            client.force_login(user)
        return client

    return make


class ApiClient(Client):
    """Sends a token and JSON."""

    def __init__(self, secret: str) -> None:
        super().__init__(headers={"Authorization": f"Bearer {secret}"} if secret else {})
        self.secret = secret

    def post_json(self, path: str, data: Any, *, key: str = "") -> Any:
        headers = {"Idempotency-Key": key} if key else {}
        return self.post(path, data, content_type="application/json", headers=headers)


@pytest.fixture
def api_client() -> Callable[..., ApiClient]:
    """A script's client with a fresh token of ``user``; all scopes that the role allows unless given."""
    from labtrack.accounts.actor import Actor
    from labtrack.accounts.services.tokens import make_token, offered_scopes

    made = 0

    def make(user: Any, scopes: Iterable[str] | None = None) -> ApiClient:
        nonlocal made
        if user is None:
            return ApiClient("")
        made += 1
        actor = Actor(user)
        new = make_token(
            actor=actor,
            key="",
            name=f"test script {made}",
            scopes=[str(scope) for scope in (offered_scopes(actor) if scopes is None else scopes)],
            expires_at=timezone.now() + timedelta(days=30),
        )
        return ApiClient(new.secret)

    return make
