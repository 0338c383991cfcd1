"""Version 1 of every step's work instruction, to start from: the lab publishes its own versions.

Questions and limits marked common practice are usual in the trade; a limit that only the material's or
machine's own instructions can give is left open, and says so. Nothing is asked at ordering: the order
form itself requires what must be known.
"""

from __future__ import annotations

from datetime import datetime, timezone
from decimal import Decimal

from django.db import migrations

PRACTICE = "Common practice"
MATERIAL = "From the material's own instructions: publish a version with its limits"
MACHINE = "From the machine's own instructions: publish a version with its limits"
LAB = "The lab's own setting: none yet"
# Early enough for work that is entered late.
ACTIVE_FROM = datetime(2000, 1, 1, tzinfo=timezone.utc)
DEFER = "Local codes, the supplier's safety data sheet and instructions, and licensed practice come first."


def done(code, text, source=PRACTICE):
    """Was it done? No means not done."""
    return {"code": code, "text": text, "kind": "yes-no", "limit_source": source}


def state(code, text, within="yes", source=PRACTICE):
    """Is it so? The other word is out of limits."""
    return {"code": code, "text": text, "kind": "yes-no", "within": [within], "limit_source": source}


def number(code, text, unit, low=None, high=None, source=PRACTICE):
    return {
        "code": code,
        "text": text,
        "kind": "number",
        "unit": unit,
        "low": None if low is None else Decimal(low),
        "high": None if high is None else Decimal(high),
        "limit_source": source,
    }


def choice(code, text, choices, within=(), source=PRACTICE):
    return {
        "code": code,
        "text": text,
        "kind": "choice",
        "choices": list(choices),
        "within": list(within),
        "limit_source": source,
    }


