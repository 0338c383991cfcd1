"""A broken constraint becomes the sentence that its model wrote."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import IntegrityError, transaction

from cases.models import Clinic
from labtrack.accounts.models import ApiToken, User
from labtrack.constraints import constraint_messages
from labtrack.errors import Conflict
from labtrack.jobs.models import Job

pytestmark = pytest.mark.django_db


def broken_by(*tables: Any, **values: Any) -> Conflict:
    with pytest.raises(Conflict) as caught, transaction.atomic(), constraint_messages(*tables):
        tables[-1].objects.create(**values)
    return caught.value


def test_a_unique_constraint_on_an_expression(people: Any) -> None:
    conflict = broken_by(User, username="TESSA", name="Other", role="quality")
    assert (conflict.code, conflict.sentence) == ("user-username-unique", "That sign-in name is taken.")


def test_a_unique_constraint_with_a_condition(people: Any) -> None:
    User.objects.filter(pk=people.technician.pk).update(badge="x" * 64)
    conflict = broken_by(User, username="new", name="New", role="quality", badge="x" * 64)
    assert (conflict.code, conflict.field) == ("user-badge-unique", "badge")


def test_a_check_constraint(people: Any) -> None:
    conflict = broken_by(User, username="new", name="New", role="owner")
    assert conflict.sentence == "Choose one of the roles."


def test_a_constraint_without_a_sentence_still_reads() -> None:
    conflict = broken_by(Job, kind="x", key="x", state="done")
    assert conflict.code == "job-final-means-finished"
    assert conflict.sentence == "This clashes with what is recorded for jobs."


def test_a_unique_field(people: Any) -> None:
    conflict = broken_by(Clinic, code="harbour", name="Another")
    assert (conflict.field, conflict.status) == ("code", 409)
    assert conflict.sentence == "That code is taken. Choose another."


def test_the_transaction_goes_on_after_it(people: Any) -> None:
    with transaction.atomic():
        with pytest.raises(Conflict), constraint_messages(Clinic):
            Clinic.objects.create(code="harbour", name="Another")
        Clinic.objects.create(code="north", name="North")
    assert Clinic.objects.filter(code="north").exists()


def test_what_it_does_not_know_passes(people: Any) -> None:
    with pytest.raises(IntegrityError), constraint_messages(ApiToken):
        Clinic.objects.create(code="harbour", name="Another")
