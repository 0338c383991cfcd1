from __future__ import annotations

from typing import Any

import django.db.models.deletion
from django.db import migrations, models


def keep_as_handed_over(apps: Any, schema_editor: Any) -> None:
    """PostgreSQL is not to compress imported rows: they are packed, and it took longer than storing them."""
    _stored(schema_editor, "EXTERNAL")


def compress(apps: Any, schema_editor: Any) -> None:
    _stored(schema_editor, "EXTENDED")


def _stored(schema_editor: Any, how: str) -> None:
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute(f"ALTER TABLE qa_historyrows ALTER COLUMN columns SET STORAGE {how}")


class Migration(migrations.Migration):
    dependencies = [
        ("production", "0004_reasons_walls_and_capacities"),
        ("qa", "0013_evidence_of_files"),
    ]

    operations = [
        migrations.AlterField(
            model_name="formedpiecerow",
            name="piece",
            field=models.ForeignKey(
                db_index=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="production.piece",
            ),
        ),
        migrations.AlterField(
            model_name="printattempt",
            name="part",
            field=models.ForeignKey(
                db_index=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="production.part",
            ),
        ),
        migrations.AddConstraint(
            model_name="formedpiecerow",
            constraint=models.UniqueConstraint(
                condition=models.Q(("piece__isnull", False)),
                fields=("piece",),
                name="piece_row_once_a_piece",
            ),
        ),
        migrations.AddConstraint(
            model_name="printattempt",
            constraint=models.UniqueConstraint(
                condition=models.Q(("part__isnull", False)), fields=("part",), name="attempt_once_a_part"
            ),
        ),
        migrations.RunPython(keep_as_handed_over, compress),
    ]
