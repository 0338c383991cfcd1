"""Numbers of cases and builds: no gaps, no doubles."""

from __future__ import annotations

import threading

import pytest
from django.db import connection, transaction

from labtrack.audit.services.numbers import next_number

TAKERS = 6
EACH = 5


@pytest.mark.django_db
def test_each_series_counts_from_one() -> None:
    with transaction.atomic():
        assert [next_number("case"), next_number("case"), next_number("build")] == [1, 2, 1]
        assert next_number("case", count=3) == 3
        assert next_number("case") == 6


@pytest.mark.django_db(transaction=True)
def test_a_rolled_back_taker_leaves_no_gap() -> None:
    with transaction.atomic():
        assert next_number("case") == 1
    with pytest.raises(RuntimeError), transaction.atomic():
        assert next_number("case") == 2
        raise RuntimeError
    with transaction.atomic():
        assert next_number("case") == 2


@pytest.mark.django_db(transaction=True)
def test_it_must_be_taken_inside_the_transaction_that_uses_it() -> None:
    with pytest.raises(RuntimeError, match="inside the transaction"):
        next_number("case")


@pytest.mark.django_db(transaction=True)
def test_takers_at_once_never_share_a_number() -> None:
    taken: list[int] = []
    start = threading.Barrier(TAKERS)

    def take() -> None:
        try:
            start.wait()
            for _ in range(EACH):
                with transaction.atomic():
                    number = next_number("case")
                taken.append(number)
        finally:
            connection.close()

    threads = [threading.Thread(target=take) for _ in range(TAKERS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(taken) == list(range(1, TAKERS * EACH + 1))
