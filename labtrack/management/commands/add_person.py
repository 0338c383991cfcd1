"""``manage.py add_person``: the first administrator of a new installation."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from labtrack.accounts.services.people import add_first_administrator, random_password
from labtrack.errors import DomainError


class Command(BaseCommand):
    help = "Add the first administrator; everybody else is added at the People page."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("username", help="what they sign in with")
        parser.add_argument("name", help="full name")

    def handle(self, *args: Any, **options: Any) -> None:
        password = random_password()
        try:
            user = add_first_administrator(
                username=options["username"], name=options["name"], password=password
            )
        except DomainError as refusal:
            raise CommandError(refusal.sentence) from None
        self.stdout.write(f"{user.name} signs in as {user.username} with the password {password}")
        self.stdout.write("Change it after the first sign-in.")
