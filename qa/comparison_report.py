"""A comparison as one printed sheet, PDF or PNG, drawn from what is stored: no browser, no worker."""

from __future__ import annotations

import io
import textwrap
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from django.utils import timezone

from cases.services.file_store import blob_path
from qa.choices import Verdict
from qa.comparison_page import (
    LEFT_OUT_WORDS,
    PATTERN_WORDS,
    guard_of,
    headline,
    identity_words,
    millimetres_of,
    next_steps,
    pattern_word,
    was_judged,
)
from qa.geometry.picture import blank_figure, colours_of, stamps
from qa.models import PrintComparison

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Form = Literal["pdf", "png"]
_WORDS = {"pass": "PASS", "fail": "FAIL", "unknown": "CANNOT TELL"}
_A4 = (8.27, 11.69)
# Left, bottom, width and height of what is drawn, as shares of the sheet.
_MARGINS = (0.07, 0.04, 0.86, 0.92)
_LINE = 100


def report(row: PrintComparison, form: Form, *, dpi: int = 130) -> bytes:
    """The sheet of a finished comparison. The same row gives the same bytes."""
    from matplotlib.layout_engine import ConstrainedLayoutEngine

    figure = blank_figure(_A4, layout=ConstrainedLayoutEngine(rect=_MARGINS))
    head, view, decision, charts, foot = figure.subplots(
        5, 1, height_ratios=[1.5, 3.2, 0.75, 2.6, 2.4]
    )  # fmt: skip
    _head(row, head)
    _view(row, view)
    _decision(row, decision)
    charts.axis("off")
    left, right = charts.inset_axes((0.06, 0.18, 0.42, 0.68)), charts.inset_axes((0.66, 0.18, 0.33, 0.68))
    _histogram(row, left)
    _patterns(row, right)
    _foot(row, foot)
    out = io.BytesIO()
    figure.savefig(out, format=form, dpi=dpi, metadata=stamps(form))
    return out.getvalue()


def _head(row: PrintComparison, axes: Axes) -> None:
    axes.axis("off")
    when = timezone.localtime(row.occurred_at)
    part = row.part
    lines = [
        f"{part.mark}, {part.appliance.label}, build {part.build.label} at {part.build.printer}",
        f"Scan {row.scan.original_name} of {when:%d %b %Y %H:%M} against {row.reference.original_name}",
        f"Identity: {identity_words(row)}",
    ]
    axes.text(
        0, 1, f"{_WORDS[row.verdict]}   print compared with its design", va="top", fontsize=14, weight="bold"
    )
    axes.text(0, 0.74, textwrap.fill(headline(row), 78), va="top", fontsize=10.5, parse_math=False)
    # A dollar sign in the name of a file or a distance starts no formula.
    axes.text(0, 0.36, "\n".join(lines), va="top", fontsize=9, parse_math=False)


def _view(row: PrintComparison, axes: Axes) -> None:
    from matplotlib.image import imread

    axes.axis("off")
    if row.picture is None:
        axes.text(0.5, 0.5, "The picture could not be drawn.", ha="center", fontsize=9)
    else:
        axes.imshow(imread(blob_path(row.picture), format="png"))
        axes.set_aspect("equal")


def _decision(row: PrintComparison, axes: Axes) -> None:
    """The figure against the limit, with the guard band that the device's uncertainty opens round it."""
    guard = guard_of(row)
    axes.set_yticks([])
    axes.set_title("Decision (ISO 14253-1): 95th percentile of magnitude, mm", fontsize=9, loc="left")
    if guard is None:
        axes.text(0.5, 0.5, "Nothing was judged.", ha="center", transform=axes.transAxes, fontsize=9)
        return
    axes.set_xlim(0, guard.end_mm)
    axes.axvspan(guard.low_mm, guard.high_mm, color="0.85")
    axes.axvline(guard.limit_mm, color="black", linewidth=1.5)
    axes.plot([guard.value_mm], [0.5], marker="D", color="black", markersize=8)
    axes.set_ylim(0, 1)
    for place, word in (
        (guard.low_mm / 2, "pass"),
        ((guard.low_mm + guard.high_mm) / 2, "guard"),
        ((guard.high_mm + guard.end_mm) / 2, "fail"),
    ):
        axes.text(place, 0.08, word, ha="center", fontsize=8)


