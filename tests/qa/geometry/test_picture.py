"""Pictures: valid files, the same bytes each time, colours that mean the same on every chart."""

from __future__ import annotations

import io

import igl
import numpy as np
import pytest
from PIL import Image

from fixtures.meshes import distort
from qa.geometry.compare import Comparison, compare_print, prepared
from qa.geometry.picture import coloured_preview, colours_of, diverging_colours, draw
from tests.qa.geometry import scenes


@pytest.fixture(scope="module")
def found() -> Comparison:
    design = prepared(scenes.arch())
    return compare_print(design, distort(design.mesh, opening_mm=0.3, noise_mm=0.01))


@pytest.mark.parametrize("kind", ["view", "histogram", "patterns", "sheet"])
def test_png_and_pdf_come_without_a_browser(found: Comparison, kind: str) -> None:
    png = draw(found, kind, "png", dpi=80)
    picture = Image.open(io.BytesIO(png))
    assert min(picture.size) > 200
    assert len(picture.convert("RGB").getcolors(1 << 24) or []) > 20
    assert draw(found, kind, "png", dpi=80) == png
    pdf = draw(found, kind, "pdf")
    assert pdf.startswith(b"%PDF")
    assert b"%%EOF" in pdf[-32:]
    assert b"CreationDate" not in pdf


def test_a_scan_that_fits_nothing_still_has_its_pictures() -> None:
    nothing = compare_print(prepared(scenes.arch()), scenes.table())
    for kind in ("view", "histogram", "patterns"):
        assert draw(nothing, kind, dpi=60)[:4] == b"\x89PNG"


def test_colour_steps_are_equal_in_lightness_and_the_sides_differ() -> None:
    scale = diverging_colours(201)
    linear = np.where(scale <= 0.04045, scale / 12.92, ((scale + 0.055) / 1.055) ** 2.4)
    # Lightness of CIE 1976 (L*), a second opinion on the scale's own space.
    luminance = linear @ [0.2126, 0.7152, 0.0722]
    lightness = 116 * np.cbrt(luminance) - 16
    steps = np.diff(lightness)
    assert (steps[:99] > 0).all()
    assert (steps[101:] < 0).all()
    assert steps[:99].max() < 2.0 * steps[:99].min()
    assert scale[0, 2] > scale[0, 0] + 0.3
    assert scale[-1, 0] > scale[-1, 2] + 0.3


def test_colours_clamp_and_unmeasured_is_grey() -> None:
    colours = colours_of(np.array([-9.0, -0.5, 0.0, 0.5, 9.0, np.nan]), 0.5)
    assert np.array_equal(colours[0], colours[1])
    assert np.array_equal(colours[3], colours[4])
    assert colours[2].min() > 230
    assert len(set(colours[5])) == 1


def test_the_coloured_scan_lies_on_the_design_with_its_deviations(found: Comparison) -> None:
    scan = distort(found.design.mesh, opening_mm=0.3, noise_mm=0.01)
    preview = coloured_preview(found, scan, 8_000)
    values = preview.values
    assert values is not None
    assert len(values) == len(preview.vertices)
    assert len(preview.faces) <= 8_400
    assert np.isfinite(values).mean() > 0.9
    assert np.nanpercentile(np.abs(values), 95) == pytest.approx(1000 * found.figures.p95_abs_mm, abs=50)
    # Each value is the deviation of the place it is shown at, as a reference library measures it.
    places = preview.vertices + np.array(preview.origin_mm)
    design = found.design.mesh
    apart = igl.signed_distance(places, design.vertices, design.faces)[0]
    off = np.abs(1000 * apart - values)[np.isfinite(values)]
    assert np.quantile(off, 0.9) < 30
