"""The evidence as the engine reads it: one data frame of the lab's own rows and of imported history."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date, datetime
from typing import Any, cast

import numpy as np
import pandas as pd
from django.db.models import Count, QuerySet
from django.utils import timezone

from production.choices import NOT_RECORDED, AnswerStatus, MaterialKind
from production.models import Build, Material
from qa.choices import EvidenceUnit
from qa.history_columns import unpacked
from qa.models import DefectKind, HistoryImport, HistoryRows
from qa.queries.selection import EVERYTHING, Selection, chosen, model_of
from qa.statistics.columns import Column, Levels
from qa.statistics.evidence import is_contamination
from qa.statistics.history import STEP

ANSWERS = {
    AnswerStatus.WITHIN.value: "yes",
    AnswerStatus.OUT_OF_LIMITS.value: "no",
    AnswerStatus.NOT_DONE.value: "no",
    AnswerStatus.NOT_APPLICABLE.value: "na",
}
_TEXTS = (
    "build", "printer", "process", "material", "lot", "colour", "translucency", "profile", "tank", "operator",
)  # fmt: skip
_AGES = ("days_since_filter", "builds_since_filter", "layers_since_filter", "ml_since_filter")
_PART_TEXTS = ("orientation",)
_PART_NUMBERS = (
    "layer_um", "platform_x_mm", "platform_y_mm", "resin_temp_c", "bath_parts", "lamp_hours",
)  # fmt: skip
_PART_YES_NO = ("supports", "hollow")
_PIECE_TEXTS = ("forming_machine", "sheet", "sheet_lot")
_PIECE_NUMBERS = ("formings", "model_age_days")
_ALWAYS = ("label", "occurred_at", "outcome", "lost", "mature", "steps", "defects")
FORMING = ("sheet", "sheet_lot", "forming_machine")
READ_ROWS = 2_000

Report = Callable[[float, str], None]


def evidence_frame(
    unit: EvidenceUnit,
    *,
    since: date | None = None,
    selection: Selection = EVERYTHING,
    report: Report = lambda share, words: None,
) -> pd.DataFrame:
    """One row per print attempt (or piece): columns as in the import format, ``lost`` and ``mature``.

    Moments are naive, in the lab's own time. ``defects`` are names with ``;`` between them, and
    ``flaws`` the same as (kind, origin, found). ``since``: rows printed on that day or later;
    ``selection``: those of them that meet it.
    """
    frames = [_lab_frame(unit, since, selection, report), *_imported_frames(unit, since, selection)]
    filled = [frame for frame in frames if len(frame)]
    if not filled:
        return frames[0]
    frame = pd.concat(filled, ignore_index=True) if len(filled) > 1 else filled[0].reset_index(drop=True)
    order = np.argsort(frame["printed_at"].to_numpy(), kind="stable")
    return frame.iloc[order].reset_index(drop=True)


def contamination_names() -> Callable[[str], bool]:
    """Whether a defect's name is of the contamination list: the lab's own kinds say so themselves."""
    known = dict(DefectKind.objects.values_list("code", "contamination"))
    return lambda name: known[name] if name in known else is_contamination(name)


def _rows(unit: EvidenceUnit, since: date | None, selection: Selection) -> QuerySet[Any]:
    rows: QuerySet[Any] = model_of(unit).objects.filter(history__isnull=True).order_by("pk")
    return chosen(rows.filter(day__gte=since) if since else rows, selection)


def _lab_frame(unit: EvidenceUnit, since: date | None, selection: Selection, report: Report) -> pd.DataFrame:
    is_part = unit == EvidenceUnit.PART
    texts = (*_TEXTS, *(_PART_TEXTS if is_part else _PIECE_TEXTS))
    figures = (*_AGES, *(_PART_NUMBERS if is_part else _PIECE_NUMBERS))
    yes_no = _PART_YES_NO if is_part else ()
    names = (*_ALWAYS, *texts, *figures, *yes_no, *(("part__build_id",) if is_part else ()))
    queryset = _rows(unit, since, selection)
    total = queryset.count()
    columns: dict[str, list[Any]] = {name: [] for name in names}
    appends = [columns[name].append for name in names]
    for done, row in enumerate(queryset.values_list(*names).iterator(chunk_size=READ_ROWS), start=1):
        for append, value in zip(appends, row, strict=True):
            append(value)
        if done % 20_000 == 0:
            report(done / max(1, total), f"read {done:,} of {total:,}")
    made: dict[str, Any] = {
        "part": columns["label"],
        "printed_at": pd.to_datetime(
            pd.Series([timezone.make_naive(value) for value in columns["occurred_at"]], dtype=object)
        ),
        "outcome": columns["outcome"],
        "lost": np.array(columns["lost"], dtype=bool),
        "mature": np.array(columns["mature"], dtype=bool),
        "flaws": [_flaws(labels) for labels in columns["defects"]],
    }
    made["defects"] = [";".join(flaw[0] for flaw in flaws) or None for flaws in made["flaws"]]
    made |= {name: _text(columns[name]) for name in texts}
    made |= {name: pd.Series(columns[name], dtype="float64") for name in figures}
    made |= {name: _text([{True: "yes", False: "no"}.get(v) for v in columns[name]]) for name in yes_no}
    made |= _steps(columns["steps"])
    if is_part:
        made |= lab_costs(columns["part__build_id"], columns["material"])
    return pd.DataFrame(made)


def _text(values: Sequence[Any]) -> pd.Series[Any]:
    return pd.Series([value or None for value in values], dtype="object")


def _flaws(labels: Sequence[str]) -> list[tuple[str, str, str]]:
    """(kind, origin, found) of each defect; an empty word where it is not recorded."""
    return [
        (parts[0], parts[1], parts[2]) for label in labels if len(parts := [*label.split("|"), "", ""]) > 2
    ]


def _steps(rows: list[dict[str, str]]) -> dict[str, Any]:
    items = sorted({code for steps in rows for code in steps})
    made: dict[str, Any] = {}
    for code in items:
        answers = [ANSWERS.get(steps.get(code, NOT_RECORDED)) for steps in rows]
        if any(answers):
            made[f"{STEP}{code}"] = pd.Series(answers, dtype="object")
    return made


def lab_costs(builds: list[int | None], materials: list[str]) -> dict[str, Any]:
    """Resin and machine time of each attempt: its build's, shared by the parts of the build."""
    facts = {
        pk: (resin, started, finished, parts)
        for pk, resin, started, finished, parts in Build.objects.order_by()
        .annotate(parts_n=Count("parts"))
        .values_list("pk", "resin_ml", "started_at", "finished_at", "parts_n")
    }
    prices = {
        name: float(price or 0) * float(factor) / 1000
        for name, price, factor in Material.objects.filter(kind=MaterialKind.RESIN, price__isnull=False)
        .order_by()
        .values_list("name", "price", "consumption_factor")
    }
    cost, hours = np.full(len(builds), np.nan), np.full(len(builds), np.nan)
    for row, (build, material) in enumerate(zip(builds, materials, strict=True)):
        resin, started, finished, parts = facts.get(build or 0, (None, None, None, 0))
        if not parts:
            continue
        if resin is not None and material in prices:
            cost[row] = float(resin) * prices[material] / parts
        if started is not None and finished is not None:
            hours[row] = (finished - started).total_seconds() / 3600 / parts
    return {"material_cost": cost, "machine_h": hours}


