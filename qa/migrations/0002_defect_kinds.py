"""The first vocabulary of defects: general words of the trade, each with its usual step of origin.

Usual causes are common practice. The lab edits the list; a kind that was used is never deleted.
"""

from __future__ import annotations

from django.apps.registry import Apps
from django.db import migrations
from django.db.backends.base.schema import BaseDatabaseSchemaEditor

# code, name, usual step of origin, made by a dirty tank, usual causes
PART_KINDS = (
    ("no-adhesion", "Did not stick to the platform", "print", False, "Short first exposure; dirty or unlevel platform."),
    ("detached", "Came off during the print", "print", False, "Peel force, weak supports or a heavy layer."),
    ("layer-split", "Layers split", "print", False, "Too little light, old or settled resin, a pause."),
    ("layer-shift", "Layers shifted", "print", False, "Something slipped or was hit while printing."),
    ("warped", "Warped or bowed", "print", False, "Shrinkage of a thin flat base, hot cure, taken off early."),
    ("arch-width", "Arch too narrow or too wide", "design", False, "Open horseshoe or hollow without a bar across."),
    ("wrong-scale", "Wrong size all over", "prepare", False, "Scale compensation of another resin or exposure."),
    ("detail-filled", "Fine detail filled in", "prepare", False, "Too much light, or light spreading in the resin."),
    ("under-cured", "Soft or tacky", "cure", False, "Short or weak cure, old lamp."),
    ("trapped-resin", "Liquid resin trapped inside", "wash", False, "No open drain, or a cavity not flushed."),
    ("wall-sunken", "Wall sunken or blown out", "design", False, "A closed cavity or a thin wall pulled by suction."),
    ("missing-area", "Hole or missing area", "design", False, "Hole in the mesh, dead pixels, an air bubble."),
    ("debris-pit", "Pit left by debris", "equipment", True, "A loose bit in the tank kept the light away."),
    ("stuck-flake", "Bump from a stuck flake", "equipment", True, "Cured bits in the tank were printed in."),
    ("cured-speck", "Cured specks in the surface", "equipment", True, "Fine cured bits floating in the resin."),
    ("support-scar", "Support scars on the working surface", "prepare", False, "Supports placed on the teeth or margin."),
    ("step-lines", "Coarse step lines", "prepare", False, "Thick layers or a shallow angle."),
    ("sticky-film", "White or sticky film", "wash", False, "Saturated bath, short wash, cured while wet."),
    ("cracked", "Cracked", "cure", False, "Washed too long, solvent left in, hot cure, trapped resin."),
    ("broken", "Broken or chipped", "remove-supports", False, "Force when supports or the part were taken off."),
    ("crushed", "Crushed or dented in forming", "form", False, "Thin wall, soft when hot, sharp pressure."),
    ("size-drift", "Grown or shrunk in storage", "storage", False, "Age, light or heat."),
    ("filament-strings", "Strings or blobs", "print", False, "Too hot, or moist filament."),
    ("strand-gaps", "Gaps between strands", "print", False, "Too little filament fed, or moist filament."),
    ("seam-bump", "Bump along the seam", "print", False, "Start and end of the outline on the working surface."),
    ("heat-softened", "Softened in forming", "form", False, "The filament does not stand the hot sheet."),
)
PIECE_KINDS = (
    ("poor-adaptation", "Poorly adapted, edges rounded", "form", False, "Cold sheet, low pressure, no vent."),
    ("sheet-bubbles", "Bubbles in the sheet", "storage", False, "Moist sheet, or overheated."),
    ("air-pocket", "Air pocket against the model", "form", False, "No way out for the air, or an undercut."),
    ("web", "Web or fold", "form", False, "Sheet sagged too far; tall or close models."),
    ("thin-spot", "Thin spot or hole", "form", False, "Tall model, deep gap between teeth, overheated sheet."),
    ("torn", "Torn or split on removal", "trim", False, "Undercut, removed cold, thin sheet."),
    ("hazed", "Whitened or hazed", "form", False, "Overheated, or stretched cold."),
    ("layer-imprint", "Layer lines imprinted", "print", False, "Surface of the model."),
    ("stuck-on-model", "Stuck to the model", "form", False, "No release, uncured resin, removed hot."),
    ("distorted", "Distorted on removal", "trim", False, "Removed hot, or flexed."),
    ("loose", "Loose fit", "print", False, "Size of the model, thinning or rebound of the sheet."),
    ("tight", "Tight fit", "print", False, "Size of the model, or undercuts not blocked out."),
    ("off-trim-line", "Trimmed off the line", "trim", False, "Line not followed."),
    ("sharp-edge", "Rough or sharp edge", "trim", False, "Edge not smoothed."),
    ("margin-crack", "Crack at the margin", "trim", False, "Notch, or heat of the bur."),
    ("scratched", "Scratched or soiled", "finish", False, "Handling."),
    ("sheet-parted", "Layers of the sheet parted", "form", False, "Wrong side down, or overheated."),
    ("wrong-sheet", "Wrong sheet, lot or past its date", "form", False, "Identification."),
)
SHARED_KINDS = (
    ("mixed-up", "Wrong file, stage, jaw or patient", "prepare", False, "Identification."),
    ("other", "Something else", "inspect", False, "Say what in the note."),
)


def add_kinds(apps: Apps, schema_editor: BaseDatabaseSchemaEditor) -> None:
    kinds = apps.get_model("qa", "DefectKind")
    groups = (("part", PART_KINDS), ("piece", PIECE_KINDS), ("both", SHARED_KINDS))
    kinds.objects.bulk_create(
        kinds(
            code=code,
            name=name,
            scope=scope,
            usual_origin=origin,
            contamination=contamination,
            hint=hint,
        )
        for scope, rows in groups
        for code, name, origin, contamination, hint in rows
    )


def remove_kinds(apps: Apps, schema_editor: BaseDatabaseSchemaEditor) -> None:
    kinds = apps.get_model("qa", "DefectKind")
    codes = [row[0] for rows in (PART_KINDS, PIECE_KINDS, SHARED_KINDS) for row in rows]
    kinds.objects.filter(code__in=codes, defects__isnull=True).delete()


class Migration(migrations.Migration):
    dependencies = [("qa", "0001_initial")]
    operations = [migrations.RunPython(add_kinds, remove_kinds)]
