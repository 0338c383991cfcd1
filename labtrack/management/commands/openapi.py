"""``manage.py openapi``: write the API's description that is kept in git."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser

from labtrack.api.schema import schema_text

KEPT = "docs/openapi.yaml"


class Command(BaseCommand):
    help = f"Write the OpenAPI description of the API to {KEPT}."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--check", action="store_true", help="Write nothing; fail when the file is old.")

    def handle(self, *args: Any, **options: Any) -> None:
        path = Path(settings.BASE_DIR) / KEPT
        text = schema_text()
        if options["check"]:
            if not path.exists() or path.read_text(encoding="utf-8") != text:
                raise CommandError(f"{KEPT} is not what the code says. Run: python3 manage.py openapi")
            return
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8")
        self.stdout.write(f"{KEPT} is written.")
