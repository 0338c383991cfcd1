"""Check blocks over time, per side of the block: has it changed, does it drift, is it capable?"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from django.urls import reverse
from django.utils import timezone

from labtrack.charts import SERIES, Chart
from production.models import Printer
from qa.choices import Side
from qa.control_lines import SIGNALS, limit_line, signal_markers
from qa.models import MorningProof, ProofValue
from qa.statistics.capability import performance
from qa.statistics.charts import INDIVIDUALS, individuals_chart
from qa.statistics.charts import Chart as Judged
from qa.statistics.drift import ewma_chart
from qa.statistics.results import StatisticsError, Verdict

Point = tuple[float, float, float, float]  # value, lower limit, centre, upper limit

METHOD = f"{INDIVIDUALS.name} ({INDIVIDUALS.source}). {SIGNALS}"


@dataclass(frozen=True)
class SideCharts:
    """The charts of one side, and what they say. ``capable``: performance against the tolerance in words."""

    sentence: str
    values: Chart
    ranges: Chart
    drift_sentence: str
    drift: Chart
    capable: str
    capable_method: str


def proof_charts(printer: Printer, rows: Sequence[MorningProof]) -> list[SideCharts]:
    """Charts of the sides that were measured at least twice, in time order."""
    found = []
    for side in Side:
        told = [
            (proof, value)
            for proof in sorted(rows, key=lambda one: (one.occurred_at, one.pk))
            for value in proof.values.all()
            if value.side == side
        ]
        if len(told) >= 2:
            found.append(_side(printer, side, told))
    return found


def _side(printer: Printer, side: Side, told: list[tuple[MorningProof, ProofValue]]) -> SideCharts:
    errors = [value.error_mm for _, value in told]
    chart = individuals_chart(errors)
    days = [timezone.localtime(proof.occurred_at).strftime("%Y-%m-%d %H:%M") for proof, _ in told]
    url = reverse("qa:proofs-csv", args=[printer.equipment.code])
    tolerance = told[-1][0].tolerance_mm
    note = (
        f"n = {len(told)} check blocks. Baseline: these points themselves. {METHOD} The tolerance is "
        f"±{tolerance:.3f} mm; limits of the chart say what is usual here, not what is allowed."
    )
    values = _chart(
        f"proof-{side.value}", f"Error of side {side.label}", _points(chart.values), _signals(chart.values),
        days, url, note,
    )  # fmt: skip
    ranges = _chart(
        f"proof-range-{side.value}", f"Moving range of side {side.value}", _points(chart.ranges),
        _signals(chart.ranges), days[1:], url, "Difference of each block to the one before.",
    )  # fmt: skip
    centre = chart.values.points[0].centre
    moved = ewma_chart(errors, target=centre, sigma=(chart.values.points[0].upper - centre) / 3)
    drift = _chart(
        f"proof-drift-{side.value}",
        f"Drift of side {side.value}",
        list(zip(moved.average, moved.lower, [centre] * moved.n, moved.upper, strict=True)),
        dict.fromkeys(moved.signals, "beyond the limits"),
        days,
        url,
        f"n = {moved.n}. Exponentially weighted moving average, the newest block weighing 0.2: small lasting "
        f"shifts show here first ({moved.method.source}). A false alarm comes about every 500 points.",
    )
    capable, how = _capable(errors, tolerance)
    return SideCharts(chart.values.sentence, values, ranges, moved.sentence, drift, capable, how)


def _capable(errors: list[float], tolerance_mm: float) -> tuple[str, str]:
    """How the errors stand in their tolerance, and the method; a sentence where that cannot be told."""
    try:
        found = performance(errors, lower=-tolerance_mm, upper=tolerance_mm)
    except StatisticsError as error:
        return f"Cannot tell yet whether it is capable: {error.sentence}", ""
    start = {
        Verdict.CAPABLE: "Capable of holding the tolerance",
        Verdict.NOT_CAPABLE: "Not capable of holding the tolerance",
    }.get(found.verdict, "Cannot tell yet whether it is capable")
    more = f" About {found.needed} more blocks would tell." if found.needed else ""
    return f"{start}: {found.sentence}{more}", f"{found.method.name} ({found.method.source})"


def _points(judged: Judged) -> list[Point]:
    return [(one.value, one.lower, one.centre, one.upper) for one in judged.points]


def _signals(judged: Judged) -> dict[int, str]:
    return {signal.index: signal.words for signal in judged.signals}


def _chart(
    name: str,
    title: str,
    points: list[Point],
    signalled: dict[int, str],
    days: list[str],
    url: str,
    note: str,
) -> Chart:
    value, lower, centre, upper = ([point[place] for point in points] for place in range(4))
    figure = {
        "data": [
            limit_line(days, upper, "Limits"),
            limit_line(days, lower, ""),
            limit_line(days, centre, "Centre", middle=True),
            {
                "type": "scatter",
                "mode": "lines+markers",
                "name": "Check block",
                "x": days,
                "y": value,
                "line": {"color": SERIES[0], "width": 1},
                "marker": signal_markers([index in signalled for index in range(len(days))], size=7),
                "hovertemplate": "%{x}: %{y:+.3f} mm<extra></extra>",
            },
        ],
        "layout": {
            "legend": {"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom"},
            "xaxis": {"type": "date"},
            "yaxis": {"title": {"text": "mm"}},
        },
    }
    rows = [
        [day, *(round(one, 4) for one in point), signalled.get(index, "")]
        for index, (day, point) in enumerate(zip(days, points, strict=True))
    ]
    columns = ("measured", "value (mm)", "lower limit", "centre", "upper limit", "signal")
    return Chart(
        name=name, title=title, figure=figure, columns=columns, rows=rows[::-1], csv_url=url, note=note
    )


def proof_csv_rows(rows: Iterable[MorningProof]) -> Iterator[list[Any]]:
    """One line per side of each block."""
    for proof in rows:
        for value in proof.values.all():
            yield [
                proof.day.isoformat(), proof.occurred_at.isoformat(), str(proof.printer), value.side,
                value.nominal_mm, value.measured_mm, value.error_mm, value.verdict, proof.tolerance_mm,
                proof.uncertainty_mm, proof.uncertainty_studied,
                proof.device.code if proof.device else "", proof.by.name, proof.note,
            ]  # fmt: skip
