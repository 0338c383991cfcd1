"""Words of the shop: steps, equipment, outcomes."""

from __future__ import annotations

from django.db import models


class Step(models.TextChoices):
    """The steps of the work, in order; the last three only as origins of a defect."""

    ORDER = "order", "Order"
    DESIGN = "design", "Design"
    PREPARE = "prepare", "Prepare"
    PRINT = "print", "Print"
    DRIP = "drip", "Drip"
    WASH = "wash", "Wash"
    DRY = "dry", "Dry"
    REMOVE_SUPPORTS = "remove-supports", "Remove supports"
    CURE = "cure", "Cure"
    INSPECT = "inspect", "Inspect"
    FORM = "form", "Form"
    TRIM = "trim", "Trim"
    FINISH = "finish", "Finish"
    DISINFECT = "disinfect", "Disinfect"
    PACK = "pack", "Pack"
    DELIVER = "deliver", "Deliver"
    STORAGE = "storage", "Storage"
    MATERIAL = "material", "Material"
    EQUIPMENT = "equipment", "Equipment"


ORIGIN_ONLY_STEPS = (Step.STORAGE, Step.MATERIAL, Step.EQUIPMENT)
WORK_STEPS = tuple(step for step in Step if step not in ORIGIN_ONLY_STEPS)
# Steps that many parts go through together, logged as a run.
TREATMENT_STEPS = (Step.DRIP, Step.WASH, Step.DRY, Step.REMOVE_SUPPORTS, Step.CURE)
# Steps logged on one piece.
PIECE_STEPS = (Step.TRIM, Step.FINISH, Step.DISINFECT, Step.PACK)


class Outcome(models.TextChoices):
    GOOD = "good", "Good"
    REWORK = "rework", "Rework"
    SCRAPPED = "scrapped", "Scrapped"


class EquipmentKind(models.TextChoices):
    PRINTER = "printer", "Printer"
    TANK = "tank", "Tank"
    WASH_BATH = "wash-bath", "Wash bath"
    CURING_UNIT = "curing-unit", "Curing unit"
    FORMING_MACHINE = "forming-machine", "Forming machine"
    SCANNER = "scanner", "Scanner"
    CALIPER = "caliper", "Caliper"


class PrintProcess(models.TextChoices):
    """After ISO/ASTM 52900: vat photopolymerization by its light source, and material extrusion."""

    LASER_VAT = "laser-vat", "Laser vat"
    LCD_VAT = "lcd-vat", "Masked-LCD vat"
    DLP_VAT = "dlp-vat", "DLP vat"
    FILAMENT = "filament", "Filament"


class VatKind(models.TextChoices):
    BOTTOM_UP = "bottom-up", "Bottom-up (platform hangs)"
    TOP_DOWN = "top-down", "Top-down (platform sinks)"
    NONE = "none", "No vat"


class PrinterGrade(models.TextChoices):
    ENTRY = "entry", "Entry-level"
    PROFESSIONAL = "professional", "Professional"
    CERTIFIED = "certified", "Certified"


class ContactPurpose(models.TextChoices):
    """Patient-contact and model resins never share a tank or a bath."""

    MODEL = "model", "Models"
    PATIENT_CONTACT = "patient-contact", "Patient contact"


class EventKind(models.TextChoices):
    FILLED = "filled", "Filled"
    TOPPED_UP = "topped-up", "Topped up"
    FILTERED = "filtered", "Filtered"
    CLEANED = "cleaned", "Cleaned"
    EMPTIED = "emptied", "Emptied"
    FILM_CHANGED = "film-changed", "Film changed"
    FILM_INSPECTED = "film-inspected", "Film inspected"
    SCREEN_CHANGED = "screen-changed", "Screen changed"
    LEVELLED = "levelled", "Levelled"
    LAMP_MEASURED = "lamp-measured", "Lamp measured"
    LAMP_CHANGED = "lamp-changed", "Lamp changed"
    FIRMWARE = "firmware", "Firmware changed"
    CALIBRATED = "calibrated", "Calibrated"
    STUDIED = "studied", "Uncertainty studied"
    REPAIRED = "repaired", "Repaired"
    MOVED = "moved", "Moved to a printer"
    RETIRED = "retired", "Retired"
    RETURNED = "returned", "Back in service"


# Events that bring the clock of contamination back to zero.
FILTER_EVENTS = (EventKind.FILLED, EventKind.FILTERED)
LOT_EVENTS = (EventKind.FILLED, EventKind.TOPPED_UP)

