"""Compare a scan of a print with its design, from two files, without a database."""

from __future__ import annotations

import json
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand

from qa.geometry.compare import CompareRequest, Comparison, compare_print
from qa.geometry.distances import LandmarkSheet, read_sheet
from qa.geometry.errors import GeometryError
from qa.geometry.reading import UNITS, ReadMesh, read_mesh

UNREADABLE = 2


class Command(BaseCommand):
    """``compare_print DESIGN SCAN``: exit 0 with any verdict, 2 with a sentence on unreadable input."""

    help = "Compare a scan of a printed part with its design and judge it."
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: ArgumentParser) -> None:
        """The command line."""
        parser.add_argument("design", type=Path, metavar="DESIGN", help="the design (STL, PLY, OBJ or 3MF)")
        parser.add_argument("scan", type=Path, metavar="SCAN", help="the scan of the print")
        parser.add_argument("--json", action="store_true", help="print the whole answer as JSON")
        parser.add_argument(
            "--unit", choices=UNITS, default="mm", help="unit of the files that state none (default mm)"
        )
        parser.add_argument("--tolerance-mm", type=float, default=0.25, help="tolerance (default 0.25)")
        parser.add_argument(
            "--uncertainty-mm",
            type=float,
            default=0.02,
            help="expanded uncertainty (k = 2) of the scanner (default 0.02)",
        )
        parser.add_argument(
            "--candidates", type=Path, nargs="+", default=[], metavar="DESIGN", help="other designs it may be"
        )
        parser.add_argument(
            "--landmarks",
            type=Path,
            metavar="CSV",
            help="name,x_mm,y_mm,z_mm in the design's frame; below them distance,from,to",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        """Run; a refusal ends with exit code 2 and its sentence on standard error."""
        try:
            found = _compare(options)
        except GeometryError as refusal:
            self.stderr.write(refusal.sentence)
            raise SystemExit(UNREADABLE) from refusal
        if options["json"]:
            self.stdout.write(json.dumps(found.as_json(), allow_nan=False))
        else:
            self.stdout.write(spoken(found))


def _compare(options: dict[str, Any]) -> Comparison:
    # The unit is what the scan's numbers are in; a design that came from a design program is in mm.
    design = _read(options["design"], "mm", "design")
    scan = _read(options["scan"], options["unit"], "scan")
    names = _names([options["design"], *options["candidates"]])
    candidates = {
        name: _read(path, "mm", "candidate")
        for name, path in zip(names[1:], options["candidates"], strict=True)
    }
    request = CompareRequest(
        tolerance_mm=options["tolerance_mm"],
        uncertainty_mm=options["uncertainty_mm"],
        landmarks=_sheet(options["landmarks"]),
        design_name=names[0],
    )
    return compare_print(design, scan, request, candidates)


def _read(path: Path, unit: str, role: str) -> ReadMesh:
    try:
        return read_mesh(path, unit=unit)
    except GeometryError as refusal:
        raise GeometryError(refusal.code, f"The {role} {path.name}: {refusal.sentence}") from refusal


def _names(paths: list[Path]) -> list[str]:
    """File names where they differ, whole paths where they do not."""
    names = [path.name for path in paths]
    return names if len(set(names)) == len(names) else [str(path) for path in paths]


def _sheet(path: Path | None) -> LandmarkSheet | None:
    if path is None:
        return None
    try:
        return read_sheet(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as trouble:
        raise GeometryError(
            "landmarks", f"The landmark list {path.name} cannot be read as text; save it as CSV in UTF-8."
        ) from trouble


def spoken(found: Comparison) -> str:
    """The answer for a person, a few lines."""
    best = f" ({found.identity.best})" if found.identity.best else ""
    lines = [
        f"registered: {'yes' if found.registered else 'no'} (margin {found.margin:.1f})",
        f"identity:   {found.identity.verdict}{best}",
        f"verdict:    {found.verdict}",
        found.reason,
    ]
    if found.working.n:
        lines.append(
            f"working surface: mean {found.working.mean_mm:+.3f} mm, SD {found.working.sd_mm:.3f} mm, "
            f"95 % within {found.working.p95_abs_mm:.3f} mm, n = {found.working.n}"
        )
    lines += [
        f"{one.name}: {one.size:+.3f} {one.unit} ({one.ci95[0]:+.3f} to {one.ci95[1]:+.3f}) {one.verdict}"
        for one in found.pattern
    ]
    lines += [
        f"{one.name}: design {one.design_mm:.3f} mm, scan {one.scan_mm:.3f} mm, {one.verdict}"
        for one in found.distances
    ]
    return "\n".join(lines)
