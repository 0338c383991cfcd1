"""Nobody rewrites the record: triggers refuse update and delete on both databases."""

from django.db import migrations

TABLES = ("audit_auditrecord", "audit_auditseal", "audit_sealedrecord")
SENTENCE = "the record of changes is append-only"


def add_triggers(apps, schema_editor):
    vendor = schema_editor.connection.vendor
    if vendor == "postgresql":
        schema_editor.execute(
            "CREATE FUNCTION audit_append_only() RETURNS trigger LANGUAGE plpgsql AS "
            f"$$ BEGIN RAISE EXCEPTION '{SENTENCE}'; END $$"
        )
    for table in TABLES:
        if vendor == "postgresql":
            schema_editor.execute(
                f"CREATE TRIGGER {table}_append_only BEFORE UPDATE OR DELETE ON {table} "
                "FOR EACH ROW EXECUTE FUNCTION audit_append_only()"
            )
            schema_editor.execute(
                f"CREATE TRIGGER {table}_no_truncate BEFORE TRUNCATE ON {table} "
                "FOR EACH STATEMENT EXECUTE FUNCTION audit_append_only()"
            )
            continue
        for verb in ("UPDATE", "DELETE"):
            schema_editor.execute(
                f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, '{SENTENCE}'); END"
            )


def drop_triggers(apps, schema_editor):
    vendor = schema_editor.connection.vendor
    for table in TABLES:
        if vendor == "postgresql":
            schema_editor.execute(f"DROP TRIGGER {table}_append_only ON {table}")
            schema_editor.execute(f"DROP TRIGGER {table}_no_truncate ON {table}")
            continue
        for verb in ("update", "delete"):
            schema_editor.execute(f"DROP TRIGGER {table}_no_{verb}")
    if vendor == "postgresql":
        schema_editor.execute("DROP FUNCTION audit_append_only()")


class Migration(migrations.Migration):
    dependencies = [("audit", "0001_initial")]

    operations = [migrations.RunPython(add_triggers, drop_triggers)]
