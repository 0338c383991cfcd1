"""``manage.py serve``: the everyday command."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError

from labtrack.jobs.services.run import WORKER_HOST
from labtrack.jobs.services.sweep import sweep
from labtrack.serve import AlreadyServing, Supervisor, children, only_one


class Command(BaseCommand):
    help = "Serve the pages, the API and the workers from one process that keeps them alive."
    requires_migrations_checks = False

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--bind", default="127.0.0.1:8000", help="address and port (default: this machine only)"
        )
        parser.add_argument("--threads", type=int, default=8, help="requests answered at once")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            with only_one(settings.DATA_DIR):
                self._serve(bind=options["bind"], threads=options["threads"])
        except AlreadyServing as refusal:
            raise CommandError(str(refusal)) from None

    def _serve(self, *, bind: str, threads: int) -> None:
        call_command("prepare", stdout=self.stderr)
        # All workers of this folder died with the last supervisor: their leases are worth nothing.
        group = f"serve-{settings.DATA_DIR}"[-60:]
        sweep(worker_prefix=f"{WORKER_HOST}/{group}/")
        supervisor = Supervisor(
            children(bind=bind, folder=settings.DATA_DIR, threads=threads), worker_group=group, say=self._say
        )
        supervisor.run(ready=lambda: self._say(f"Fitledger is at http://{bind}/  (Ctrl-C stops it)"))

    def _say(self, text: str) -> None:
        self.stdout.write(text)
        self.stdout.flush()
