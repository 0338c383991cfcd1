"""``manage.py import_history FILE.csv``: a lab's history from a table of one row per part."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand

from qa.services.import_history import Imported, import_history


class Command(BaseCommand):
    """Exit 0 when the file is imported, was so before, or is sound (``--dry-run``); 2 when it is not."""

    help = (
        "Import a CSV file of one row per part, whole or not at all. Required columns: part, printed_at, "
        "printer, outcome. The same file twice changes nothing."
    )

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Declare the options."""
        parser.add_argument("file", type=Path, help="a CSV file in UTF-8")
        parser.add_argument("--dry-run", action="store_true", help="read and judge it, but store nothing")

    def handle(self, *args: Any, **options: Any) -> None:
        """Import, and say what was recognised or what is wrong."""
        path: Path = options["file"]
        try:
            with path.open("rb") as stream:
                done = import_history(actor=None, stream=stream, name=path.name, dry_run=options["dry_run"])
        except OSError as error:
            self.stderr.write(f"{path} cannot be read: {error.strerror or error}.")
            raise SystemExit(2) from None
        for note in done.notes:
            self.stdout.write(note)
        if done.problems:
            self._refuse(done)
        if done.repeated:
            self.stdout.write(f"This file is already imported ({done.rows} parts); nothing changed.")
        elif options["dry_run"]:
            self.stdout.write(f"{done.rows} parts can be imported; nothing was stored.")
        else:
            self.stdout.write(f"{done.rows} parts imported.")

    def _refuse(self, done: Imported) -> None:
        for problem in done.problems:
            self.stderr.write(str(problem))
        if done.more_problems:
            self.stderr.write(f"and {done.more_problems} more problems.")
        self.stderr.write("Nothing was imported. Correct the file and import it again.")
        raise SystemExit(2)
