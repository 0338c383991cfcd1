"""Turning a broken database constraint into the sentence that the model wrote for it."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager

from django.db import IntegrityError, models, transaction

from labtrack.errors import Conflict

# SQLite's own words; PostgreSQL names the constraint in its diagnostics.
_SQLITE_CHECK = re.compile(r"CHECK constraint failed: (\w+)")
_SQLITE_INDEX = re.compile(r"UNIQUE constraint failed: index '(\w+)'")
_SQLITE_UNIQUE = re.compile(r"UNIQUE constraint failed: (.+)")
_GENERIC = frozenset({"", models.UniqueConstraint.default_violation_error_message})


@contextmanager
def constraint_messages(*tables: type[models.Model]) -> Iterator[None]:
    """Run the body in a savepoint; a broken constraint of ``tables`` becomes ``Conflict``.

    The code is the constraint's name, the sentence its ``violation_error_message``, and the field is
    named when the constraint is on a single one. Any other integrity error passes unchanged.
    """
    try:
        with transaction.atomic():
            yield
    except IntegrityError as error:
        conflict = _explained(error, tables)
        if conflict is None:
            raise
        raise conflict from error


def _explained(error: IntegrityError, tables: Iterable[type[models.Model]]) -> Conflict | None:
    name = _constraint_name(error)
    columns = _unique_columns(error)
    for table in tables:
        for constraint in table._meta.constraints:
            if constraint.name == name or (columns and columns == _columns(table, constraint)):
                return _conflict(table, constraint)
        for field in table._meta.concrete_fields:
            if field.unique and _is_unique_on(field, table, name, columns):
                return Conflict(
                    f"{table._meta.model_name}-{field.name}-taken",
                    f"That {field.verbose_name} is taken. Choose another.",
                    field=field.name,
                )
    return None


def _conflict(table: type[models.Model], constraint: models.BaseConstraint) -> Conflict:
    message = str(constraint.violation_error_message or "")
    if message in _GENERIC or "%(name)s" in message:
        message = f"This clashes with what is recorded for {table._meta.verbose_name_plural}."
    fields = tuple(getattr(constraint, "fields", ()))
    return Conflict(constraint.name.replace("_", "-"), message, field=fields[0] if len(fields) == 1 else None)


def _constraint_name(error: IntegrityError) -> str:
    diagnostics = getattr(error.__cause__, "diag", None)
    if diagnostics is not None:
        return str(diagnostics.constraint_name or "")
    for pattern in (_SQLITE_CHECK, _SQLITE_INDEX):
        found = pattern.search(str(error))
        if found:
            return found.group(1)
    return ""


def _unique_columns(error: IntegrityError) -> frozenset[str]:
    """``table.column`` of each column that SQLite names; empty on PostgreSQL."""
    found = _SQLITE_UNIQUE.search(str(error))
    if found is None or found.group(1).startswith("index "):
        return frozenset()
    return frozenset(part.strip() for part in found.group(1).split(","))


def _columns(table: type[models.Model], constraint: models.BaseConstraint) -> frozenset[str]:
    if not isinstance(constraint, models.UniqueConstraint):
        return frozenset()
    return frozenset(
        f"{table._meta.db_table}.{table._meta.get_field(name).column}"  # type: ignore[union-attr]
        for name in constraint.fields
    )


def _is_unique_on(
    field: models.Field[object, object], table: type[models.Model], name: str, columns: frozenset[str]
) -> bool:
    if columns:
        return columns == {f"{table._meta.db_table}.{field.column}"}
    # PostgreSQL names it table_column_hash_uniq, or table_column_key.
    return name.startswith(f"{table._meta.db_table}_{field.column}_") and name.endswith(("_uniq", "_key"))
