"""``manage.py check_design MESH``: check one mesh from a file, without a database."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand

from qa.geometry.check import DesignCheck, check_design
from qa.geometry.errors import GeometryError
from qa.geometry.limits import SHIPPED, LimitSet
from qa.geometry.reading import UNITS, read_mesh
from qa.geometry.subject import ROLES, VATS, CheckRequest, Sheet

_WORDS = {"pass": "pass", "review": "review", "fail": "FAIL", "unknown": "cannot tell"}


class Command(BaseCommand):
    """Exit 0 with any verdict; 2 with a sentence when the mesh or an option cannot be read."""

    help = "Check a mesh before it is printed, and say what to do. Needs no database."
    requires_system_checks: list[str] = []
    requires_migrations_checks = False

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Declare the options."""
        parser.add_argument("mesh", type=Path, help="an STL, PLY, OBJ or 3MF file")
        parser.add_argument("--json", action="store_true", dest="as_json", help="print one JSON object")
        parser.add_argument("--limits", default="shipped", help="'shipped', or a JSON file with a limit set")
        parser.add_argument("--unit", choices=UNITS, help="unit of the file's numbers (mm when not given)")
        parser.add_argument("--layer-mm", type=float, default=0.05, help="layer thickness in mm")
        parser.add_argument("--sheet", help="sheet to be formed over it, MATERIAL:MM")
        parser.add_argument("--insertion", help="direction the appliance comes off, x,y,z")
        parser.add_argument("--up", default="0,0,1", help="direction away from the platform, x,y,z")
        parser.add_argument("--vat", choices=VATS, default="bottom-up", help="kind of vat")
        parser.add_argument("--role", choices=ROLES, default="design", help="what the mesh is")

    def handle(self, *args: Any, **options: Any) -> None:
        """Read, check and print."""
        try:
            request = CheckRequest(
                role=options["role"],
                layer_mm=options["layer_mm"],
                up=_direction(options["up"]),
                vat=options["vat"],
                sheet=_sheet(options["sheet"]) if options["sheet"] else None,
                insertion=_direction(options["insertion"]) if options["insertion"] else None,
            )
            limits = _limits(options["limits"])
            read = read_mesh(options["mesh"], unit=options["unit"])
            result = check_design(read, request, limits)
        except GeometryError as error:
            self.stderr.write(error.sentence)
            raise SystemExit(2) from None
        if options["as_json"]:
            self.stdout.write(json.dumps(result.as_json(), allow_nan=False))
        else:
            self.stdout.write(as_text(result, options["mesh"].name))


def as_text(result: DesignCheck, name: str) -> str:
    """The verdict, then every row, the ones that matter first, then the figures."""
    order = ["fail", "unknown", "review", "pass"]
    lines = [f"{name}: {_WORDS[result.verdict]} ({result.engine})", ""]
    for check in sorted(result.checks, key=lambda check: order.index(check.verdict)):
        lines.append(f"{_WORDS[check.verdict]:>11}  {check.sentence}")
        if check.limit is not None:
            limit = check.limit
            lines.append(
                f"{'':>13}limit {limit.value:g} {limit.unit} ({limit.source}, version {limit.version})"
            )
    lines.append("")
    lines += [f"{key:>36}  {_shown(value)}" for key, value in result.figures.items()]
    return "\n".join(lines)


def _shown(value: Any) -> str:
    if value is None:
        return "cannot tell"
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, list):
        return ", ".join(_shown(each) for each in value) or "none"
    return str(value)


def _direction(text: str) -> tuple[float, float, float]:
    try:
        x, y, z = (float(word) for word in text.split(","))
    except ValueError:
        raise GeometryError("direction", f"'{text}' is no direction; write it as x,y,z.") from None
    return (x, y, z)


def _sheet(text: str) -> Sheet:
    material, _, thickness = text.rpartition(":")
    try:
        thickness_mm = float(thickness)
    except ValueError:
        thickness_mm = 0.0
    if not material or not 0 < thickness_mm <= 10:
        raise GeometryError("sheet", f"'{text}' is no sheet; write it as MATERIAL:MM, for example petg:0.75.")
    return Sheet(material, thickness_mm)


def _limits(name: str) -> LimitSet:
    if name == SHIPPED.name:
        return SHIPPED
    try:
        return LimitSet.from_json(json.loads(Path(name).read_text(encoding="utf-8")))
    except OSError:
        raise GeometryError(
            "limit", f"There is no limit set '{name}': use 'shipped' or the path of a JSON file."
        ) from None
    except ValueError:
        raise GeometryError("limit", f"'{name}' is no JSON file with a limit set.") from None