def _imported_frames(unit: EvidenceUnit, since: date | None, selection: Selection) -> Iterator[pd.DataFrame]:
    published = HistoryImport.objects.filter(published_at__isnull=False).order_by("pk")
    for history in published:
        labels = _labels(unit, history, selection)
        chunks = [
            _among(_imported_chunk(rows.columns, history.pk, unit), labels)
            for rows in HistoryRows.objects.filter(history=history)
            .order_by("first_row")
            .iterator(chunk_size=4)
        ]
        if chunks:
            frame = pd.concat(chunks, ignore_index=True)
            if since:
                frame = frame[frame["printed_at"] >= datetime.combine(since, datetime.min.time())]
            yield frame


def _labels(unit: EvidenceUnit, history: HistoryImport, selection: Selection) -> set[str] | None:
    """Names of the file's rows that were chosen, each of one row; None for all of them.

    The evidence rows of a file say what was chosen, so that one rule serves them and the lab's own.
    """
    if selection.is_all:
        return None
    rows: QuerySet[Any] = model_of(unit).objects.filter(history=history).order_by()
    return set(chosen(rows, selection).values_list("label", flat=True))


def _among(frame: pd.DataFrame, labels: set[str] | None) -> pd.DataFrame:
    return frame if labels is None else frame[frame["part"].isin(labels)]


def _imported_chunk(columns: dict[str, Any], history: int, unit: EvidenceUnit) -> pd.DataFrame:
    read = unpacked(columns)
    n = len(read["part"])
    made: dict[str, Any] = {}
    for name, column in read.items():
        if not isinstance(column, Levels):
            made[name] = column
        elif name == "printed_at":
            made[name] = pd.to_datetime(pd.Series(column.mapped(_local), dtype=object))
        elif name == "defects":
            made[name] = pd.Series(column.mapped(lambda some: ";".join(some) if some else None), dtype=object)
        elif name == "build":
            # Builds of different files are different builds, whatever they are called.
            names = column.mapped(lambda build: f"{history}:{build}" if build else None)
            made[name] = pd.Series(names, dtype=object)
        else:
            made[name] = pd.Series(column.values(), dtype=object)
    made["lost"] = made["outcome"] == "scrapped"
    made["mature"] = np.ones(n, dtype=bool)
    made["flaws"] = _imported_flaws(read, n)
    frame = pd.DataFrame(made)
    if unit == EvidenceUnit.PIECE:
        formed = [name for name in FORMING if name in frame.columns]
        frame = frame[frame[formed].notna().any(axis=1)] if formed else frame.iloc[:0]
    return frame


def _imported_flaws(read: Mapping[str, Column], n: int) -> list[list[tuple[str, str, str]]]:
    """Each row's defects with the steps of their origin and of their finding."""
    some, origins, finds = (
        column.values() if isinstance(column := read.get(name), Levels) else [None] * n
        for name in ("defects", "step_of_origin", "step_found")
    )
    return [
        [(defect, str(origin or ""), str(found or "")) for defect in cast("tuple[str, ...]", names or ())]
        for names, origin, found in zip(some, origins, finds, strict=True)
    ]


def _local(moment: datetime) -> datetime:
    return moment if timezone.is_naive(moment) else timezone.make_naive(moment)
