"""What the page of a comparison shows: one sentence, the decision with its guard band, charts, what next."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any

from django.urls import reverse

from labtrack.charts import SERIES, Chart
from qa.choices import CheckState, IdentityAnswer, Verdict
from qa.geometry.bumps import Bump, notable
from qa.geometry.decision import decide
from qa.geometry.diagnosis import UNIT_WORDS
from qa.geometry.pattern import is_there as surely_there
from qa.geometry.picture import diverging_colours
from qa.models import PrintComparison

VIEW_COLOURS = 33
PATTERN_WORDS = {
    "scale": "Uniform scale",
    "height_scale": "Height scale",
    "arch_opening": "Arch opening",
    "bow": "Bow",
    "twist": "Twist",
    "offset": "Offset of all surfaces",
}
PATTERN_VERDICTS = {"present": "there", "absent": "not there", "unknown": "cannot tell"}
LEFT_OUT_WORDS = {
    "border": "at the scan's open edges",
    "inner": "on the inner skin",
    "far": "too far off the design (table, stubs)",
    "beside_base": "beside the base",
    "facing_away": "facing away from the design",
}
FIGURE_HEADS = {
    "n": "samples",
    "mean_mm": "mean",
    "sd_mm": "SD",
    "rms_mm": "RMS",
    "median_mm": "median",
    "p02_5_mm": "2.5 percentile",
    "p97_5_mm": "97.5 percentile",
    "p95_abs_mm": "95 % within ±",
}


@dataclass(frozen=True)
class Guard:
    """The decision as a drawing: lengths along a line of ``WIDTH`` units, and the figures at them."""

    WIDTH = 600

    value_mm: float
    limit_mm: float
    uncertainty_mm: float

    @property
    def end_mm(self) -> float:
        return max(self.value_mm * 1.15, self.limit_mm + 3 * self.uncertainty_mm, 1.5 * self.limit_mm)

    def _at(self, size_mm: float) -> float:
        return round(self.WIDTH * min(max(size_mm / self.end_mm, 0.0), 1.0), 1)

    @property
    def low(self) -> float:
        return self._at(self.limit_mm - self.uncertainty_mm)

    @property
    def high(self) -> float:
        return self._at(self.limit_mm + self.uncertainty_mm)

    @property
    def band(self) -> float:
        return round(self.high - self.low, 1)

    @property
    def beyond(self) -> float:
        return round(self.WIDTH - self.high, 1)

    @property
    def limit(self) -> float:
        return self._at(self.limit_mm)

    @property
    def value(self) -> float:
        return self._at(self.value_mm)

    @property
    def low_mm(self) -> float:
        return max(0.0, self.limit_mm - self.uncertainty_mm)

    @property
    def high_mm(self) -> float:
        return self.limit_mm + self.uncertainty_mm


def was_judged(row: PrintComparison) -> bool:
    """Whether the print was judged at all: its pose was found and it is no print of something else."""
    result = row.result
    return bool(result["registered"]) and not result.get("misfit") and row.identity != IdentityAnswer.OTHER


def guard_of(row: PrintComparison) -> Guard | None:
    """None where nothing was judged."""
    if row.p95_abs_mm is None or not was_judged(row):
        return None
    return Guard(row.p95_abs_mm, row.request["tolerance_mm"], row.request["uncertainty_mm"])


def headline(row: PrintComparison) -> str:
    """The one sentence of the page."""
    if row.state != CheckState.DONE:
        return row.sentence
    if row.result.get("misfit") or not (row.accepted or row.verdict == Verdict.FAIL):
        return _first_sentence(str(row.result["identity"]["reason"]))
    limit = row.request["tolerance_mm"]
    if row.p95_abs_mm is None:
        return "Nothing of the working surface could be measured."
    size = f"95 % of the working surface lies within ±{row.p95_abs_mm:.3f} mm of the design"
    worst = _worst_distance(row)
    if row.verdict == Verdict.PASS:
        places = hidden_places(row)
        if places:
            kind = "hollow" if places[0].peak_mm < 0 else "bump"
            return (
                f"{size}, but a {kind} of {places[0].area_mm2:.1f} mm² is off by "
                f"{places[0].peak_mm:+.2f} mm at its peak; the tolerance is ±{limit:.3f} mm."
            )
        return f"{size}; the tolerance is ±{limit:.3f} mm."
    if worst and _surface_word(row) != row.verdict:
        return f"{worst['name']} is off by {worst['error_mm']:+.3f} mm, although {size}."
    if row.verdict == Verdict.FAIL:
        doubt = "" if row.accepted else "; a badly distorted print of this design, or of another, similar one"
        return f"{size}, which is more than the tolerance of ±{limit:.3f} mm{doubt}."
    return f"{size}, too close to the tolerance of ±{limit:.3f} mm for this device to tell."


def hidden_places(row: PrintComparison) -> list[Bump]:
    """Bumps and hollows that the device proves beyond the tolerance and the percentile does not show: a
    missing cusp is less than a twentieth of the surface. The farthest off comes first."""
    return notable(
        (Bump(**one) for one in row.result["bumps"]),
        proven_mm=row.request["tolerance_mm"] + row.request["uncertainty_mm"],
    )


def _first_sentence(text: str) -> str:
    head, dot, _ = text.partition(". ")
    return head + "." if dot else text


def _surface_word(row: PrintComparison) -> str:
    guard = guard_of(row)
    if guard is None:
        return Verdict.UNKNOWN
    return decide("", guard.value_mm, guard.limit_mm, guard.uncertainty_mm).verdict


def _worst_distance(row: PrintComparison) -> dict[str, Any] | None:
    told = [one for one in row.result.get("distances", []) if one["error_mm"] is not None]
    same = [one for one in told if one["verdict"] == row.verdict]
    return max(same, key=lambda one: abs(one["error_mm"]), default=None)


def identity_words(row: PrintComparison) -> str:
    """Which design it is, in a few words."""
    best = row.result["identity"].get("best")
    if row.identity == IdentityAnswer.THIS:
        return f"A print of {row.request['design_name']}"
    if row.result.get("misfit"):
        return {
            "unit": "The file is in another unit",
            "mirrored": "Mirror image of this design",
            "inside_out": "Surface turned inside out",
            "only_table": "Nothing but a flat surface",
            "two_parts": "More than one body",
            "size": "Another size than this design",
        }.get(row.result["misfit"], "Cannot tell")
    if row.identity == IdentityAnswer.OTHER:
        return f"A print of {best}" if best else "None of this case's designs"
    return "Cannot tell which design it is"


def unit_words(row: PrintComparison) -> str:
    """The unit that would fit the scan, as a person says it."""
    unit = str(row.result.get("misfit_unit") or "")
    return UNIT_WORDS.get(unit, unit)


def next_steps(row: PrintComparison) -> list[str]:
    """What to do about a comparison that did not pass."""
    if row.state != CheckState.DONE:
        return []
    if row.verdict == Verdict.PASS:
        look = "Look at the places listed under bumps and hollows on the part before it is used."
        return [look] if hidden_places(row) else []
    steps = _about_identity(row)
    if row.verdict == Verdict.FAIL:
        steps.append(
            f"Do not form over {row.part.mark}: record the outcome at Inspect, and print it again if it "
            "cannot be mended."
        )
        steps += [
            f"{PATTERN_WORDS.get(one['name'], one['name'])}: {one['hint'].removeprefix('Hint: ')}"
            for one in row.result["pattern"]
            if is_there(one)
        ]
        if row.result["bumps"]:
            steps.append("Look at the places listed under bumps and hollows on the part itself.")
    if row.accepted and row.verdict == Verdict.UNKNOWN:
        steps += _about_doubt(row)
    if not row.request["uncertainty_studied"]:
        steps.append(
            "No device study yet: study the scanner and record its uncertainty at Lab, then compare again."
        )
    return steps


def _about_identity(row: PrintComparison) -> list[str]:
    misfit, best = row.result.get("misfit"), row.result["identity"].get("best")
    if misfit == "unit":
        return [f"Compare again, reading the file in {unit_words(row)}; the button is above."]
    if misfit == "mirrored":
        return ["Export the scan again without mirroring, and upload that."]
    if misfit == "inside_out":
        return ["Turn the surface's normals over in the scanning program, and upload it again."]
    if misfit == "only_table":
        return ["Scan the model itself, then upload that."]
    if misfit == "two_parts":
        return ["Cut the scan to the one part, and upload that. Scan the others by their own marks."]
    if misfit == "size":
        return ["Check what unit the scan was exported in, and that it is a scan of this model."]
    if row.identity == IdentityAnswer.OTHER and best:
        return [
            f"Look at the mark on the model in your hand: this scan is of {best}. Upload it for that part.",
            "Two models may have been swapped on the shelf or the scans on the disk: check both.",
        ]
    if row.identity == IdentityAnswer.OTHER:
        return [
            "Look at the mark on the model in your hand: the scan fits none of the designs of "
            f"{row.part.appliance.case.label}. It may belong to another case.",
        ]
    if row.verdict == Verdict.FAIL and not row.accepted:
        return [
            f"Look at the mark on the model in your hand: so little of it fits that it may not be "
            f"{row.part.mark} at all."
        ]
    if not row.accepted:
        return [
            "Scan again: the whole working surface, clean and dry, without table or holder. Shiny or clear "
            "resin needs a scanning powder (common practice).",
        ]
    return []


def _about_doubt(row: PrintComparison) -> list[str]:
    if row.result["coverage"] < 0.5:
        return ["Scan more of the model: less than half of its working surface is on this scan."]
    steps = [
        "The figure lies in the guard band: this device cannot prove it good or bad. Measure with a finer "
        "device, or treat it as not proven."
    ]
    lost = [one["name"] for one in row.result["distances"] if one["scan_mm"] is None]
    if lost:
        steps.append(f"Not found on the scan: {', '.join(lost)}. Scan those places again.")
    return steps


def figure_rows(row: PrintComparison) -> list[dict[str, Any]]:
    """Figures of the whole, the working surface and the base, side by side."""
    groups = [row.result[name] for name in ("working", "base", "figures")]
    rows = [
        {
            "name": words,
            "unit": "" if key == "n" else "mm",
            "key": key,
            "values": [one[key] for one in groups],
        }
        for key, words in FIGURE_HEADS.items()
    ]
    within = [None if one["within_tolerance"] is None else 100 * one["within_tolerance"] for one in groups]
    rows.append({"name": "within tolerance", "unit": "%", "key": "within", "values": within})
    return rows


def left_out_rows(row: PrintComparison) -> list[tuple[str, float]]:
    """Shares of the scan that were not measured, in percent, the largest first."""
    told = [(LEFT_OUT_WORDS.get(key, key), 100 * share) for key, share in row.result["left_out"].items()]
    return sorted(((words, share) for words, share in told if share >= 0.05), key=lambda one: -one[1])


def colours() -> str:
    """The diverging scale for the 3-D view, from too little to too much, as a list of CSS colours."""
    return ",".join(_hex(one) for one in diverging_colours(VIEW_COLOURS))


def _hex(colour: Any) -> str:
    return "#" + "".join(f"{round(255 * float(part)):02x}" for part in colour)


def histogram_chart(row: PrintComparison) -> Chart | None:
    """Share of area by deviation, with the tolerance band and the 2.5 and 97.5 percentiles."""
    edges, share = row.histogram.get("edges_mm") or [], row.histogram.get("share_percent") or []
    if not share:
        return None
    middle = [round(0.5 * (a + b), 5) for a, b in itertools.pairwise(edges)]
    scale, limit = diverging_colours(255), row.histogram["scale_limit_mm"]
    colour = [_hex(scale[round(254 * min(max((one / limit + 1) / 2, 0), 1))]) for one in middle]
    tolerance, working = row.request["tolerance_mm"], row.result["working"]
    lines = [_upright(working[key], "dash", "--ink-soft") for key in ("p02_5_mm", "p97_5_mm") if working[key]]
    lines += [_upright(edge, "solid", "--ink") for edge in (-tolerance, tolerance)]
    figure = {
        "data": [
            {
                "type": "bar",
                "x": middle,
                "y": share,
                "width": [round(b - a, 5) for a, b in itertools.pairwise(edges)],
                "marker": {"color": colour, "line": {"color": "--rule-strong", "width": 0.5}},
                "hovertemplate": "%{x:+.3f} mm: %{y:.2f} % of the area<extra></extra>",
                "showlegend": False,
            }
        ],
        "layout": {
            "bargap": 0,
            "shapes": lines,
            "xaxis": {"title": {"text": "Deviation (mm), + is material in excess"}},
            "yaxis": {"title": {"text": "Share of area (%)"}, "rangemode": "tozero"},
        },
    }
    return Chart(
        name="histogram",
        title="How much of the working surface is how far off",
        figure=figure,
        columns=("from (mm)", "to (mm)", "share of area (%)"),
        rows=[
            [a, b, round(one, 2)] for a, b, one in zip(edges, edges[1:], share, strict=False) if one > 0
        ],
        csv_url=reverse("qa:comparison-csv", args=[row.pk]),
        note=f"n = {working['n']:,} samples, weighted by area. Solid lines: tolerance ±{tolerance:.3f} mm; "
        "dashed: 2.5 and 97.5 percentile. The outermost bars hold what lies beyond.",
    )  # fmt: skip


def _upright(at: float, dash: str, colour: str) -> dict[str, Any]:
    return {
        "type": "line", "x0": at, "x1": at, "y0": 0, "y1": 1, "yref": "paper",
        "line": {"color": colour, "width": 1.5, "dash": dash},
    }  # fmt: skip


def millimetres_of(row: PrintComparison, pattern: dict[str, Any]) -> float:
    """What one unit of a pattern moves the part by where it moves it most, mm."""
    told = row.result.get("pattern_mm_per_unit")
    if told is None:  # by engine 1.0, which took the height for as wide as the arch
        return float(row.result["half_width_mm"]) / 100.0 if pattern["unit"] == "%" else 1.0
    return float(told[pattern["name"]])


def is_there(pattern: dict[str, Any]) -> bool:
    """Whether a pattern's interval excludes zero, be its size known or not."""
    if None in pattern["ci95"] or pattern["vif"] is None:
        return False
    return surely_there(pattern["verdict"], pattern["ci95"], pattern["vif"])


