"""Comparison as a whole: what is accepted, what is named, what is refused."""

from __future__ import annotations

import json

import numpy as np
import pytest
import trimesh

from fixtures.meshes import ArchForm, distort, make_arch
from fixtures.meshes.faults import Bubble, MissingCusp
from qa.geometry import skin
from qa.geometry.compare import CompareRequest, Comparison, compare_print, prepared, without_nan
from qa.geometry.design import Design
from qa.geometry.deviation import measure
from qa.geometry.errors import GeometryError
from qa.geometry.mesh import Mesh
from qa.geometry.sampling import sample_surface
from qa.geometry.tree import build
from tests.qa.geometry import scenes

FIGURES = {
    "n", "mean_mm", "sd_mm", "rms_mm", "median_mm", "p02_5_mm", "p97_5_mm", "p95_abs_mm", "within_tolerance",
}  # fmt: skip


@pytest.fixture(scope="module")
def design() -> Design:
    return prepared(scenes.arch())


def print_of(mesh: Mesh, seed: int = 2) -> Mesh:
    return distort(mesh, scale=-0.002, noise_mm=0.02, seed=seed)


def compared(design: Design, scan: Mesh, seed: int = 1, **request) -> Comparison:
    pose = scenes.random_pose(np.random.default_rng(seed))
    candidates = request.pop("candidates", None)
    return compare_print(design, scenes.moved(scan, pose), CompareRequest(**request), candidates)


def test_a_good_print_is_accepted_and_the_answer_is_plain_json(design: Design) -> None:
    told: list[tuple[float, str]] = []
    pose = scenes.random_pose(np.random.default_rng(3))
    scan = scenes.moved(print_of(design.mesh), pose)
    found = compare_print(design, scan, progress=lambda share, what: told.append((share, what)))
    assert (found.registered, found.identity.verdict, found.verdict) == (True, "this", "pass")
    assert found.accepted
    answer = json.loads(json.dumps(found.as_json(), allow_nan=False))
    assert {"registered", "identity", "verdict", "reason", "transform", "overlap", "inlier_rms_mm"} < set(
        answer
    )
    assert {"margin", "figures", "working", "base", "pattern", "bumps", "distances"} < set(answer)
    assert all(set(answer[name]) == FIGURES for name in ("figures", "working", "base"))
    assert set(answer["pattern"][0]) == {"name", "size", "unit", "ci95", "share", "vif", "verdict", "hint"}
    assert np.array(answer["transform"]).shape == (4, 4)
    assert [share for share, _ in told] == sorted(share for share, _ in told)
    assert "stages" in found.reason


@pytest.mark.parametrize("what", ["upper", "crop", "table", "stubs", "table and base"])
def test_partial_and_cluttered_scans_are_accepted_and_clutter_is_left_out(design: Design, what: str) -> None:
    part = print_of(design.mesh)
    scan = {
        "upper": scenes.upper_surface(part),
        "crop": scenes.crop(part, 0.6, np.random.default_rng(4)),
        "table": scenes.joined(scenes.upper_surface(part), scenes.table()),
        "stubs": scenes.joined(part, scenes.stubs(design.mesh)),
        "table and base": scenes.joined(part, scenes.table(z_mm=-4.0)),
    }[what]
    found = compared(design, scan)
    assert (found.registered, found.identity.verdict, found.verdict) == (True, "this", "pass")
    # Clutter adds nothing to the figures: all that is left is 0.2 % shrinkage of 37 mm either side.
    assert found.working.p95_abs_mm < 0.1
    assert found.bumps == ()
    if what == "crop":
        assert 0.5 < found.coverage < 0.7
    if "table" in what:
        assert found.left_out.beside_base + found.left_out.far > 0.3


@pytest.mark.parametrize("body", ["solid", "hollow", "open-bottomed"])
def test_the_first_rays_that_leave_judge_a_face_as_all_of_them_do(body: str) -> None:
    mesh = make_arch(ArchForm.invent("upper", 1), body=body, wall_mm=1.5, target_triangles=30_000)
    tree, samples = build(mesh), sample_surface(mesh, 0.5, ordered=True)
    base = skin.find_base(samples)
    some = skin.outer_faces(tree, samples, base)
    at_once = skin.SkinSettings(first_rays=skin.SkinSettings().rays)
    assert (some == skin.outer_faces(tree, samples, base, at_once)).all()
    assert some.all() == (body == "solid")


