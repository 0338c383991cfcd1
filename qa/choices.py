"""Words of quality."""

from __future__ import annotations

from django.db import models


class Verdict(models.TextChoices):
    PASS = "pass", "Pass"  # noqa: S105 - a verdict, not a secret
    REVIEW = "review", "Review"
    FAIL = "fail", "Fail"
    UNKNOWN = "unknown", "Cannot tell"


class CheckState(models.TextChoices):
    WAITING = "waiting", "Waiting"
    DONE = "done", "Done"
    REFUSED = "refused", "Could not be checked"


class Severity(models.TextChoices):
    MINOR = "minor", "Minor"
    MAJOR = "major", "Major"
    CRITICAL = "critical", "Critical"


class DefectScope(models.TextChoices):
    PART = "part", "Printed part"
    PIECE = "piece", "Formed piece"
    BOTH = "both", "Part or piece"


class SignatureMeaning(models.TextChoices):
    RELEASED = "released", "I have checked the record and release these pieces for delivery"


class EvidenceSource(models.TextChoices):
    LAB = "lab", "The lab's own record"
    IMPORT = "import", "Imported history"


class EvidenceUnit(models.TextChoices):
    PART = "part", "Printed parts"
    PIECE = "piece", "Pieces"


class Measure(models.TextChoices):
    """What a trend counts; the values are the columns of the tally."""

    LOST = "lost", "Lost"
    DEFECTIVE = "defective", "With any defect"
    CONTAMINATED = "contaminated", "With a defect of a dirty tank"
