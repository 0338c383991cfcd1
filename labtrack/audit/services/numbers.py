"""Taking the next number of a series."""

from __future__ import annotations

from django.db import IntegrityError, connection, transaction
from django.db.models import F

from labtrack.audit.models import NumberSeries


def next_number(series: str, *, count: int = 1) -> int:
    """The first of ``count`` fresh numbers of ``series``; call inside the transaction that uses them.

    The guarded update takes the row's lock (PostgreSQL) or the database's (SQLite), so a second
    caller waits, and a rolled-back caller leaves no gap.
    """
    if not connection.in_atomic_block:
        raise RuntimeError("take a number inside the transaction that uses it")
    if not NumberSeries.objects.filter(name=series).update(last=F("last") + count):
        try:
            with transaction.atomic():
                NumberSeries.objects.create(name=series)
        except IntegrityError:
            pass  # somebody else opened the series in the same moment
        NumberSeries.objects.filter(name=series).update(last=F("last") + count)
    return NumberSeries.objects.get(name=series).last - count + 1