# What measures parts: judged with its own expanded uncertainty, which a study of it gives.
MEASURING_KINDS = (EquipmentKind.SCANNER, EquipmentKind.CALIPER)

EVENTS_OF_KIND: dict[str, tuple[EventKind, ...]] = {
    EquipmentKind.PRINTER: (
        EventKind.CLEANED,
        EventKind.SCREEN_CHANGED,
        EventKind.LEVELLED,
        EventKind.LAMP_MEASURED,
        EventKind.FIRMWARE,
        EventKind.CALIBRATED,
        EventKind.REPAIRED,
        EventKind.RETIRED,
        EventKind.RETURNED,
    ),
    EquipmentKind.TANK: (
        EventKind.FILLED,
        EventKind.TOPPED_UP,
        EventKind.FILTERED,
        EventKind.CLEANED,
        EventKind.EMPTIED,
        EventKind.FILM_CHANGED,
        EventKind.FILM_INSPECTED,
        EventKind.MOVED,
        EventKind.REPAIRED,
        EventKind.RETIRED,
        EventKind.RETURNED,
    ),
    EquipmentKind.WASH_BATH: (
        EventKind.FILLED,
        EventKind.TOPPED_UP,
        EventKind.CLEANED,
        EventKind.EMPTIED,
        EventKind.REPAIRED,
        EventKind.RETIRED,
        EventKind.RETURNED,
    ),
    EquipmentKind.CURING_UNIT: (
        EventKind.LAMP_MEASURED,
        EventKind.LAMP_CHANGED,
        EventKind.CLEANED,
        EventKind.REPAIRED,
        EventKind.RETIRED,
        EventKind.RETURNED,
    ),
    EquipmentKind.FORMING_MACHINE: (
        EventKind.CALIBRATED,
        EventKind.CLEANED,
        EventKind.REPAIRED,
        EventKind.RETIRED,
        EventKind.RETURNED,
    ),
    EquipmentKind.SCANNER: (
        EventKind.CALIBRATED,
        EventKind.STUDIED,
        EventKind.REPAIRED,
        EventKind.RETIRED,
        EventKind.RETURNED,
    ),
    EquipmentKind.CALIPER: (
        EventKind.CALIBRATED,
        EventKind.STUDIED,
        EventKind.REPAIRED,
        EventKind.RETIRED,
        EventKind.RETURNED,
    ),
}


class MaterialKind(models.TextChoices):
    RESIN = "resin", "Resin"
    FILAMENT = "filament", "Filament"
    SHEET = "sheet", "Sheet"
    SOLVENT = "solvent", "Wash solvent"


class Translucency(models.TextChoices):
    OPAQUE = "opaque", "Opaque"
    TINTED = "tinted", "Tinted, lets light through"
    CLEAR = "clear", "Clear"


class BuildState(models.TextChoices):
    PLANNED = "planned", "Planned"
    RUNNING = "running", "Running"
    FINISHED = "finished", "Finished"
    FAILED = "failed", "Failed"
    CANCELLED = "cancelled", "Cancelled"


FINAL_BUILD_STATES = (BuildState.FINISHED, BuildState.FAILED, BuildState.CANCELLED)


class PartPurpose(models.TextChoices):
    WORKING_MODEL = "working-model", "Working model"
    APPLIANCE = "appliance", "The appliance itself"


class Orientation(models.TextChoices):
    FLAT = "flat", "Flat on its base"
    TILTED = "tilted", "Tilted"
    UPRIGHT = "upright", "Upright"


class AnswerKind(models.TextChoices):
    YES_NO = "yes-no", "Yes or no"
    NUMBER = "number", "Number"
    TIME = "time", "Time"
    CHOICE = "choice", "Choice"


class AnswerStatus(models.TextChoices):
    """Three recorded answers; the fourth, not recorded, is the absence of an answer."""

    WITHIN = "within", "Done within limits"
    OUT_OF_LIMITS = "out-of-limits", "Done out of limits"
    NOT_DONE = "not-done", "Not done"
    NOT_APPLICABLE = "not-applicable", "Does not apply"


NOT_RECORDED = "not-recorded"
NOT_RECORDED_LABEL = "Not recorded"


class FitResult(models.TextChoices):
    FITS = "fits", "Fits"
    ADJUSTED = "adjusted", "Fits after adjustment"
    DOES_NOT_FIT = "does-not-fit", "Does not fit"
