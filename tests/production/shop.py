"""A small invented shop, made through the use cases, for the tests of production.

Moments count from ``START``, sixty days ago, so that nothing lies in the future and expiry dates hold.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from decimal import Decimal
from hashlib import sha256
from itertools import count
from typing import Any

from django.utils import timezone

from cases.models import Appliance, Blob, Case, Clinic, MeshUse, OrderLine
from production.models import Build, Equipment, FormingBatch, Lot, Part, Piece, Preparation
from production.services import builds, equipment, forming, materials, outcomes, preparations, treatments

_numbers = count(1)


class Shop:
    """Two vat printers, a filament printer, tanks of both purposes, baths, a curing unit, a former."""

    def __init__(self, actors: Any) -> None:
        self.actors = actors
        self.tech = actors.technician
        self.start = (timezone.now() - timedelta(days=60)).replace(hour=8, minute=0, second=0, microsecond=0)
        self.old = self.start - timedelta(days=30)
        self.model_resin = self.material("grey", "resin", use="model", colour="grey", translucency="opaque")
        self.guide_resin = self.material("guide", "resin", use="patient-contact", tissue="mucosa")
        self.filament = self.material("pla", "filament", use="model")
        self.sheet = self.material(
            "foil", "sheet", use="patient-contact", tissue="mucosa", thickness_mm=Decimal("0.75")
        )
        self.solvent = self.material("alcohol", "solvent")
        self.model_lot = self.lot(self.model_resin, "M-1")
        self.guide_lot = self.lot(self.guide_resin, "G-1")
        self.filament_lot = self.lot(self.filament, "F-1")
        self.sheet_lot = self.lot(self.sheet, "S-1")
        self.printer = self.machine("printer-1", "printer", **_printer("lcd-vat", "bottom-up"))
        self.other_printer = self.machine("printer-2", "printer", **_printer("dlp-vat", "bottom-up"))
        self.filament_printer = self.machine("printer-3", "printer", **_printer("filament", "none"))
        self.tank = self.vessel("tank-1", "tank", "model", self.model_lot, self.printer)
        self.guide_tank = self.vessel("tank-2", "tank", "patient-contact", self.guide_lot, self.other_printer)
        self.bath = self.vessel("bath-1", "wash-bath", "model")
        self.guide_bath = self.vessel("bath-2", "wash-bath", "patient-contact")
        self.unit = self.machine("cure-1", "curing-unit")
        self.former = self.machine("former-1", "forming-machine")

    def at(self, days: float = 0, hours: float = 0, minutes: float = 0) -> datetime:
        return self.start + timedelta(days=days, hours=hours, minutes=minutes)

    # Things
    def material(self, code: str, kind: str, *, use: str = "", tissue: str = "none", **values: Any) -> Any:
        manager = self.actors.quality
        made = materials.add_material(actor=manager, code=code, kind=kind, name=code.title(), **values).thing
        if use:
            self.instruct(made, use=use, tissue=tissue)
        return made

    def instruct(self, material: Any, *, use: str, tissue: str = "none", at: datetime | None = None) -> Any:
        recorded = materials.record_material_instruction(
            actor=self.actors.quality,
            material_id=material.pk,
            document="Instructions, first edition",
            intended_use=use,
            tissue=tissue,
        ).thing
        return materials.approve_material_instruction(
            actor=self.actors.quality, instruction_id=recorded.pk, approved_at=at or self.old
        )

    def lot(self, material: Any, number: str, *, expires_days: int | None = 365) -> Lot:
        return materials.receive_lot(
            actor=self.actors.quality,
            material_id=material.pk,
            number=number,
            received_on=self.old.date(),
            expires_on=None if expires_days is None else self.start.date() + timedelta(days=expires_days),
        ).thing

    def machine(self, code: str, kind: str, **values: Any) -> Equipment:
        return equipment.add_equipment(
            actor=self.actors.quality,
            code=code,
            kind=kind,
            name=code.replace("-", " ").title(),
            in_service_from=self.old,
            **values,
        ).thing

    def vessel(
        self, code: str, kind: str, purpose: str, lot: Lot | None = None, printer: Equipment | None = None
    ) -> Equipment:
        made = self.machine(code, kind, vessel=equipment.VesselDetails(purpose, 1000))
        if printer is not None:
            self.event(made, "moved", self.old, moved_to_id=printer.pk)
        self.event(made, "filled", self.old, lot_id=lot.pk if lot else None)
        return made

    def event(self, thing: Equipment, kind: str, at: datetime | None = None, **values: Any) -> Any:
        return equipment.record_event(
            actor=self.tech, equipment_id=thing.pk, kind=kind, occurred_at=at or self.at(), **values
        ).thing

    # Cases
    def appliance(
        self, *, kind: str = "aligner", tissue: str = "mucosa", direct: bool = False, stage: int | None = None
    ) -> Appliance:
        clinic, _ = Clinic.objects.get_or_create(code="harbour", defaults={"name": "Harbour"})
        number = next(_numbers) + 10_000
        case = Case.objects.create(
            number=number,
            clinic=clinic,
            patient_code=f"P{number}",
            prescriber="Dr Invented",
            occurred_at=self.old,
            logged_by=self.tech.user,
        )
        line = OrderLine.objects.create(
            case=case, position=1, kind=kind, tissue=tissue, direct_print=direct, hours_per_day=22, days=7
        )
        return Appliance.objects.create(line=line, case=case, arch="upper", stage=stage or 0)

    def design(self, appliance: Appliance, role: str = "design") -> MeshUse:
        digest = sha256(str(next(_numbers)).encode()).hexdigest()
        return MeshUse.objects.create(
            case=appliance.case,
            appliance=appliance,
            role=role,
            blob=Blob.objects.create(sha256=digest, size_bytes=84),
            unit="mm",
            file_format="stl-binary",
            triangles=12,
            original_name=f"design-{appliance.pk}.stl",
            origin="lab",
            uploaded_by=self.tech.user,
            occurred_at=self.old,
        )

    def preparation(self, appliance: Appliance | None = None, **values: Any) -> Preparation:
        appliance = appliance or self.appliance()
        settings: dict[str, Any] = {
            "profile_name": "grey-50",
            "profile_revision": "3",
            "layer_um": 50,
        } | values
        return preparations.record_preparations(
            actor=self.tech,
            prepared=[preparations.Prepared(appliance.pk, self.design(appliance).pk)],
            settings=preparations.PreparationSettings(**settings),
            occurred_at=self.old,
        )[0]

    # Work
    def plan(
        self,
        preps: Sequence[Preparation] | None = None,
        *,
        at: datetime | None = None,
        printer: Equipment | None = None,
        tank: Equipment | None = None,
        key: str = "",
    ) -> Build:
        preps = preps if preps is not None else [self.preparation()]
        return builds.plan_build(
            actor=self.tech,
            key=key,
            printer_id=(printer or self.printer).pk,
            tank_id=(tank or self.tank).pk,
            parts=[builds.PlannedPart(prep.pk) for prep in preps],
            occurred_at=at or self.at(),
        ).thing

    def printed(
        self,
        count: int = 1,
        *,
        at: datetime | None = None,
        hours: float = 2,
        appliances: Sequence[Appliance] | None = None,
        printer: Equipment | None = None,
        tank: Equipment | None = None,
        layers: int = 400,
        resin_ml: str = "60",
        outcome: str = "good",
    ) -> Build:
        at = at or self.at()
        appliances = appliances or [self.appliance() for _ in range(count)]
        build = self.plan(
            [self.preparation(appliance) for appliance in appliances], at=at, printer=printer, tank=tank
        )
        builds.start_build(actor=self.tech, build_id=build.pk, started_at=at)
        results = [outcomes.PartResult(part.pk, outcome, "chipped") for part in build.parts.all()]
        return builds.finish_build(
            actor=self.tech,
            build_id=build.pk,
            finished_at=at + timedelta(hours=hours),
            outcomes=results,
            layers=layers,
            resin_ml=Decimal(resin_ml),
        ).thing

    def failed(self, *, at: datetime, hours: float = 1, layers: int = 100) -> Build:
        build = self.plan(at=at)
        builds.start_build(actor=self.tech, build_id=build.pk, started_at=at)
        return builds.fail_build(
            actor=self.tech,
            build_id=build.pk,
            failure="fell off the platform",
            finished_at=at + timedelta(hours=hours),
            layers=layers,
            resin_ml=Decimal(10),
        ).thing

    def treat(
        self, step: str, parts: Sequence[Part], at: datetime, minutes: float = 10, **values: Any
    ) -> Any:
        machine = {"wash": self.bath, "cure": self.unit}.get(step)
        equipment_id = values.pop("equipment_id", machine.pk if machine else None)
        return treatments.record_treatment(
            actor=self.tech,
            step=step,
            part_ids=[part.pk for part in parts],
            started_at=at,
            finished_at=at + timedelta(minutes=minutes),
            equipment_id=equipment_id,
            **values,
        ).thing

    def batch(self, at: datetime) -> FormingBatch:
        return forming.open_forming_batch(actor=self.tech, machine_id=self.former.pk, started_at=at).thing

    def form(self, batch: FormingBatch, part: Part, at: datetime, lot: Lot | None = None) -> Any:
        return forming.record_cycles(
            actor=self.tech,
            batch_id=batch.pk,
            cycles=[forming.Formed(part.pk, (lot or self.sheet_lot).pk, 30, at, pressure_bar=Decimal("3.5"))],
        )[0]

    def piece(self, at: datetime | None = None) -> Piece:
        """Printed, washed, cured and formed, a day after ``at``."""
        at = at or self.at()
        part = self.printed(at=at).parts.get()
        self.treat("wash", [part], at + timedelta(hours=3))
        self.treat("cure", [part], at + timedelta(hours=4))
        batch = self.batch(at + timedelta(days=1))
        cycle = self.form(batch, part, at + timedelta(days=1, minutes=5))
        forming.close_forming_batch(
            actor=self.tech, batch_id=batch.pk, finished_at=at + timedelta(days=1, minutes=30)
        )
        piece: Piece = cycle.pieces.get()
        return piece


def _printer(process: str, vat: str) -> dict[str, Any]:
    return {
        "printer": equipment.PrinterDetails(
            process, vat, "professional", Decimal("200"), Decimal("120"), Decimal("200")
        )
    }
