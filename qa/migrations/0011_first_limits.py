"""The first version of the lab's limits: the starting points that come with the program."""

from __future__ import annotations

from django.db import migrations
from django.db.backends.base.schema import BaseDatabaseSchemaEditor
from django.db.migrations.state import StateApps
from django.utils import timezone

from qa.geometry.limits import SHIPPED

NOTE = "Starting points that came with Fitledger; no standard sets most of them."


def add_first(apps: StateApps, schema_editor: BaseDatabaseSchemaEditor) -> None:
    """A database from before has its first version since somebody looked at the limits."""
    versions = apps.get_model("qa", "LimitVersion").objects
    if not versions.exists():
        versions.create(version=1, content=SHIPPED.to_json(), note=NOTE, active_from=timezone.now())


class Migration(migrations.Migration):
    dependencies = [("qa", "0010_staged_pictures")]
    # Backwards it stays: results that were judged by it name it.
    operations = [migrations.RunPython(add_first, migrations.RunPython.noop)]
