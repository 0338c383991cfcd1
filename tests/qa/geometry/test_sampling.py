"""Surface samples: area, independence of the triangulation, bounds."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from qa.geometry.deviation import figures, weighted_quantiles
from qa.geometry.errors import GeometryError
from qa.geometry.mesh import Mesh
from qa.geometry.sampling import MOST_SAMPLES, sample_surface
from tests.qa.geometry import scenes


def test_weights_add_up_to_the_area_of_a_sphere_and_a_box() -> None:
    for shape in (trimesh.creation.icosphere(4, radius=10.0), trimesh.creation.box(extents=(7, 11, 13))):
        samples = sample_surface(scenes.mesh_of(shape), 0.25)
        assert samples.weights.sum() == pytest.approx(shape.area, rel=0.003)


def test_subdividing_the_surface_leaves_the_samples_where_they_were() -> None:
    mesh = scenes.arch()
    vertices, faces = trimesh.remesh.subdivide(mesh.vertices, mesh.faces)
    finer = Mesh(vertices, faces.astype(np.int32))
    one, two = sample_surface(mesh, 0.4), sample_surface(finer, 0.4)
    assert abs(len(one) - len(two)) <= 3
    told = [figures(s.points[:, 2] - 10.0, s.weights, 0.25) for s in (one, two)]
    for name in ("mean_mm", "sd_mm", "rms_mm", "median_mm", "p02_5_mm", "p97_5_mm", "p95_abs_mm"):
        assert getattr(told[0], name) == pytest.approx(getattr(told[1], name), abs=0.001)


def test_thinning_keeps_the_area_and_the_seed_decides() -> None:
    samples = sample_surface(scenes.arch(), 0.4)
    one, two = samples.thin_out(500, seed=4), samples.thin_out(500, seed=4)
    assert np.array_equal(one.points, two.points)
    assert one.weights.sum() == pytest.approx(samples.weights.sum(), rel=0.02)
    assert len(one) == pytest.approx(500, abs=10)


def test_a_huge_surface_is_sampled_more_coarsely_and_says_so() -> None:
    samples = sample_surface(scenes.scaled(scenes.arch(), 100.0), 0.25)
    assert len(samples) < 1.1 * MOST_SAMPLES
    assert samples.spacing_mm > 2.0


def test_long_slivers_cost_no_more_than_their_length() -> None:
    step = np.arange(2_000) * 1e-4
    low = np.column_stack([step, np.zeros_like(step), np.zeros_like(step)])
    vertices = np.vstack([low, low + np.array([90.0, 90.0, 0.0])])
    faces = np.column_stack([np.arange(1_999), np.arange(1, 2_000), np.arange(2_000, 3_999)])
    samples = sample_surface(Mesh(vertices, faces.astype(np.int32)), 0.25)
    assert samples.weights.sum() == pytest.approx(0.5 * 1_999e-4 * 90.0, rel=0.1)


def test_no_area_is_refused() -> None:
    with pytest.raises(GeometryError, match="no surface area"):
        sample_surface(Mesh(np.zeros((3, 3)), np.array([[0, 1, 2]], dtype=np.int32)))


def test_weighted_quantiles_agree_with_numpy_on_equal_weights() -> None:
    values = np.random.default_rng(3).normal(size=4_001)
    ours = weighted_quantiles(values, np.ones(len(values)), (0.025, 0.5, 0.975))
    assert ours == pytest.approx(np.quantile(values, (0.025, 0.5, 0.975), method="hazen"), abs=1e-12)
