"""Who may open what: every address of the installation, by role, as one table.

Each cell is asked for real, of things of the clinic *Harbour*, in a transaction that is rolled back. A
request carries an empty form or body, so that who may do a thing is told what is missing (mostly 422)
and nobody changes anything. ``in``: sent to the sign-in.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import timedelta
from decimal import Decimal
from http.cookies import SimpleCookie
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from django.db import transaction
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver, reverse
from django.utils import timezone
from PIL import Image

from cases.services.file_store import received_bytes
from fixtures.meshes.solids import box, turned
from fixtures.meshes.writers import write_stl
from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import TOKEN_SCOPES
from labtrack.accounts.services.tokens import make_token
from labtrack.errors import DomainError
from labtrack.jobs.services.run import run_job
from tests.cases.files import downloaded
from tests.production.shop import Shop
from tests.qa.pieces import finished_piece, release
from tests.qa.prints import compared, design_mesh, finished, printed_part, scan_of

pytestmark = pytest.mark.django_db

# Nobody signed in; staff of the clinic whose thing it is; staff of another clinic; the lab's roles.
WHO = ("stranger", "clinic", "other_clinic", "technician", "quality", "manager", "administrator")

TABLE = """
#                                       stranger clinic other tech quality manager admin
# open to all, and the first page
GET  home                                    in    200   200  200     200     200   200
GET  health                                 200    200   200  200     200     200   200
# people and their tokens
GET  accounts:sign-in                       200    302   302  302     302     302   302
POST accounts:sign-in                       422    422   422  422     422     422   422
POST accounts:sign-out                      302    302   302  302     302     302   302
GET  accounts:switch                         in    403   403  200     200     200   200
POST accounts:switch                         in    403   403  422     422     422   422
GET  accounts:own                            in    200   200  200     200     200   200
POST accounts:own                            in    422   422  422     422     422   422
GET  accounts:people                         in    403   403  403     403     403   200
GET  accounts:person-add                     in    403   403  403     403     403   200
POST accounts:person-add                     in    403   403  403     403     403   422
GET  accounts:person                         in    403   403  403     403     403   200
POST accounts:person                         in    403   403  403     403     403   422
POST accounts:person-active                  in    403   403  403     403     403   422
POST accounts:person-password                in    403   403  403     403     403   200
GET  accounts:tokens                         in    200   200  200     200     200   200
POST accounts:tokens                         in    422   422  422     422     422   422
POST accounts:token-revoke                   in    302   404  404     404     404   302
# the record
GET  audit:record                            in    403   403  403     200     200   200
# cases
GET  cases:list                              in    200   200  200     200     200   200
GET  cases:log                               in    200   200  200     200     200   403
POST cases:log                               in    422   422  422     422     422   403
GET  cases:case                              in    200   404  200     200     200   200
GET  cases:change                            in    200   404  200     200     200   403
POST cases:change                            in    422   404  422     422     422   403
POST cases:void                              in    422   404  422     422     422   403
POST cases:ask                               in    422   404  422     422     422   403
POST cases:answer                            in    422   404  422     422     422   403
POST cases:add-line                          in    422   404  422     422     422   403
GET  cases:appliance                         in    200   404  200     200     200   200
POST cases:cancel                            in    422   404  422     422     422   403
POST cases:remake                            in    422   404  422     422     422   403
GET  cases:meshes                            in    200   404  200     200     200   200
POST cases:meshes                            in    422   404  422     422     422   403
POST cases:assign                            in    422   404  422     422     422   403
GET  cases:mesh                              in    200   404  200     200     200   200
GET  cases:mesh-row                          in    200   404  200     200     200   200
GET  cases:mesh-file                         in    200   404  200     200     200   200
POST cases:restate                           in    422   404  422     422     422   403
POST cases:replace                           in    422   404  422     422     422   403
POST cases:withdraw                          in    422   404  422     422     422   403
GET  cases:clinics                           in    403   403  403     403     200   200
POST cases:clinics                           in    403   403  403     403     422   422
GET  cases:clinic                            in    403   403  403     403     200   200
POST cases:clinic                            in    403   403  403     403     422   422
# the shop
GET  production:bench                        in    403   403  200     200     200   200
GET  production:go                           in    403   403  302     302     302   302
GET  production:prepare                      in    403   403  200     200     200   403
POST production:prepare                      in    403   403  422     422     422   403
GET  production:plan                         in    403   403  200     200     200   403
POST production:plan                         in    403   403  422     422     422   403
GET  production:build                        in    403   403  200     200     200   200
POST production:build-start                  in    403   403  302     302     302   403
POST production:build-cancel                 in    403   403  422     422     422   403
POST production:build-record                 in    403   403  302     302     302   403
GET  production:new-run                      in    403   403  200     200     200   403
POST production:new-run                      in    403   403  422     422     422   403
GET  production:run                          in    403   403  200     200     200   200
POST production:run                          in    403   403  422     422     422   403
GET  production:new-batch                    in    403   403  200     200     200   403
POST production:new-batch                    in    403   403  422     422     422   403
GET  production:forming-batch                in    403   403  200     200     200   200
POST production:forming-batch                in    403   403  422     422     422   403
POST production:batch-close                  in    403   403  302     302     302   403
POST production:make-pieces                  in    403   403  422     422     422   403
GET  production:part                         in    403   403  200     200     200   200
POST production:part                         in    403   403  422     422     422   403
GET  production:piece                        in    403   403  200     200     200   200
POST production:piece-outcome                in    403   403  422     422     422   403
POST production:piece-step                   in    403   403  302     302     302   403
GET  production:pieces-step                  in    403   403  200     200     200   403
POST production:pieces-step                  in    403   403  422     422     422   403
GET  production:hand-over                    in    403   403  200     200     200   403
POST production:hand-over                    in    403   403  422     422     422   403
GET  production:fit                          in    200   404  200     200     200   403
POST production:fit                          in    422   404  422     422     422   403
GET  production:trace                        in    403   403  200     200     200   200
GET  production:trace-of                     in    403   403  200     200     200   200
GET  production:trace-csv                    in    403   403  200     200     200   200
GET  production:lab                          in    403   403  200     200     200   200
GET  production:equipment-add                in    403   403  200     200     200   200
POST production:equipment-add                in    403   403  422     422     422   422
GET  production:equipment                    in    403   403  200     200     200   200
POST production:equipment                    in    403   403  422     422     422   403
POST production:equipment-service            in    403   403  422     422     422   422
GET  production:materials                    in    403   403  200     200     200   200
GET  production:material-add                 in    403   403  200     200     200   200
POST production:material-add                 in    403   403  422     422     422   422
GET  production:material                     in    403   403  200     200     200   200
POST production:material                     in    403   403  422     422     422   422
POST production:approve                      in    403   403  403     302     302   403
GET  production:lot                          in    403   403  200     200     200   200
POST production:lot-change                   in    403   403  422     422     422   403
GET  production:combinations                 in    403   403  200     200     200   200
POST production:combinations                 in    403   403  403     422     422   403
POST production:combination-withdraw         in    403   403  403     422     422   403
GET  production:instructions                 in    403   403  200     200     200   200
GET  production:instruction                  in    403   403  200     200     200   200
GET  production:instruction-edit             in    403   403  403     200     200   403
POST production:instruction-edit             in    403   403  403     422     422   403
GET  production:holds                        in    403   403  200     200     200   200
POST production:hold-place                   in    403   403  422     422     422   403
POST production:hold-lift                    in    403   403  403     422     422   403
# quality
GET  qa:check                                in    200   404  200     200     200   200
POST qa:check-again                          in    302   404  302     302     302   403
POST qa:check-insertion                      in    422   404  422     422     422   403
GET  qa:preview                              in    200   404  200     200     200   200
GET  qa:map                                  in    200   404  200     200     200   200
GET  qa:check-profile                        in    200   404  200     200     200   200
GET  qa:series                               in    200   404  200     200     200   200
POST qa:series-again                         in    302   404  302     302     302   403
GET  qa:series-csv                           in    200   404  200     200     200   200
GET  qa:compare                              in    403   403  200     200     200   200
POST qa:compare                              in    403   403  422     422     422   403
GET  qa:comparison                           in    403   403  200     200     200   200
POST qa:comparison-again                     in    403   403  302     302     302   403
GET  qa:comparison-preview                   in    403   403  200     200     200   200
GET  qa:comparison-pictures              in    403   403  302     302     302   302
POST qa:comparison-pictures              in    403   403  302     302     302   403
GET  qa:comparison-pdf                       in    403   403  200     200     200   200
GET  qa:comparison-png                       in    403   403  200     200     200   200
GET  qa:comparison-csv                       in    403   403  200     200     200   200
GET  qa:landmarks                            in    403   403  200     200     200   200
POST qa:landmarks                            in    403   403  422     422     422   403
GET  qa:landmarks-csv                        in    403   403  200     200     200   200
GET  qa:calipers                             in    403   403  200     200     200   200
POST qa:calipers                             in    403   403  422     422     422   403
GET  qa:calipers-csv                         in    403   403  200     200     200   200
GET  qa:proofs                               in    403   403  200     200     200   200
POST qa:proofs                               in    403   403  422     422     422   403
GET  qa:proofs-of                            in    403   403  200     200     200   200
GET  qa:proofs-csv                           in    403   403  200     200     200   200
GET  qa:repeats                              in    403   403  200     200     200   200
GET  qa:repeats-csv                          in    403   403  200     200     200   200
GET  qa:limits                               in    403   403  200     200     200   200
POST qa:limits                               in    403   403  403     422     422   403
GET  qa:inspect                              in    403   403  200     200     200   200
POST qa:pass-many                            in    403   403  302     302     302   403
GET  qa:inspect-part                         in    403   403  200     200     200   403
POST qa:inspect-part                         in    403   403  422     422     422   403
GET  qa:inspect-piece                        in    403   403  200     200     200   403
POST qa:inspect-piece                        in    403   403  422     422     422   403
GET  qa:inspection                           in    403   403  200     200     200   200
GET  qa:photo                                in    403   403  200     200     200   200
GET  qa:kinds                                in    403   403  200     200     200   200
POST qa:kinds                                in    403   403  403     422     422   403
GET  qa:kind                                 in    403   403  403     200     200   403
POST qa:kind                                 in    403   403  403     422     422   403
GET  qa:release                              in    403   403  200     200     200   200
POST qa:sign                                 in    403   403  403     422     422   403
POST qa:concede                              in    403   403  403     422     422   403
POST qa:withdraw                             in    403   403  403     422     422   403
GET  qa:trends                               in    403   403  403     200     200   200
GET  qa:trend-records                        in    403   403  403     200     200   200
GET  qa:trend-csv                            in    403   403  403     200     200   200
POST qa:baseline-freeze                      in    403   403  403     422     422   403
POST qa:baseline-end                         in    403   403  403     302     302   403
GET  qa:this-week                            in    403   403  403     200     200   200
GET  qa:causes                               in    403   403  403     200     200   200
GET  qa:tanks                                in    403   403  403     200     200   200
GET  qa:late                                 in    403   403  403     200     200   200
GET  qa:platform                             in    403   403  403     200     200   200
GET  qa:cost                                 in    403   403  403     200     200   200
GET  qa:evidence-csv                         in    403   403  403     200     200   200
POST qa:costs                                in    403   403  403     403     422   403
POST qa:analyse-again                        in    403   403  403     302     302   302
POST qa:count-again                          in    403   403  403     302     302   302
GET  qa:planned                              in    403   403  403     200     200   200
GET  qa:plan-open                            in    403   403  403     200     200   403
POST qa:plan-open                            in    403   403  403     422     422   403
GET  qa:planned-one                          in    403   403  200     200     200   200
GET  qa:planned-csv                          in    403   403  200     200     200   200
GET  qa:planned-figures                      in    403   403  403     200     200   200
POST qa:planned-run                          in    403   403  422     422     422   403
POST qa:planned-close                        in    403   403  403     422     422   403
GET  qa:measuring-studies                    in    403   403  403     200     200   200
POST qa:measuring-studies                    in    403   403  403     422     422   403
GET  qa:study                                in    403   403  403     200     200   200
POST qa:study                                in    403   403  403     422     422   403
GET  qa:study-csv                            in    403   403  403     200     200   200
GET  qa:agreement-new                        in    403   403  403     200     200   403
POST qa:agreement-new                        in    403   403  403     422     422   403
GET  qa:agreement                            in    403   403  403     200     200   200
GET  qa:agreement-csv                        in    403   403  403     200     200   200
GET  qa:actions                              in    403   403  403     200     200   200
GET  qa:action-open                          in    403   403  403     200     200   403
POST qa:action-open                          in    403   403  403     422     422   403
GET  qa:action                               in    403   403  403     200     200   200
POST qa:action-close                         in    403   403  403     422     422   403
# the API, asked with a token of all scopes that the role may give; its description
GET  api-docs                                in    200   200  200     200     200   200
GET  api-schema                             200    200   200  200     200     200   200
GET  api-clinics                            401    200   200  200     200     200   200
GET  api-clinic                             401    200   404  200     200     200   200
GET  api-cases                              401    200   200  200     200     200   200
POST api-cases                              401    422   422  422     422     422   403
GET  api-case                               401    200   404  200     200     200   200
GET  api-appliances                         401    200   404  200     200     200   200
POST api-appliances                         401    422   404  422     422     422   403
GET  api-meshes                             401    200   404  200     200     200   200
POST api-meshes                             401    422   404  422     422     422   403
GET  api-mesh                               401    200   404  200     200     200   200
GET  api-builds                             401    403   403  200     200     200   200
POST api-builds                             401    403   403  422     422     422   403
GET  api-build                              401    403   403  200     200     200   200
POST api-build-start                        401    403   403  200     200     200   403
POST api-build-end                          401    403   403  409     409     409   403
GET  api-part                               401    403   403  200     200     200   200
GET  api-equipment                          401    403   403  200     200     200   200
GET  api-equipment-events                   401    403   403  200     200     200   200
POST api-equipment-events                   401    403   403  422     422     422   403
GET  api-mesh-check                         401    200   404  200     200     200   200
POST api-mesh-check                         401    200   404  200     200     200   403
GET  api-insertion                          401    200   404  200     200     200   200
POST api-insertion                          401    422   404  422     422     422   403
GET  api-mesh-layers                        401    200   404  200     200     200   200
GET  api-mesh-print-time                    401    403   403  200     200     200   200
GET  api-limits                             401    403   403  200     200     200   200
GET  api-limit-version                      401    403   403  200     200     200   200
GET  api-case-series                        401    200   404  200     200     200   200
GET  api-series                             401    200   404  200     200     200   200
GET  api-landmarks                          401    403   403  200     200     200   200
POST api-landmarks                          401    403   403  422     422     422   403
GET  api-comparisons                        401    403   403  200     200     200   200
POST api-comparisons                        401    403   403  422     422     422   403
GET  api-comparison                         401    403   403  200     200     200   200
GET  api-calipers                           401    403   403  200     200     200   200
POST api-calipers                           401    403   403  422     422     422   403
GET  api-proofs                             401    403   403  200     200     200   200
POST api-proofs                             401    403   403  422     422     422   403
GET  api-inspections                        401    403   403  200     200     200   200
POST api-inspections                        401    403   403  422     422     422   403
GET  api-evidence                           401    403   403  403     200     200   200
GET  api-trends                             401    403   403  403     200     200   200
GET  api-trend                              401    403   403  403     200     200   200
"""


@dataclass(frozen=True)
class Row:
    method: str
    name: str
    cells: dict[str, str]


def _rows(table: str) -> list[Row]:
    lines = [line.split() for line in table.splitlines() if line.strip() and not line.startswith("#")]
    return [Row(line[0], line[1], dict(zip(WHO, line[2:], strict=True))) for line in lines]


ROWS = _rows(TABLE)


@pytest.fixture
def world(actors: Any, settings: Any, tmp_path: Path) -> dict[str, dict[str, Any]]:
    """One of everything, all of it for the clinic Harbour; the arguments of each address that has any."""
    folder = tmp_path / "files"
    (folder / "incoming").mkdir(parents=True)
    settings.FILE_STORE = folder
    settings.FILE_UPLOAD_TEMP_DIR = str(folder / "incoming")
    # A worker's heartbeat is of another thread, which the test's own open transaction would keep waiting.
    settings.JOB_LEASE_S = 36_000
    shop = Shop(actors)
    case, mesh = _case_with_mesh(actors)
    run_job(mesh.checks.get().job_id)
    appliance = case.appliances.first()
    made = _case_arguments(case, appliance, mesh) | _shop_arguments(shop, actors) | _own_arguments(actors)
    return made | _measuring_arguments(shop, actors) | _evidence_arguments(actors)


def _case_with_mesh(actors: Any) -> tuple[Any, Any]:
    from cases.models import Clinic
    from cases.services.log_case import log_case
    from cases.services.meshes import attach_mesh
    from cases.services.order import LineOrder

    case = log_case(
        actor=actors.clinic,
        key="",
        clinic_id=Clinic.objects.get(code="harbour").pk,
        patient_code="H-17",
        prescriber="Dr Invented",
        lines=[LineOrder(kind="retainer", upper=1)],
    ).thing
    # Tilted, so that it faces down somewhere and the 3-D view has a map to show.
    slab = write_stl(turned(box(30.0, 20.0, 6.0).mesh, (0.0, 1.0, 0.0), 15.0))
    with received_bytes(slab, limit_bytes=10**6) as source:
        mesh = attach_mesh(
            actor=actors.clinic,
            key="",
            case_number=case.number,
            role="design",
            unit="mm",
            source=source,
            original_name="design.stl",
        ).thing
    return case, mesh


def _case_arguments(case: Any, appliance: Any, mesh: Any) -> dict[str, dict[str, Any]]:
    of_case = {"number": case.number}
    of_appliance = of_case | {"appliance_id": appliance.pk}
    of_mesh = of_case | {"mesh_id": mesh.pk}
    names = ("case", "change", "void", "ask", "answer", "add-line", "meshes", "assign")
    made: dict[str, dict[str, Any]] = {f"cases:{name}": of_case for name in names}
    made |= {f"cases:{name}": of_appliance for name in ("appliance", "cancel", "remake")}
    mesh_names = ("mesh", "mesh-row", "mesh-file", "restate", "replace", "withdraw")
    made |= {f"cases:{name}": of_mesh for name in mesh_names}
    made |= {
        f"qa:{name}": {"mesh_id": mesh.pk}
        for name in ("check", "check-again", "check-insertion", "preview", "check-profile")
    }
    of_series = of_case | {"line_id": appliance.line_id, "arch": appliance.arch}
    made |= {f"qa:{name}": of_series for name in ("series", "series-again", "series-csv")}
    made |= {
        "qa:map": {"mesh_id": mesh.pk, "name": mesh.checks.get().maps[0]["name"]},
        "cases:clinic": {"clinic_id": case.clinic_id},
        "api-clinic": {"code": case.clinic.code},
        "api-case": of_case,
        "api-appliances": of_case,
        "api-meshes": of_case,
        "api-mesh": of_mesh,
        "api-mesh-check": {"mesh_id": mesh.pk},
        "api-insertion": {"mesh_id": mesh.pk},
        "api-mesh-layers": {"mesh_id": mesh.pk},
        "api-mesh-print-time": {"mesh_id": mesh.pk},
        "api-limit-version": {"version": 1},
        "api-case-series": of_case,
        "api-series": of_series,
    }
    return made


def _shop_arguments(shop: Shop, actors: Any) -> dict[str, dict[str, Any]]:
    from production.services.combinations import qualify_combination
    from production.services.delivery import deliver
    from production.services.holds import place_hold
    from production.services.materials import record_material_instruction
    from qa.models import Defect, DefectKind
    from qa.services.inspections import FoundDefect, Look, record_inspection

    delivered = finished_piece(shop)
    released = release(actors, delivered).thing
    deliver(
        actor=shop.tech,
        case_id=delivered.appliance.case_id,
        piece_ids=[delivered.pk],
        handed_to="courier",
        occurred_at=None,
    )
    waiting = finished_piece(shop, shop.at(3))
    build = shop.plan(at=shop.at(6))
    part = shop.printed(at=shop.at(8)).parts.get()
    run = shop.treat("wash", [part], shop.at(8, hours=3))
    batch = shop.batch(shop.at(9))
    photo = BytesIO()
    Image.new("RGB", (40, 30), (200, 30, 30)).save(photo, "PNG")
    inspection = record_inspection(
        actor=shop.tech,
        step="inspect",
        look=Look(
            part_id=part.pk,
            verdict="fail",
            outcome="rework",
            defects=[FoundDefect("stuck-flake", photo=photo.getvalue())],
        ),
    )
    hold = place_hold(actor=shop.tech, held="part", held_id=part.pk, reason="to be looked at").thing
    instruction = record_material_instruction(
        actor=actors.quality,
        material_id=shop.filament.pk,
        document="Second edition",
        intended_use="model",
        tissue="none",
    ).thing
    combination = qualify_combination(
        actor=actors.quality,
        printer_id=shop.printer.pk,
        material_id=shop.model_resin.pk,
        profile_name="grey-50",
        wash_program="two baths",
        cure_program="warm",
        basis="a report",
    ).thing
    of_build, of_case = {"number": build.number}, {"number": waiting.appliance.case.number}
    of_equipment, of_trace = {"code": shop.tank.code}, {"kind": "part", "ref": str(part.number)}
    return {
        "production:build": of_build,
        "production:build-start": of_build,
        "production:build-cancel": of_build,
        "production:build-record": of_build,
        "production:new-run": {"step": "wash"},
        "production:run": {"pk": run.pk},
        "production:forming-batch": {"number": batch.number},
        "production:batch-close": {"number": batch.number},
        "production:part": {"number": part.number},
        "production:piece": {"number": waiting.number},
        "production:piece-outcome": {"number": waiting.number},
        "production:piece-step": {"number": waiting.number, "step": "trim"},
        "production:pieces-step": {"step": "trim"},
        "production:hand-over": of_case,
        "production:fit": {"number": delivered.number},
        "production:trace-of": of_trace,
        "production:trace-csv": of_trace,
        "production:equipment": of_equipment,
        "production:equipment-service": of_equipment,
        "production:material": {"code": shop.model_resin.code},
        "production:approve": {"instruction_id": instruction.pk},
        "production:lot": {"pk": shop.model_lot.pk},
        "production:lot-change": {"pk": shop.model_lot.pk},
        "production:combination-withdraw": {"pk": combination.pk},
        "production:instruction": {"step": "wash"},
        "production:instruction-edit": {"step": "wash"},
        "production:hold-lift": {"pk": hold.pk},
        "qa:inspect-part": {"part_id": part.pk},
        "qa:inspect-piece": {"piece_id": waiting.pk},
        "qa:inspection": {"inspection_id": inspection.pk},
        "qa:photo": {"defect_id": Defect.objects.get().pk},
        "qa:kind": {"kind_id": DefectKind.objects.first().pk},  # type: ignore[union-attr]
        "qa:release": of_case,
        "qa:sign": of_case,
        "qa:concede": of_case,
        "qa:withdraw": {"release_number": released.number},
        "qa:trend-csv": {"name": "weeks"},
        "api-build": of_build,
        "api-build-start": of_build,
        "api-build-end": of_build,
        "api-part": {"mark": part.mark},
        "api-equipment-events": of_equipment,
        "api-trend": {"name": "weeks"},
    }


def _device_study(actors: Any) -> int:
    from production.services.equipment import add_equipment
    from qa.services.studies import plan_study

    caliper = add_equipment(actor=actors.manager, code="CAL-ST", name="Caliper", kind="caliper").thing
    planned = plan_study(
        actor=actors.manager, key="", device_id=caliper.pk, characteristic="block", parts=2, trials=2
    )
    return planned.thing.pk


def _agreement(actors: Any) -> int:
    from qa.services.studies import judge_agreement

    pairs = [["1", "2"], ["2", "2"], ["4", "3"]]
    judged = judge_agreement(
        actor=actors.manager,
        key="",
        kind="methods",
        title="Two ways",
        first="a",
        second="b",
        pairs=pairs,
    )
    return judged.thing.pk


def _evidence_arguments(actors: Any) -> dict[str, dict[str, Any]]:
    """An open action, and an analysis that is computed."""
    from qa.choices import EvidenceUnit
    from qa.models import FrozenBaseline
    from qa.services.actions import open_action
    from qa.services.analyses import analysed
    from qa.services.planned_comparisons import plan_comparison

    today = timezone.localdate()
    action = open_action(
        actor=actors.manager,
        key="",
        what="Wash twice",
        responsible_id=actors.technician.user.pk,
        starts_on=today,
        check_on=today + timedelta(days=60),
        hoped_per_100=Decimal(2),
    ).thing
    plan = plan_comparison(
        actor=actors.manager,
        key="",
        title="Is Brook as good as Anvil?",
        kind="lost",
        arm_a="Brook",
        arm_b="Anvil",
        margin=3.0,
        blocks=2,
    ).thing
    run = plan.runs.first()
    assert run is not None
    study = {"study_id": _device_study(actors)}
    agreement = {"study_id": _agreement(actors)}
    of_plan = {"comparison_id": plan.pk}
    baseline = FrozenBaseline.objects.create(
        unit="part", measure="lost", start=today, end=today, note="quiet days", frozen_by=actors.manager.user
    )
    coming = analysed(actor=actors.manager, unit=EvidenceUnit.PART).coming
    assert coming is not None and coming.job is not None
    run_job(coming.job.pk)
    return {
        "qa:study": study,
        "qa:study-csv": study,
        "qa:agreement": agreement,
        "qa:agreement-csv": agreement,
        "qa:planned-one": of_plan,
        "qa:planned-csv": of_plan,
        "qa:planned-figures": of_plan,
        "qa:planned-close": of_plan,
        "qa:planned-run": {"run_id": run.pk},
        "qa:baseline-end": {"baseline_id": baseline.pk},
        "qa:action": {"action_id": action.pk},
        "qa:action-close": {"action_id": action.pk},
        "qa:evidence-csv": {"place": "cost", "name": "to-print"},
    }


def _measuring_arguments(shop: Shop, actors: Any) -> dict[str, dict[str, Any]]:
    """A print that was compared with its design."""
    part = printed_part(shop)
    row = finished(compared(actors.technician, part, scan_of(design_mesh())))
    of_row, of_design = {"pk": row.pk}, {"mesh_id": part.preparation.design_id}
    made = {
        f"qa:comparison{name}": of_row
        for name in ("", "-again", "-pictures", "-preview", "-pdf", "-png", "-csv")
    }
    of_printer, of_mark = {"code": shop.printer.code}, {"mark": part.mark}
    return made | {
        "qa:landmarks": of_design,
        "qa:landmarks-csv": of_design,
        "qa:calipers": {"number": part.number},
        "qa:calipers-csv": {"number": part.number},
        "qa:proofs-of": of_printer,
        "qa:proofs-csv": of_printer,
        "api-landmarks": of_design,
        "api-comparisons": of_mark,
        "api-comparison": of_row,
        "api-calipers": of_mark,
    }


def _own_arguments(actors: Any) -> dict[str, dict[str, Any]]:
    """A person, and a token that belongs to the staff of Harbour."""
    token = _token(actors.clinic.user, ["cases:read"]).token
    of_person = {"user_id": actors.technician.user.pk}
    return {
        "accounts:person": of_person,
        "accounts:person-active": of_person,
        "accounts:person-password": of_person,
        "accounts:token-revoke": {"token_id": token.pk},
    }


def _token(user: Any, scopes: list[str]) -> Any:
    return make_token(
        actor=Actor(user),
        key="",
        name="a script",
        scopes=scopes,
        expires_at=timezone.now() + timedelta(days=30),
    )


class Asker:
    """Sends requests as one person, by page and by token, and undoes what they did."""

    def __init__(self, user: Any, api_client: Callable[..., Any], scopes: list[str] | None = None) -> None:
        self.client = Client()
        if user is not None:
            self.client.force_login(user)
        self.cookies = self.client.cookies.output(attrs=[], header="")
        self.api = api_client(user, scopes)

    def ask(self, method: str, name: str, arguments: dict[str, Any]) -> Any:
        url = reverse(name, kwargs=arguments)
        self.client.cookies = SimpleCookie(self.cookies)
        with transaction.atomic():
            answer = self._send(method, url)
            if answer.streaming:
                downloaded(answer)
            transaction.set_rollback(True)
        return answer

    def _send(self, method: str, url: str) -> Any:
        if url.startswith("/api/v1/"):
            return self.api.get(url) if method == "GET" else self.api.post_json(url, {})
        return (
            self.client.get(url) if method == "GET" else self.client.post(url, {"submission_key": "matrix"})
        )


def _said(answer: Any) -> str:
    if answer.status_code == 302 and answer["Location"].startswith("/sign-in/?next="):
        return "in"
    return str(answer.status_code)


def _addresses(patterns: list[Any], space: str = "") -> Iterator[tuple[str, Any]]:
    """Every address of the resolver: its name with its namespace, and what answers."""
    for pattern in patterns:
        if isinstance(pattern, URLResolver):
            spaces = [each for each in (space, pattern.namespace) if each]
            yield from _addresses(pattern.url_patterns, ":".join(spaces))
        else:
            assert isinstance(pattern, URLPattern)
            yield f"{space}:{pattern.name}" if space else str(pattern.name), pattern.callback


ADDRESSES = dict(_addresses(get_resolver().url_patterns))


def test_every_address_is_in_the_table_and_no_other() -> None:
    assert {row.name for row in ROWS} == set(ADDRESSES)
    keys = [(row.method, row.name) for row in ROWS]
    assert len(keys) == len(set(keys))


def test_every_method_of_the_api_is_in_the_table() -> None:
    methods = {
        (method.upper(), name)
        for name, view in ADDRESSES.items()
        if hasattr(view, "cls")
        for method in ("get", "post", "put", "patch", "delete")
        if hasattr(view.cls, method)
    }
    assert methods == {(row.method, row.name) for row in ROWS if hasattr(ADDRESSES[row.name], "cls")}


def test_a_method_that_is_not_in_the_table_is_answered_405(
    world: dict[str, dict[str, Any]], people: Any, api_client: Callable[..., Any]
) -> None:
    asker = Asker(people.manager, api_client)
    known = {(row.method, row.name) for row in ROWS}
    wrong = []
    for name in ADDRESSES:
        for method in ("GET", "POST"):
            if (method, name) not in known:
                said = _said(asker.ask(method, name, world.get(name, {})))
                if said != "405":
                    wrong.append(f"{method} {name}: {said}")
    assert wrong == []


def test_each_person_gets_what_the_table_says(
    world: dict[str, dict[str, Any]], people: Any, api_client: Callable[..., Any]
) -> None:
    wrong = []
    for who in WHO:
        asker = Asker(getattr(people, who, None), api_client)
        for row in ROWS:
            said = _said(asker.ask(row.method, row.name, world.get(row.name, {})))
            if said != row.cells[who]:
                wrong.append(f"{who}, {row.method} {row.name}: {said}, not {row.cells[who]}")
    assert wrong == []


# Addresses of things that belong to a clinic, and of whom everybody may see their own only.
OF_A_CLINIC = [row for row in ROWS if row.cells["other_clinic"] == "404"]


def test_another_clinics_thing_answers_as_one_that_is_not_there(
    world: dict[str, dict[str, Any]], people: Any, api_client: Callable[..., Any]
) -> None:
    """Status and words: nothing tells a stranger that there is something."""
    asker = Asker(people.other_clinic, api_client)
    assert len(OF_A_CLINIC) > 30
    told = []
    for row in OF_A_CLINIC:
        theirs = asker.ask(row.method, row.name, world[row.name])
        nothing = {name: _nowhere(value) for name, value in world[row.name].items()}
        absent = asker.ask(row.method, row.name, nothing)
        if (absent.status_code, _words(absent)) != (404, _words(theirs)):
            told.append(f"{row.method} {row.name}")
    assert told == []


def _nowhere(value: Any) -> Any:
    return 987_654 if isinstance(value, int) else "nowhere"


def _words(answer: Any) -> str:
    """The answer without what differs between any two: addresses and secrets of forms."""
    text = re.sub(r'value="[^"]*"|"X-CSRFToken": "\w+"|/[\w/-]*/[\w./-]*', "", answer.content.decode())
    return re.sub(r"987654|nowhere", "", text)


def _api_needs() -> list[tuple[str, str, str]]:
    """Every method of the API with the scope that it names itself."""
    needs = []
    for row in ROWS:
        view = getattr(ADDRESSES[row.name], "cls", None)
        if view is not None and row.name != "api-schema":
            needs.append((row.method, row.name, view.method_scopes.get(row.method, view.required_scope)))
    return needs


def test_a_token_opens_what_its_scope_says_and_no_more(
    world: dict[str, dict[str, Any]], people: Any, api_client: Callable[..., Any]
) -> None:
    for scope in TOKEN_SCOPES:
        _opens_its_own_alone(str(scope), world, people, api_client)


def _opens_its_own_alone(
    scope: str, world: dict[str, dict[str, Any]], people: Any, api_client: Callable[..., Any]
) -> None:
    asker = Asker(people.manager, api_client, [scope])
    opened = 0
    for method, name, needed in _api_needs():
        answer = asker.ask(method, name, world.get(name, {}))
        if needed == scope:
            assert answer.status_code != 403, (scope, method, name)
            opened += 1
            continue
        assert answer.status_code == 403, (scope, method, name)
        assert answer["Content-Type"] == "application/problem+json"
        problem = answer.json()
        assert (problem["status"], problem["code"]) == (403, "scope-missing")
        assert str(needed) in problem["detail"]
    assert opened > 0, scope


@pytest.mark.parametrize("scope", ["release", "limits", "people", "audit:read", "everything"])
def test_no_token_carries_what_stays_with_people(scope: str, people: Any) -> None:
    with pytest.raises(DomainError):
        _token(people.manager, [scope])


def test_no_token_carries_more_than_its_owner_may(people: Any) -> None:
    with pytest.raises(DomainError):
        _token(people.clinic, ["shop:read"])


def test_a_token_of_somebody_who_lost_the_role_does_no_more_than_the_new_one(
    people: Any, api_client: Callable[..., Any]
) -> None:
    client = api_client(people.technician, ["shop:read"])
    assert client.get(reverse("api-builds")).status_code == 200
    people.technician.role = "clinic"
    people.technician.save()
    assert client.get(reverse("api-builds")).status_code == 403


@pytest.mark.parametrize("secret", ["fl_unknown", "fl_", "ä"])
def test_an_unknown_token_is_401_with_a_problem(secret: str, db: None) -> None:
    answer = Client(headers={"Authorization": f"Bearer {secret}"}).get(reverse("api-cases"))
    assert answer.status_code == 401
    assert answer["Content-Type"] == "application/problem+json"
    assert answer["WWW-Authenticate"].startswith("Bearer")
    assert answer.json()["detail"]