INSTRUCTIONS = (
    (
        "design",
        "Check the design against the order",
        "A design decides what touches the patient. The prescriber answers for the treatment; ask when the "
        f"order is unclear. {DEFER}",
        (
            done("design-matches-order", "File, arch, stage and case compared with the order"),
            done("design-units-checked", "Unit and size of the mesh looked at"),
            number("model-height-mm", "Height of the model", "mm", "15", "25", "Common practice for forming"),
            number("wall-mm", "Thinnest wall", "mm", "2.0", None, "Common practice; thinner shells deform more"),
            done("undercuts-blocked", "Undercuts blocked out where the sheet must come off"),
        ),
    ),
    (
        "prepare",
        "Make the design ready for printing",
        "A closed hollow traps uncured resin, which leaks or bursts later, under pressure in a forming machine "
        f"above all. Give every hollow its openings. {DEFER}",
        (
            done("mark-readable", "Mark on the part and readable"),
            state("drain-open", "Every hollow has an opening at its lowest and highest point"),
            state("arch-bar-present", "Hollow or horseshoe model has a bar or plate across the arch"),
            state("working-surface-free", "No supports on surfaces that are formed over or worn"),
            done("base-on-platform", "Base stands flat, or its tilt is meant"),
        ),
    ),
    (
        "print",
        "Before and during the print",
        "Uncured resin can make you allergic for life, and thin medical gloves hold it back only briefly: wear "
        "nitrile gloves and eye protection, change gloves at once after a splash, touch nothing with bare hands "
        f"before it is fully cured. Do not defeat covers or interlocks against the exposing light. {DEFER}",
        (
            done("tank-inspected", "Tank and film looked at: no scraps, no clouding, no scratches"),
            done("resin-stirred", "Resin stirred until its colour is even"),
            done("platform-clean", "Platform clean and tight"),
            number("resin-temp-c", "Temperature of the resin", "°C", "20", "28", "Common practice, 20 to 28 °C"),
            number("room-humidity-percent", "Humidity of the room", "%", source=LAB),
            state("print-without-pause", "Ran without a pause or an error"),
        ),
    ),
    (
        "drip",
        "Let resin run off",
        f"Gloves and eye protection: the resin is uncured. Wipe drops at once; wipes are waste to cure or collect. {DEFER}",
        (
            number("drip-minutes", "Time hanging over the tank", "min", source=LAB),
            state("drip-covered", "Covered from daylight meanwhile"),
        ),
    ),
    (
        "wash",
        "Wash uncured resin off",
        "Alcohol vapour ignites at room temperature (flash point about 12 °C): no flame, spark or hot surface, "
        "lid closed, good ventilation, no ultrasonic bath that is not rated for it. Gloves and eye protection. "
        f"Solvent with resin in it is hazardous waste and never goes down the drain. {DEFER}",
        (
            done("wash-two-baths", "Two baths in turn, the second one clean"),
            number("wash-minutes", "Time in the baths together", "min", source=MATERIAL),
            number(
                "bath-resin-percent",
                "Resin in the bath",
                "%",
                None,
                "5",
                "Published for ethanol and crown-and-bridge resins (J Prosthet Dent); set your own",
            ),
            state("bath-cool", "Bath no warmer than the room"),
            done("cavity-flushed", "Hollows flushed, openings clear"),
        ),
    ),
    (
        "dry",
        "Dry completely",
        "Solvent must be gone before curing: a wet part cracks, turns cloudy, and can ignite in a curing unit. "
        f"Dry away from heat sources, with ventilation. {DEFER}",
        (
            number("dry-minutes", "Time drying", "min", "10", None, "Common practice, 10 to 30 minutes"),
            state("surface-dry", "No wet or shiny areas left"),
        ),
    ),
    (
        "remove-supports",
        "Take the supports off",
        f"Not cured yet: gloves. Supports snap and fly: eye protection. {DEFER}",
        (
            choice(
                "supports-when",
                "Taken off",
                ("before curing", "after curing"),
                source="From the material's own instructions",
            ),
            state("surface-unscarred", "No scars on surfaces that are formed over or worn"),
        ),
    ),
    (
        "cure",
        "Cure fully",
        "The curing light harms eyes and skin: keep the unit closed and its interlock working. Never cure parts "
        "that are wet with solvent. A material is fit for the patient only when cured exactly as its instructions "
        f"say, in the equipment they name. {DEFER}",
        (
            number("cure-minutes", "Time in the unit", "min", source=MATERIAL),
            number("cure-temp-c", "Temperature", "°C", source=MATERIAL),
            choice(
                "cure-medium",
                "Cured in",
                ("air", "nitrogen", "water"),
                source="From the material's own instructions",
            ),
            done("cure-turned", "Turned over, so that every side was lit"),
            state("surface-not-tacky", "Surface not tacky afterwards (through a glove)"),
        ),
    ),
    (
        "inspect",
        "Look at it and compare",
        "Keep gloves on for parts that are not fully cured. An inspection judges the work, not the treatment: "
        f"the prescriber does that. {DEFER}",
        (
            done("inspected-in-good-light", "Looked at from all sides in good light, with magnification"),
            state("mark-matches", "Mark, arch and stage are those of the order"),
            done("control-part-measured", "Control part of the day measured"),
        ),
    ),
    (
        "form",
        "Form a sheet over the model",
        "Heater, frame and sheet burn; never leave the heater unattended, and ventilate: an overheated sheet "
        "gives off fumes. A pressure former stores energy: lock it fully, never open it under pressure. A sealed "
        "or resin-filled hollow model can burst or spray, so form only over open, fully cured models. "
        f"{DEFER}",
        (
            done("model-rechecked", "Model looked at again: dry, cured, no cracks, right mark"),
            number("model-age-days", "Age of the model", "days", None, "28", "Proposed: measure again after 28 days"),
            done("sheet-sealed-or-dried", "Sheet from its sealed bag, or dried as its instructions say"),
            done("undercuts-blocked", "Undercuts blocked out"),
            done("release-applied", "Release film or separator used where the sheet's instructions ask for it"),
            number(
                "rim-to-frame-mm",
                "From the model's rim to the frame",
                "mm",
                "25",
                None,
                "Published: at least the model's front height (Takahashi)",
            ),
            number("cool-seconds", "Cooled before lifting", "s", source=MATERIAL),
            done("offcut-labelled", "Offcut labelled and kept"),
        ),
    ),
    (
        "trim",
        "Trim to the line",
        "Dust and chips: extraction, mask and eye protection; hair and sleeves away from turning tools. A hot bur "
        f"softens the sheet. {DEFER}",
        (
            choice("trim-line", "Line", ("straight", "scalloped"), source="As prescribed"),
            number("trim-margin-mm", "Beyond the gum line", "mm", source="As prescribed"),
            state("removed-whole", "Came off the model without a crack"),
            number("thickness-mm", "Thinnest measured thickness", "mm", source=LAB),
            done("gauge-aid-used", "Measured with a positioning aid", "Published: a gauge alone repeats poorly"),
        ),
    ),
    (
        "finish",
        "Finish and fit on the model",
        f"Polishing dust: extraction, mask and eye protection. {DEFER}",
        (
            state("edges-smooth", "Edges smooth to a gloved finger"),
            state("fits-on-model", "Sits on the model without rocking"),
            number("gap-mm", "Largest gap on the model", "mm", source=LAB),
            state("clear-and-whole", "No bubbles, scratches, cracks or clouding"),
        ),
    ),
    (
        "disinfect",
        "Clean and disinfect",
        "Use agents as their labels say, with gloves and ventilation, and never mix them. Only agents that the "
        f"material's instructions allow touch an appliance. {DEFER}",
        (
            done("cleaned-first", "Cleaned of dust and release agent first"),
            number("disinfect-minutes", "Time in the agent", "min", source="From the agent's own instructions"),
            state("rinsed-and-dry", "Rinsed and dry"),
        ),
    ),
    (
        "pack",
        "Pack and label",
        "It will be worn: clean hands or gloves, closed packing. Labels carry the case and patient code, never a "
        f"name. {DEFER}",
        (
            state("label-matches", "Label and mark show the same case, arch and stage"),
            done("papers-enclosed", "Instructions for wear and the statement that local rules ask for enclosed"),
        ),
    ),
    (
        "deliver",
        "Hand over",
        "Hand over only what is released. The licensed practitioner decides on its use and checks the fit in the "
        f"mouth. {DEFER}",
        (done("parcel-checked", "Every mark in the parcel read against the list"),),
    ),
)


def seed(apps, schema_editor):
    WorkInstruction = apps.get_model("production", "WorkInstruction")
    InstructionItem = apps.get_model("production", "InstructionItem")
    for step, title, caution, items in INSTRUCTIONS:
        instruction = WorkInstruction.objects.create(
            step=step, version=1, title=title, caution=caution, active_from=ACTIVE_FROM
        )
        InstructionItem.objects.bulk_create(
            InstructionItem(instruction=instruction, position=position, **item)
            for position, item in enumerate(items, start=1)
        )


def unseed(apps, schema_editor):
    apps.get_model("production", "InstructionItem").objects.filter(
        instruction__version=1, instruction__recorded_by=None
    ).delete()
    apps.get_model("production", "WorkInstruction").objects.filter(version=1, recorded_by=None).delete()


class Migration(migrations.Migration):
    dependencies = [("production", "0001_initial")]
    operations = [migrations.RunPython(seed, unseed)]