def _histogram(row: PrintComparison, axes: Axes) -> None:
    edges, share = row.histogram.get("edges_mm", []), row.histogram.get("share_percent", [])
    tolerance = row.request["tolerance_mm"]
    axes.axvspan(-tolerance, tolerance, color="0.92")
    if share:
        middle = 0.5 * (np.array(edges[1:]) + np.array(edges[:-1]))
        colour = colours_of(middle, row.histogram["scale_limit_mm"]) / 255.0
        axes.bar(middle, share, width=np.diff(edges), color=colour, edgecolor="0.4", linewidth=0.3)
    axes.set_xlabel("deviation, mm (grey: tolerance)", fontsize=8)
    axes.set_ylabel("share of area, %", fontsize=8)
    axes.set_title("Working surface", fontsize=9)
    axes.tick_params(labelsize=7)


def _patterns(row: PrintComparison, axes: Axes) -> None:
    told = [one for one in row.result["pattern"] if one["size"] is not None and None not in one["ci95"]]
    told = told if was_judged(row) else []
    axes.set_title("Patterns, mm where it moves most", fontsize=9)
    axes.tick_params(labelsize=7)
    if not told:
        axes.text(0.5, 0.5, "None could be told.", ha="center", transform=axes.transAxes, fontsize=8)
        return
    per = np.array([millimetres_of(row, one) for one in told])
    size = per * np.array([one["size"] for one in told])
    ends = per[:, None] * np.array([one["ci95"] for one in told])
    places = np.arange(len(told))
    bars = axes.barh(places, size, xerr=np.abs(ends.T - size), color="0.75", edgecolor="0.2", capsize=2)
    axes.set_yticks(places, [PATTERN_WORDS.get(one["name"], one["name"]) for one in told])
    for bar, one in zip(bars, told, strict=True):
        if one["verdict"] == "unknown":
            bar.set_hatch("///")
    axes.axvline(0, color="0.3", linewidth=0.8)
    axes.invert_yaxis()


def _foot(row: PrintComparison, axes: Axes) -> None:
    axes.axis("off")
    working = row.result["working"]
    lines = []
    if working["n"]:
        lines.append(
            f"Working surface, n = {working['n']:,}: mean {_signed(working['mean_mm'])} mm, SD "
            f"{working['sd_mm']:.3f} mm, 95 % within ±{working['p95_abs_mm']:.3f} mm; tolerance "
            f"±{row.request['tolerance_mm']:.3f} mm (limits version {row.limits.version})."
        )
    lines.append(str(row.request["uncertainty_said"]))
    told = [one for one in row.result["pattern"] if one["size"] is not None and was_judged(row)]
    if told:
        lines.append(
            "Patterns: " + "; ".join(
                f"{PATTERN_WORDS.get(one['name'], one['name']).lower()} {_signed(one['size'])} {one['unit']} "
                f"({pattern_word(one)})" for one in told
            ) + "."
        )  # fmt: skip
    lines += [_distance_line(one) for one in row.result["distances"][:8]]
    left = {key: share for key, share in row.result["left_out"].items() if share and share >= 0.005}
    if left:
        said = ", ".join(f"{100 * share:.1f} % {LEFT_OUT_WORDS.get(key, key)}" for key, share in left.items())
        lines.append(f"Left out of the figures: {said}.")
    if row.verdict != Verdict.PASS:
        lines += [f"Next: {step}" for step in next_steps(row)]
    lines.append(f"Engine {row.engine}; comparison {row.pk}, key {row.key[:12]}.")
    wrapped = [part for line in lines for part in textwrap.wrap(line, _LINE, subsequent_indent="   ")]
    axes.text(0, 1, "\n".join(wrapped), va="top", fontsize=7.5, parse_math=False)


def _signed(value: float) -> str:
    """Three decimals with a sign; nothing is neither more nor less."""
    rounded = round(value, 3)
    return f"{rounded:+.3f}".replace("-", "−") if rounded else "0.000"


def _distance_line(one: dict[str, Any]) -> str:
    if one["error_mm"] is None:
        return f"{one['name']}: design {one['design_mm']:.3f} mm; not found on the scan."
    return (
        f"{one['name']}: design {one['design_mm']:.3f} mm, scan {one['scan_mm']:.3f} mm, error "
        f"{_signed(one['error_mm'])} mm: {_WORDS[one['verdict']].lower()}."
    )
