"""``manage.py check_design``: one JSON object or a readable text, without a database."""

from __future__ import annotations

import io
import json
from pathlib import Path

import numpy as np
import pytest
from django.core.management import call_command

from fixtures.meshes import writers
from fixtures.meshes.solids import bowl, box, sphere
from qa.geometry.check import PROMISED
from qa.geometry.limits import SHIPPED


def run(*arguments: str) -> tuple[str, str, int]:
    out, err = io.StringIO(), io.StringIO()
    try:
        call_command("check_design", *arguments, stdout=out, stderr=err)
    except SystemExit as end:
        return out.getvalue(), err.getvalue(), int(end.code or 0)
    return out.getvalue(), err.getvalue(), 0


@pytest.fixture
def model(tmp_path: Path) -> str:
    path = tmp_path / "model.stl"
    path.write_bytes(writers.write_stl(box(30.0, 20.0, 10.0).mesh))
    return str(path)


def test_json_is_one_object_and_the_verdict_does_not_change_the_exit(model: str, tmp_path: Path) -> None:
    out, err, code = run(model, "--json")
    result = json.loads(out)
    assert (result["verdict"], err, code) == ("pass", "", 0)
    assert result["figures"]["volume_ml"] == pytest.approx(6.0)
    ball = tmp_path / "ball.obj"
    ball.write_bytes(writers.write_obj(sphere(15.0, 3).mesh))
    out, _, code = run(str(ball), "--json")
    assert (json.loads(out)["verdict"], code) == ("fail", 0)


def test_options_reach_the_engine(model: str) -> None:
    out, _, code = run(
        model, "--json", "--unit", "cm", "--layer-mm", "0.1", "--up", "0,0,-1", "--vat", "top-down",
        "--role", "prepared", "--sheet", "petg:0.75", "--insertion", "0,0,1",
    )  # fmt: skip
    figures = json.loads(out)["figures"]
    assert code == 0
    assert figures["size_mm"] == pytest.approx([300.0, 200.0, 100.0])
    assert (figures["layers"], figures["layer_mm"], figures["role"]) == (1000, 0.1, "prepared")


def test_the_kind_of_vat_decides_what_seals_and_what_stays_inside(tmp_path: Path) -> None:
    path = tmp_path / "bowl.stl"
    path.write_bytes(writers.write_stl(bowl().mesh))
    held = bowl().known["cavity_mm3"] / 1000.0
    hanging = figures_of(str(path))
    assert hanging["suction_pocket_ml"] == pytest.approx(held, rel=0.01)
    assert (hanging["suction_from_mm"], hanging["trapped_ml"]) == (pytest.approx(2.0, abs=1e-5), 0.0)
    standing = figures_of(str(path), "--vat", "top-down")
    assert (standing["suction_pocket_ml"], standing["suction_from_mm"]) == (0.0, None)
    assert standing["trapped_ml"] == pytest.approx(held, rel=0.01)
    assert standing["trapped_after_turning_ml"] == 0.0


def figures_of(*arguments: str) -> dict[str, object]:
    out, err, code = run(*arguments, "--json")
    assert (err, code) == ("", 0)
    figures: dict[str, object] = json.loads(out)["figures"]
    return figures


def test_every_figure_promised_is_there_in_every_role(model: str) -> None:
    for role in ("design", "prepared", "patient-scan"):
        assert set(PROMISED) <= set(figures_of(model, "--role", role))


def test_the_sheet_and_the_insertion_axis_change_figures(model: str) -> None:
    plain = figures_of(model)
    assert plain["mean_sheet_left_mm"] is None
    assert plain["insertion_undercut_max_mm"] is None
    thin, thick = figures_of(model, "--sheet", "petg:0.5"), figures_of(model, "--sheet", "petg:1.0")
    assert thick["mean_sheet_left_mm"] == pytest.approx(2 * thin["mean_sheet_left_mm"])  # type: ignore[operator]
    aslant = figures_of(model, "--insertion", "0.1,0,1")
    assert aslant["insertion_undercut_max_mm"] == pytest.approx(10.0 * np.sin(np.arctan(0.1)), abs=0.01)


