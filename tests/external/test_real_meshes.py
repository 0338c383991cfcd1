"""Real meshes, not made by the project (MIT and BSD-3-Clause; origins in the README beside them).

Facts about them are those stated in that README, each agreed on by two libraries there.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from qa.geometry.check import CheckRequest, DesignCheck, check_design
from qa.geometry.limits import SHIPPED
from qa.geometry.preview import make_preview
from qa.geometry.reading import read_mesh

FOLDER = Path(__file__).parents[3] / "shared" / "data"
NAMES = (
    "arch_upper.obj", "arch_upper_other.obj", "arch_lower.obj", "molar_on_stump.stl",
    "binary_with_solid_header.stl", "ascii_messy.stl",
)  # fmt: skip


def real(name: str) -> Path:
    path = FOLDER / name
    if not path.exists():
        pytest.skip(f"the real mesh {name} is not beside the repository")
    return path


def checked(name: str, **request: object) -> DesignCheck:
    return check_design(read_mesh(real(name)), CheckRequest(**request), SHIPPED)  # type: ignore[arg-type]


def verdict(check: DesignCheck, name: str) -> str:
    return next(row.verdict for row in check.checks if row.name == name)


@pytest.mark.parametrize(("name", "triangles"), [("arch_upper.obj", 85_232), ("arch_lower.obj", 83_262)])
def test_an_arch_of_crowns_is_fourteen_closed_bodies_without_a_base(name: str, triangles: int) -> None:
    check = checked(name)
    figures = check.figures
    assert figures["triangles"] == triangles
    assert figures["bodies"] == 14
    assert figures["watertight"] is True
    assert figures["inverted_bodies"] == 0
    assert figures["unit_guess"] == "mm"
    assert verdict(check, "base_contact") == "fail"
    assert check.verdict == "fail"


@pytest.mark.parametrize("up", [(0, 1, 0), (0, -1, 0), (1, 0, 0), (0, 0, -1)])
def test_crowns_stand_on_nothing_however_they_are_turned(up: tuple[int, int, int]) -> None:
    assert verdict(checked("arch_upper.obj", up=up), "base_contact") != "pass"


def test_the_stump_holds_its_stated_volume_and_is_not_flat() -> None:
    check = checked("molar_on_stump.stl")
    assert check.figures["volume_ml"] * 1000 == pytest.approx(526.449, abs=0.0005)
    assert check.figures["bodies"] == 1
    assert check.figures["watertight"] is True
    assert verdict(check, "base_contact") == "fail"
    assert check.figures["base_tilt_deg"] == pytest.approx(20.0, abs=1.0)
    assert check.figures["contact_flatness_mm"] > 0.3


def test_the_solid_header_with_a_stray_byte_is_288_triangles() -> None:
    read = read_mesh(real("binary_with_solid_header.stl"))
    assert (read.format, read.triangles) == ("stl-binary", 288)


def test_the_messy_file_is_reported() -> None:
    check = checked("ascii_messy.stl")
    figures = check.figures
    assert (figures["triangles"], figures["bodies"], figures["degenerate_faces"]) == (1368, 18, 56)
    assert figures["watertight"] is False
    assert figures["open_edges"] > 0
    assert figures["mixed_winding_edges"] > 0
    assert check.verdict == "fail"
    assert verdict(check, "unit") == "review"


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("role", ["design", "prepared", "patient-scan"])
def test_every_real_mesh_gets_an_answer_in_every_role(name: str, role: str) -> None:
    check = checked(name, role=role)
    assert check.verdict in ("pass", "review", "fail", "unknown")
    if role == "design":
        assert check.verdict != "pass"


@pytest.mark.parametrize("name", NAMES)
def test_every_real_mesh_gets_a_preview(name: str) -> None:
    preview = make_preview(read_mesh(real(name)).mesh, max_triangles=20_000)
    assert 0 < len(preview.faces) <= 20_000
