"""Landmarks carried from the design to the scan, and the distances between them."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from fixtures.meshes import ArchForm, distort
from fixtures.meshes import landmarks as arch_landmarks
from qa.geometry.compare import CompareRequest, compare_print, prepared
from qa.geometry.design import Design
from qa.geometry.distances import (
    Landmark,
    LandmarkSheet,
    Span,
    carry_over,
    length_along,
    measure_distances,
    read_sheet,
)
from qa.geometry.errors import GeometryError
from qa.geometry.sampling import sample_surface
from qa.geometry.tree import closest
from tests.qa.geometry import scenes

SHEET = """name,x_mm,y_mm,z_mm
left canine,-17.0,35.5,12
right canine,17,35.5,12.5

distance,from,to
inter-canine,left canine,right canine
there and back,left canine,right canine
there and back,right canine,left canine
"""


@pytest.fixture(scope="module")
def design() -> Design:
    return prepared(scenes.arch(triangles=24_000))


def cusps(design: Design) -> LandmarkSheet:
    wanted = ("16 MB", "26 MB", "13 tip", "23 tip")
    known = arch_landmarks(ArchForm.invent("upper", 1))
    places = closest(design.target.tree, np.array([known[name] for name in wanted])).point
    marks = tuple(Landmark(name, tuple(place)) for name, place in zip(wanted, places, strict=True))
    spans = (
        Span("inter-molar", wanted[:2]),
        Span("inter-canine", wanted[2:]),
        Span("arch", ("16 MB", "13 tip", "23 tip", "26 MB")),
    )
    return LandmarkSheet(marks, spans)


def test_a_sheet_is_read_and_steps_add_up() -> None:
    sheet = read_sheet(SHEET)
    assert [mark.name for mark in sheet.landmarks] == ["left canine", "right canine"]
    assert sheet.landmarks[1].at_mm == (17.0, 35.5, 12.5)
    assert sheet.spans[1].along == ("left canine", "right canine", "left canine")
    assert length_along(np.array([[0.0, 0, 0], [3, 4, 0], [3, 4, 2]])) == pytest.approx(7.0)


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("a,1,2,3", "header"),
        ("name,x_mm,y_mm,z_mm\na,1,2", "line 2"),
        ("name,x_mm,y_mm,z_mm\na,1,2,inf", "line 2"),
        ("name,x_mm,y_mm,z_mm\na,1,2,3\na,1,2,3", "twice"),
        ("name,x_mm,y_mm,z_mm\na,1,2,3\ndistance,from,to\nd,a,b", "no landmark 'b'"),
        ("name,x_mm,y_mm,z_mm\na,1,2,3\ndistance,from,to\nd,a", "line 4"),
        ("name,x_mm,y_mm,z_mm\na,1,2,3\nb,1,2,4\ndistance,from,to\nd,a,b\nd,a,b", "do not follow"),
    ],
)
def test_a_wrong_sheet_names_its_line(text: str, word: str) -> None:
    with pytest.raises(GeometryError, match=word):
        read_sheet(text)


@pytest.mark.parametrize("scale", [-0.008, 0.005])
def test_landmarks_follow_a_scale_along_the_surface(design: Design, scale: float) -> None:
    # The nearest point of the scan would miss most of it: cusps move along the surface.
    sheet = cusps(design)
    scan = sample_surface(distort(design.mesh, scale=scale))
    found = measure_distances(design, scan, sheet, tolerance_mm=0.5, uncertainty_mm=0.02)
    for one in found:
        assert one.scan_mm == pytest.approx(one.design_mm * (1 + scale), abs=0.02)
        assert one.error_mm == pytest.approx(one.design_mm * scale, abs=0.02)
    assert found[0].verdict == "pass"


def test_the_whole_comparison_measures_and_judges_distances(design: Design) -> None:
    bent = distort(design.mesh, opening_mm=0.3, noise_mm=0.02)
    sheet = cusps(design)
    pose = scenes.random_pose(np.random.default_rng(4))
    request = CompareRequest(landmarks=sheet, distance_tolerance_mm=0.15)
    found = compare_print(design, scenes.moved(bent, pose), request)
    by_name = {one.name: one for one in found.distances}
    frame = design.frame
    ends = np.array([mark.at_mm for mark in sheet.landmarks[:2]])
    local = frame.local(ends)
    eta = (local[:, 1] - frame.back_mm) / frame.depth_mm
    expected = 0.3 * np.abs(local[:, 0] / frame.half_width_mm * (1 - eta)).sum()
    assert by_name["inter-molar"].error_mm == pytest.approx(expected, abs=0.04)
    assert by_name["inter-molar"].verdict == "fail"
    assert found.verdict == "fail"


def test_a_landmark_off_the_design_is_refused_and_one_off_the_scan_is_unknown(design: Design) -> None:
    scan = sample_surface(scenes.part(design.mesh, design.mesh.corners().mean(axis=1)[:, 0] < 0))
    sheet = cusps(design)
    found = measure_distances(design, scan, sheet, tolerance_mm=0.5, uncertainty_mm=0.02)
    assert {one.verdict for one in found} == {"unknown"}
    with pytest.raises(GeometryError, match="off the design"):
        carry_over(design, scan, (Landmark("lost", (0.0, 0.0, 90.0)),))
    assert (
        measure_distances(design, scan, LandmarkSheet(sheet.landmarks, ()), tolerance_mm=1, uncertainty_mm=0)
        == ()
    )


def test_a_flat_place_cannot_hold_a_landmark() -> None:
    block = scenes.mesh_of(trimesh.creation.box(extents=(30.0, 20.0, 10.0)))
    marks = (Landmark("flat", (0.0, 0.0, 5.0)), Landmark("corner", (15.0, 10.0, 5.0)))
    _, on_scan = carry_over(prepared(block), sample_surface(scenes.scaled(block, 1.004)), marks)
    assert np.isnan(on_scan[0]).all()
    assert on_scan[1] == pytest.approx([15.06, 10.04, 5.02], abs=0.005)
