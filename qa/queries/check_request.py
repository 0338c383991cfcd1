"""What a mesh is checked as: its role in the case, the layer it was prepared for, the lab's printers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from cases.choices import FORMED_KINDS, SCAN_ROLES, MeshRole
from cases.models import MeshUse
from production.choices import VatKind
from production.models import Preparation
from production.queries.lab import printers_in_service
from qa.geometry.subject import CheckRequest, Platform, Role, Sheet
from qa.models import InsertionAxis
from qa.queries.insertion import Place, axis_in_force, place_of

DEFAULT_VAT = VatKind.BOTTOM_UP


def shop_of_printers() -> dict[str, Any]:
    """The part of a request that the lab's printers in service decide: platforms, and the kind of vat.

    Where the lab has both kinds of vat, bottom-up counts: it asks more of a part.
    """
    printers = printers_in_service()
    rows = list(printers.order_by("equipment__code"))
    kinds = {row.vat for row in rows}
    vats = kinds - {VatKind.NONE}
    # A lab of filament printers alone has no vat; one that is not set up yet may get any.
    vat = VatKind((vats or kinds).pop()) if len(vats or kinds) == 1 else DEFAULT_VAT
    platforms = [
        [row.equipment.name, float(row.platform_x_mm), float(row.platform_y_mm), float(row.build_height_mm)]
        for row in rows
    ]
    return {"vat": str(vat), "platforms": platforms}


def request_of(
    mesh: MeshUse,
    *,
    printers: dict[str, Any] | None = None,
    layers: dict[int, float] | None = None,
    axes: dict[Place, InsertionAxis] | None = None,
) -> dict[str, Any]:
    """The request as it is stored and digested: plain JSON.

    ``printers`` (``shop_of_printers``), ``layers`` (``layers_of``) and ``axes`` (``axes_in_force``) save
    asking again for each mesh of many.
    """
    role: Role = "design"
    if mesh.role in SCAN_ROLES:
        return {"role": "patient-scan", "layer_mm": CheckRequest().layer_mm}
    layer_mm = CheckRequest().layer_mm
    if mesh.role == MeshRole.PREPARED:
        role = "prepared"
        known = layers_of([mesh.pk]) if layers is None else layers
        layer_mm = known.get(mesh.pk, layer_mm)
    request = {"role": role, "layer_mm": layer_mm} | (printers or shop_of_printers())
    if not goes_under_a_sheet(mesh):
        return request | {"formed": False}
    line = mesh.appliance.line if mesh.appliance else None
    if line is not None and line.sheet_mm is not None:
        request["sheet"] = [line.sheet_wish or "sheet", float(line.sheet_mm)]
    axis = axis_in_force(mesh) if axes is None else axes.get(place_of(mesh))
    if axis is not None:
        # The choice's own number: one that is taken back is checked anew and becomes the latest.
        request["insertion_choice"] = axis.pk
        if axis.vector is not None:
            request["insertion_axis"] = axis.vector
    return request


def goes_under_a_sheet(mesh: MeshUse) -> bool:
    """Whether a sheet goes over what is printed of a mesh; a guide or a study model is used as it is."""
    line = mesh.appliance.line if mesh.appliance else None
    return line is None or (line.kind in FORMED_KINDS and not line.direct_print)


def layers_of(mesh_ids: Sequence[int]) -> dict[int, float]:
    """The layer in mm that each prepared file was made for, where its preparation is recorded."""
    rows = (
        Preparation.objects.filter(prepared__in=mesh_ids)
        .order_by("occurred_at", "pk")
        .values_list("prepared_id", "layer_um")
    )
    return {int(mesh_id): layer_um / 1000.0 for mesh_id, layer_um in rows if mesh_id is not None}


def engine_request(stored: dict[str, Any]) -> CheckRequest:
    """The engine's request of a stored one; those stored before printers counted are read too."""
    platforms = tuple(Platform(name, x, y, z) for name, x, y, z in stored.get("platforms", []))
    sheet, insertion = stored.get("sheet"), stored.get("insertion_axis")
    return CheckRequest(
        role=stored["role"],
        layer_mm=stored["layer_mm"],
        vat=stored.get("vat", CheckRequest().vat),
        sheet=Sheet(sheet[0], sheet[1]) if sheet else None,
        insertion=tuple(insertion) if insertion else None,
        formed=stored.get("formed", True),
        platforms=platforms,
    )
