"""The whole check: verdicts, roles, units, honest refusals, JSON that is JSON."""

from __future__ import annotations

import json

import numpy as np
import pytest

from fixtures.meshes import ArchForm, faults, make_arch, writers
from fixtures.meshes.solids import (
    bowl,
    box,
    box_with_cavity,
    flipped,
    joined,
    moved,
    shell,
    sphere,
    stepped_cone,
    tilted_slab,
    torus,
    wedge,
)
from qa.geometry.check import GROUPS, CheckRequest, DesignCheck, check_design
from qa.geometry.errors import GeometryError
from qa.geometry.limits import SHIPPED
from qa.geometry.mesh import Mesh
from qa.geometry.reading import read_mesh
from qa.geometry.subject import Platform
from qa.geometry.verdicts import jsonable, worst

KEYS = [
    "triangles", "bodies", "watertight", "open_edges", "nonmanifold_edges", "inverted_bodies", "volume_ml",
    "area_cm2", "size_mm", "unit_guess", "contact_fraction", "contact_flatness_mm", "base_tilt_deg",
    "layers", "max_layer_area_cm2", "mid_air_starts", "self_intersections", "degenerate_faces",
    "union_volume_ml", "overhang_cm2", "largest_step_cm2", "height_mm", "hollow", "wall_min_mm",
    "wall_p01_mm", "wall_p05_mm", "wall_below_limit_cm2", "cavities", "sealed_cavities", "drain_min_mm",
    "trapped_ml", "trapped_after_turning_ml", "suction_pocket_ml", "suction_from_mm", "solid_volume_ml",
]  # fmt: skip


def checked(mesh: Mesh, unit: str | None = None, **request: object) -> DesignCheck:
    read = read_mesh(writers.write_ply(mesh), unit=unit)
    return check_design(read, CheckRequest(**request), SHIPPED)  # type: ignore[arg-type]


def verdict(check: DesignCheck, name: str) -> str:
    return next(row.verdict for row in check.checks if row.name == name)


def test_every_promised_figure_is_there_and_is_json() -> None:
    check = checked(box().mesh)
    assert set(KEYS) <= set(check.figures)
    text = json.dumps(check.as_json(), allow_nan=False)
    assert list(json.loads(text)) == ["verdict", "engine", "figures", "checks", "sections"]
    for row in json.loads(text)["checks"]:
        assert list(row) == ["name", "verdict", "value", "unit", "limit", "sentence"]
        assert row["sentence"].endswith(".")
        assert row["limit"] is None or list(row["limit"]) == ["value", "unit", "source", "version"]


def test_names_of_rows_are_different() -> None:
    for role in ("design", "prepared", "patient-scan"):
        names = [row.name for row in checked(box().mesh, role=role).checks]
        assert len(names) == len(set(names))


@pytest.mark.parametrize(
    "solid",
    [box(), torus(), stepped_cone(), bowl(), wedge(), box_with_cavity(), tilted_slab()],
    ids=["box", "torus", "cone", "bowl", "wedge", "cavity", "slab"],
)
def test_volume_and_area_are_exact_on_solids_of_flat_faces(solid: object) -> None:
    figures = checked(solid.mesh).figures  # type: ignore[attr-defined]
    assert figures["volume_ml"] * 1000 == pytest.approx(solid.volume_mm3, rel=1e-9)  # type: ignore[attr-defined]
    assert figures["area_cm2"] * 100 == pytest.approx(solid.area_mm2, rel=1e-9)  # type: ignore[attr-defined]
    assert figures["union_volume_ml"] == pytest.approx(figures["volume_ml"])


def test_a_cavity_is_no_inverted_body_but_a_lone_inverted_body_is() -> None:
    assert checked(shell(10.0, 2.0, 3).mesh).figures["inverted_bodies"] == 0
    inside_out = checked(flipped(box(30, 20, 10).mesh))
    assert inside_out.figures["inverted_bodies"] == 1
    assert inside_out.figures["volume_ml"] == pytest.approx(-6.0)
    assert inside_out.figures["max_layer_area_cm2"] == pytest.approx(6.0)
    assert inside_out.verdict == "fail"
    solid_in_solid = checked(joined(sphere(12.0, 3).mesh, sphere(5.0, 3).mesh))
    assert solid_in_solid.figures["inverted_bodies"] == 1


