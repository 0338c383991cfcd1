"""``manage.py verify_record``: is the record of changes what it was when it was sealed?"""

from __future__ import annotations

import re
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from labtrack.audit.services.seal import seal_settled, verify


class Command(BaseCommand):
    help = "Verify the chain of seals over the record of changes and name the first broken place."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--head", default="", metavar="POSITION:DIGEST", help="A seal noted earlier.")
        parser.add_argument("--seal", action="store_true", help="Seal what is settled first.")

    def handle(self, *args: Any, **options: Any) -> None:
        head = options["head"]
        if head and not re.fullmatch(r"\d+:[0-9a-fA-F]{64}", head):
            raise CommandError("--head must be a seal's position, a colon and its 64 hexadecimal digits.")
        if options["seal"]:
            seal_settled()
        found = verify(head=head)
        if found.broken:
            raise CommandError(f"The record is broken: {found.broken}.", returncode=1)
        self.stdout.write(f"The record holds: {found.seals} seals over {found.records} records.")
        if found.unsealed:
            self.stdout.write(f"{found.unsealed} settled records are not sealed yet.")
        if found.head:
            self.stdout.write(f"Head to note elsewhere: {found.head}")
