"""Queries compiled once, for reads that every change makes again with other ids."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from django.db import DEFAULT_DB_ALIAS, connections
from django.db.models import QuerySet

# Stand in the compiled query for the ids; no id is negative.
_STAND_IN = -1_000_000_000


@dataclass(frozen=True)
class _Compiled:
    sql: str
    params: tuple[Any, ...]
    places: tuple[tuple[int, int], ...]  # (place among the parameters, which id)
    compiler: Any

    def filled(self, ids: Sequence[int]) -> list[Any]:
        params = list(self.params)
        for place, which in self.places:
            params[place] = ids[which]
        return params


class Statement:
    """A ``values_list`` query over ids, compiled once for each connection and size of the list.

    Building and compiling a query takes longer than running it. ``make`` takes the ids and returns the
    queryset; it passes them on and never looks at their values. Lists are filled up to a power of two with
    their last id, so that few sizes are compiled: the query must not mind an id that comes twice.
    """

    def __init__(self, make: Callable[[list[int]], QuerySet[Any, Any]]) -> None:
        self._make = make
        self._local = threading.local()

    def rows(self, ids: Iterable[int]) -> list[tuple[Any, ...]]:
        """The rows for these ids; none without ids."""
        wanted = list(ids)
        if not wanted:
            return []
        size = 1 << (len(wanted) - 1).bit_length()
        return self._run(wanted + wanted[-1:] * (size - len(wanted)))

    def every(self) -> list[tuple[Any, ...]]:
        """The rows of a query that takes no ids."""
        return self._run([])

    def _run(self, ids: list[int]) -> list[tuple[Any, ...]]:
        connection = connections[DEFAULT_DB_ALIAS]
        compiled = self._compiled(connection, len(ids))
        with connection.cursor() as cursor:
            cursor.execute(compiled.sql, compiled.filled(ids))
            found = cursor.fetchall()
        return list(compiled.compiler.results_iter([found], tuple_expected=True))

    def _compiled(self, connection: Any, size: int) -> _Compiled:
        if getattr(self._local, "connection", None) is not connection:
            self._local.connection, self._local.by_size = connection, {}
        by_size: dict[int, _Compiled] = self._local.by_size
        if size not in by_size:
            compiler = self._make([_STAND_IN - i for i in range(size)]).query.get_compiler(
                connection=connection
            )
            sql, params = compiler.as_sql()
            places = tuple(
                (place, _STAND_IN - value)
                for place, value in enumerate(params)
                if isinstance(value, int) and _STAND_IN - size < value <= _STAND_IN
            )
            by_size[size] = _Compiled(sql, tuple(params), places, compiler)
        return by_size[size]
