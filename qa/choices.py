"""Words of quality."""

from __future__ import annotations

from django.db import models

# Axes of the tally: the answers of one step, and plain columns of a row.
STEP_AXIS = "step:"
COLUMN_AXES = ("printer", "grade", "material", "colour", "translucency", "tank")


class Verdict(models.TextChoices):
    PASS = "pass", "Pass"
    REVIEW = "review", "Review"
    FAIL = "fail", "Fail"
    UNKNOWN = "unknown", "Cannot tell"


class CheckState(models.TextChoices):
    WAITING = "waiting", "Waiting"
    DONE = "done", "Done"
    REFUSED = "refused", "Could not be checked"


class PicturesState(models.TextChoices):
    """How far the pictures of a comparison are, which are drawn once its result is stored."""

    WAITING = "waiting", "Being drawn"
    READY = "ready", "Drawn"
    FAILED = "failed", "Could not be drawn"


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


class GateItemName(models.TextChoices):
    """What the gate of a release asks of a piece."""

    OUTCOME = "outcome", "Came out good"
    INSPECTION = "inspection", "Inspections passed"
    DEFECTS = "defects", "No open defect"
    HOLD = "hold", "Not on hold"
    MATERIAL_USE = "material-use", "Material meant for this use"
    LOTS = "lots", "Lots in date"
    COMBINATION = "combination", "Qualified combination"
    STEPS = "steps", "Required steps recorded"
    ANSWERS = "answers", "Answers to work instructions"


class GateStatus(models.TextChoices):
    MET = "met", "Met"
    NOT_MET = "not-met", "Not met"
    CONCEDED = "conceded", "Conceded"
    NOT_NEEDED = "not-needed", "Does not apply"
    NOTED = "noted", "For your judgement"


class EvidenceSource(models.TextChoices):
    LAB = "lab", "The lab's own record"
    IMPORT = "import", "Imported history"


class EvidenceUnit(models.TextChoices):
    PART = "part", "Printed parts"
    PIECE = "piece", "Pieces"

    @property
    def things(self) -> str:
        """What is counted, in a sentence."""
        return "parts" if self == EvidenceUnit.PART else "pieces"


class Measure(models.TextChoices):
    """What a trend counts; the values are the columns of the tally."""

    LOST = "lost", "Lost"
    DEFECTIVE = "defective", "With any defect"
    CONTAMINATED = "contaminated", "With a defect of a dirty tank"


class AgreementKind(models.TextChoices):
    METHODS = "methods", "Two methods that measure the same"
    PEOPLE = "people", "Two people who grade the same"


class ComparisonKind(models.TextChoices):
    """What a planned comparison judges; the margin is in parts per 100, or in the unit measured."""

    LOST = "lost", "Share of parts lost"
    VALUE = "value", "Something measured, such as the mean deviation in µm"


class IdentityAnswer(models.TextChoices):
    """Whether a scan is a print of the design it was held against."""

    THIS = "this", "This design"
    OTHER = "other", "Another design"
    UNKNOWN = "unknown", "Cannot tell"


class Side(models.TextChoices):
    """Sides of a check block by the build's axes (ISO/ASTM 52921): z runs away from the platform."""

    X = "x", "x, along the platform"
    Y = "y", "y, across the platform"
    Z = "z", "z, away from the platform"


class Reference(models.TextChoices):
    """What a scan of a part is held against."""

    DESIGN = "design", "The design"
    PREPARED = "prepared", "The prepared file"
