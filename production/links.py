"""Where each thing of the shop has its page, and what a mark typed by a scanner points to."""

from __future__ import annotations

import re
from typing import Any

from django.urls import reverse

from cases.models import Appliance, Case
from production.models import (
    Build,
    Delivery,
    Equipment,
    FormingBatch,
    FormingCycle,
    Lot,
    Part,
    Piece,
    Preparation,
    TreatmentRun,
)

# The series of marks: P-000123, A-000045, B-00012, F-00003, C-00007.
MARK = re.compile(r"([PABFC])[\s-]*0*(\d{1,15})", re.IGNORECASE)


def url_of(thing: Any) -> str:
    """The page of a thing; empty for one that has none."""
    match thing:
        case Part():
            return reverse("production:part", args=[thing.number])
        case Piece():
            return reverse("production:piece", args=[thing.number])
        case Build():
            return reverse("production:build", args=[thing.number])
        case FormingBatch():
            return reverse("production:forming-batch", args=[thing.number])
        case FormingCycle():
            return reverse("production:forming-batch", args=[thing.batch.number])
        case TreatmentRun():
            return reverse("production:run", args=[thing.pk])
        case Equipment():
            return reverse("production:equipment", args=[thing.code])
        case Lot():
            return reverse("production:lot", args=[thing.pk])
        case Case():
            return reverse("cases:case", args=[thing.number])
        case Appliance():
            return reverse("cases:appliance", args=[thing.case.number, thing.pk])
        case Delivery():
            return reverse("cases:case", args=[thing.case.number])
        case Preparation():
            return reverse("cases:case", args=[thing.appliance.case.number])
    return ""


def read_mark(text: str) -> tuple[str, int] | None:
    """The letter and number of a typed or scanned mark; None when it is no mark.

    Scanners that send the start and stop of a Code 39 label put a star on either side.
    """
    found = MARK.fullmatch(text.strip().strip("*"))
    return (found.group(1).upper(), int(found.group(2))) if found else None