@pytest.mark.parametrize("body", ["hollow", "open-bottomed"])
def test_the_inner_skin_of_a_hollow_design_attracts_nothing(body: str) -> None:
    mesh = make_arch(ArchForm.invent("upper", 1), body=body, wall_mm=1.5, target_triangles=30_000)
    hollow = prepared(mesh)
    assert 0.2 < hollow.inner_share < 0.5
    # Surface 0.9 mm deep in a wall of 1.5 mm is nearer to the inner skin; it still belongs to the outer.
    deep = sample_surface(distort(scenes.upper_surface(scenes.arch(triangles=30_000)), offset_mm=-0.9))
    found = measure(hollow, deep, np.eye(4))
    assert np.median(found.signed_mm[found.working]) == pytest.approx(-0.9, abs=0.05)
    assert found.used.mean() > 0.9
    inside_too = compared(hollow, distort(mesh, noise_mm=0.01))
    assert (inside_too.identity.verdict, inside_too.verdict) == ("this", "pass")
    if body == "open-bottomed":
        assert inside_too.left_out.inner > 0.2
    assert inside_too.bumps == ()
    # Bent by more than a sample's spacing, corners of the cavity still belong to the inside: told of the
    # outside they would be hollows as deep as the wall.
    bent = compared(hollow, distort(mesh, opening_mm=-0.8, noise_mm=0.01))
    assert all(bump.peak_mm > -1.0 for bump in bent.bumps)


@pytest.mark.parametrize(
    ("what", "misfit", "word"),
    [
        ("mirrored", "mirrored", "mirror"),
        ("inch", "unit", "unit inch"),
        ("cm", "unit", "unit cm"),
        ("m", "unit", "unit m"),
        ("inside out", "inside_out", "inside out"),
        ("table only", "only_table", "flat"),
        ("two parts", "two_parts", "more than one"),
    ],
)
def test_a_wrong_scan_is_named_and_never_accepted(design: Design, what: str, misfit: str, word: str) -> None:
    part = print_of(design.mesh)
    scan = {
        "mirrored": scenes.mirrored(part),
        "inch": scenes.scaled(part, 1 / 25.4),
        "cm": scenes.scaled(part, 0.1),
        "m": scenes.scaled(part, 0.001),
        "inside out": scenes.turned_over(part),
        "table only": scenes.table(),
        "two parts": scenes.joined(part, scenes.moved(part, scenes.random_pose(np.random.default_rng(6)))),
    }[what]
    found = compared(design, scan)
    assert not found.registered
    assert not found.accepted
    assert found.verdict == "unknown"
    assert found.misfit is not None
    assert found.misfit.kind == misfit
    assert word in found.reason
    json.dumps(found.as_json(), allow_nan=False)


@pytest.mark.parametrize("other", ["another person", "other arch"])
def test_another_arch_is_said_to_be_another(design: Design, other: str) -> None:
    scan = scenes.arch(7) if other == "another person" else scenes.arch(1, kind="lower")
    found = compared(design, scan)
    assert found.identity.verdict == "other"
    assert not found.accepted
    assert found.verdict == "unknown"


def test_real_arches_are_told_apart() -> None:
    upper = prepared(scenes.real("arch_upper.obj"))
    lower = compared(upper, scenes.real("arch_lower.obj"))
    assert lower.identity.verdict == "other"
    other = compared(upper, scenes.real("arch_upper_other.obj"))
    assert not other.accepted
    assert other.verdict != "pass"
    itself = compared(upper, scenes.real("arch_upper.obj"))
    assert itself.accepted
    assert itself.verdict == "pass"


def test_neighbouring_stages_are_told_apart_by_candidates_only(design: Design) -> None:
    stages = {f"stage {k}": prepared(scenes.arch(stage=k)) for k in (1, 2)}
    own = compared(design, print_of(design.mesh), candidates=stages, design_name="stage 0")
    assert (own.identity.verdict, own.identity.best) == ("this", "stage 0")
    other = compared(design, print_of(scenes.arch(stage=1)), candidates=stages, design_name="stage 0")
    assert (other.identity.verdict, other.identity.best) == ("other", "stage 1")
    assert not other.accepted
    twin = compared(design, print_of(design.mesh), candidates={"twin": design}, design_name="stage 0")
    assert twin.identity.verdict == "unknown"


def test_a_bent_print_fails_and_says_how(design: Design) -> None:
    found = compared(design, distort(design.mesh, opening_mm=0.6, noise_mm=0.01))
    assert found.registered
    assert found.verdict == "fail"
    opening = next(one for one in found.pattern if one.name == "arch_opening")
    assert opening.verdict == "present"
    assert opening.size == pytest.approx(0.6, rel=0.05)
    assert found.bumps == ()


@pytest.mark.parametrize(
    "planted",
    [{"bow_mm": 0.5}, {"opening_mm": 0.6}, {"bow_mm": 0.4, "opening_mm": 0.4, "twist_mm": 0.3}],
    ids=lambda planted: "+".join(planted),
)
def test_a_bent_open_bottomed_print_has_no_bumps(planted: dict[str, float]) -> None:
    form = ArchForm.invent("upper", 1)
    shell = make_arch(form, body="open-bottomed", target_triangles=24_000)
    found = compared(prepared(shell), distort(shell, noise_mm=0.02, **planted))
    assert found.registered
    assert found.bumps == ()