def test_an_open_mesh_never_passes_and_says_why() -> None:
    mesh = box(30, 20, 10).mesh
    for missing in range(len(mesh.faces)):
        check = checked(Mesh(mesh.vertices, np.delete(mesh.faces, missing, axis=0)))
        assert check.verdict == "fail"
        assert check.figures["watertight"] is False
        assert check.figures["volume_ml"] is None
        assert verdict(check, "volume") == "unknown"
        assert check.figures["area_cm2"] > 0


def test_planted_faults_are_named() -> None:
    form = ArchForm.invent("upper", 7)
    hole = checked(make_arch(form, faults=(faults.MissingTriangles(26),)))
    assert verdict(hole, "open_edges") == "fail"
    patch = checked(make_arch(form, faults=(faults.InvertedPatch(26),)))
    assert verdict(patch, "winding") == "fail"
    assert patch.figures["mixed_winding_edges"] > 0
    hanging = checked(make_arch(form, faults=(faults.MidAirStart(26),)))
    assert verdict(hanging, "mid_air") == "review"
    prepared = checked(make_arch(form, faults=(faults.MidAirStart(26),)), role="prepared")
    assert verdict(prepared, "mid_air") == "fail"


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("arch", ["upper", "lower"])
def test_clean_arches_are_silent(arch: str, seed: int) -> None:
    body = ("solid", "open-bottomed")[seed % 2]
    check = checked(make_arch(ArchForm.invent(arch, seed), body=body))  # type: ignore[arg-type]
    mine = {"surface", "size", "contact", "walls", "inside", "layers", "forming"}
    assert mine <= set(check.groups)
    loud = {row.name: row.sentence for row in check.checks if row.verdict != "pass" and row.name in OWN}
    assert loud == {}
    # A ring straight on the platform seals; a solid arch makes none.
    (suction,) = (row.verdict for row in check.checks if row.name == "suction")
    assert suction == ("review" if body == "open-bottomed" else "pass")


OWN = {
    "open_edges", "bodies", "winding", "inside_out", "nonmanifold_edges", "useless_triangles",
    "self_intersections", "unit", "volume", "base_contact", "base_flatness", "base_tilt", "layer_area",
    "mid_air", "layer_step", "overhang", "supports", "forming", "forming_height", "forming_room", "undercut",
    "wall", "sealed_cavities", "drain", "trapped",
}  # fmt: skip


def test_a_patient_scan_is_judged_by_its_own_set() -> None:
    mesh = make_arch(ArchForm.invent("upper", 4))
    heights = mesh.corners()[:, :, 2].min(axis=1)
    scan = Mesh(mesh.vertices, mesh.faces[heights > 6.0])
    check = checked(scan, role="patient-scan")
    assert check.verdict == "pass"
    assert check.figures["watertight"] is False
    assert "contact_fraction" not in check.figures
    assert check.figures["undercut_cm2"] is None
    assert check.figures["scan_holes"] == 0
    assert check.figures["scan_edge_mm"] > 100.0
    inside_out = checked(flipped(scan), role="patient-scan")
    assert verdict(inside_out, "inside_out") == "review"
    holed = np.linalg.norm(
        scan.corners().mean(axis=1) - scan.corners().mean(axis=1)[len(scan.faces) // 2], axis=1
    )
    assert verdict(
        checked(Mesh(scan.vertices, scan.faces[holed > 3.0]), role="patient-scan"), "scan_holes"
    ) == ("review")


def test_what_is_missing_in_a_scan_is_measured() -> None:
    """A square hole of 6 mm in a plane of 40 mm: 0.36 cm2 missing, 8.49 mm from corner to corner."""
    grid = np.linspace(-20.0, 20.0, 41)
    x, y = np.meshgrid(grid, grid, indexing="ij")
    corner = (np.arange(40)[:, None] * 41 + np.arange(40)).ravel()
    faces = np.vstack([np.column_stack([corner, corner + 41, corner + 42]),
                       np.column_stack([corner, corner + 42, corner + 1])])  # fmt: skip
    plane = Mesh(np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)]), faces.astype(np.int32))
    inside = np.abs(plane.corners().mean(axis=1)[:, :2]).max(axis=1) < 3.0
    check = checked(Mesh(plane.vertices, plane.faces[~inside]), role="patient-scan")
    figures = check.figures
    assert figures["scan_holes"] == 1
    assert figures["scan_missing_cm2"] == pytest.approx(0.36)
    assert figures["scan_hole_max_mm"] == pytest.approx(6.0 * np.sqrt(2.0))
    assert figures["scan_edge_mm"] == pytest.approx(160.0)
    assert verdict(check, "scan_missing") == "review"
    two = joined(plane, moved(plane, (60.0, 0.0, 0.0)))
    pieces = checked(two, role="patient-scan")
    assert pieces.figures["scan_holes"] == 0  # each piece has an edge of its own
    assert verdict(pieces, "scan_pieces") == "review"


