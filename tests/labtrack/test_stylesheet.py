"""The stylesheet: readable contrast in both themes, and themes that agree.

Contrast after WCAG 2.2 (W3C Recommendation), definitions of relative luminance and contrast ratio;
minimums from success criteria 1.4.3 (4.5 to 1 for text) and 1.4.11 (3 to 1 for marks and controls).
"""

from __future__ import annotations

import itertools
import re
from pathlib import Path

import pytest
from django.conf import settings

STYLE = (Path(settings.BASE_DIR) / "labtrack/static/labtrack/style.css").read_text(encoding="utf-8")
GROUNDS = ("--paper", "--sheet", "--wash")
TEXTS = ("--ink", "--ink-soft", "--accent", "--pass", "--review", "--fail", "--unknown")
WASHES = ("--accent-wash", "--caution-wash", "--problem-wash", "--done-wash")
SERIES = tuple(f"--series-{number}" for number in range(1, 7))


def palette(opening: str) -> dict[str, str]:
    block = STYLE[STYLE.index(opening) :]
    block = block[block.index("{") + 1 : block.index("}")]
    return dict(re.findall(r"(--[\w-]+):\s*(#[0-9a-f]{6})", block))


LIGHT = palette(":root {")
DARK = palette(':root[data-theme="dark"] {')
THEMES = [pytest.param(LIGHT, id="light"), pytest.param(DARK, id="dark")]


def luminance(colour: str) -> float:
    channels = [int(colour[start : start + 2], 16) / 255 for start in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_formula_gives_the_published_extremes() -> None:
    """21 to 1 is WCAG's own figure for black on white; #767676 on white is the well-known 4.54."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize("theme", THEMES)
def test_text_stands_out_from_every_ground(theme: dict[str, str]) -> None:
    for ground in GROUNDS:
        for text in TEXTS:
            assert contrast(theme[text], theme[ground]) >= 4.5, (text, ground)


@pytest.mark.parametrize("theme", THEMES)
def test_text_stands_out_from_notices(theme: dict[str, str]) -> None:
    for wash in WASHES:
        for text in ("--ink", "--ink-soft"):
            assert contrast(theme[text], theme[wash]) >= 4.5, (text, wash)
    assert contrast(theme["--fail"], theme["--problem-wash"]) >= 4.5
    assert contrast(theme["--accent"], theme["--accent-wash"]) >= 4.5
    assert contrast(theme["--accent-ink"], theme["--accent"]) >= 4.5


@pytest.mark.parametrize("theme", THEMES)
def test_marks_and_controls_stand_out(theme: dict[str, str]) -> None:
    for ground in ("--paper", "--sheet"):
        for mark in (*SERIES, "--rule-strong", "--review"):
            assert contrast(theme[mark], theme[ground]) >= 3, (mark, ground)


def test_the_system_s_dark_theme_is_the_chosen_one() -> None:
    assert palette(':root:not([data-theme="light"]) {') == DARK


def test_both_themes_name_the_same_colours() -> None:
    assert set(LIGHT) == set(DARK)


def test_every_colour_used_is_defined() -> None:
    used = set(re.findall(r"var\((--[\w-]+)\)", STYLE))
    assert used - set(LIGHT) <= {"--font", "--target"}


def test_no_colour_hides_outside_the_palettes() -> None:
    rest = re.sub(r":root[^{]*\{[^}]*\}", "", STYLE)
    assert re.findall(r"#[0-9a-fA-F]{3,8}\b(?![^{]*\{)", rest) == []


def test_targets_are_44_px_or_more() -> None:
    """WCAG 2.2 success criterion 2.5.5; 2.75rem is 44 px at the default text size."""
    found = re.search(r"--target:\s*([\d.]+)rem", STYLE)
    assert found is not None
    assert float(found.group(1)) * 16 >= 44
    for selector in ("button, .button {", "input, select, textarea {"):
        rule = STYLE[STYLE.index(selector) :]
        assert "min-height: var(--target)" in rule[: rule.index("}")]


VIEWER = (Path(settings.BASE_DIR) / "labtrack/static/labtrack/viewer.js").read_text(encoding="utf-8")


def lightness(colour: str) -> float:
    """CIELAB L* of an sRGB colour (CIE 15:2004): 116 Y^(1/3) - 16, linear below (6/29)^3."""
    share = luminance(colour)
    return 116 * share ** (1 / 3) - 16 if share > (6 / 29) ** 3 else share * (29 / 3) ** 3


def test_the_maps_scale_darkens_in_even_steps() -> None:
    stops = re.findall(r"#[0-9a-f]{6}", VIEWER[VIEWER.index("const RAMP") :].split("]")[0])
    steps = [lightness(one) - lightness(two) for one, two in itertools.pairwise(stops)]
    assert len(stops) == 9
    assert min(steps) > 8.5 and max(steps) < 10.0