def test_bubbles_and_missing_cusps_are_found_where_they_are() -> None:
    form = ArchForm.invent("upper", 1)
    sound = prepared(scenes.arch(triangles=40_000))
    faulty = make_arch(
        form, target_triangles=40_000, faults=(Bubble(26, hollow=False), MissingCusp(16, "MB"))
    )
    found = compared(sound, distort(faulty, noise_mm=0.01))
    moved = np.linalg.norm(faulty.vertices - sound.mesh.vertices, axis=1)
    assert any(bump.peak_mm > 0.4 for bump in found.bumps)
    hollow = min(found.bumps, key=lambda bump: bump.peak_mm)
    assert hollow.peak_mm < -0.5
    # Far less than a twentieth of the surface: the percentile passes, and the reason says what it hides.
    assert found.verdict == "pass"
    assert f"{hollow.peak_mm:+.2f} mm" in found.reason
    for bump in found.bumps:
        if bump.area_mm2 > 1.0:
            near = np.linalg.norm(sound.mesh.vertices - bump.at_mm, axis=1) < 2.0
            assert moved[near].max() > 0.2


def test_subdividing_the_scan_moves_no_figure_by_a_micrometre(design: Design) -> None:
    scan = print_of(design.mesh)
    vertices, faces = trimesh.remesh.subdivide(scan.vertices, scan.faces)
    one = compared(design, scan)
    two = compared(design, Mesh(vertices, faces.astype(np.int32)))
    for name in FIGURES - {"n", "within_tolerance"}:
        assert getattr(one.working, name) == pytest.approx(getattr(two.working, name), abs=0.001)


def test_the_guard_band_leaves_a_print_near_the_limit_open(design: Design) -> None:
    scan = distort(design.mesh, offset_mm=0.1)
    near = compared(design, scan, tolerance_mm=0.105, uncertainty_mm=0.02)
    assert abs(near.working.p95_abs_mm - 0.105) < 0.02
    assert near.verdict == "unknown"
    assert "cannot tell" in near.reason
    size = near.working.p95_abs_mm
    assert compared(design, scan, tolerance_mm=size + 0.021, uncertainty_mm=0.02).verdict == "pass"
    assert compared(design, scan, tolerance_mm=size - 0.021, uncertainty_mm=0.02).verdict == "fail"


def test_little_of_the_model_passes_nothing(design: Design) -> None:
    part = print_of(design.mesh)
    found = compared(design, scenes.crop(part, 0.35, np.random.default_rng(1)))
    assert found.verdict != "pass"


@pytest.mark.parametrize(
    ("break_it", "code"),
    [
        (lambda m: Mesh(m.vertices, m.faces[:0]), "too_few"),
        (lambda m: Mesh(np.where(m.vertices > 30, np.nan, m.vertices), m.faces), "not_finite"),
        (scenes.turned_over, "inside_out"),
        (lambda m: Mesh(m.vertices * 0.0, m.faces), "no_area"),
    ],
)
def test_an_unusable_design_is_refused_with_a_sentence(break_it, code: str) -> None:
    with pytest.raises(GeometryError) as refusal:
        compare_print(break_it(scenes.arch()), scenes.arch())
    assert refusal.value.code == code
    assert refusal.value.sentence.endswith(".")


def test_an_unusable_scan_is_refused_and_a_dirty_one_is_answered(design: Design) -> None:
    mesh = scenes.arch()
    with pytest.raises(GeometryError):
        compare_print(design, Mesh(mesh.vertices, mesh.faces[:5]))
    with pytest.raises(GeometryError):
        compare_print(design, Mesh(mesh.vertices * np.nan, mesh.faces))
    tiny = compared(design, Mesh(mesh.vertices, mesh.faces[5_000:5_050]))
    assert not tiny.accepted
    random = np.random.default_rng(0)
    flipped = mesh.faces.copy()
    some = random.choice(len(flipped), len(flipped) // 20, replace=False)
    flipped[some] = flipped[some][:, ::-1]
    dirty = Mesh(mesh.vertices, flipped[random.random(len(flipped)) > 0.05])
    found = compared(design, dirty)
    assert found.verdict == "pass"
    assert found.left_out.facing_away > 0.02


def test_settings_that_mean_nothing_are_refused() -> None:
    for wrong in ({"tolerance_mm": 0.0}, {"tolerance_mm": float("nan")}, {"uncertainty_mm": -0.1}):
        with pytest.raises(GeometryError):
            CompareRequest(**wrong)
    assert without_nan({"a": [float("nan"), np.int64(3), (1.0, float("inf"))]}) == {
        "a": [None, 3, [1.0, None]]
    }