def pattern_word(pattern: dict[str, Any]) -> str:
    """Whether a pattern is there, as the page says it."""
    if pattern["verdict"] == "unknown" and is_there(pattern):
        return "there, size open"
    return PATTERN_VERDICTS[pattern["verdict"]]


def pattern_chart(row: PrintComparison) -> Chart | None:
    """Size of each pattern where it moves most with its 95 % interval; doubtful ones are open circles."""
    told = row.result["pattern"]
    if not told or not was_judged(row):
        return None
    rows, names, sizes, low, high, symbols = [], [], [], [], [], []
    for one in told:
        to_mm = millimetres_of(row, one)
        name = PATTERN_WORDS.get(one["name"], one["name"])
        ends = one["ci95"]
        rows.append(
            [
                name, _rounded(one["size"], 3), one["unit"], _rounded(ends[0], 3), _rounded(ends[1], 3),
                _rounded(one["share"], 3), _rounded(one["vif"], 1), pattern_word(one),
            ]
        )  # fmt: skip
        if one["size"] is None or None in ends:
            continue
        names.append(name)
        sizes.append(to_mm * one["size"])
        low.append(to_mm * (one["size"] - ends[0]))
        high.append(to_mm * (ends[1] - one["size"]))
        symbols.append("circle-open" if one["verdict"] == "unknown" else "circle")
    figure = {
        "data": [
            {
                "type": "bar",
                "orientation": "h",
                "y": names,
                "x": sizes,
                "marker": {
                    "color": SERIES[0],
                    "pattern": {"shape": ["/" if one == "circle-open" else "" for one in symbols]},
                },
                "error_x": {
                    "type": "data",
                    "symmetric": False,
                    "array": high,
                    "arrayminus": low,
                    "thickness": 2,
                    "color": "--ink",
                },
                "hovertemplate": "%{y}: %{x:+.3f} mm where it moves most<extra></extra>",
                "showlegend": False,
            }
        ],
        "layout": {
            "xaxis": {"title": {"text": "Size where it moves most (mm)"}, "zeroline": True},
            "yaxis": {"autorange": "reversed"},
        },
    }
    return Chart(
        name="patterns",
        title="Patterns in the deviation",
        figure=figure,
        columns=(
            "pattern", "size", "unit", "95 % from", "95 % to", "share explained", "variance inflation",
            "is it there?",
        ),
        rows=rows,
        csv_url=reverse("qa:comparison-csv", args=[row.pk]),
        note="Bars with 95 % intervals; hatched: the size cannot be told to 0.005 mm or 5 % on this scan. A "
        "rigid fit absorbs the rigid part of any deviation. What a pattern means is a hint, not a finding.",
    )  # fmt: skip