def test_up_changes_how_it_is_printed_and_not_how_it_is_formed(model: str) -> None:
    lying, standing = figures_of(model), figures_of(model, "--up", "1,0,0")
    assert (lying["build_height_mm"], standing["build_height_mm"]) == (10.0, 30.0)
    assert lying["height_mm"] == standing["height_mm"] == 10.0
    # Both of its large faces bear it as well.
    assert np.abs(standing["stand_up"]) == pytest.approx([0.0, 0.0, 1.0])  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ('{"limits": {"no such": 1}}', "no limit called 'no such'"),
        ('{"limits": {"mid_air_max": "many"}}', "finite number"),
        ('{"limits": {"mid_air_max": {"value": 1, "unit": "mm"}}}', "is in count"),
        ('{"limits": []}', "'limits'"),
        ("[1, 2", "no JSON"),
    ],
)
def test_a_wrong_limit_file_says_what_is_wrong(model: str, tmp_path: Path, content: str, said: str) -> None:
    path = tmp_path / "limits.json"
    path.write_text(content)
    out, err, code = run(model, "--limits", str(path))
    assert (out, code) == ("", 2)
    assert said in err


def test_a_limit_changes_a_figure_that_is_measured_with_it(model: str, tmp_path: Path) -> None:
    path = tmp_path / "limits.json"
    path.write_text('{"name": "ours", "version": "3", "limits": {"frame_diameter": 100}}')
    narrow, wide = figures_of(model, "--limits", str(path)), figures_of(model)
    assert narrow["frame_diameter_mm"] == 100.0
    assert narrow["forming_room_mm"] == pytest.approx(wide["forming_room_mm"] - 10.0)  # type: ignore[operator]


def test_text_says_the_verdict_first_and_the_limits(model: str) -> None:
    out, _, code = run(model)
    assert code == 0
    assert out.startswith("model.stl: pass")
    assert "common practice" in out


def test_a_limit_file_is_heeded(model: str, tmp_path: Path) -> None:
    own = SHIPPED.changed({"part_size_min": 50.0}, name="ours", version="7", source="our bench")
    path = tmp_path / "limits.json"
    path.write_text(json.dumps(own.to_json()))
    out, _, _ = run(model, "--json", "--limits", str(path))
    row = next(row for row in json.loads(out)["checks"] if row["name"] == "unit")
    assert row["verdict"] == "review"
    assert row["limit"] == {"value": 50.0, "unit": "mm", "source": "our bench", "version": "7"}


@pytest.mark.parametrize(
    "wrong",
    [
        ["--up", "up"], ["--up", "0,0,0"], ["--sheet", "petg"], ["--sheet", "petg:thick"],
        ["--sheet", "petg:-1"], ["--insertion", "0,0"], ["--insertion", "nan,0,1"],
        ["--layer-mm", "0"], ["--limits", "nowhere.json"],
    ],
)  # fmt: skip
def test_a_wrong_option_is_a_sentence_and_exit_two(model: str, wrong: list[str]) -> None:
    out, err, code = run(model, *wrong)
    assert (out, code) == ("", 2)
    assert err.strip().endswith(".")
    assert "Traceback" not in err


@pytest.mark.parametrize("content", [b"", b"hello there\n" * 20, b"solid x\nfacet normal 0 0 1\n"])
def test_unreadable_input_is_a_sentence_and_exit_two(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "broken.stl"
    path.write_bytes(content)
    out, err, code = run(str(path), "--json")
    assert (out, code) == ("", 2)
    assert err.strip().endswith(".")
    _, err, code = run(str(tmp_path / "gone.stl"))
    assert code == 2
