"""``manage.py compare_print``: files in, one answer out, no database."""

from __future__ import annotations

import json
from io import StringIO
from pathlib import Path

import numpy as np
import pytest
from django.core.management import call_command

from fixtures.meshes import distort, write_stl
from tests.qa.geometry import scenes


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("prints")
    design = scenes.arch()
    pose = scenes.random_pose(np.random.default_rng(1))
    scan = scenes.moved(distort(design, scale=-0.002, noise_mm=0.02), pose)
    for name, mesh in {
        "design": design,
        "stage": scenes.arch(stage=2),
        "scan": scan,
        "inches": scenes.scaled(scan, 1 / 25.4),
    }.items():
        (folder / f"{name}.stl").write_bytes(write_stl(mesh))
    (folder / "broken.stl").write_bytes(b"\x00" * 300)
    (folder / "marks.csv").write_text(
        "name,x_mm,y_mm,z_mm\n"
        + "\n".join(f"{k},{x},{y},{z}" for k, (x, y, z) in enumerate(design.vertices[[4_000, 5_000]]))
        + "\ndistance,from,to\nspan,0,1\n"
    )
    return folder


def asked(*arguments: object) -> str:
    out = StringIO()
    call_command("compare_print", *map(str, arguments), stdout=out)
    return out.getvalue()


def test_json_holds_one_object_with_every_answer(files: Path) -> None:
    extra = ["--json", "--tolerance-mm", "0.3", "--landmarks", files / "marks.csv"]
    answer = json.loads(asked(files / "design.stl", files / "scan.stl", *extra))
    assert answer["identity"]["verdict"] == "this"
    assert answer["verdict"] in ("pass", "unknown")
    assert answer["tolerance_mm"] == 0.3
    assert answer["distances"][0]["name"] == "span"


def test_words_are_for_people(files: Path) -> None:
    text = asked(files / "design.stl", files / "inches.stl", "--unit", "inch")
    assert "verdict:    pass" in text
    assert "NaN" not in text.upper().split()


def test_candidates_name_the_stage(files: Path) -> None:
    answer = json.loads(
        asked(files / "stage.stl", files / "scan.stl", "--json", "--candidates", files / "design.stl")
    )
    assert answer["identity"] == answer["identity"] | {"verdict": "other", "best": "design.stl"}
    assert answer["verdict"] == "unknown"


@pytest.mark.parametrize(
    ("scan", "extra", "word"),
    [
        ("broken.stl", [], "broken.stl"),
        ("absent.stl", [], "absent.stl"),
        ("scan.stl", ["--landmarks", "broken.stl"], "landmark"),
        ("scan.stl", ["--tolerance-mm", "-1"], "tolerance"),
    ],
)
def test_unreadable_input_ends_with_two_and_a_sentence(files: Path, scan: str, extra, word: str) -> None:
    error = StringIO()
    options = [str(files / one) if one.endswith(".stl") else one for one in extra]
    with pytest.raises(SystemExit) as end:
        call_command("compare_print", str(files / "design.stl"), str(files / scan), *options, stderr=error)
    assert end.value.code == 2
    assert word in error.getvalue()
    assert "Traceback" not in error.getvalue()