def pattern_hints(row: PrintComparison) -> list[tuple[str, str]]:
    """What each pattern that is there, or cannot be told, often means: a hint, never a finding."""
    if not was_judged(row):
        return []
    return [
        (f"{PATTERN_WORDS.get(one['name'], one['name'])} ({pattern_word(one)})", one["hint"])
        for one in row.result["pattern"]
        if one["hint"]
    ]


def bump_rows(row: PrintComparison) -> list[dict[str, Any]]:
    """Bumps and hollows, the largest first."""
    found: list[dict[str, Any]] = row.result["bumps"] if was_judged(row) else []
    return sorted(found, key=lambda one: -float(one["area_mm2"]))


def _rounded(value: float | None, digits: int = 4) -> float | None:
    return None if value is None else round(value, digits)


def csv_rows(row: PrintComparison) -> list[list[Any]]:
    """Every figure of a comparison, one a line."""
    result = row.result
    rows: list[list[Any]] = [
        ["comparison", "part", row.part.mark, "", "", "", ""],
        ["comparison", "engine", row.engine, "", "", "", ""],
        ["decision", "tolerance", row.request["tolerance_mm"], "mm", "", "", ""],
        ["decision", "device_uncertainty", row.request["uncertainty_mm"], "mm", "", "", ""],
        ["decision", "verdict", row.verdict, "", "", "", row.verdict],
        ["identity", "best", result["identity"]["best"], "", "", "", row.identity],
        ["registration", "overlap", result["overlap"], "share", "", "", ""],
        ["registration", "inlier_rms", result["inlier_rms_mm"], "mm", "", "", ""],
        ["registration", "margin", result["margin"], "ratio", "", "", ""],
        ["registration", "coverage", result["coverage"], "share", "", "", ""],
    ]
    for group in ("working", "base", "figures"):
        for key, value in result[group].items():
            unit = "mm" if key.endswith("_mm") else ("share" if key == "within_tolerance" else "count")
            rows.append([group, key.removesuffix("_mm"), value, unit, "", "", ""])
    rows += [
        ["pattern", one["name"], one["size"], one["unit"], *one["ci95"], one["verdict"]]
        for one in result["pattern"]
    ]
    for one in result["distances"]:
        rows.append(["distance", f"{one['name']}: design", one["design_mm"], "mm", "", "", ""])
        rows.append(["distance", f"{one['name']}: scan", one["scan_mm"], "mm", "", "", ""])
        rows.append(["distance", f"{one['name']}: error", one["error_mm"], "mm", "", "", one["verdict"]])
    rows += [
        ["bump", "x {:.2f} y {:.2f} z {:.2f} mm".format(*one["at_mm"]), one["peak_mm"], "mm", "", "", ""]
        for one in result["bumps"]
    ]
    edges, share = row.histogram.get("edges_mm", []), row.histogram.get("share_percent", [])
    rows += [
        ["histogram", "share of area", one, "%", a, b, ""]
        for a, b, one in zip(edges, edges[1:], share, strict=False)
    ]
    return rows


CSV_COLUMNS = ("group", "name", "value", "unit", "low", "high", "verdict")
