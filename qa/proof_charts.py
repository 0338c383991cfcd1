"""Check blocks over time: an individuals and moving range chart per side of the block."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from django.urls import reverse
from django.utils import timezone

from labtrack.charts import SERIES, Chart
from production.models import Printer
from qa.choices import Side
from qa.models import MorningProof, ProofValue
from qa.statistics.charts import Chart as Judged
from qa.statistics.charts import individuals_chart

METHOD = (
    "Individuals and moving range chart (ISO 7870-2). Signals: one point beyond the limits; eight in a row "
    "on one side."
)


@dataclass(frozen=True)
class SideCharts:
    """The two charts of one side, and what they say."""

    sentence: str
    values: Chart
    ranges: Chart


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
    chart = individuals_chart([value.error_mm for _, value in told])
    days = [timezone.localtime(proof.occurred_at).strftime("%Y-%m-%d %H:%M") for proof, _ in told]
    url = reverse("qa:proofs-csv", args=[printer.equipment.code])
    tolerance = told[-1][0].tolerance_mm
    note = (
        f"n = {len(told)} check blocks. Baseline: these points themselves. {METHOD} The tolerance is "
        f"±{tolerance:.3f} mm; limits of the chart say what is usual here, not what is allowed."
    )
    values = _chart(f"proof-{side.value}", f"Error of side {side.label}", chart.values, days, url, note)
    ranges = _chart(
        f"proof-range-{side.value}", f"Moving range of side {side.value}", chart.ranges, days[1:], url,
        "Difference of each block to the one before.",
    )  # fmt: skip
    return SideCharts(chart.values.sentence, values, ranges)


def _chart(name: str, title: str, judged: Judged, days: list[str], url: str, note: str) -> Chart:
    signalled = {signal.index: signal.words for signal in judged.signals}
    marks = [index in signalled for index in range(len(days))]
    figure = {
        "data": [
            _line(days, [point.upper for point in judged.points], "Limits", SERIES[2], "dash"),
            _line(days, [point.lower for point in judged.points], "", SERIES[2], "dash"),
            _line(days, [point.centre for point in judged.points], "Centre", SERIES[1], "dot"),
            {
                "type": "scatter",
                "mode": "lines+markers",
                "name": "Check block",
                "x": days,
                "y": [point.value for point in judged.points],
                "line": {"color": SERIES[0], "width": 1},
                "marker": {
                    "size": [13 if mark else 7 for mark in marks],
                    "symbol": ["diamond" if mark else "circle" for mark in marks],
                    "color": SERIES[0],
                },
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
        [day, *(round(one, 4) for one in (p.value, p.lower, p.centre, p.upper)), signalled.get(p.index, "")]
        for day, p in zip(days, judged.points, strict=True)
    ]
    columns = ("measured", "value (mm)", "lower limit", "centre", "upper limit", "signal")
    return Chart(
        name=name, title=title, figure=figure, columns=columns, rows=rows[::-1], csv_url=url, note=note
    )


def _line(x: list[str], y: list[float], name: str, colour: str, dash: str) -> dict[str, Any]:
    return {
        "type": "scatter", "mode": "lines", "name": name, "showlegend": bool(name), "x": x, "y": y,
        "line": {"color": colour, "width": 2, "dash": dash}, "hoverinfo": "skip",
    }  # fmt: skip


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
