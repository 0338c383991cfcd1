"""SQLite's ``INSERT OR REPLACE`` deletes the row in its way without firing its delete trigger: refuse it."""

from django.db import migrations

SENTENCE = "the record of changes is append-only"
UNIQUE_COLUMNS = {
    "audit_auditrecord": ("id",),
    "audit_auditseal": ("id", "position"),
    "audit_sealedrecord": ("record_id",),
}


def add_triggers(apps, schema_editor):
    if schema_editor.connection.vendor != "sqlite":
        return
    for table, columns in UNIQUE_COLUMNS.items():
        taken = " OR ".join(f"{column} = NEW.{column}" for column in columns)
        schema_editor.execute(
            f"CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table} "
            f"WHEN EXISTS (SELECT 1 FROM {table} WHERE {taken}) "
            f"BEGIN SELECT RAISE(ABORT, '{SENTENCE}'); END"
        )


def drop_triggers(apps, schema_editor):
    if schema_editor.connection.vendor != "sqlite":
        return
    for table in UNIQUE_COLUMNS:
        schema_editor.execute(f"DROP TRIGGER {table}_no_replace")


class Migration(migrations.Migration):
    dependencies = [("audit", "0002_append_only")]

    operations = [migrations.RunPython(add_triggers, drop_triggers)]
