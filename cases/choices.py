"""Words of cases: each choice set holds value and label; tuples name the groups that rules ask for."""

from __future__ import annotations

from django.db import models


class ApplianceKind(models.TextChoices):
    ALIGNER = "aligner", "Aligner"
    ATTACHMENT_TEMPLATE = "attachment-template", "Attachment template"
    RETAINER = "retainer", "Retainer"
    NIGHT_GUARD = "night-guard", "Night guard"
    DRILL_GUIDE = "drill-guide", "Drill guide"
    BONDING_TRAY = "bonding-tray", "Bonding tray"
    STUDY_MODEL = "study-model", "Study model"
    CROWN_MODEL = "crown-model", "Crown or implant model"


# Formed over a printed working model, unless the lab prints them directly.
FORMED_KINDS = (
    ApplianceKind.ALIGNER,
    ApplianceKind.ATTACHMENT_TEMPLATE,
    ApplianceKind.RETAINER,
    ApplianceKind.NIGHT_GUARD,
    ApplianceKind.BONDING_TRAY,
)
# The printed part is what the clinic gets.
MODEL_KINDS = (ApplianceKind.STUDY_MODEL, ApplianceKind.CROWN_MODEL)


class Arch(models.TextChoices):
    UPPER = "upper", "Upper"
    LOWER = "lower", "Lower"


class Tissue(models.TextChoices):
    """Where an appliance touches the patient, in the words of ISO 10993-1."""

    NONE = "none", "No patient contact"
    SKIN = "skin", "Intact skin"
    MUCOSA = "mucosa", "Intact mucosa"
    BREACHED = "breached", "Breached surface or internal tissue"


class MeshRole(models.TextChoices):
    PATIENT_SCAN = "patient-scan", "Patient scan"
    OPPOSING_ARCH = "opposing-arch", "Opposing arch"
    BITE = "bite", "Bite"
    DESIGN = "design", "Design"
    PREPARED = "prepared", "Prepared file"
    PRINT_SCAN = "print-scan", "Scan of a printed part"


# Judged as a scan of a mouth: no walls, no base.
SCAN_ROLES = (MeshRole.PATIENT_SCAN, MeshRole.OPPOSING_ARCH, MeshRole.BITE, MeshRole.PRINT_SCAN)


class Unit(models.TextChoices):
    MM = "mm", "Millimetre"
    CM = "cm", "Centimetre"
    M = "m", "Metre"
    INCH = "inch", "Inch"


class MeshOrigin(models.TextChoices):
    PAGE = "page", "Attached at a page"
    API = "api", "Sent by a script"
    LAB = "lab", "Made in the lab"


class ToothNotation(models.TextChoices):
    FDI = "fdi", "FDI (ISO 3950)"
    UNIVERSAL = "universal", "Universal numbering"
    PALMER = "palmer", "Palmer"


class CaseState(models.TextChoices):
    """How a case stands. Derived, never stored."""

    OPEN = "open", "In the lab"
    WAITING = "waiting", "Waiting for the clinic"
    DELIVERED = "delivered", "Delivered"
    VOIDED = "voided", "Voided"


# Roles only the lab may attach.
LAB_MESH_ROLES = (MeshRole.PREPARED, MeshRole.PRINT_SCAN)