@pytest.mark.parametrize(
    ("scale", "guess"), [(1.0, "mm"), (0.1, "cm"), (0.001, "m"), (1 / 25.4, "inch"), (1000.0, None)]
)
def test_the_unit_is_guessed_and_asked_for_never_applied(scale: float, guess: str | None) -> None:
    mesh = box(62.0, 50.0, 20.0).mesh
    check = checked(Mesh(mesh.vertices * scale, mesh.faces))
    assert check.figures["unit_guess"] == guess
    assert check.figures["size_mm"] == pytest.approx([62.0 * scale, 50.0 * scale, 20.0 * scale])
    assert verdict(check, "unit") == ("pass" if scale == 1.0 else "review")


def test_a_part_fits_turned_by_a_quarter_or_not_at_all() -> None:
    mesh = box(100.0, 60.0, 20.0).mesh
    small, tall = Platform("small", 62.0, 110.0, 150.0), Platform("low", 200.0, 200.0, 15.0)
    assert checked(mesh, platforms=(small, tall)).figures["fits_platforms"] == ["small"]
    assert verdict(checked(mesh, platforms=(tall,)), "fits") == "fail"
    assert checked(mesh, consumption_factor=1.25).figures["resin_ml"] == pytest.approx(150.0)


def test_overlapping_bodies_count_once_in_the_union() -> None:
    mesh = joined(box(20, 20, 10).mesh, moved(box(20, 20, 10).mesh, (10.0, 0.0, 0.0)))
    figures = checked(mesh).figures
    assert figures["volume_ml"] == pytest.approx(8.0)
    assert figures["union_volume_ml"] == pytest.approx(6.0, rel=0.001)
    assert figures["max_layer_area_cm2"] == pytest.approx(6.0, rel=0.005)


def test_far_from_the_origin_fine_figures_are_unknown() -> None:
    mesh = make_arch(ArchForm.invent("upper", 1))
    data = writers.write_stl(Mesh(mesh.vertices + 4.0e6, mesh.faces))
    check = check_design(read_mesh(data), CheckRequest(), SHIPPED)
    assert check.verdict in ("unknown", "fail")
    for key in ("contact_fraction", "mid_air_starts", "self_intersections", "max_layer_area_cm2"):
        assert check.figures[key] is None
    double = checked(Mesh(mesh.vertices + 4.0e6, mesh.faces))
    near = checked(mesh)
    assert double.figures["volume_ml"] == pytest.approx(near.figures["volume_ml"], rel=1e-7)
    assert double.figures["contact_fraction"] == pytest.approx(near.figures["contact_fraction"], abs=0.01)


def test_a_plate_of_parts_and_a_skin_with_its_inner_wall_are_told_apart() -> None:
    def said(mesh: Mesh, **request: object) -> str:
        check = checked(mesh, **request)
        return next(row.sentence for row in check.checks if row.name == "bodies")

    plate = joined(*(moved(box(30, 20, 10).mesh, (40.0 * i, 0.0, 0.0)) for i in range(3)))
    assert "3 separate bodies" in said(plate)
    assert "plate" in said(plate, role="prepared")
    skins = joined(sphere(14.0, 3).mesh, flipped(sphere(11.0, 3).mesh))
    assert "one body, 1 shell lies inside" in said(skins)
    # Shell in shell in shell, turned in and out by turns: a ball floats in the cavity of a shell.
    onion = joined(skins, sphere(6.0, 3).mesh)
    assert "2 shells lie inside" in said(onion)
    assert checked(onion).figures["inverted_bodies"] == 0


