"""What the page of a series shows: its rows worst first, its chart of changes, and its CSV."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from django.urls import reverse

from cases.choices import Arch
from labtrack.charts import SERIES, Cell, Chart
from qa.check_figures import leading_sentence, unit_words
from qa.choices import Verdict
from qa.queries.series import WATCHED, Series, Stage, Watched
from qa.statistics.results import rounded
from qa.statistics.series import METHOD, Z_LIMIT

ORDERS = {"worst": "Outliers first", "stage": "By stage"}


def series_rows(series: Series, order: str) -> list[dict[str, Any]]:
    """One row for each stage, in the order asked for."""
    indexes = series.worst_first() if order == "worst" else range(len(series.stages))
    return [_row(series, index) for index in indexes]


def _row(series: Series, index: int) -> dict[str, Any]:
    stage = series.stages[index]
    cells = []
    for watched in shown_figures(series):
        point = series.trends[watched.name].points[index]
        cells.append(
            {
                "value": _number(point.value, watched),
                "change": _change(point.change, watched),
                "stands_out": point.stands_out,
            }
        )
    return {
        "stage": stage,
        "cells": cells,
        "reasons": series.reasons(index),
        "sentence": _sentence(stage),
    }


def shown_figures(series: Series) -> list[Watched]:
    """The watched figures that at least one stage has; all of them before any is checked."""
    known = [one for one in WATCHED if series.trends[one.name].n]
    return known or list(WATCHED)


def _sentence(stage: Stage) -> str:
    """What to know of a stage; one that passes needs no word."""
    if stage.check is None or stage.waiting or stage.check.verdict == Verdict.PASS:
        return ""
    return leading_sentence(stage.check)


def _change(value: float | None, watched: Watched) -> str:
    if value is None:
        return ""
    text = f"{value:+.{watched.digits}f}"
    return "same" if float(text) == 0 else text


def _number(value: float | None, watched: Watched) -> str:
    return "" if value is None else f"{value:.{watched.digits}f}"


def series_title(series: Series) -> str:
    """What the series is, in words: its arch, its number of stages, its round."""
    told = f"{Arch(series.arch).label} {series.line.get_kind_display().lower()} series"
    return told + (f", round {series.line.round}" if series.line.round else "")


def series_chart(series: Series, watched: Watched) -> Chart | None:
    """One figure over the stages with its trend and what stands out; None where no stage has it."""
    trend = series.trends[watched.name]
    known = [point for point in trend.points if point.value is not None]
    if not known:
        return None
    unit = unit_words(watched.unit)
    out = [point for point in known if point.stands_out]
    data: list[dict[str, Any]] = [
        {
            "type": "scatter",
            "mode": "lines+markers",
            "name": watched.title,
            "x": [point.stage for point in known],
            "y": [point.value for point in known],
            "line": {"color": SERIES[0], "width": 2},
            "customdata": [_check_url(series, point.stage) for point in known],
        }
    ]
    if trend.slope is not None:
        data.append(
            {
                "type": "scatter",
                "mode": "lines",
                "name": "Its own trend",
                "x": [point.stage for point in trend.points],
                "y": [point.expected for point in trend.points],
                "line": {"color": "--ink-soft", "width": 1, "dash": "dash"},
            }
        )
    data.append(
        {
            "type": "scatter",
            "mode": "markers",
            "name": "Stands out",
            "x": [point.stage for point in out],
            "y": [point.value for point in out],
            "marker": {"symbol": "diamond", "size": 13, "color": "--fail"},
        }
    )
    return Chart(
        name=watched.name.replace("_", "-"),
        title=f"{watched.title} over the stages",
        figure={
            "data": data,
            "layout": {
                "legend": {"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom"},
                "xaxis": {"title": {"text": "Stage"}},
                "yaxis": {"title": {"text": f"{watched.title} ({unit})"}},
            },
        },
        columns=("Stage", f"{watched.title} ({unit})", f"Trend ({unit})", "z", f"Change ({unit})"),
        rows=[
            [
                Cell(point.stage, _check_url(series, point.stage)),
                rounded(point.value),
                rounded(point.expected),
                rounded(point.z, 2),
                rounded(point.change),
            ]
            for point in known
        ],
        csv_url=reverse("qa:series-csv", args=[series.case.number, series.line.pk, series.arch]),
        note=_chart_note(len(known), trend.more_needed),
    )


def _check_url(series: Series, stage: int) -> str:
    mesh = next(one.mesh for one in series.stages if one.number == stage)
    return reverse("qa:check", args=[mesh.pk]) if mesh else ""


def _chart_note(n: int, more: int) -> str:
    if more:
        return f"n = {n} stages. Whether one stands out cannot be told yet: {more} more are needed."
    return f"n = {n} stages. A diamond lies more than {Z_LIMIT:g} modified z-scores from the trend."


def rule_words() -> str:
    """The rule of the outliers, as the page states it."""
    least = ", ".join(
        f"{watched.floor:g} {unit_words(watched.unit)} of {watched.title.lower()}" for watched in WATCHED
    )
    return (
        f"A stage stands out when its {METHOD.name} ({METHOD.source}) is beyond {Z_LIMIT:g}. Spreads below "
        f"{least} are taken as that much, so that differences nobody could see raise no word."
    )


def csv_columns() -> list[str]:
    """Heads of the CSV; every figure with its trend, score and change."""
    heads = ["stage", "mesh", "file", "role", "state", "verdict", "stands_out"]
    for watched in WATCHED:
        name = watched.name.rsplit("_", 1)[0]
        heads += [watched.name, f"{name}_trend_{watched.unit}", f"{name}_z", f"{name}_change_{watched.unit}"]
    return [*heads, "sentence"]


def csv_rows(series: Series) -> Iterator[list[Any]]:
    """One line for each stage, by stage."""
    for index, stage in enumerate(series.stages):
        check, mesh = stage.check, stage.mesh
        row: list[Any] = [
            stage.number,
            mesh.pk if mesh else None,
            mesh.original_name if mesh else None,
            mesh.role if mesh else None,
            check.state if check else "no file" if mesh is None else "not checked",
            check.verdict if check else None,
            "; ".join(series.reasons(index)),
        ]
        for watched in WATCHED:
            point = series.trends[watched.name].points[index]
            row += [point.value, point.expected, point.z, point.change]
        yield [*row, leading_sentence(check) if check else None]
