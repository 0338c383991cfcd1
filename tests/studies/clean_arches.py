"""Clean generated arches are silent, and every fault planted in one is found; a table for docs/accuracy.md.

    python -m tests.studies.clean_arches --arches 50 --seed 100 --faulty 10

Every row of every group counts, so a clean arch must pass as a whole. Open-bottomed arches stand straight on
the platform and are checked for a top-down vat: in a bottom-up one they seal a suction pocket, as they
should. The exit code is 1 where an arch speaks up or a fault is missed.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from typing import Any

import numpy as np

from fixtures.meshes import ArchForm, faults, make_arch, writers
from qa.geometry.check import DesignCheck, check_design
from qa.geometry.limits import SHIPPED
from qa.geometry.mesh import Mesh
from qa.geometry.reading import read_mesh
from qa.geometry.subject import CheckRequest, Sheet
from tests.studies.origin import commit

SHEETS = (None, Sheet("petg", 0.75), Sheet("eva", 3.0))
SPREAD = (
    "undercut_cm2", "undercut_max_mm", "areal_draw_ratio", "mean_sheet_left_mm", "height_mm",
    "forming_room_mm", "overhang_cm2", "largest_step_cm2", "contact_fraction", "contact_flatness_mm",
    "wall_min_mm", "wall_p05_mm", "solid_volume_ml",
)  # fmt: skip
BODIES = ("solid", "open-bottomed")


def checked(mesh: Mesh, **request: Any) -> DesignCheck:
    return check_design(read_mesh(writers.write_stl(mesh)), CheckRequest(**request), SHIPPED)


def form_of(index: int, seed: int) -> ArchForm:
    return ArchForm.invent(("upper", "lower")[index % 2], seed + index)  # type: ignore[arg-type]


def clean(index: int, seed: int) -> tuple[str, DesignCheck]:
    """A clean arch under a name: upper or lower, solid or open-bottomed, for one kind of sheet."""
    form, body = form_of(index, seed), BODIES[index // 2 % 2]
    vat = "bottom-up" if body == "solid" else "top-down"
    mesh = make_arch(form, body=body)  # type: ignore[arg-type]
    return f"{form.arch} {body} {seed + index}", checked(mesh, sheet=SHEETS[index % 3], vat=vat)


def loud(check: DesignCheck) -> list[str]:
    """The sentences of rows that do not pass."""
    return [f"{row.name}: {row.sentence}" for row in check.checks if row.verdict != "pass"]


@dataclass(frozen=True)
class Planted:
    """A fault, the row that must speak of it, and the figure that must tell its size within a tolerance."""

    name: str
    row: str
    fault: Any
    body: str = "solid"
    figure: str = ""
    size: float = 0.0
    within: float = 0.0

    def mesh(self, form: ArchForm) -> Mesh:
        if isinstance(self.fault, faults.CavityOpening):
            return make_arch(form, body="hollow", drains=(self.fault,))
        return make_arch(form, body=self.body, faults=(self.fault,))  # type: ignore[arg-type]

    def found(self, check: DesignCheck) -> bool:
        """Whether the row speaks up, or of an opening: whether it is told with its width."""
        size = check.figures.get(self.figure) if self.figure else None
        if self.figure and (size is None or abs(size - self.size) > self.within):
            return False
        return any(row.name == self.row and row.verdict in ("review", "fail") for row in check.checks)


def planted(form: ArchForm) -> tuple[Planted, ...]:
    """One of each kind, by the first molar."""
    tooth = 26 if form.arch == "upper" else 36
    return (
        Planted(
            "thin spot of 0.8 mm", "wall", faults.ThinSpot(tooth), "open-bottomed", "wall_min_mm", 0.8, 0.05
        ),
        Planted("hole of 3 mm", "open_edges", faults.MissingTriangles(tooth)),
        Planted("inverted patch of 4 mm", "winding", faults.InvertedPatch(tooth)),
        Planted("mid-air start", "mid_air", faults.MidAirStart(tooth)),
        Planted("base bowed by 0.2 mm", "base_flatness", faults.BowedBase(0.2)),
        Planted(
            "cavity opening of 1.2 mm",
            "drain",
            faults.CavityOpening(tooth, 1.2),
            figure="drain_min_mm",
            size=1.2,
            within=0.1,
        ),
    )


def silence(arches: int, seed: int) -> int:
    """Check the clean ones; how many speak up."""
    spread: dict[str, list[float]] = {name: [] for name in SPREAD}
    speaking = 0
    for index in range(arches):
        name, check = clean(index, seed)
        said = loud(check)
        speaking += bool(said)
        for sentence in said:
            print(f"{name}: {sentence}", flush=True)
        for figure, values in spread.items():
            if check.figures[figure] is not None:
                values.append(check.figures[figure])
    print(f"\nclean arches that speak up: {speaking} of {arches}\n\n| figure | least | median | most | n |")
    print("| --- | --- | --- | --- | --- |")
    for figure, values in spread.items():
        if values:
            least, middle, most = np.percentile(values, [0, 50, 100])
            print(f"| `{figure}` | {least:.3f} | {middle:.3f} | {most:.3f} | {len(values)} |", flush=True)
    return speaking


def search(arches: int, seed: int) -> int:
    """Plant one of each fault in each arch; how many are missed."""
    hits: dict[str, int] = {}
    for index in range(arches):
        form = form_of(index, seed)
        for one in planted(form):
            check = checked(one.mesh(form))
            hits[one.name] = hits.get(one.name, 0) + one.found(check)
            if not one.found(check):
                size = check.figures.get(one.figure) if one.figure else None
                print(f"{form.arch} {seed + index}: {one.name} missed (told {size})", flush=True)
    print("\n| planted | found |\n| --- | --- |")
    for name, count in hits.items():
        print(f"| {name} | {count} of {arches} |", flush=True)
    return sum(arches - count for count in hits.values())


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--arches", type=int, default=50)
    parser.add_argument("--faulty", type=int, default=10)
    parser.add_argument("--seed", type=int, default=100)
    options = parser.parse_args()
    print(f"commit {commit()}, seed {options.seed}", flush=True)
    missed = search(options.faulty, options.seed) if options.faulty else 0
    speaking = silence(options.arches, options.seed) if options.arches else 0
    return 1 if missed or speaking else 0


if __name__ == "__main__":
    sys.exit(main())