@pytest.mark.parametrize("far", [4.0e6, -4.0e6])
@pytest.mark.parametrize("role", ["design", "prepared", "patient-scan"])
def test_far_off_in_every_role_is_an_answer_not_a_crash(far: float, role: str) -> None:
    mesh = box(60.0, 50.0, 20.0).mesh
    data = writers.write_stl(Mesh(mesh.vertices + far, mesh.faces))
    check = check_design(read_mesh(data), CheckRequest(role=role), SHIPPED)  # type: ignore[arg-type]
    assert check.verdict != "pass"
    assert check.figures["undercut_cm2"] is None
    assert verdict(check, "resolution") == "unknown"


def test_progress_rises_to_one_and_says_what_it_does() -> None:
    seen: list[tuple[float, str]] = []
    read = read_mesh(writers.write_ply(box().mesh))
    check_design(read, CheckRequest(), SHIPPED, lambda share, words: seen.append((share, words)))
    shares = [share for share, _ in seen]
    assert shares == sorted(shares)
    assert shares[0] == 0.0
    assert shares[-1] == 1.0
    assert {group.words for group in GROUPS if "design" in group.roles} <= {words for _, words in seen}


@pytest.mark.parametrize(
    "wrong",
    [{"role": "x"}, {"vat": "x"}, {"layer_mm": 0.0}, {"layer_mm": float("nan")}, {"up": (0, 0, 0)},
     {"insertion": (float("nan"), 0, 1)}, {"consumption_factor": 0.0}],
)  # fmt: skip
def test_a_request_that_makes_no_sense_is_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(GeometryError):
        CheckRequest(**wrong)  # type: ignore[arg-type]


def test_the_worst_verdict_wins() -> None:
    assert worst([]) == "pass"
    assert worst(["pass", "review"]) == "review"
    assert worst(["review", "unknown", "pass"]) == "unknown"
    assert worst(["unknown", "fail"]) == "fail"


def test_numbers_that_are_not_finite_become_null() -> None:
    assert jsonable({"a": [np.float64("nan"), float("inf"), np.int32(3), True]}) == {
        "a": [None, None, 3, True]
    }
    with pytest.raises(TypeError):
        jsonable(object())


HOSTILE = {
    "one triangle": np.array([[[0, 0, 0], [1, 0, 0], [0, 1, 0.0]]]),
    "the same triangle often": np.repeat(np.array([[[0, 0, 0], [9, 0, 0], [0, 9, 5.0]]]), 3000, axis=0),
    "needles": np.random.default_rng(0).random((3000, 3, 3)) * [0.01, 0.01, 60.0],
    "a heap": np.random.default_rng(1).random((3000, 3, 3)) * 50.0,
    "specks": np.random.default_rng(2).random((3000, 1, 3)) * 60
    + np.random.default_rng(3).random((3000, 3, 3)) / 9,
    "metres taken for millimetres": box(62e3, 50e3, 20e3).mesh.corners(),
    "a speck of dust": box(1e-6, 1e-6, 1e-6).mesh.corners(),
    "a tower": box(1.0, 1.0, 5e6).mesh.corners(),
    "squashed flat": box(20.0, 20.0, 10.0).mesh.corners() * [1.0, 1.0, 0.0],
}  # fmt: skip


@pytest.mark.parametrize("name", HOSTILE)
@pytest.mark.parametrize("role", ["design", "patient-scan"])
def test_any_heap_of_triangles_gets_an_answer(name: str, role: str) -> None:
    corners = HOSTILE[name]
    loose = Mesh(corners.reshape(-1, 3).copy(), np.arange(3 * len(corners), dtype=np.int32).reshape(-1, 3))
    check = checked(loose, role=role)
    json.dumps(check.as_json(), allow_nan=False)
    if check.profile is not None:
        json.dumps(check.profile.as_json(), allow_nan=False)
    if role == "design":
        assert check.verdict != "pass"
