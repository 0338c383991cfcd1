"""``manage.py demo``: load the invented lab once, then serve it."""

from __future__ import annotations

import json
import os
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from celery import current_app
from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand
from django.db import transaction

from cases.models import Appliance, Case, MeshUse
from fixtures.scenario.lab import SignIn
from fixtures.scenario.load import load
from labtrack.accounts.models import User
from production.models import Build, FormingCycle, Part, Piece
from qa.models import Inspection, MeshCheck, Release


class Command(BaseCommand):
    help = "Load the demo lab (an invented one, in a data folder of its own) and serve it on this machine."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--no-serve", action="store_true", help="end after loading")
        parser.add_argument("--bind", default="127.0.0.1:8000", help="address and port to serve")

    def handle(self, *args: Any, **options: Any) -> None:
        call_command("prepare", stdout=self.stderr)
        folder = settings.DATA_DIR / "secrets" / "demo-sign-ins.json"
        if User.objects.exists():
            self._say("The demo lab is loaded already; its records are kept.")
        else:
            self._say("Loading nine months of an invented lab …")
            _keep(folder, self._load())
        self._tell(folder)
        if options["no_serve"]:
            self.stdout.write(json.dumps(counts()))
            return
        call_command("serve", bind=options["bind"])

    def _load(self) -> list[SignIn]:
        # The loader does the workers' jobs itself, so nothing needs to be sent to a broker.
        broker = current_app.conf.broker_url
        current_app.conf.broker_url = "memory://localhost"  # without a host it warns
        try:
            with transaction.atomic():
                return load(self._say)
        finally:
            current_app.conf.broker_url = broker

    def _tell(self, path: Path) -> None:
        if not path.exists():
            self._say("Somebody else loaded this folder: sign in as you know.")
            return
        self._say("Sign in as (passwords are this installation's own, made at random):")
        for person in json.loads(path.read_text(encoding="utf-8")):
            pin = f"   PIN {person['pin']}" if person["pin"] else ""
            self._say(f"  {person['username']:<10} {person['password']:<20} {person['role']:<14}{pin}")

    def _say(self, text: str) -> None:
        self.stderr.write(text)


def counts() -> dict[str, int]:
    """How much of everything there is."""
    return {
        "cases": Case.objects.count(),
        "appliances": Appliance.objects.count(),
        "meshes": MeshUse.objects.count(),
        "checks": MeshCheck.objects.count(),
        "builds": Build.objects.count(),
        "parts": Part.objects.count(),
        "forming_cycles": FormingCycle.objects.count(),
        "pieces": Piece.objects.count(),
        "inspections": Inspection.objects.count(),
        "releases": Release.objects.count(),
        "scrapped": Part.objects.filter(outcome="scrapped").count(),
    }


def _keep(path: Path, sign_ins: list[SignIn]) -> None:
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(descriptor, "w", encoding="utf-8") as handle:
        json.dump([vars(person) for person in sign_ins], handle)
