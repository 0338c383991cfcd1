"""Queries compiled once say what the query set says, for any ids."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from labtrack.accounts.models import User
from labtrack.statements import Statement

pytestmark = pytest.mark.django_db

FIELDS = ("pk", "name", "created_at", "is_active")


def query(ids: list[int]) -> Any:
    return User.objects.filter(pk__in=ids, is_active=True).order_by("pk").values_list(*FIELDS)


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(wanted=st.lists(st.integers(min_value=0, max_value=30), max_size=40))
def test_a_statement_gives_the_rows_of_its_query(people: Any, wanted: list[int]) -> None:
    first = User.objects.order_by("pk").values_list("pk", flat=True)[0]
    ids = [first + one for one in wanted]
    assert Statement(query).rows(ids) == list(query(ids))


def test_a_statement_is_compiled_once_for_lists_of_like_size(people: Any) -> None:
    made: list[int] = []

    def counted(ids: list[int]) -> Any:
        made.append(len(ids))
        return query(ids)

    statement = Statement(counted)
    pks = list(User.objects.order_by("pk").values_list("pk", flat=True))
    assert len(pks) >= 4
    for ids in (pks[:3], pks[1:4], pks[:4]):
        assert statement.rows(ids) == list(query(ids))
    assert made == [4]


def test_without_ids_nothing_is_asked(people: Any) -> None:
    with CaptureQueriesContext(connection) as asked:
        assert Statement(query).rows([]) == []
    assert not asked.captured_queries


def test_a_query_without_ids_is_run_as_it_is(people: Any) -> None:
    every = Statement(lambda ids: User.objects.order_by("pk").values_list("pk"))
    assert every.every() == list(User.objects.order_by("pk").values_list("pk"))
