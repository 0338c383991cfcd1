"""Places marked once on a design and the distances between them, for every scan and every caliper."""

from __future__ import annotations

import csv
import io
from typing import Any

import numpy as np

from cases.choices import MeshRole
from cases.models import MeshUse
from cases.queries import mesh_for
from cases.services.file_store import blob_path
from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.services.record import record_created
from labtrack.audit.services.submissions import Outcome, once
from labtrack.cells import safe_cell
from labtrack.constraints import constraint_messages
from labtrack.errors import Refused
from qa.geometry.distances import DistanceSettings, Landmark, Span, length_along, read_sheet
from qa.geometry.distances import LandmarkSheet as EngineSheet
from qa.geometry.errors import GeometryError
from qa.geometry.reading import read_mesh
from qa.geometry.tree import build, closest
from qa.models import LandmarkSheet

MARKABLE = (MeshRole.DESIGN, MeshRole.PREPARED)
MOST_LANDMARKS, MOST_DISTANCES, LONGEST_NAME = 60, 40, 60
LONGEST_TEXT = 20_000


def place_landmarks(
    *, actor: Actor, key: str, mesh_id: int, text: str, based_on: int | None = None
) -> Outcome[LandmarkSheet]:
    """Put a new version of a design's landmarks in force.

    ``text`` lists ``name,x_mm,y_mm,z_mm`` and, below their own header, ``distance,from,to``. Each
    landmark is put on the design's nearest place; one further off than the engine allows is refused.
    ``based_on`` is the version that the person saw; what was measured keeps the version it was
    measured by.
    """
    actor.require(Capability.INSPECT)
    mesh = mesh_for(actor, mesh_id)
    if mesh.role not in MARKABLE:
        raise Refused("not-markable", "Landmarks are placed on a design or a prepared file.")
    sheet = _read(text)
    content = _settled(mesh, sheet)

    def make() -> LandmarkSheet:
        latest = mesh.landmark_sheets.order_by("-version").first()
        newest = latest.version if latest else 0
        if based_on is not None and based_on != newest:
            raise Refused(
                "landmarks-changed", "Somebody changed the landmarks meanwhile. Look at them again."
            )
        with constraint_messages(LandmarkSheet):
            made = LandmarkSheet.objects.create(mesh=mesh, version=newest + 1, content=content, by=actor.user)
        record_created(actor=actor, action="landmarks.placed", subject=made)
        return made

    payload = {"mesh": mesh_id, "text": text, "based_on": based_on}
    return once(
        actor=actor, key=key, use_case="place-landmarks", payload=payload, model=LandmarkSheet, make=make
    )


def sheet_in_force(mesh: MeshUse) -> LandmarkSheet | None:
    """The latest landmarks of a design; those of the very same file elsewhere in the clinic serve too."""
    own = mesh.landmark_sheets.order_by("-version").first()
    if own is not None:
        return own
    return (
        LandmarkSheet.objects.filter(
            mesh__blob=mesh.blob_id, mesh__unit=mesh.unit, mesh__case__clinic=mesh.case.clinic_id
        )
        .order_by("-pk")
        .first()
    )


def engine_sheet(sheet: LandmarkSheet) -> EngineSheet:
    """The engine's own form of a stored version."""
    marks = tuple(Landmark(one["name"], tuple(one["at_mm"])) for one in sheet.content["landmarks"])
    spans = tuple(Span(one["name"], tuple(one["along"])) for one in sheet.content["distances"])
    return EngineSheet(marks, spans)


def sheet_text(content: dict[str, Any] | None) -> str:
    """A stored version as the list a person edits; the headers alone when there is none."""
    out = io.StringIO()
    write = csv.writer(out, lineterminator="\n").writerow
    write(["name", "x_mm", "y_mm", "z_mm"])
    for mark in (content or {}).get("landmarks", []):
        write([mark["name"], *(f"{value:.3f}" for value in mark["at_mm"])])
    write(["distance", "from", "to"])
    for span in (content or {}).get("distances", []):
        for start, end in zip(span["along"], span["along"][1:], strict=False):
            write([span["name"], start, end])
    return out.getvalue()


def _read(text: str) -> EngineSheet:
    if len(text) > LONGEST_TEXT:
        raise Refused("landmarks-long", "The list is longer than 20,000 characters.", field="text")
    try:
        sheet = read_sheet(text)
    except (GeometryError, csv.Error) as error:
        sentence = getattr(error, "sentence", "The list cannot be read as CSV.")
        raise Refused("landmarks-unreadable", sentence, field="text") from error
    if not sheet.landmarks:
        raise Refused("landmarks-missing", "Mark at least one place.", field="text")
    names = [*(mark.name for mark in sheet.landmarks), *(span.name for span in sheet.spans)]
    if any(len(name) > LONGEST_NAME for name in names):
        raise Refused("name-long", f"A name has up to {LONGEST_NAME} characters.", field="text")
    if formula := next((name for name in names if safe_cell(name) != name), None):
        # The list goes out as it came in, and may be opened in a spreadsheet.
        raise Refused(
            "name-formula",
            f"“{formula}” would be taken for a formula in a spreadsheet. Begin the name with a letter.",
            field="text",
        )
    if len(sheet.landmarks) > MOST_LANDMARKS or len(sheet.spans) > MOST_DISTANCES:
        raise Refused(
            "landmarks-many",
            f"A design takes up to {MOST_LANDMARKS} landmarks and {MOST_DISTANCES} distances.",
            field="text",
        )
    return sheet


def _settled(mesh: MeshUse, sheet: EngineSheet) -> dict[str, Any]:
    """The sheet with every landmark on the design's surface and the design's own lengths."""
    try:
        read = read_mesh(blob_path(mesh.blob), unit=mesh.unit)
        found = closest(build(read.mesh), np.array([mark.at_mm for mark in sheet.landmarks], dtype=float))
    except GeometryError as error:
        raise Refused("design-unreadable", error.sentence) from error
    farthest = DistanceSettings().off_design_mm
    for mark, off in zip(sheet.landmarks, found.distance, strict=True):
        if not off <= farthest:
            raise Refused(
                "landmark-off-design",
                f"The landmark “{mark.name}” lies {off:.1f} mm off the design; mark it again on this design.",
                field="text",
            )
    place = {mark.name: found.point[index] for index, mark in enumerate(sheet.landmarks)}
    distances = []
    for span in sheet.spans:
        length = length_along(np.array([place[name] for name in span.along]))
        if length < 0.1:
            raise Refused(
                "distance-zero", f"The distance “{span.name}” has no length on the design.", field="text"
            )
        distances.append({"name": span.name, "along": list(span.along), "design_mm": round(length, 4)})
    marks = [{"name": name, "at_mm": [round(float(v), 4) for v in at]} for name, at in place.items()]
    return {"landmarks": marks, "distances": distances}
